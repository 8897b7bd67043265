"""Print carewatch's physics beside what was measured: sky, ground, sensitivity, settling.

    python -m tests.bench.world [FOLDER]

FOLDER may hold measured records that are not part of this project: the half-hourly Bondville, IL, year of 1998 and the
58 stations of the US Climate Reference Network; what is not there is left out and said so. Nothing here passes or
fails; tests/reference/test_freeze_longwave.py, _surfaces.py and _sensitivity.py hold the figures to limits.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from carewatch.freeze.engines import fastest
from carewatch.freeze.night_error import default_error
from carewatch.freeze.parts import BOOM_PIPE, VALVE
from carewatch.freeze.sky import CLEAR_SKY_MODELS, ClearSky, prata
from carewatch.weather.forecast import Grade
from tests.reference.measured_ground import (
    LONG_FILE,
    MEAN_WIND_MPS,
    Days,
    days,
    felt,
    hits,
    lowest_c,
    margins_c,
    share_frozen,
)
from tests.reference.measured_sky import (
    BONDVILLE,
    SURFRAD,
    Misfit,
    Sky,
    bondville,
    clear_misfit,
    misfit,
    overcast_misfit,
    share_below,
    surfrad_hours,
)
from tests.reference.sensitivity import effects
from tests.reference.settling import CLOUDS, WINDS_MPS, air_that_settles_at_freezing_c

THRESHOLD = 0.10  # the usual chance from which a night is warned of
REDRAWS = 2000


def main(folder: Path | None) -> None:
    print_sky(folder)
    print_ground("12 stations", days())
    if folder is not None and (folder / LONG_FILE).exists():
        print_ground("58 stations", days(folder / LONG_FILE))
    else:
        print(f"\nLeft out: {LONG_FILE} (give its folder).")
    print_sensitivity()
    print_settling()


def print_sky(folder: Path | None) -> None:
    print("Sky longwave at night, model minus measured [W/m2]: bias / RMSE (hours). Probably clear and probably")
    print("overcast as in tests/reference/measured_sky.py; overcast with cloud factor 0.84 and cloud 1.")
    skies = {site: surfrad_hours(site) for site in SURFRAD}
    if folder is not None and (folder / BONDVILLE).exists():
        skies["Bondville 1998"] = bondville(folder)
    else:
        print(f"Left out: {BONDVILLE} (give its folder).")
    for site, sky in skies.items():
        print(f"\n{site}: {sky.air_c.size} night hours, {sky.is_clear.sum()} clear, {sky.is_overcast.sum()} overcast")
        print(f"{'model':22}{'clear':>22}{'overcast':>22}{'below clear model':>20}{'by 10 W/m2':>12}")
        for name, model in CLEAR_SKY_MODELS.items():
            print_model(name, sky, model)
    if "Bondville 1998" in skies:
        print_by_wind(skies["Bondville 1998"])


def print_model(name: str, sky: Sky, model: ClearSky) -> None:
    clear, covered = words(clear_misfit(sky, model)), words(overcast_misfit(sky, model))
    below, far_below = share_below(sky, model), share_below(sky, model, by_w=10.0)
    print(f"{name:22}{clear:>22}{covered:>22}{below:>20.3f}{far_below:>12.3f}")


def words(found: Misfit) -> str:
    return "-" if found.count == 0 else f"{found.bias_w:+.1f} / {found.rmse_w:.1f} ({found.count})"


def print_by_wind(sky: Sky) -> None:
    print(
        "\nPrata in the clear hours of Bondville by wind (air at 6 m: an inversion below it makes the model too warm):"
    )
    for low, high in ((0, 2), (2, 3), (3, 4), (4, 6), (6, 20)):
        chosen = sky.at(sky.is_clear & (sky.wind_mps >= low) & (sky.wind_mps < high))
        print(f"  {low} to {high} m/s: {words(misfit(chosen.model_w(prata, cloud_fraction=0.0), chosen.sky_w))}")


def print_ground(title: str, of: Days) -> None:
    print(f"\nUS Climate Reference Network 2020, {title}: {of.air_min_c.size} station-days")
    print(f"ground below 0 °C on {of.froze.sum()}")
    below_k = of.ground_min_c - of.air_min_c
    print(
        f"ground minimum minus air minimum [K]: median {np.median(below_k):+.1f}, 5 % {np.percentile(below_k, 5):+.1f}"
    )
    classes = ((-2, 0, 0.95), (0, 1, 0.757), (1, 2, 0.53), (2, 3, 0.32), (3, 4, 0.21), (4, 5, 0.10))
    for low, high, of_115 in classes:
        share, count = share_frozen(of, low, high)
        print(f"  P(ground < 0 | air minimum {low:+d} to {high:+d} °C) {share:.3f} of {count}; 115 stations: {of_115}")
    above = float(np.mean(of.air_min_c[of.froze] > 0.0))
    print(f"  frozen days with air above 0 °C: {above:.4f}; 115 stations: 0.1806")
    print(f"  95 % of redrawn stations: {redrawn(of)}")
    print_rules(of)


def redrawn(of: Days) -> str:
    """How far the two shares move when as many stations are drawn again."""
    is_above = of.air_min_c > 0.0
    in_class = is_above & (of.air_min_c <= 1.0)
    counted = (in_class, in_class & of.froze, of.froze & is_above, of.froze)
    stations = [of.station == name for name in np.unique(of.station)]
    counts = np.array([[(mine & these).sum() for these in counted] for mine in stations])
    draw = np.random.default_rng(2020).integers(0, len(counts), (REDRAWS, len(counts)))
    days_in, frozen_in, above, frozen = counts[draw].sum(axis=1).T
    first, second = (np.percentile(share, (2.5, 97.5)) for share in (frozen_in / days_in, above / frozen))
    return f"P(0 to 1) {first[0]:.3f} to {first[1]:.3f}, above 0 {second[0]:.3f} to {second[1]:.3f}"


def print_rules(of: Days) -> None:
    print(f"  {'rule':58}{'POD':>7}{'FAR':>7}{'days flagged':>14}")
    for limit_c in (0, 1, 2, 3, 4):
        print_rule(f"air minimum <= {limit_c} °C", of.air_min_c <= limit_c, of)
    knowledge = {
        "nothing else known": {},
        "cloud from the sun": {"knows_cloud": True},
        "cloud from the sun, 2 m/s at 2 m": {"knows_cloud": True, "wind_mps": MEAN_WIND_MPS},
    }
    for known, changes in knowledge.items():
        nights = felt(of, **changes)
        margin_c = np.max([margins_c(nights, part, kernel=fastest()) for part in (VALVE, BOOM_PIPE)], axis=0)
        print_rule(f"coldest part makes ice; {known}", margin_c > 0.0, of)
        chance = [
            default_error(Grade.OFFICIAL, night=1, forecast_min_c=low_c).cdf(margin)
            for low_c, margin in zip(of.air_min_c.tolist(), margin_c.tolist(), strict=True)
        ]
        print_rule(f"  the same, chance {THRESHOLD:.2f} or more", np.array(chance) >= THRESHOLD, of)
        print_distance(of, lowest_c(nights, VALVE, kernel=fastest()))


def print_rule(name: str, flagged: np.ndarray, of: Days) -> None:
    found, false = hits(flagged, of.froze)
    print(f"  {name:58}{found:7.3f}{false:7.3f}{flagged.mean():14.3f}")


def print_distance(of: Days, part_c: np.ndarray) -> None:
    """Where water that never froze would have been, between ground and air, on clear days near freezing."""
    clear = (of.cloud_fraction < 0.25) & (of.air_min_c > -3.0)
    from_ground, from_air = (part_c - of.ground_min_c)[clear], (part_c - of.air_min_c)[clear]
    quarters = ", ".join(f"{value:+.1f}" for value in np.percentile(from_ground, (5, 25, 50, 75, 95)))
    print(f"    clear days above -3 °C: nozzle body minus ground {quarters} K; minus air {np.median(from_air):+.1f} K")


def print_sensitivity() -> None:
    nights, with_ice, found = effects()
    print(f"\nOne change at a time: nozzle body, {nights} measured nights, {with_ice} with ice in the base")
    print(f"{'change':24}{'gained':>8}{'lost':>6}{'median shift of first ice [min]':>34}")
    for name, effect in found.items():
        print(f"{name:24}{effect.gained:+8d}{-effect.lost:+6d}{effect.shift_min:+34.1f}")


def print_settling() -> None:
    print(
        "\nAir temperature [°C] at which a dry exposed nozzle body settles at 0 °C, humidity 70 %, by wind at the boom"
    )
    print(f"{'':24}" + "".join(f"{wind:>7.1f}" for wind in WINDS_MPS) + "  m/s")
    for name in ("prata", "brunt_refit"):
        for cloud in CLOUDS:
            row = [
                air_that_settles_at_freezing_c(cloud=cloud, wind_mps=wind, clear_sky=CLEAR_SKY_MODELS[name])
                for wind in WINDS_MPS
            ]
            print(f"{name:14}cloud {cloud:.1f} " + "".join(f"{value:7.1f}" for value in row))


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else None)

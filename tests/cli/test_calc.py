"""`calc` answers a script in metric JSON, a reader in lines, and a slip of the keyboard with what to write."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from scipy.stats import norm

from carewatch.cli.calc import calc


def run(*arguments: str) -> Result:
    return CliRunner().invoke(calc, arguments)


def answer(*arguments: str) -> dict[str, float]:
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


NOZZLES = ("nozzle-time", "--held-l", "60", "--nozzles", "54", "--size", "04", "--pressure-kpa", "300")


def test_rinse_says_what_water_leaves() -> None:
    # 600 L in 3 rinses of 60 L held: 1 / (1 + 10/3)^3, by hand
    said = answer("rinse", "--held-l", "60", "--passes", "3", "--water-l", "600")
    assert said == {"left_fraction": pytest.approx((3 / 13) ** 3), "water_l": 600.0}


def test_rinse_says_what_water_a_target_takes() -> None:
    # one rinse to 1 % takes 99 times what is held, by hand
    said = answer("rinse", "--held-l", "10", "--passes", "1", "--target-fraction", "0.01")
    assert said == {"left_fraction": pytest.approx(0.01), "water_l": pytest.approx(990.0)}


def test_nozzle_time_says_flow_and_minutes() -> None:
    # 3 x 60 L through 54 nozzles of 1.6 L/min: 180 / 86.4 min, by hand
    assert answer(*NOZZLES, "--passes", "3") == {
        "litres_per_min": pytest.approx(1.6),
        "minutes_per_side": pytest.approx(180 / 86.4),
    }


def test_the_text_follows_the_readers_units_and_json_stays_metric() -> None:
    assert "180 L" in run(*NOZZLES).output
    assert "48 US gal" in run(*NOZZLES, "--units", "us").output
    assert "1.60 L/min" in run(*NOZZLES).output
    assert "0.42 US gal/min" in run(*NOZZLES, "--units", "us").output
    assert run(*NOZZLES, "--units", "us", "--json").output == run(*NOZZLES, "--json").output


def test_rinse_text_names_water_and_rest() -> None:
    text = run("rinse", "--held-l", "60", "--passes", "3", "--target-fraction", "0.02").output
    assert "483 L in 3 equal rinses (8.1 times what is held)" in text
    assert "2 % (one part in 50)" in text


@pytest.mark.parametrize(
    ("water_l", "passes", "said"),
    [
        ("0", "3", "main line: 100 %."),
        # one rinse of 60 L held, by hand: 60 / 62 and 60 / 660
        ("2", "1", "main line: 97 %."),
        ("600", "1", "main line: 9.1 % (one part in 11)."),
        # four rinses with 15 times what is held: 16^-4 = 1 / 65536
        ("3600", "4", "main line: 0.0015 % (one part in 65,536)."),
        # 999 rinses with 16.7 times what is held each: 17.7^-999 is below the smallest number a computer keeps
        ("1e6", "999", "main line: less than one part in a million."),
    ],
)
def test_what_a_rinse_leaves_is_written_without_powers_of_ten(water_l: str, passes: str, said: str) -> None:
    result = run("rinse", "--held-l", "60", "--water-l", water_l, "--passes", passes)
    assert result.exit_code == 0
    assert said in result.output


def test_a_small_volume_is_not_rounded_to_none() -> None:
    # 231 cubic inches: 1 L is 0.264 US gal
    text = run("rinse", "--held-l", "0.5", "--passes", "1", "--water-l", "1", "--units", "us").output
    assert "Clean water: 0.26 US gal" in text


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("rinse", "--held-l", "60", "--passes", "3"), "--water-l"),
        (("rinse", "--held-l", "60", "--water-l", "5", "--target-fraction", "0.1"), "Write one of"),
        (("rinse", "--held-l", "-60", "--water-l", "5"), "Held volume -60 L cannot be"),
        (("rinse", "--held-l", "60", "--passes", "0", "--water-l", "5"), "0 passes are none"),
        (("rinse", "--held-l", "60", "--target-fraction", "2"), "0.02 for 2 %"),
        (("rinse", "--held-l", "60", "--passes", "1", "--target-fraction", "1e-320"), "too close to 0"),
        (("rinse", "--held-l", "1e308", "--water-l", "5"), "1e+308 is not in the range"),
        (("rinse", "--held-l", "nan", "--water-l", "5"), "Held volume nan L cannot be"),
        (("rinse", "--held-l", "much", "--water-l", "5"), "'much' is not a valid float"),
        (("nozzle-time", "--held-l", "60", "--nozzles", "5", "--size", "red", "--pressure-kpa", "300"), "'red'"),
        (("nozzle-time", "--held-l", "60", "--nozzles", "5", "--size", "04", "--pressure-kpa", "-3"), "-3 kPa"),
        (("nozzle-time", "--held-l", "60", "--nozzles", "0", "--size", "04", "--pressure-kpa", "300"), "0 nozzles"),
        (("nozzle-time", "--held-l", "60"), "--nozzles"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_a_slip_is_a_usage_error_that_names_the_value(arguments: tuple[str, ...], said: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert said in result.output
    assert "Traceback" not in result.output


PIPE = ("cooling", "--inner-mm", "22", "--wall-mm", "1.5", "--material", "stainless", "--start-c", "8", "--air-c", "-5")


def test_cooling_of_a_pipe_under_a_fixed_film_follows_newtons_law() -> None:
    # per metre, by hand: water 0.380 kg x 4190 J/kgK and wall 0.1107 L x 7.9 kg/L x 477 J/kgK behind a film of
    # 15 W/m2K on 0.0785 m2; t = C / (h A) x ln((8 + 5) / (0 + 5)). 1 % for rounded properties and the thin wall
    capacity_j_per_k = math.pi / 4 * 0.022**2 * 1000 * 4190 + math.pi / 4 * (0.025**2 - 0.022**2) * 7900 * 477
    by_hand_h = capacity_j_per_k / (15 * math.pi * 0.025) * math.log(13 / 5) / 3600
    said = answer(*PIPE, "--film", "15", "--hours", "48")
    assert said["hours_to_freezing_point"] == pytest.approx(by_hand_h, rel=0.01)
    # all ice: the heat of freezing 333.4 kJ/kg (IAPWS) through the same film at 5 K
    freezing_h = math.pi / 4 * 0.022**2 * 1000 * 333_400 / (15 * math.pi * 0.025 * 5) / 3600
    assert said["hours_to_ice_100"] - said["hours_to_freezing_point"] == pytest.approx(freezing_h, rel=0.01)
    assert set(said) == COOLING_KEYS


COOLING_KEYS = {"hours_to_freezing_point", "hours_to_ice_20", "hours_to_ice_100", "lowest_c", "freezes_at_c"}


def test_what_is_not_reached_is_null_and_said_in_words() -> None:
    warm = ("cooling", "--part", "valve", "--start-c", "8", "--air-c", "6", "--hours", "10")
    said = answer(*warm)
    assert said["hours_to_freezing_point"] is None
    assert said["hours_to_ice_100"] is None
    assert run(*warm).output.count("not within 10 h") == 3


def test_a_clear_calm_sky_freezes_a_valve_in_air_above_freezing() -> None:
    # physics of the sky: a dry exposed body under a clear sky settles below the air
    calm = ("cooling", "--part", "valve", "--start-c", "8", "--air-c", "1.5", "--wind-mps", "0.5", "--hours", "12")
    assert answer(*calm, "--sky", "clear")["hours_to_freezing_point"] is not None
    assert answer(*calm, "--sky", "none")["hours_to_freezing_point"] is None


def test_cooling_text_follows_the_units() -> None:
    assert "32.0 °F" in run(*PIPE, "--units", "us").output
    assert "0.0 °C" in run(*PIPE).output


def test_a_fluid_has_its_own_freezing_point() -> None:
    glycol = answer(*PIPE, "--fluid", "propylene_glycol", "--strength-vol-pct", "30")
    # Lange's Handbook 15th ed. table 5.13: 30 vol % -12.8 °C; one degree of caution is added
    assert glycol["freezes_at_c"] == pytest.approx(-11.8, abs=0.05)
    assert answer(*PIPE, "--fluid", "product")["freezes_at_c"] == 0.0


def test_odds_of_a_forecast_low_are_those_of_the_normal_law() -> None:
    # scipy.stats; the spread itself is the one the answer names
    said = answer("odds", "--low-c", "2", "--night", "1")
    assert said["chance"] == pytest.approx(norm.cdf(0, loc=2, scale=said["spread_c"]), rel=1e-6)
    assert answer("odds", "--low-c", "2", "--night", "5")["spread_c"] > said["spread_c"]
    assert answer("odds", "--low-c", "2", "--grade", "raw")["chance"] > said["chance"]
    assert answer("odds", "--low-c", "2", "--site-sd", "3")["spread_c"] > said["spread_c"]


def test_odds_read_the_lows_of_an_ensemble_from_a_file(tmp_path: Path) -> None:
    lows = tmp_path / "lows.csv"
    lows.write_text("-1.0, 0.5\n2.0\n3.5\n")
    mild, harsh = (answer("odds", "--members", str(lows), "--harm-c", harm)["chance"] for harm in ("-3", "0"))
    assert 0 < mild < harsh < 1
    lows.write_text("-1.0, cold\n")
    refused = run("odds", "--members", str(lows))
    assert (refused.exit_code, "'cold'" in refused.output) == (2, True)


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("cooling", "--start-c", "8", "--air-c", "-5"), "Write --part, or all of"),
        ((*PIPE, "--part", "valve"), "Write --part, or all of"),
        (("cooling", "--inner-mm", "22", "--start-c", "8", "--air-c", "-5"), "Write --part, or all of"),
        (("cooling", "--part", "nose", "--start-c", "8", "--air-c", "-5"), "'nose'"),
        (("cooling", "--part", "valve", "--start-c", "500", "--air-c", "-5"), "500"),
        ((*PIPE, "--film", "15", "--sky", "clear"), "--film replaces wind and sky"),
        ((*PIPE, "--dew-c", "nan"), "dew point of nan"),
        ((*PIPE, "--fluid", "moonshine"), "'moonshine'"),
        ((*PIPE, "--fluid", "propylene_glycol"), "--strength-vol-pct"),
        ((*PIPE, "--strength-vol-pct", "30"), "'water' is no antifreeze"),
        ((*PIPE, "--fluid", "uan_28", "--strength-vol-pct", "30"), "'uan_28' is no antifreeze"),
        ((*PIPE, "--hours", "0"), "0 hours"),
        (("odds",), "Write one of --low-c"),
        (("odds", "--low-c", "2", "--night", "0"), "Night 0"),
        (("odds", "--low-c", "nan"), "nan"),
        (("odds", "--members", "no-such-file"), "no-such-file"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, tuple) else None,
)
def test_a_slip_in_cooling_or_odds_is_a_usage_error_too(arguments: tuple[str, ...], said: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert said in result.output


@pytest.mark.parametrize("command", sorted(calc.commands))
def test_every_command_has_help_with_an_example_and_json(command: str) -> None:
    text = run(command, "--help").output
    assert f"carewatch calc {command} " in text
    assert "--json" in text


def test_help_loads_no_numerics() -> None:
    script = "import sys, carewatch.cli.calc; sys.exit(any(m in sys.modules for m in ('numpy', 'jinja2', 'pydantic')))"
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0

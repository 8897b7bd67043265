"""The two engines of the heat balance give one answer, and neither needs the other."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from carewatch.errors import BadInput
from carewatch.freeze.engines import NAMES, engine_named, fastest, has_numba
from carewatch.freeze.exchange import MARKS, Forcing
from carewatch.freeze.kernel import Load, Run, run_numpy
from carewatch.freeze.parts import BOOM_PIPE, HAND_WASH_TANK, HOPPER, HOSES, METER, PUMP, TANK, VALVE, stack

ALL = (VALVE, BOOM_PIPE, HOSES, PUMP, METER, HOPPER, TANK, HAND_WASH_TANK)
LEVELS = (0.1, 0.5, 1.0)
# as asked of the engines: degrees and shares within 1e-6, instants within 1e-4 h
WITHIN = {"onset_h": 1e-4, "level_h": 1e-4, "ice_fraction": 1e-6, "part_c": 1e-6, "lowest_c": 1e-6}

needs_numba = pytest.mark.skipif(not has_numba(), reason="the extra [fast] is not installed")


def hard_load(columns: int, *, hours: int, seed: int) -> Load:
    """Every part under restless weather: wet, sheltered, fixed films, ice at the start, glycol, water that starts late.

    Some columns never run, some hold liquid without latent heat, some start exactly at the freezing point.
    """
    rng = np.random.default_rng(seed)
    parts = [
        replace(ALL[rng.integers(len(ALL))], freezes_at_c=float(rng.choice([0.0, -0.4, -3.0, -20.0, 5.0])))
        for _ in range(columns)
    ]
    arrays = stack(parts)
    shape = (hours + 1, columns)
    hour = np.arange(hours + 1)[:, None]
    air_c = rng.uniform(-12.0, 14.0, columns) + 6.0 * np.cos(hour / 24.0 * 2.0 * np.pi + rng.uniform(0.0, 6.3, columns))
    air_c = air_c + rng.normal(0.0, 0.8, shape)
    start_c = np.maximum(air_c[0] + rng.choice([0.0, 5.0], columns), arrays.freezes_at_c)
    ice_j = -arrays.latent_j * rng.uniform(0.0, 1.2, columns)
    start_j = np.where(rng.random(columns) < 0.7, arrays.enthalpy_j(start_c), ice_j)
    first_h = rng.integers(0, 6, columns).astype(float)
    return Load(
        parts=replace(arrays, latent_j=np.where(rng.random(columns) < 0.1, 0.0, arrays.latent_j)),
        forcing=Forcing(
            air_c=air_c,
            dew_c=air_c - rng.exponential(3.0, shape) + 0.5,
            wind_mps=rng.exponential(2.0, shape) + 0.1,
            cloud_fraction=rng.random(shape),
            ground_below_air_c=2.0 * (rng.random(shape) < 0.5),
            sky_open=(rng.random(shape) < 0.7).astype(float),
            is_wet=np.where(rng.random(shape) < 0.3, rng.random(shape), 0.0),
            film_w_m2k=np.where(rng.random(columns) < 0.1, rng.uniform(5.0, 50.0, columns), np.nan),
        ),
        start_j=np.where(rng.random(columns) < 0.05, 0.0, start_j),
        first_h=first_h,
        last_h=np.where(rng.random(columns) < 0.05, first_h, first_h + rng.integers(1, hours - 5, columns)),
    )


def assert_same(one: Run, other: Run, load: Load) -> None:
    for name, within in WITHIN.items():
        ours, theirs = getattr(one, name), getattr(other, name)
        assert np.array_equal(np.isnan(ours), np.isnan(theirs)), name
        assert np.allclose(ours, theirs, rtol=0.0, atol=within, equal_nan=True), name
    assert np.all(np.abs(one.end_j - other.end_j) <= 1e-6 * load.parts.skin_j_per_k)


@needs_numba
@pytest.mark.parametrize("sub_steps", [1, 4, 6])
@pytest.mark.parametrize("columns", [1, 5, 700])
def test_both_engines_give_one_answer_on_a_hard_set(columns, sub_steps):
    load = hard_load(columns, hours=40, seed=columns)
    ours = run_numpy(load, sub_steps=sub_steps, levels=LEVELS)
    theirs = engine_named("numba")(load, sub_steps=sub_steps, levels=LEVELS)
    assert_same(ours, theirs, load)
    if columns == 700:  # the set holds all that can happen
        assert 100 < np.isfinite(ours.onset_h).sum() < 600
        assert np.isinf(ours.lowest_c).any()
        assert (ours.ice_fraction == 1.0).any()
        assert ((ours.ice_fraction[0] > 0.0) & (ours.ice_fraction[-1] == 0.0)).any()


def sharing_load(columns: int, *, hours: int, seed: int) -> Load:
    """The hard set, its weather shared: many columns feel one weather, another one's wind, and a shift of their own."""
    load = hard_load(columns, hours=hours, seed=seed)
    rng = np.random.default_rng(seed + 1)
    return replace(
        load,
        weather_of=np.sort(rng.integers(0, columns, columns)),
        wind_of=rng.integers(0, columns, columns),
        shift_c=rng.normal(0.0, 3.0, columns),
        moves=(rng.random(load.forcing.air_c.shape) < 0.8).astype(float),
    )


@needs_numba
@pytest.mark.parametrize("sub_steps", [4, 6])
def test_both_engines_give_one_answer_where_weather_is_shared_and_shifted(sub_steps):
    load = sharing_load(700, hours=40, seed=6)
    assert_same(run_numpy(load, sub_steps=sub_steps), engine_named("numba")(load, sub_steps=sub_steps), load)


@needs_numba
@pytest.mark.parametrize("sub_steps", [1, 4, 6])
def test_both_engines_give_one_answer_for_liquid_that_never_freezes(sub_steps):
    load = sharing_load(700, hours=40, seed=7)
    ours, theirs = (
        engine(load, sub_steps=sub_steps, never_freezes=True) for engine in (run_numpy, engine_named("numba"))
    )
    assert_same(ours, theirs, load)
    assert np.isnan(ours.onset_h).all()
    assert ours.part_c.shape == ours.ice_fraction.shape == (0, 700)
    assert 200 < (ours.lowest_c < load.parts.freezes_at_c).sum() < 650


def test_shared_weather_is_what_each_column_would_feel_alone(kernel):
    load = sharing_load(60, hours=30, seed=8)
    moved_c = load.shift_c * load.moves[:, load.weather_of]
    forcing = {name: getattr(load.forcing, name)[:, load.weather_of] for name in MARKS}
    forcing |= {"air_c": forcing["air_c"] + moved_c, "dew_c": forcing["dew_c"] + moved_c}
    forcing["wind_mps"] = load.forcing.wind_mps[:, load.wind_of]
    film_w_m2k = load.forcing.film_w_m2k[load.weather_of]
    alone = Load(
        parts=load.parts,
        forcing=Forcing(**forcing, film_w_m2k=film_w_m2k),
        start_j=load.start_j,
        first_h=load.first_h,
        last_h=load.last_h,
    )
    assert_same(kernel(load), kernel(alone), load)
    some = np.arange(0, 60, 7)
    taken, whole = kernel(load.take(some)), kernel(load)
    assert np.allclose(taken.part_c, whole.part_c[:, some], rtol=0.0, atol=1e-9)


@needs_numba
def test_weather_that_is_not_a_number_never_looks_warm():
    load = hard_load(20, hours=20, seed=2)
    air_c = load.forcing.air_c.copy()
    air_c[8, :] = np.nan
    broken = replace(load, forcing=replace(load.forcing, air_c=air_c))
    for engine in (run_numpy, engine_named("numba")):
        ran_into_it = (load.first_h < 9) & (load.last_h > 8)
        for never_freezes in (False, True):
            assert np.isnan(engine(broken, never_freezes=never_freezes).lowest_c[ran_into_it]).all()


@needs_numba
def test_the_load_stays_as_it_was():
    load = hard_load(20, hours=20, seed=3)
    before = load.start_j.copy()
    engine_named("numba")(load)
    assert np.array_equal(load.start_j, before)


def test_an_engine_is_found_by_its_name():
    assert engine_named("numpy") is run_numpy
    with pytest.raises(BadInput, match="numpy, numba"):
        engine_named("fortran")


@needs_numba
def test_the_compiled_engine_is_the_fastest():
    assert fastest() is engine_named("numba")


def test_without_numba_everything_loads_and_numpy_is_the_fastest():
    program = (
        "import sys\n"
        "sys.modules['numba'] = None\n"
        "import importlib.util as util\n"
        "found = util.find_spec\n"
        "from carewatch.freeze import engines\n"
        "engines.find_spec = lambda name: None if name == 'numba' else found(name)\n"
        "from carewatch.freeze.assess import assess\n"
        "from carewatch.freeze.kernel import run_numpy\n"
        "assert engines.fastest() is run_numpy\n"
        "try:\n"
        "    engines.engine_named('numba')\n"
        "except engines.BadInput as error:\n"
        "    print(error)\n"
    )
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert said.returncode == 0, said.stderr
    assert "[fast]" in said.stdout


def test_looking_for_engines_loads_no_compiler():
    program = "import sys\nfrom carewatch.freeze import assess, engines\nprint('numba' in sys.modules)\n"
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert said.stdout.strip() == "False"


def test_every_name_is_an_engine():
    known = [name for name in NAMES if name != "numba" or has_numba()]
    assert all(callable(engine_named(name)) for name in known)


@needs_numba
def test_it_compiles_where_nothing_can_be_kept():
    program = (
        "import sys, numba.core.caching as caching\n"
        "caching.CacheImpl._locator_classes = []\n"
        "import numpy as np\n"
        "from carewatch.freeze.engines import engine_named\n"
        "engine_named('numba')\n"
        "print('compiled')\n"
    )
    said = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert said.stdout.strip() == "compiled", said.stderr

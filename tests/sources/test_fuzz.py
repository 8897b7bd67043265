"""Whatever a service sends, a reader gives a forecast or an UpstreamTrouble, never a traceback."""

from __future__ import annotations

import json
import random
from contextlib import suppress
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from carewatch.errors import UpstreamTrouble
from carewatch.sources.met_norway import read_complete
from carewatch.sources.nws_alerts import read_alerts
from carewatch.sources.nws_grid import holds, read_cell, read_grid
from carewatch.sources.open_meteo_reading import read_forecast, read_members, read_spread
from carewatch.sources.plain import read_plain, write_plain
from tests.sources.recordings import LONDON, NEBRASKA, body, met_tree, packed, tree
from tests.weather.conftest import make_forecast

AT = datetime(2026, 10, 3, tzinfo=UTC)


def short_grid():
    answer = tree("nws/gridpoints_raw_OAX_59_58.json")
    kept = ("temperature", "dewpoint", "skyCover", "windSpeed", "quantitativePrecipitation", "minTemperature")
    properties = {name: answer["properties"][name] for name in ("updateTime", "elevation", *kept)}
    for name in kept:
        properties[name]["values"] = properties[name]["values"][:30]
    return {"geometry": answer["geometry"], "properties": properties}


def short_met():
    answer = met_tree()
    del answer["properties"]["timeseries"][12:]
    return answer


READERS = {
    "nws-grid": (short_grid(), lambda raw: read_grid(raw, fetched_at=AT)),
    "nws-points": (tree("nws/points_nebraska.json"), read_cell),
    "nws-outline": (short_grid(), lambda raw: holds(raw, NEBRASKA)),
    "nws-alerts": (tree("nws/alerts_active_freeze_subset.json"), lambda raw: read_alerts(raw, zone=LONDON.tz, now=AT)),
    "met-norway": (short_met(), lambda raw: read_complete(raw, site=LONDON, fetched_at=AT)),
    "open-meteo": (
        tree("open_meteo/forecast_52.52_13.42_2021-11-24_subset.json"),
        lambda raw: read_forecast(raw, fetched_at=AT),
    ),
    "open-meteo-spread": (
        tree("open_meteo/ensemble_mean_spread_2026-10-03_subset.json"),
        lambda raw: read_spread(raw, start_at=AT, hours=30),
    ),
    "open-meteo-members": (
        tree("open_meteo/ensemble_21_members_2026-10-03_subset.json"),
        lambda raw: read_members(raw, start_at=AT, hours=30),
    ),
    "plain": (
        json.loads(write_plain(make_forecast(1.0, start_at=AT, hours=20))),
        lambda raw: read_plain(raw, fetched_at=AT),
    ),
}
STRANGE = (
    None, True, False, 0, -1, 10**400, 1e308, -273.15, "", "NaN", "1e999", "x" * 300, [], {}, [[]], [None],
    253402300800, {"value": None}, "2026-02-30T00:00:00Z", "9999-12-31T23:59:59Z", "0001-01-01T00:00:00+14:00",
    "wmoUnit:", "°C",
    "2026-10-03T00:00:00Z/P9999D", "9999-12-31T23:59:59Z/PT14H", "PT14H/0001-01-01T00:00:00Z", "\ud83e\udd76",
)  # fmt: skip


def places(branch, path=()):
    """Every place in a tree."""
    yield path
    items = branch.items() if isinstance(branch, dict) else enumerate(branch) if isinstance(branch, list) else ()
    for key, value in items:
        yield from places(value, (*path, key))


def spoiled(answer, draw: random.Random):
    """A copy with a few places replaced by strange values or removed."""
    copy = json.loads(json.dumps(answer))
    for _ in range(draw.randint(1, 4)):
        path = draw.choice(list(places(copy)))
        if not path:
            return draw.choice(STRANGE)
        holder = copy
        for key in path[:-1]:
            holder = holder[key]
        if draw.random() < 0.3:
            del holder[path[-1]]
        else:
            holder[path[-1]] = draw.choice(STRANGE)
    return copy


@pytest.mark.parametrize("reader", READERS)
@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 2**32))
def test_spoiled_answer_is_read_or_refused(reader, seed):
    answer, read = READERS[reader]
    with suppress(UpstreamTrouble):
        found = read(packed(spoiled(answer, random.Random(seed))))  # noqa: S311 - draws test data
        air_c = getattr(found, "air_c", None)
        if air_c is not None:
            known = air_c[~np.isnan(air_c)]
            assert ((known >= -70) & (known <= 60)).all()
            assert found.hours <= 40 * 24


@pytest.mark.parametrize("reader", READERS)
@settings(max_examples=60, deadline=None)
@given(raw=st.binary(max_size=200) | st.text(max_size=100).map(str.encode))
def test_any_bytes_are_refused(reader, raw):
    _, read = READERS[reader]
    with suppress(UpstreamTrouble):
        read(raw)


json_values = st.recursive(
    st.none() | st.booleans() | st.floats(allow_nan=False) | st.integers() | st.text(max_size=10),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=10), inner, max_size=4),
    max_leaves=10,
)


@pytest.mark.parametrize("reader", READERS)
@settings(max_examples=40, deadline=None)
@given(value=json_values)
def test_any_json_is_read_or_refused(reader, value):
    _, read = READERS[reader]
    with suppress(UpstreamTrouble):
        read(packed(value))


@pytest.mark.parametrize("constant", ["NaN", "Infinity", "-Infinity", "nan"])
def test_numbers_that_json_does_not_know_are_refused(constant):
    raw = write_plain(make_forecast(1.0, start_at=AT, hours=3)).replace(b"1.0", constant.encode(), 1)
    with pytest.raises(UpstreamTrouble, match="not valid JSON"):
        read_plain(raw, fetched_at=AT)


@pytest.mark.parametrize("cut", [1, 100, 5000, 50_000])
def test_answer_cut_anywhere_is_refused(cut):
    raw = body("nws/gridpoints_raw_OAX_59_58.json")
    with pytest.raises(UpstreamTrouble):
        read_grid(raw[:cut], fetched_at=AT)

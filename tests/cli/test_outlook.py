"""What `carewatch outlook` says of each machine and night, in the units people read."""

from __future__ import annotations

import pytest

from carewatch.cli.outlook import _show
from carewatch.service.usecase import look
from tests.service.farm import AFTERNOON, Forecaster, open_farm


@pytest.mark.parametrize("night_c", [-25.0, -6.0, 1.0, 8.0, 30.0])
@pytest.mark.parametrize("units", ["metric", "us"])
def test_any_weather_can_be_told(tmp_path, capsys, night_c, units):
    with open_farm(tmp_path, Forecaster(night_c=night_c, day_c=night_c + 4)) as farm:
        farm.run(AFTERNOON)
        seen = look(farm.work, now=AFTERNOON, asks=False)
    _show(seen, list(seen.outlooks), units, with_reasons=True)
    told = capsys.readouterr().out
    degree = {"metric": "°C", "us": "°F"}[units]
    assert degree in told
    assert "inf" not in told
    assert ("freezes even if" in told) == (night_c <= 1.0)  # under a clear sky a boom gets colder than the air


def test_a_night_that_cannot_freeze_is_not_called_a_number_of_degrees_away(tmp_path, capsys):
    with open_farm(tmp_path, Forecaster(night_c=30.0, day_c=35.0)) as farm:
        farm.run(AFTERNOON)
        seen = look(farm.work, now=AFTERNOON, asks=False)
    _show(seen, list(seen.outlooks), "metric", with_reasons=False)
    assert "no ice to be expected" in capsys.readouterr().out

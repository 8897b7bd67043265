"""A zone that contradicts the coordinates is found; a neighbour's clock near a border is only doubtful."""

from __future__ import annotations

import pytest

from carewatch.roster.zones import Agreement, installed_finder, mistake_in_coordinates, zone_agreement

FIND = installed_finder()
FITS, DOUBTFUL, CONTRADICTS = Agreement.FITS, Agreement.DOUBTFUL, Agreement.CONTRADICTS


# Zones by the IANA time zone database (its tz.table names country and principal location); borders between zones by
# 49 CFR part 71 for the United States. Places are round figures well inside, or just beside, a border.
@pytest.mark.parametrize(
    ("zone", "lat", "lon", "expected"),
    [
        pytest.param("America/Chicago", 41.6, -93.6, FITS, id="Iowa"),
        pytest.param("US/Central", 41.6, -93.6, FITS, id="other-name-of-the-same-clock"),
        pytest.param("America/Denver", 41.6, -93.6, CONTRADICTS, id="one-hour-off-far-from-a-border"),
        pytest.param("America/Phoenix", 39.7, -105.0, CONTRADICTS, id="no-summer-time"),
        pytest.param("America/Chicago", 43.9, -101.4, DOUBTFUL, id="South-Dakota-west-of-the-border"),
        pytest.param("Europe/Berlin", 52.5, 13.4, FITS, id="Brandenburg"),
        pytest.param("Europe/London", 52.5, 13.4, CONTRADICTS, id="Brandenburg-with-British-time"),
        pytest.param("Europe/Paris", 49.0, 8.0, FITS, id="another-country-with-the-same-clock"),
        pytest.param("Australia/Adelaide", -34.9, 138.6, FITS, id="half-hour-zone"),
        pytest.param("America/Chicago", -41.6, -93.6, FITS, id="at-sea-nothing-is-known"),
        pytest.param("UTC", 41.6, -93.6, CONTRADICTS, id="UTC-is-no-local-time"),
    ],
)
def test_zone_against_coordinates(zone, lat, lon, expected):
    assert zone_agreement(zone, lat, lon, find=FIND)[0] is expected


@pytest.mark.parametrize(
    ("zone", "lon", "expected"),
    [
        pytest.param("America/Chicago", -93.6, FITS, id="Iowa"),
        pytest.param("America/Chicago", 93.6, CONTRADICTS, id="minus-missing"),
        pytest.param("Asia/Shanghai", 75.9, DOUBTFUL, id="western-China-is-three-hours-off-the-sun"),
        pytest.param("Europe/Madrid", -8.5, FITS, id="Galicia"),
        pytest.param("Pacific/Auckland", -176.5, FITS, id="across-the-date-line"),
        pytest.param("America/Los_Angeles", -75.0, DOUBTFUL, id="three-hours-off"),
    ],
)
def test_by_longitude_alone_only_gross_contradictions_are_certain(zone, lon, expected):
    assert zone_agreement(zone, 45.0, lon, find=None) == (expected, None)


@pytest.mark.parametrize(
    ("lat", "lon", "says"),
    [
        (41.6, 93.6, "minus of lon_deg"),
        (-93.6, 41.6, "exchanged"),
        (-41.6, -93.6, "minus of lat_deg"),
        (41.6, -93.6 - 20, ""),
    ],
)
def test_the_usual_slips_are_asked_about(lat, lon, says):
    question = mistake_in_coordinates("America/Chicago", lat, lon, find=FIND)
    assert says in question
    assert bool(question) is bool(says)


def test_exchanged_numbers_are_asked_about():
    assert "exchanged" in mistake_in_coordinates("Europe/Berlin", 13.4, 52.5, find=FIND)


def test_without_the_look_up_a_lost_minus_is_still_asked_about():
    assert "minus of lon_deg" in mistake_in_coordinates("America/Chicago", 41.6, 93.6, find=None)


def test_a_zone_this_computer_does_not_know_is_nothing_to_compare_with():
    assert zone_agreement("America/Chicago", 41.6, -93.6, find=lambda lon, lat: ["America/Newly_Made"])[0] is FITS

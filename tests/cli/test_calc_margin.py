"""`calc freeze-margin` explains one night in text, JSON and a picture."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from defusedxml.ElementTree import parse

from carewatch.cli.calc import calc

ROOT = Path(__file__).parents[2]
HOURS = ROOT / "examples" / "autumn" / "weather" / "mill-creek.csv"
SVG = "{http://www.w3.org/2000/svg}"


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(calc, ["freeze-margin", *map(str, arguments)])


def document(*arguments: str | Path) -> dict:
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


def test_json_has_the_margin_and_every_hour_in_celsius():
    found = document("--part", "valve", "--low-c", "1", "--units", "us")
    assert found["margin_c"] > 0.0
    assert 0.5 < found["chance"] <= 1.0
    assert [hour["clock"] for hour in found["hours"]] == [f"{(12 + n) % 24:02d}:00" for n in range(25)]
    assert min(hour["part_c"] for hour in found["hours"]) == found["coldest_part_c"]
    assert found["first_ice_h"] > 6.0


def test_text_says_it_in_words_and_in_the_readers_units():
    text = run("--part", "valve", "--low-c", "1", "--units", "us").output
    assert text.startswith("It freezes even if the night turns out ")
    assert "°F warmer" in text
    assert "°C" not in text
    mild = run("--part", "valve", "--low-c", "8").output
    assert mild.startswith("It freezes only if the night turns out ")
    assert "In this very night no ice forms." in mild


def test_a_night_of_a_file_hour_by_hour():
    found = document("--part", "boom_pipe", "--weather", HOURS, "--from", "2025-10-28T17:00Z")
    assert found["hours"][0]["clock"] == "17:00"
    assert "hour UTC" in run("--part", "boom_pipe", "--weather", HOURS, "--from", "2025-10-28T17:00Z").output


def test_the_picture_stands_alone_and_can_be_read_aloud(tmp_path):
    run("--part", "valve", "--low-c", "1", "--svg", tmp_path / "night.svg")
    root = parse(tmp_path / "night.svg").getroot()
    assert root.tag == f"{SVG}svg"
    assert root.find(f"{SVG}title").text == "Valve: one night"
    assert "part 0.0 °C" in root.find(f"{SVG}desc").text
    assert len(root.findall(f"{SVG}polyline")) == 2


def test_a_far_freezing_point_is_left_out_of_the_picture(tmp_path):
    arguments = ("--part", "valve", "--low-c", "1", "--fluid", "propylene_glycol", "--strength-vol-pct", "60")
    assert run(*arguments, "--svg", tmp_path / "night.svg").output.startswith("No night that can come")
    assert "freezes at" not in (tmp_path / "night.svg").read_text()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--low-c", "1"], "Write --part"),
        (["--part", "valve"], "Write one of --low-c"),
        (["--part", "valve", "--low-c", "1", "--weather", "x.csv"], "Write one of --low-c"),
        (["--part", "valve", "--low-c", "1", "--from", "2025-10-28T17:00Z"], "--from goes with --weather"),
        (["--part", "valve", "--weather", HOURS, "--cloud", "1"], "--weather says all of it"),
        (["--part", "valve", "--weather", HOURS], "Name the first hour"),
        (["--part", "valve", "--weather", HOURS, "--from", "1999-01-01T00:00Z"], "it reaches from"),
        (["--part", "valve", "--weather", HOURS, "--from", "tonight"], "not a date and time"),
        (["--part", "valve", "--weather", "none.csv"], "there is no such file"),
        (["--part", "wing", "--low-c", "1"], "There is no part"),
        (["--part", "valve", "--low-c", "1", "--cloud", "30"], "cloud share"),
    ],
)
def test_what_does_not_fit_is_a_usage_message(arguments, words):
    result = run(*arguments)
    assert result.exit_code == 2, result.output
    assert words in result.output

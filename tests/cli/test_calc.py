"""`calc` answers a script in metric JSON, a reader in lines, and a slip of the keyboard with what to write."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
from click.testing import CliRunner, Result

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
    ("arguments", "said"),
    [
        (("rinse", "--held-l", "60", "--passes", "3"), "--water-l"),
        (("rinse", "--held-l", "60", "--water-l", "5", "--target-fraction", "0.1"), "Write one of"),
        (("rinse", "--held-l", "-60", "--water-l", "5"), "Held volume -60 L cannot be"),
        (("rinse", "--held-l", "60", "--passes", "0", "--water-l", "5"), "0 passes are none"),
        (("rinse", "--held-l", "60", "--target-fraction", "2"), "0.02 for 2 %"),
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


@pytest.mark.parametrize("command", sorted(calc.commands))
def test_every_command_has_help_with_an_example_and_json(command: str) -> None:
    text = run(command, "--help").output
    assert f"carewatch calc {command} " in text
    assert "--json" in text


def test_help_loads_no_numerics() -> None:
    script = "import sys, carewatch.cli.calc; sys.exit(any(m in sys.modules for m in ('numpy', 'jinja2', 'pydantic')))"
    assert subprocess.run([sys.executable, "-c", script], check=False).returncode == 0

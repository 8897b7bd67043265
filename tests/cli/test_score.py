"""`score` answers a script in metric JSON, a reader in tables, and draws what was said and what happened."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from defusedxml.ElementTree import fromstring, parse

from carewatch.cli.score import score
from carewatch.service.replay import read_scenario, replay
from tests.freeze.made_pairs import made_text
from tests.service.scenario import FROM_ON, TO_ON, write_scenario

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def table(tmp_path: Path) -> Path:
    """A made table of two places in °C."""
    path = tmp_path / "lows.csv"
    path.write_text(made_text(nights=90, bias_c={"hollow": -2.0, "hill": 0.5}))
    return path


def run(*arguments: str | Path) -> Result:
    return CliRunner().invoke(score, [str(argument) for argument in arguments])


def document(*arguments: str | Path) -> dict:
    result = run(*arguments, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.output)


def in_a_shell(*arguments: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-c", "from carewatch.cli.main import main; main()", "score", *map(str, arguments)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def test_json_has_every_lead_with_its_figures(table):
    said = document(table)
    assert list(said["leads"]) == ["fc24_c", "fc48_c"]
    for lead in said["leads"].values():
        assert set(lead) >= {
            "n", "bias_c", "mae_c", "sd_c", "brier", "brier_climatology", "brier_yes_no", "caught", "false_share",
            "reliability",
        }  # fmt: skip
        assert lead["n"] == 180 == sum(one["n"] for one in lead["reliability"])
        assert all(set(one) == {"said", "happened", "n"} for one in lead["reliability"])
        assert [rule["above_c"] for rule in lead["rules"]] == [0.0, 1.0, 2.0, 3.0]
    assert (said["learned"], said["places"], said["threshold"], said["freeze_c"]) == (False, 2, 0.1, 0.0)


def test_learning_lowers_the_brier_score_and_changes_nothing_that_was_measured(table):
    plain, learned = (document(table, *more)["leads"]["fc24_c"] for more in ((), ("--learn",)))
    assert learned["brier"] < plain["brier"]
    for key in ("n", "bias_c", "mae_c", "sd_c", "brier_climatology", "brier_yes_no", "rules"):
        assert learned[key] == plain[key]


def test_a_lower_threshold_catches_no_less_and_a_colder_freeze_is_rarer(table):
    low, high = (document(table, "--threshold", p)["leads"]["fc24_c"] for p in ("0.05", "0.5"))
    assert low["caught"] > high["caught"]
    assert low["false_share"] > high["false_share"]
    assert low["brier"] == high["brier"]
    assert document(table, "--freeze-c", "-2.2")["leads"]["fc24_c"]["freezes"] < low["freezes"]


def test_a_raw_model_is_trusted_less(table):
    official, raw = (document(table, "--grade", grade)["leads"]["fc24_c"] for grade in ("official", "raw"))
    assert raw["false_share"] > official["false_share"]  # wider, and expected to be too warm


def test_cost_over_loss_is_the_threshold_unless_given(table):
    assert document(table, "--threshold", "0.2")["cost_loss"] == 0.2
    assert document(table, "--cost-loss", "0.02")["leads"]["fc24_c"]["cost_always"] == 0.02


def test_the_text_shows_errors_scores_flags_and_reliability(table):
    text = run(table, "--learn").output
    assert "2 places; frozen at 0 °C or less." in text
    assert "own nights known by then" in text
    for words in (
        "MAE",
        "Brier score",
        "climatology",
        "yes/no",
        "+3 °C",
        "up to 3 °C above",
        "caught",
        "always",
        "never",
        "happened",
    ):
        assert words in text
    assert max(len(line) for line in text.splitlines()) <= 110
    lead = document(table, "--learn")["leads"]["fc24_c"]
    assert f"{lead['brier']:.4f}" in text
    assert f"{lead['caught']:.3f}" in text


def test_slips_are_listed(tmp_path):
    path = tmp_path / "lows.csv"
    path.write_text("date,place,fc24_f,obs_f\n" + "".join(f"2021-01-{i:02d},a,60,20\n" for i in range(1, 9)))
    text = run(path).output
    assert "8 forecasts are more than 15 °F" in text
    assert "line 2, fc24_f, a 2021-01-01: observed -22.2 °C" in text
    assert "and 3 more" in text
    assert len(document(path)["slips"]) == 8


def test_one_slip_needs_no_more_and_a_doubtful_table_is_noted(tmp_path):
    path = tmp_path / "lows.csv"
    path.write_text("date,wind,fc24_f,obs_f\n" + "".join(f"2021-01-{i:02d},{i}.5,30,31\n" for i in range(1, 29)))
    assert "Nearly every line is a place of its own (wind)" in run(path).output
    path.write_text("date,fc24_f,obs_f\n2021-01-01,60,20\n")
    assert "1 forecast is more than 15 °F" in run(path).output
    assert "more (all" not in run(path).output


def test_the_rule_that_catches_as_many_may_lie_below_freezing(tmp_path):
    path = tmp_path / "lows.csv"
    path.write_text("date,fc24_c,obs_c\n2021-01-01,-3,-3\n2021-01-02,5,6\n")
    assert "up to 3 °C below (catches as many)" in run(path).output


def test_the_picture_is_svg_with_title_description_and_a_panel_for_each_lead(table, tmp_path):
    path = tmp_path / "r.svg"
    assert run(table, "--svg", path).exit_code == 0
    root = fromstring(path.read_text(encoding="utf-8"))
    assert root.tag == f"{SVG}svg"
    assert root.get("role") == "img"
    assert [root.find(f"{SVG}{name}").get("id") for name in ("title", "desc")] == root.get("aria-labelledby").split()
    leads = document(table)["leads"]
    panels = root.findall(f"{SVG}g")
    assert len(panels) == len(leads)
    for panel, lead in zip(panels, leads.values(), strict=True):
        dots = panel.findall(f"{SVG}circle")
        side = float(panel.find(f"{SVG}rect").get("width"))
        assert len(dots) == len(lead["reliability"])
        for dot, one in zip(dots, lead["reliability"], strict=True):
            assert float(dot.get("cx")) / side == pytest.approx(one["said"], abs=0.001)
            assert 1 - float(dot.get("cy")) / side == pytest.approx(one["happened"], abs=0.001)
            assert f"{one['n']} nights" in dot.find(f"{SVG}title").text
        assert f"said {lead['reliability'][0]['said']:.2f}" in root.find(f"{SVG}desc").text


def test_the_picture_of_a_strange_name_is_still_svg(tmp_path):
    path = tmp_path / "lows.csv"
    path.write_text("date,a&b<,fc24_c,obs_c\n2021-01-01,<&>,1,2\n")
    assert run(path, "--svg", tmp_path / "r.svg").exit_code == 0
    parse(tmp_path / "r.svg")


@pytest.mark.parametrize(
    "wrong",
    [("--threshold", "0"), ("--threshold", "1.5"), ("--unit", "k"), ("--freeze-c", "x"), ("--cost-loss", "-1")],
    ids=" ".join,
)
def test_a_wrong_option_is_a_usage_mistake(table, wrong):
    assert run(table, *wrong).exit_code == 2


def test_without_a_table_it_is_a_usage_mistake():
    assert run().exit_code == 2


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"date,fc24_f,obs_f\n2021-01-01,1o,20\n", "lows.csv:2: fc24_f = 1o: This is no number."),
        (b"\xff\xfe\x00d", "UTF-8"),
        (b"", "There is no column date."),
        (None, "lows.csv: No such file"),
    ],
    ids=["bad cell", "no text", "empty", "no file"],
)
def test_a_table_that_cannot_be_read_is_one_message_and_exit_code_1(tmp_path, content, says):
    path = tmp_path / "lows.csv"
    if content is not None:
        path.write_bytes(content)
    done = in_a_shell(path)
    assert (done.returncode, done.stdout) == (1, "")
    assert says in done.stderr
    assert "Traceback" not in done.stderr


def test_a_folder_as_table_and_a_picture_that_cannot_be_written_are_exit_code_1(table, tmp_path):
    for arguments in ((tmp_path,), (table, "--svg", tmp_path / "nowhere" / "r.svg")):
        done = in_a_shell(*arguments)
        assert done.returncode == 1
        assert "Traceback" not in done.stderr


def test_of_many_faults_the_first_are_shown_and_all_are_counted(tmp_path):
    path = tmp_path / "lows.csv"
    path.write_text("date,fc24_f,obs_f\n" + "2021-01-01,x,20\n" * 500)
    done = in_a_shell(path)
    assert "500 faults; the first 20:" in done.stderr
    assert len(done.stderr.splitlines()) == 21


def test_help_has_an_example_and_is_listed():
    assert "carewatch score lows.csv" in run("--help").output
    assert "score" in subprocess.run(
        [sys.executable, "-c", "from carewatch.cli.main import main; main()", "--help"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout  # fmt: skip


@pytest.fixture(scope="module")
def replayed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The database of a short replay in which nights froze."""
    folder = tmp_path_factory.mktemp("own")
    scenario = read_scenario(write_scenario(folder / "scenario"))
    steps = replay(scenario, from_on=FROM_ON, to_on=TO_ON, out=folder / "out", forecast="synthetic", seed=3)
    assert sum(1 for _ in steps) > 3
    return folder / "out" / "carewatch.db"


def test_own_words_are_counted_and_the_lows_are_scored_like_any_table(replayed: Path) -> None:
    found = document("--own", "--database", replayed)
    assert found["nights"] == len(found["words"]) == sum(found["counts"].values())
    first = found["words"][0]
    assert {"machine", "night", "verdict", "chance", "margin_c", "came_margin_c", "came_low_c", "found_ice"} <= set(
        first
    )
    assert first["read_by"] == "the record of what really happened"
    assert set(found["lows"]["leads"]) == {f"night {ahead}" for ahead in range(1, 6)}


def test_own_words_for_a_reader(replayed: Path) -> None:
    result = run("--own", "--database", replayed)
    assert result.exit_code == 0, result.output
    assert result.output.startswith("Machine-nights from 2026-10-19")
    assert "warned of, and it froze or would have" in result.output
    assert "The lows of the sites" in result.output


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "Name a table of nights, or write --own"),
        (["lows.csv", "--own"], "Name a table of nights, or write --own"),
        (["lows.csv", "--database", "x.db"], "--database goes with --own"),
    ],
)
def test_one_of_the_two_must_be_asked_for(arguments: list[str], words: str) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert words in result.output


def test_no_database_is_one_clear_message(tmp_path: Path) -> None:
    asked = in_a_shell("--own", "--database", tmp_path / "none.db")
    assert asked.returncode == 1
    assert asked.stderr.startswith("There is no database")
    assert "Traceback" not in asked.stderr

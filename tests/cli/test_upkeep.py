"""`carewatch parts` and `carewatch round`: one machine, and a technician's round, as text and as JSON."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.cli.test_commands import SETTINGS, run
from tests.service.farm import ROSTER

MORE = """
[[person]]
id = "nell"
name = "Nell Sorby"
roles = ["technician"]
email = "nell@larch-hollow.example"

[[part]]
id = "kit"
name = "Valve kit"
replaces = ["plunger", "spring", "seal"]
price = 16.5
pack_of = 10
min_stock = 6

[[part]]
id = "body-new"
name = "Nozzle body"
replaces = ["body"]
price = 118

[[revision]]
id = "seal-2"
name = "Seals, second make"
of = "seal"
tell_apart = "green ring"
retrofit = true
part = "kit"
machines = ["sprayer-2"]
"""


@pytest.fixture
def call(capsys, monkeypatch, tmp_path):
    """Call a command on an installation with a parts list and a technician."""
    text = ROSTER.replace('zone = "America/Chicago"\n', 'zone = "America/Chicago"\ncurrency = "USD"\n', 1)
    (tmp_path / "fleet.toml").write_text(text + MORE)
    (tmp_path / "carewatch.toml").write_text(SETTINGS)
    config = str(Path(tmp_path / "carewatch.toml"))
    return lambda *arguments: run(capsys, monkeypatch, *arguments, "--config", config)


@pytest.fixture
def inspected(call):
    """Section 2 of the first machine is fine except two positions; one symptom; kits were counted."""
    finding = "findings=14 front seal worn,17 mounting clip broken"
    assert call("log", "sprayer-1", "inspected", "sections=2", finding, "--by", "nell")[0] == 0
    assert call("log", "sprayer-1", "symptom", "what=drip", "positions=3", "sides=rear", "--by", "noah")[0] == 0
    assert call("log", "sprayer-1", "restocked", "part=kit", "quantity=7", "is_count=true", "--by", "nell")[0] == 0
    return call


def test_parts_are_picked_counted_and_bought(inspected):
    code, out, _ = inspected("parts", "sprayer-1", "--json")
    told = json.loads(out)
    assert code == 0
    assert [(line["part"], line["quantity"], line["cost"]) for line in told["pick"]] == [
        ("kit", 1, 16.5), ("body-new", 1, 118.0)
    ]  # fmt: skip
    assert (told["cost"], told["cost_all_mended"], told["cost_all_bodies"]) == (134.5, None, 236.0)
    stock = {line["part"]: (line["on_hand"], line["min"], line["needed"], line["buy"]) for line in told["stock"]}
    assert stock == {"kit": (7, 6, 1, 0), "body-new": (None, 0, 1, 1)}
    assert [(one["what"], one["decision"]) for one in told["open"]] == [
        ("drip", None), ("seal_worn", "replace_part"), ("mounting_clip_broken", "replace_body"),
    ]  # fmt: skip
    assert [spot["position"] for spot in told["sample"][:3]] == [3, 14, 1]
    assert told["wet_tonight"] is None  # this command asks no forecast


def test_parts_as_text_say_what_to_do_in_the_order_of_the_trade(inspected):
    code, out, _ = inspected("parts", "sprayer-1")
    assert code == 0
    assert "14 front     seal worn" in out
    assert "replace the body (the clip that holds it to the pipe is part of the body)" in out
    assert out.index("1 dirt on the seat") < out.index("2 worn sealing face")
    assert "As advised 134.50; all mended with parts not known; new bodies there 236.00." in out
    assert "Pressure off" in out


def test_putting_parts_in_closes_findings_and_counts_spares_down(inspected):
    part = ["log", "sprayer-1", "part_replaced", "part=kit", "positions=14", "sides=front"]
    assert inspected(*part, "--by", "nell")[0] == 0
    told = json.loads(inspected("parts", "sprayer-1", "--json")[1])
    assert "seal_worn" not in [one["what"] for one in told["open"]]
    assert {line["part"]: line["on_hand"] for line in told["stock"]}["kit"] == 6
    assert [one["part"] for one in told["renewed"]] == ["kit"]


def test_the_round_holds_both_machines_what_is_left_to_fit_and_the_question_at_the_end(inspected):
    code, out, _ = inspected("round", "nell", "--json")
    assert code == 0
    (fleet,) = json.loads(out)
    stops = {stop["machine"]: stop for stop in fleet["stops"]}
    assert (fleet["fleet"], fleet["currency"], set(stops)) == ("larch", "USD", {"sprayer-1", "sprayer-2"})
    assert stops["sprayer-1"]["tonight"] == "not_assessed"
    assert stops["sprayer-1"]["wet_tonight"] is True
    assert stops["sprayer-1"]["leave_behind"]["question"] == "What is in Sprayer 1 now?"
    assert stops["sprayer-2"]["leave_behind"] is None
    assert len(stops["sprayer-2"]["retrofits"][0]["at"]) == 72
    # one kit for the finding, 72 for the retrofit of the other machine, one body: 73 x 16.50 + 118
    assert fleet["cost"] == 1322.5


def test_the_round_as_text_names_the_commands_that_answer_the_question(inspected):
    out = inspected("round", "nell")[1]
    assert "TONIGHT NOT ASSESSED: treat as wet" in out
    assert "carewatch log sprayer-1 rinsed sides=front,rear --by ..." in out
    assert inspected("log", "sprayer-1", "step_done", "text=left as found", "--by", "nell")[0] == 0
    assert "What is in Sprayer 1 now?" not in inspected("round", "nell")[1]


@pytest.mark.parametrize(
    ("arguments", "code", "says"),
    [
        (("round", "mia"), 1, "Mia Lund is no technician"),
        (("round", "nel"), 1, "Did you mean nell?"),
        (("parts", "sprayer-9"), 1, "Did you mean"),
        (("round",), 2, "PERSON"),
        (("parts",), 2, "MACHINE"),
    ],
)
def test_who_or_what_is_unknown_is_told_with_the_nearest(call, arguments, code, says):
    done = call(*arguments)
    assert done[0] == code
    assert says in done[2]


def test_findings_alone_are_told_to_count_for_their_positions_alone(call):
    err = call("log", "sprayer-1", "inspected", "findings=14 front seal_worn", "--by", "nell")[2]
    assert "positions of the findings alone" in err


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["inspected", "findings=14 seal_worn"], "14 front seal_worn"),
        (["inspected", "sections=1", "findings=14 front seal_worn"], "section 2"),
        (["part_replaced", "part=kitt", "positions=3"], "Did you mean kit?"),
        (["symptom", "what=drip", "positions=3-99"], "1 to 36"),
    ],
)
def test_what_cannot_be_is_refused_with_what_to_write(call, words, says):
    code, _, err = call("log", "sprayer-1", *words, "--by", "nell")
    assert code == 1
    assert says in err

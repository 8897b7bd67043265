"""A replay: twice the same, the same after being killed anywhere, and every fault of a scenario named."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import sys
import threading
from collections.abc import Callable
from datetime import date, timedelta
from pathlib import Path

import pytest
from sqlalchemy import event

from carewatch.channels.files import FileChannel
from carewatch.errors import BadInput, FaultyFiles
from carewatch.freeze.engines import fastest
from carewatch.service import replay as module
from carewatch.service.replay import DATABASE, MAILS, read_scenario, replay
from carewatch.store.database import Database
from tests.service.scenario import FROM_ON, TO_ON, write_scenario

SEED = 11
LINES = ("outlooks.jsonl", "duties.jsonl", "notices.jsonl")


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    fastest()  # once, not in every process that is killed
    return write_scenario(tmp_path_factory.mktemp("scenario") / "autumn")


def run(
    folder: Path,
    out: Path,
    *,
    forecast: str = "synthetic",
    seed: int = SEED,
    to_on: date = TO_ON,
    look_every: timedelta = module.A_SECOND,
) -> int:
    scenario = read_scenario(folder)
    steps = replay(scenario, from_on=FROM_ON, to_on=to_on, out=out, forecast=forecast, seed=seed, look_every=look_every)
    return sum(len(step.outcome.notices) for step in steps)


def told(out: Path) -> dict[str, object]:
    """Everything a replay leaves behind: its lines and its mails."""
    lines = {name: (out / name).read_text(encoding="utf-8") for name in LINES}
    return {**lines, "mails": {mail.name: mail.read_bytes() for mail in sorted((out / MAILS).glob("*.eml"))}}


@pytest.fixture(scope="module")
def undisturbed(folder, tmp_path_factory):
    out = tmp_path_factory.mktemp("whole")
    assert run(folder, out) >= 6
    return told(out)


def lines_of(found: dict, name: str) -> list[dict]:
    return [json.loads(line) for line in found[name].splitlines()]


def test_two_replays_say_the_same(folder, undisturbed, tmp_path):
    run(folder, tmp_path)
    assert told(tmp_path) == undisturbed


def test_every_notice_line_has_its_mail_and_none_stands_twice(undisturbed):
    notices = lines_of(undisturbed, "notices.jsonl")
    assert len({line["key"] for line in notices}) == len(notices) == len(undisturbed["mails"])
    raws = b"".join(undisturbed["mails"].values())
    assert all(line["message_id"].encode() in raws for line in notices)


def test_lines_have_the_promised_keys(undisturbed):
    for line in lines_of(undisturbed, "notices.jsonl"):
        assert line.keys() >= {"at", "key", "kind", "to", "machines", "subject", "message_id", "refers_to"}
    duties = lines_of(undisturbed, "duties.jsonl")
    for line in duties:
        assert line.keys() >= {"key", "machine", "kind", "for", "opened_at", "due_at", "state"}
    assert {line["state"] for line in duties} <= {"open", "promised", "accepted", "done", "lapsed", "cancelled"}
    assert all(line["at"].endswith("Z") for name in LINES for line in lines_of(undisturbed, name))


def test_a_finished_replay_started_again_does_nothing(folder, undisturbed, tmp_path):
    run(folder, tmp_path)
    assert run(folder, tmp_path) == 0
    assert told(tmp_path) == undisturbed


def test_a_replay_may_be_made_longer(folder, undisturbed, tmp_path):
    run(folder, tmp_path, to_on=FROM_ON)
    run(folder, tmp_path)
    assert told(tmp_path) == undisturbed


class DiesAt:
    """Kills its own process at the n-th boundary: a transaction that begins or ends, a mail before or after."""

    def __init__(self, boundary: int) -> None:
        self._left = boundary

    def __call__(self, *_: object) -> None:
        self._left -= 1
        if self._left == 0:
            os.kill(os.getpid(), signal.SIGKILL)


def killable(folder: Path, out: Path, dies: DiesAt) -> None:
    real_open, real_send = Database.open.__func__, FileChannel.send

    def watched_open(cls, *args, **more):
        database = real_open(cls, *args, **more)
        for moment in ("begin", "commit"):
            event.listen(database._engine, moment, dies)
        return database

    def watched_send(channel, *args, **more):
        dies()
        real_send(channel, *args, **more)
        dies()

    module.Database.open = classmethod(watched_open)
    module.FileChannel.send = watched_send
    run(folder, out)


def forked(job: Callable[[], None], *, kill_after_s: float | None = None) -> int:
    """Run a job in a process of its own; give its status. Parent and child share nothing but files."""
    pid = os.fork()
    if pid == 0:
        code = 1
        try:
            job()
            code = 0
        finally:
            os._exit(code)
    if kill_after_s is not None:
        threading.Timer(kill_after_s, lambda: signalled(pid)).start()
    return os.waitpid(pid, 0)[1]


def signalled(pid: int) -> None:
    try:
        os.kill(pid, signal.SIGKILL)
    except ProcessLookupError:
        return  # it was done before


@pytest.mark.skipif(sys.platform == "win32", reason="needs fork and kill -9")
@pytest.mark.parametrize("seed", [1, 2])
def test_killed_at_any_boundary_it_goes_on_to_the_same_end(folder, undisturbed, tmp_path, seed):
    choose = random.Random(seed)  # noqa: S311 -- no secret
    for boundary in (choose.randint(1, 40), choose.randint(40, 200), choose.randint(40, 200), choose.randint(1, 40)):
        status = forked(lambda boundary=boundary: killable(folder, tmp_path, DiesAt(boundary)))
        assert os.WTERMSIG(status) == signal.SIGKILL
    assert forked(lambda: killable(folder, tmp_path, DiesAt(-1))) == 0
    assert told(tmp_path) == undisturbed


@pytest.mark.skipif(sys.platform == "win32", reason="needs fork and kill -9")
def test_killed_at_any_time_it_goes_on_to_the_same_end(folder, undisturbed, tmp_path):
    choose = random.Random(4)  # noqa: S311 -- no secret
    for _ in range(4):
        forked(lambda: killable(folder, tmp_path, DiesAt(-1)), kill_after_s=choose.uniform(0.02, 0.6))
    assert forked(lambda: killable(folder, tmp_path, DiesAt(-1))) == 0
    assert told(tmp_path) == undisturbed


def test_lines_of_a_run_that_never_counted_are_trimmed(folder, undisturbed, tmp_path):
    run(folder, tmp_path, to_on=FROM_ON)
    with (tmp_path / "notices.jsonl").open("a", encoding="utf-8") as file:
        file.write('{"at": "2027-01-01T00:00:00Z", "key": "a ghost"}\n{"at": "2027-01-01T00:0')
    run(folder, tmp_path)
    assert told(tmp_path) == undisturbed


def test_jumping_tells_what_ticking_every_twenty_minutes_tells(folder, undisturbed, tmp_path, monkeypatch):
    """Keys that hold an instant hold that of the tick, at most twenty minutes later; the rest is the same."""
    monkeypatch.setattr(module, "_next", lambda scenario, now, due_at, look_every: now + timedelta(minutes=20))
    run(folder, tmp_path)
    ticked, jumped = (
        {line["key"] for line in lines_of(found, "notices.jsonl")} for found in (told(tmp_path), undisturbed)
    )
    assert ticked == jumped


def test_another_seed_gives_other_forecasts_and_perfect_ones_none_by_chance(folder, undisturbed, tmp_path):
    run(folder, tmp_path / "other", seed=SEED + 1)
    run(folder, tmp_path / "perfect", forecast="perfect")
    run(folder, tmp_path / "perfect again", forecast="perfect", seed=5)
    assert told(tmp_path / "other")["outlooks.jsonl"] != undisturbed["outlooks.jsonl"]
    perfect, again = told(tmp_path / "perfect"), told(tmp_path / "perfect again")
    assert perfect["outlooks.jsonl"] == again["outlooks.jsonl"]
    assert all(line["forecast"]["source"] == "perfect" for line in lines_of(perfect, "outlooks.jsonl"))


def test_synthetic_forecasts_are_labelled(undisturbed):
    assert all("Synthetic" in line["forecast"]["licence"] for line in lines_of(undisturbed, "outlooks.jsonl"))


# ---------------------------------------------------------------- what cannot be used


@pytest.fixture
def own(folder, tmp_path):
    return shutil.copytree(folder, tmp_path / "own")


def test_a_folder_of_another_replay_is_refused(own, tmp_path):
    out = tmp_path / "out"
    run(own, out, to_on=FROM_ON)
    told = f"begun with {FROM_ON} as its first day, synthetic forecasts, seed {SEED}, a look at every change. Go on"
    for other in ({"seed": SEED + 1}, {"forecast": "perfect"}, {"look_every": timedelta(minutes=15)}):
        with pytest.raises(BadInput, match=told):
            run(own, out, **other)
    fleet = own / "fleet.toml"
    fleet.write_text(fleet.read_text().replace("Larch Hollow", "Oak Hollow"))
    with pytest.raises(BadInput, match="another fleet"):
        run(own, out)


def test_a_replay_that_looked_every_few_minutes_says_so_to_another(own, tmp_path):
    run(own, tmp_path / "out", to_on=FROM_ON, look_every=timedelta(minutes=15))
    with pytest.raises(BadInput, match=r"a look every 15 min\."):
        run(own, tmp_path / "out")


def test_a_folder_whose_mark_is_none_of_ours_is_refused(own, tmp_path):
    (tmp_path / "replay.json").write_text("[]")
    with pytest.raises(BadInput, match="is not of a replay"):
        run(own, tmp_path)


def test_the_database_of_an_installation_is_never_touched(own, tmp_path):
    out = tmp_path / "data"
    out.mkdir()
    Database.open(out / DATABASE).close()
    before = (out / DATABASE).read_bytes()
    with pytest.raises(BadInput, match="not a replay's"):
        run(own, out)
    assert (out / DATABASE).read_bytes() == before


NOTE = {"machine": "sprayer-1", "kind": "note", "text": "x", "happened_at": "2026-10-19T10:00:00Z", "by": "noah"}
LOGBOOKS = {
    "not json": b'{"machine": ',
    "not an object": b"[1]",
    "deep": b"[" * 100_000,
    "unknown machine": {"machine": "sprayer-9"},
    "wrong kind": {"kind": "rinse"},
    "wrong type": {"text": 3},
    "field of another kind": {"sides": ["front"]},
    "from the future": {"recorded_at": "2026-10-18T10:00:00Z"},
    "no zone": {"happened_at": "2026-10-19T10:00:00"},
    "not utf-8": b"\xff\xfe",
}


@pytest.mark.parametrize("line", LOGBOOKS.values(), ids=LOGBOOKS)
def test_a_broken_logbook_line_is_named_with_file_and_line(own, line):
    book = own / "logbook.jsonl"
    number = len(book.read_text().splitlines()) + 1
    raw = line if isinstance(line, bytes) else json.dumps(NOTE | line).encode()
    book.write_bytes(book.read_bytes() + raw + b"\n")
    with pytest.raises(FaultyFiles) as found:
        read_scenario(own)
    assert {(fault.file, fault.line) for fault in found.value.faults} == {("logbook.jsonl", number)}


def break_weather(own: Path) -> None:
    weather = own / "weather" / "yard.csv"
    lines = weather.read_text().splitlines()
    lines[4] = lines[4].replace("1.2,0.1", "windy,0.1")
    weather.write_text("\n".join(lines))


SCENARIOS: dict[str, tuple[Callable[[Path], object], str]] = {
    "no fleet": (lambda own: (own / "fleet.toml").unlink(), "fleet.toml.*does not exist"),
    "broken fleet": (lambda own: (own / "fleet.toml").write_text("[fleet\n"), r"fleet\.toml:1"),
    "wrong weather": (break_weather, r"yard\.csv:5: wind_mps = 'windy'"),
    "no weather": (lambda own: shutil.rmtree(own / "weather"), "no forecasts"),
}


@pytest.mark.parametrize(("damage", "words"), SCENARIOS.values(), ids=SCENARIOS)
def test_a_broken_scenario_is_named(own, tmp_path, damage, words):
    damage(own)
    with pytest.raises((BadInput, FaultyFiles), match=words):
        run(own, tmp_path / "out")


def test_a_folder_that_is_none_is_named(tmp_path):
    with pytest.raises(BadInput, match="is not a folder"):
        read_scenario(tmp_path / "missing")


def test_a_place_that_cannot_be_written_is_named(own, tmp_path):
    (tmp_path / "a file").write_text("x")
    with pytest.raises(BadInput, match="cannot be used"):
        run(own, tmp_path / "a file" / "out")

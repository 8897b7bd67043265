"""Roster, entries, answers, duties, outlooks, links, runs: what goes in comes out, and twice is once."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta, timezone

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from carewatch.duties.duty import Duty, DutyKind, DutyState
from carewatch.errors import BadInput
from carewatch.logbook import entries as logbook
from carewatch.logbook.entries import Entry, EntryKind
from carewatch.logbook.findings import DamageKind, Decision, Finding, FindingKind, SymptomKind
from carewatch.store import answers, duties, entries, links, outlooks, rosters, runs, visits
from carewatch.store.database import Database
from carewatch.store.visits import Visit
from carewatch.weather.answer import Answer

NOW = datetime(2026, 10, 19, 20, 15, 7, 123456, tzinfo=UTC)
HOUR = timedelta(hours=1)

DETAILS = [
    logbook.Sprayed(product="fungicide", sides=("front", "rear"), hours=3.25, counter_h=412.1),
    logbook.Sprayed(),
    logbook.Filled(liquid="water", where=("tank", "rinse_tank"), litres=400.0),
    logbook.Rinsed(sides=("front",), litres=120.0, passes=3),
    logbook.BlownOut(sides=("front", "rear")),
    logbook.Drained(where=("pump",)),
    logbook.AntifreezeRun(fluid="propylene_glycol", sides=("rear",), strength_vol_pct=50.0, litres=60.0, route="boom"),
    logbook.StrengthMeasured(section=4, side="front", scale="propylene", first_ice_c=-28.5, water_reads_water=True),
    logbook.Moved(site="hollow", place="shed"),
    logbook.HeatChanged(is_on=False),
    logbook.HoursRead(counter_h=1520.4, side="rear"),
    logbook.Opened(position=37),
    logbook.ConnectorsChecked(positions=(37,)),
    logbook.Damaged(what=DamageKind.STRUCK, positions=(3, 4), sides=("rear",), text="hit a post"),
    logbook.Symptom(what=SymptomKind.NOT_PULSING, sections=(2,), text="E 12"),
    logbook.Inspected(
        sections=(2,),
        findings=(
            Finding(position=14, side="front", what=FindingKind.SEAT_WORN, is_slight=True, decision=Decision.KEEP),
            Finding(position=17, what=FindingKind.TURRET_BROKEN),
        ),
    ),
    logbook.PartReplaced(part="seal", positions=(14,), sides=("front",), quantity=1, cost=4.5, counter_h=812.5),
    logbook.RevisionFitted(revision="seal-2", sections=(1, 2), sides=("rear",)),
    logbook.Restocked(part="kit", quantity=0, is_count=True),
    logbook.AirMeasured(air_c=-0.5),
    logbook.Thawed(found_ice=True),
    logbook.Assigned(duty="protect|sprayer-3|2026-10-19", to="operator"),
    logbook.Promised(duty="protect|sprayer-3|2026-10-19", by_at=NOW + HOUR),
    logbook.RiskAccepted(duty="protect|sprayer-3|2026-10-19"),
    logbook.Declined(duty="protect|sprayer-3|2026-10-19", reason="alone in the dark"),
    logbook.NotUsed(),
    logbook.Voided(entry="e-1", reason="wrong machine"),
    logbook.Remark(text='drip, "left" \u2028 end °', position=12, side="rear"),
]  # fmt: skip


def entry(**changes: object) -> Entry:
    first = Entry(
        id="e-1",
        machine="sprayer-3",
        kind=EntryKind.RINSED,
        happened_at=NOW,
        recorded_at=NOW + HOUR,
        by="operator",
        on_behalf_of="manager",
        channel=logbook.Channel.PAGE,
        detail=logbook.Rinsed(sides=("front",), litres=120.0, passes=3),
    )
    return replace(first, **changes)  # type: ignore[arg-type]


# ---------------------------------------------------------------- roster


def test_a_roster_is_kept_once_per_change_also_when_it_changes_back(database: Database) -> None:
    with database.transaction() as tx:
        written = [rosters.add_version(tx, fingerprint=f, texts={"fleet.toml": f}, at=NOW) for f in "aabba"]
        assert written == [True, False, True, False, True]
        assert rosters.latest(tx) == ("a", {"fleet.toml": "a"})


# ---------------------------------------------------------------- entries


@pytest.mark.parametrize("detail", DETAILS, ids=lambda detail: type(detail).__name__)
def test_an_entry_comes_back_as_it_went_in(database: Database, detail: logbook.Detail) -> None:
    one = entry(detail=detail)
    with database.transaction() as tx:
        assert entries.add(tx, one)
    with database.reading() as rx:
        assert entries.all_entries(rx) == (one,)


@pytest.mark.parametrize("kind", ["connectors_checked", "damaged", "symptom", "inspected", "part_replaced"])
def test_what_was_written_as_a_remark_still_reads(database: Database, kind: str) -> None:
    old = entry(kind=EntryKind(kind), detail=logbook.Remark(text="drip", position=12, side="rear"))
    with database.transaction() as tx:
        entries.add(tx, old)
    with database.reading() as rx:
        assert entries.all_entries(rx) == (old,)


def test_every_kind_of_detail_is_tried_above() -> None:
    assert {type(detail) for detail in DETAILS} == set(entries._DETAIL_BY_NAME.values())


def test_a_phone_may_send_fifty_times(database: Database) -> None:
    for number in range(50):
        with database.transaction() as tx:
            assert entries.add(tx, entry(recorded_at=NOW + number * HOUR)) is (number == 0)
    with database.reading() as rx:
        assert [known.recorded_at for known in entries.all_entries(rx)] == [NOW]


@pytest.mark.parametrize(
    "changes",
    [
        {"machine": "sprayer-4"},
        {"by": "somebody"},
        {"happened_at": NOW - HOUR},
        {"detail": logbook.BlownOut(sides=("front",))},
    ],
    ids=str,
)
def test_the_same_id_for_something_else_is_refused(database: Database, changes: dict[str, object]) -> None:
    with database.transaction() as tx:
        entries.add(tx, entry())
    with pytest.raises(BadInput, match="e-1"), database.transaction() as tx:
        entries.add(tx, entry(**changes))
    with database.reading() as rx:
        assert entries.all_entries(rx) == (entry(),)


def test_entries_are_picked_by_machine_and_by_what_was_known_then(database: Database) -> None:
    with database.transaction() as tx:
        for number, machine in enumerate(["a", "b", "a"]):
            entries.add(tx, entry(id=str(number), machine=machine, recorded_at=NOW + number * HOUR))
        assert [e.id for e in entries.all_entries(tx, machine="a")] == ["0", "2"]
        assert [e.id for e in entries.all_entries(tx, recorded_until=NOW + HOUR)] == ["0", "1"]


def test_entries_come_in_the_order_they_happened(database: Database) -> None:
    with database.transaction() as tx:
        for number in (3, 1, 2):
            entries.add(tx, entry(id=str(number), happened_at=NOW + number * HOUR))
        assert [e.id for e in entries.all_entries(tx)] == ["1", "2", "3"]


def test_a_local_time_comes_back_as_the_same_instant(database: Database) -> None:
    local = NOW.astimezone(timezone(-timedelta(hours=5)))
    with database.transaction() as tx:
        entries.add(tx, entry(happened_at=local))
        (known,) = entries.all_entries(tx)
        assert (known.happened_at, known.happened_at.tzinfo) == (local, UTC)
        assert not entries.add(tx, entry(happened_at=NOW))


# ---------------------------------------------------------------- answers


def answer(body: bytes, hours: float, **changes: object) -> Answer:
    first = Answer(
        source="nws",
        key="grid/OAX/59,58",
        body=body,
        fetched_at=NOW + hours * HOUR,
        issued_at=NOW + hours * HOUR - HOUR,
        ask_again_at=NOW + (hours + 1) * HOUR,
        validators={"ETag": f'"{hours}"'},
    )
    return replace(first, **changes)  # type: ignore[arg-type]


def test_a_renewed_answer_moves_only_its_terms(database: Database) -> None:
    with database.transaction() as tx:
        assert answers.put(tx, answer(b"one", 0))
        assert not answers.put(tx, answer(b"one", 1))
        assert not answers.put(tx, answer(b"one", 2))
        renewed = answers.latest(tx, "nws", "grid/OAX/59,58")
        assert renewed == replace(answer(b"one", 0), ask_again_at=NOW + 3 * HOUR, validators={"ETag": '"2"'})


def test_history_holds_each_change_of_body(database: Database) -> None:
    with database.transaction() as tx:
        for hour, body in enumerate([b"one", b"one", b"two", b"one", b"\x00\xff" * 4000]):
            answers.put(tx, answer(body, hour))
        answers.put(tx, answer(b"other", 0, key="points/1,2"))
        history = answers.history(tx, "nws", "grid/OAX/59,58", since=NOW + HOUR)
        assert [kept.body for kept in history] == [b"two", b"one", b"\x00\xff" * 4000]
        assert answers.latest(tx, "nws", "grid/OAX/59,58") == history[-1]
        assert answers.latest(tx, "met", "grid/OAX/59,58") is None


def test_pruning_never_takes_the_newest_answer_of_a_key(database: Database) -> None:
    with database.transaction() as tx:
        for hour, body in enumerate([b"one", b"two"]):
            answers.put(tx, answer(body, hour))
            answers.put(tx, answer(body, hour + 0.5))
        assert answers.prune(tx, before=NOW + 99 * HOUR) == 1
        assert [kept.body for kept in answers.history(tx, "nws", "grid/OAX/59,58", since=NOW)] == [b"two"]


def test_how_trying_goes_is_kept_and_forgotten(database: Database) -> None:
    failing = Visit(source="nws", key="a", failed_since=NOW, failures=3, next_at=NOW + HOUR, trouble="500")
    well = Visit(source="nws", key="b", failed_since=None, failures=0, next_at=NOW)
    with database.transaction() as tx:
        visits.put(tx, replace(failing, failures=2))
        visits.put(tx, failing)
        visits.put(tx, well)
        assert visits.get(tx, "nws", "a") == failing
        assert visits.failing(tx) == (failing,)
        visits.clear(tx, "nws", "a")
        assert visits.get(tx, "nws", "a") is None


# ---------------------------------------------------------------- duties


def duty(key: str = "protect|sprayer-3|2026-10-19", **changes: object) -> Duty:
    first = Duty(
        key=key,
        machine="sprayer-3",
        kind=DutyKind.PROTECT,
        night=date(2026, 10, 19),
        assigned_to="operator",
        opened_at=NOW,
        due_at=NOW + 5 * HOUR,
        state=DutyState.OPEN,
        because=("0.6 °C below freezing at the valves", "rear side not rinsed"),
    )
    return replace(first, **changes)  # type: ignore[arg-type]


def test_the_ledger_has_a_line_for_every_change(database: Database) -> None:
    promised = duty(state=DutyState.PROMISED, promised_until=NOW + HOUR)
    lines = [duty(), duty(), promised, promised, duty(), duty(state=DutyState.DONE)]
    with database.transaction() as tx:
        written = [duties.append(tx, line, at=NOW) for line in lines]
        assert written == [True, False, True, False, True, True]
        assert duties.latest(tx) == (lines[-1],)


def test_many_lines_at_once_are_judged_one_by_one(database: Database) -> None:
    many = [duty(key=f"protect|{number}") for number in range(1100)]
    done = duty(key="protect|7", state=DutyState.DONE)
    with database.transaction() as tx:
        assert duties.append_all(tx, [*many, many[7], done], at=NOW) == (*many, done)
        assert duties.append_all(tx, [*many, done], at=NOW) == (many[7], done)
        assert len(duties.latest(tx)) == 1100


def test_old_duties_that_rest_are_left_out_but_never_running_ones(database: Database) -> None:
    states = list(DutyState)
    with database.transaction() as tx:
        for state in states:
            duties.append(tx, duty(key=state.value, state=state), at=NOW - 1000 * HOUR)
        duties.append(tx, duty(key="new", state=DutyState.DONE), at=NOW)
        kept = {line.key for line in duties.latest(tx, since=NOW - HOUR)}
    assert kept == {"open", "promised", "accepted", "new"}


# ---------------------------------------------------------------- outlooks


def test_of_each_machine_and_night_the_newest_outlook_is_kept(database: Database) -> None:
    night = date(2026, 10, 19)
    with database.transaction() as tx:
        outlooks.put_all(tx, [("m", night, {"chance": 0.6}), ("m", night + timedelta(days=1), {})], at=NOW)
        outlooks.put_all(tx, [("m", night, {"chance": None})], at=NOW + 2 * HOUR)
        first, second = outlooks.latest(tx)
        assert (first.machine, first.night, first.document, first.at) == ("m", night, {"chance": None}, NOW + 2 * HOUR)
        assert outlooks.latest(tx, from_night=night + timedelta(days=1)) == (second,)
        assert outlooks.prune(tx, before=night + timedelta(days=1)) == 1


def test_a_number_that_is_none_is_not_stored_as_json(database: Database) -> None:
    with pytest.raises(ValueError, match="JSON"), database.transaction() as tx:
        outlooks.put_all(tx, [("m", date(2026, 10, 19), {"chance": float("nan")})], at=NOW)


# ---------------------------------------------------------------- links and runs


def test_a_link_works_until_it_expires_or_is_revoked(database: Database) -> None:
    token = links.hash_token("22 random characters..")
    with database.transaction() as tx:
        assert links.add(tx, token_hash=token, person="p", purpose="duty|x", expires_at=NOW + HOUR)
        assert not links.add(tx, token_hash=token, person="thief", purpose="*", expires_at=NOW + 99 * HOUR)
        for _ in range(3):  # looking does not use it up
            found = links.find(tx, token, now=NOW)
            assert found is not None
            assert (found.person, found.purpose) == ("p", "duty|x")
        assert links.find(tx, token, now=NOW + HOUR) is None
        assert links.find(tx, links.hash_token("another"), now=NOW) is None
        assert links.revoke(tx, token, at=NOW)
        assert not links.revoke(tx, token, at=NOW)
        assert links.find(tx, token, now=NOW) is None
        assert links.prune(tx, before=NOW + 2 * HOUR) == 1


def test_all_links_of_a_person_end_together(database: Database) -> None:
    with database.transaction() as tx:
        for token, person in (("a", "p"), ("b", "p"), ("c", "q")):
            links.add(tx, token_hash=token, person=person, purpose="sign-in", expires_at=NOW + HOUR)
        assert links.revoke_person(tx, "p", at=NOW) == 2
        assert [token for token in "abc" if links.find(tx, token, now=NOW)] == ["c"]


def test_failures_in_a_row_are_counted_until_a_run_goes_well(database: Database) -> None:
    with database.transaction() as tx:
        assert runs.get(tx, "tick") is None
        runs.failed(tx, "tick", at=NOW, trouble="disk full")
        runs.succeeded(tx, "tick", at=NOW + HOUR, next_due_at=NOW + 2 * HOUR)
        runs.failed(tx, "tick", at=NOW + 2 * HOUR, trouble="locked")
        runs.failed(tx, "tick", at=NOW + 3 * HOUR, trouble="locked again")
        assert runs.get(tx, "tick") == runs.Run(
            name="tick",
            last_at=NOW + 3 * HOUR,
            last_ok_at=NOW + HOUR,
            next_due_at=NOW + 2 * HOUR,
            failures=2,
            trouble="locked again",
        )
        runs.succeeded(tx, "tick", at=NOW + 4 * HOUR, next_due_at=None)
        assert runs.get(tx, "tick") == runs.Run(
            name="tick", last_at=NOW + 4 * HOUR, last_ok_at=NOW + 4 * HOUR, next_due_at=None, failures=0, trouble=""
        )


_number = itertools.count()


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(st.lists(st.sampled_from(list(DutyState)), min_size=1, max_size=8))
def test_the_newest_line_is_what_was_written_last(database: Database, states: list[DutyState]) -> None:
    key = f"property-{next(_number)}"
    with database.transaction() as tx:
        written = [duties.append(tx, duty(key=key, state=state), at=NOW) for state in states]
        changes = [True] + [before is not after for before, after in itertools.pairwise(states)]
        assert written == changes
        assert {line.key: line.state for line in duties.latest(tx)}[key] is states[-1]

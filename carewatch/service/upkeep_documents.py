"""What nozzle bodies need, as JSON."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from carewatch.duties.upkeep.causes import Advice
from carewatch.duties.upkeep.needs import BodyNeed, Needs, Retrofit
from carewatch.duties.upkeep.round import FleetRound, Upkeep
from carewatch.duties.upkeep.visit import LeaveBehind
from carewatch.logbook.coverage import Spot
from carewatch.logbook.renewals import Renewal
from carewatch.logbook.troubles import Trouble
from carewatch.service.documents import contents_document, instant


def round_document(fleets: Iterable[FleetRound]) -> list[dict[str, Any]]:
    """The round as JSON: one object for each fleet."""
    return [
        {
            "fleet": found.fleet.id,
            "currency": found.fleet.currency,
            "parts": [
                {"part": line.part.id, "name": line.part.name, "quantity": line.quantity, "cost": line.cost}
                for line in found.parts
            ],
            "cost": found.cost,
            "stops": [upkeep_document(stop) for stop in found.stops],
        }
        for found in fleets
    ]


def upkeep_document(stop: Upkeep) -> dict[str, Any]:
    """One machine as JSON; costs in the currency of its fleet, hours with a tenth."""
    one, due = stop.one, stop.inspection
    return {
        "machine": one.machine.id,
        "name": one.machine.name,
        "site": one.site.id,
        "place": one.state.stands.place,
        "currency": one.fleet.currency,
        "tonight": stop.tonight.value if stop.tonight is not None else None,
        "wet_tonight": stop.is_wet_tonight if stop.tonight is not None else None,
        "contents": {
            part: contents_document(held)
            for part, held in one.state.contents.items()
            if part in one.machine.valve_parts
        },
        "inspection": {
            "since_h": round(due.since_h, 1),
            "every_h": due.every_h,
            "state": "due" if due.is_reached else "soon" if due.is_near else "ok",
            "inspected_at": instant(due.inspected_at),
        },
        "duties": [
            {"key": duty.key, "state": duty.state.value, "due_at": instant(duty.due_at)} for duty in stop.duties
        ],
        "open": [_trouble(trouble, stop) for trouble in one.bodies.troubles],
        "opened": [{"position": body.position, "at": instant(body.at)} for body in one.bodies.opened],
        "symptoms": [_advice(advice) for advice in stop.advice],
        **_needs(stop.needs),
        "retrofits": [_retrofit(left) for left in stop.needs.retrofits],
        "stock": [
            {
                "part": line.part.id,
                "on_hand": line.on_hand,
                "min": line.least,
                "needed": line.needed,
                "buy": line.buy,
                "cost": line.cost,
                "overdrawn": line.is_overdrawn,
            }
            for line in stop.restock
        ],
        "sample": [
            {
                "position": spot.position,
                "section": spot.section,
                "worn_now": spot.is_worn_now,
                "worn_days": spot.worn_days,
                "inspected_at": instant(spot.inspected_at),
            }
            for spot in stop.sample
        ],
        "wear": [
            {"section": wear.section, "side": wear.side, "looked": wear.looked, "worn": wear.worn}
            | {"share": _tenth(wear.share), "change": _tenth(wear.change)}
            for wear in stop.wear
        ],
        "sections": [
            {
                "section": step.section,
                "looked": step.looked,
                "failed": step.failed,
                "look_at_all": step.look_at_all,
                "renew_all": step.renew_all,
            }
            for step in stop.steps
        ],
        "rinses": {
            "shifts": one.bodies.rinses.shifts,
            "missed": one.bodies.rinses.missed,
            "half": one.bodies.rinses.half,
        },
        "renewed": [_renewal(renewal) for renewal in one.bodies.renewals],
        "leave_behind": _question(stop.leave_behind),
    }


def _trouble(trouble: Trouble, stop: Upkeep) -> dict[str, Any]:
    verdicts = [verdict for need in stop.needs.bodies for verdict in need.verdicts if verdict.trouble == trouble]
    verdict = verdicts[0] if verdicts else None
    return {
        "what": trouble.what,
        "kind": trouble.kind.value,
        "positions": list(trouble.positions),
        "side": trouble.side,
        "slight": trouble.finding.is_slight if trouble.finding is not None else None,
        "text": trouble.text,
        "first_at": instant(trouble.first_at),
        "last_at": instant(trouble.last_at),
        "times": trouble.times,
        "renewed_at": instant(trouble.renewed_at),
        "decision": verdict.decision.value if verdict is not None and verdict.decision is not None else None,
        "because": verdict.because if verdict is not None else None,
        "entries": list(trouble.entries),
    }


def _advice(advice: Advice) -> dict[str, Any]:
    return {
        "what": advice.trouble.what,
        "positions": list(advice.trouble.positions),
        "side": advice.trouble.side,
        "causes": [
            {"what": cause.what, "try": cause.attempt, "parts": [kind.value for kind in cause.parts]}
            for cause in advice.causes
        ],
        "take": [part.id for part in advice.take],
        "notes": list(advice.notes),
    }


def _needs(needs: Needs) -> dict[str, Any]:
    return {
        "pick": [
            {
                "part": line.part.id,
                "name": line.part.name,
                "quantity": line.quantity,
                "cost": line.cost,
                "at": [{"position": position, "side": side} for position, side in line.spots],
            }
            for line in needs.lines
        ],
        "new_bodies": [_body(need) for need in needs.bodies if need.is_body],
        "cost": needs.cost,
        "cost_all_mended": needs.mend_cost,
        "cost_all_bodies": needs.bodies_cost,
        "missing": [kind.value for kind in needs.missing],
    }


def _body(need: BodyNeed) -> dict[str, Any]:
    return {
        "position": need.position,
        "why": need.why_body,
        "mend_cost": need.mend_cost,
        "body_cost": need.body_cost,
    }  # fmt: skip


def _retrofit(left: Retrofit) -> dict[str, Any]:
    return {
        "revision": left.revision.id,
        "name": left.revision.name,
        "tell_apart": left.revision.tell_apart,
        "at": [_spot(spot) for spot in left.spots],
        "part": left.part.id if left.part is not None else None,
        "paid_by": left.revision.paid_by if left.is_paid_by_other else None,
        "cost": left.cost,
    }


def _renewal(renewal: Renewal) -> dict[str, Any]:
    return {
        "part": renewal.part,
        "at": [_spot(spot) for spot in sorted(renewal.spots)],
        "happened_at": instant(renewal.at),
        "counter_h": renewal.counter_h,
        "ran_h": {side: round(hours.ran_h, 1) for side, hours in renewal.hours.items()},
        "since_h": {side: round(hours.since_h, 1) for side, hours in renewal.hours.items()},
        "cost": renewal.cost,
    }


def _question(asked: LeaveBehind | None) -> dict[str, Any] | None:
    if asked is None:
        return None
    return {
        "question": asked.question,
        "choices": [
            {"words": choice.words, "kind": choice.kind.value, "told": dict(choice.told), "asks": list(choice.asks)}
            for choice in asked.choices
        ],
    }


def _spot(spot: Spot) -> dict[str, Any]:
    return {"position": spot[0], "side": spot[1]}


def _tenth(share: float | None) -> float | None:
    return None if share is None else round(share, 3)

"""The plan: what must be done and who is told, as one pure function of facts and now."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from carewatch.duties.duty import Duty
from carewatch.duties.facts import Facts
from carewatch.duties.plan import changed, duties_now
from carewatch.notices.cancelled import cancelling_mails
from carewatch.notices.catch_up import catch_up_mails
from carewatch.notices.day import day_mails, worse_mails
from carewatch.notices.desk import Desk, Told
from carewatch.notices.evening import evening_mails
from carewatch.notices.inspection import inspection_mails
from carewatch.notices.marks import next_due_at
from carewatch.notices.morning_after import morning_after_mails
from carewatch.notices.no_forecast import no_forecast_mails
from carewatch.notices.notice import Notice
from carewatch.notices.still_wet import still_wet_mails


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What follows from the facts: duties that changed, notices to write, when to look again without new facts."""

    duties: tuple[Duty, ...]
    notices: tuple[Notice, ...]
    next_due_at: datetime


def plan(facts: Facts, told: Told, now: datetime) -> Plan:
    """Decide. Running it again after its result was stored gives nothing new; `now` is the only clock."""
    duties = duties_now(facts, now)
    desk = Desk.opened(facts, told, {**facts.duties, **{duty.key: duty for duty in duties}}, now)
    evening = tuple(evening_mails(desk))
    notices = (
        *morning_after_mails(desk),
        *day_mails(desk),
        *worse_mails(desk),
        *still_wet_mails(desk, evening),
        *evening,
        *cancelling_mails(desk),
        *no_forecast_mails(desk),
        *inspection_mails(desk),
        *catch_up_mails(desk),
    )
    return Plan(duties=changed(duties, facts), notices=notices, next_due_at=next_due_at(desk))

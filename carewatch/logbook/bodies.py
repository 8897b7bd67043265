"""Every nozzle body by position and side: what is open, what was renewed, fitted, opened, and the spares. Pure.

What raises a doubt counts from every entry nobody surely took back; what ends one only from entries nobody doubts, and
only if it surely came after. So no order of arrival, no clock and no stranger's correction makes a position look
better.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime
from types import MappingProxyType

from carewatch.logbook.coverage import Spot
from carewatch.logbook.entries import Entry
from carewatch.logbook.fitted import revisions_fitted
from carewatch.logbook.missed import Rinses, rinses_of
from carewatch.logbook.opened import OpenedBody, undried
from carewatch.logbook.order import in_order, known_entries
from carewatch.logbook.renewals import Renewal, renewals_of
from carewatch.logbook.stock import Stock, stock_of
from carewatch.logbook.troubles import Look, Trouble, looks_of, troubles_of, worn_on
from carewatch.logbook.voids import standing
from carewatch.roster.model import Machine, Roster


@dataclass(frozen=True, slots=True, kw_only=True)
class Bodies:
    """What the logbook says of all nozzle bodies of a machine.

    `looks`: the last two inspections of each valve (a valve not in there was never looked at). `worn_on`: local days on
    which wear showed at a valve. `fitted`: by revision id, where it is known to be in. `stock`: by part id (a part not
    in there was never counted). `rinses`: how often it was left unflushed.
    """

    troubles: tuple[Trouble, ...] = ()
    renewals: tuple[Renewal, ...] = ()
    looks: Mapping[Spot, tuple[Look, ...]] = field(default_factory=lambda: MappingProxyType({}))
    worn_on: Mapping[Spot, frozenset[date]] = field(default_factory=lambda: MappingProxyType({}))
    fitted: Mapping[str, frozenset[Spot]] = field(default_factory=lambda: MappingProxyType({}))
    opened: tuple[OpenedBody, ...] = ()
    stock: Mapping[str, Stock] = field(default_factory=lambda: MappingProxyType({}))
    rinses: Rinses = field(default_factory=Rinses)

    def inspected_at(self, spot: Spot) -> datetime | None:
        """When a valve was last looked at."""
        looks = self.looks.get(spot)
        return looks[-1].at if looks else None

    def at_position(self, position: int) -> tuple[Trouble, ...]:
        """What is open at a position, as far as it is known to be there and not elsewhere."""
        return tuple(trouble for trouble in self.troubles if trouble.position == position)


def bodies_of(machine: Machine, roster: Roster, entries: Iterable[Entry], *, at: datetime) -> Bodies:
    """Fold the entries of one machine.

    Parameters
    ----------
    machine, roster : Machine, Roster
        The machine, and its fleet with parts and revisions.
    entries : iterable of Entry
        In any order, with repeats, of any machine.
    at : datetime
        The moment asked about (aware); what happened later is left out.

    Returns
    -------
    Bodies

    Notes
    -----
    Ends of a finding: a part that cures it, renewed at every valve it concerns; where cleaning may end it, also a later
    inspection of these valves that does not find it again. Wear does not heal. Which part cures what:
    findings.CURED_BY.
    """
    after_corrections = standing(known_entries(machine.id, entries, at=at, known_until=None), machine, roster)
    sure = after_corrections.stands
    every = in_order((*sure, *after_corrections.doubted))
    fleet = roster.fleet(machine.fleet)
    renewals = renewals_of(machine, fleet, sure, every)
    return Bodies(
        troubles=troubles_of(machine, fleet, sure, every),
        renewals=renewals,
        looks=MappingProxyType(looks_of(machine, sure)),
        worn_on=MappingProxyType(worn_on(machine, renewals, every, fleet.tz)),
        fitted=MappingProxyType(revisions_fitted(machine, fleet, sure, every)),
        opened=undried(sure, every),
        stock=MappingProxyType(stock_of(machine, fleet.parts, sure, every)),
        rinses=rinses_of(machine, sure),
    )

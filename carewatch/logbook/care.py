"""What entries about nozzle bodies tell: opened, inspected, repaired, and the spares on the shelf.

Positions count from the left seen in driving direction, sections likewise. `sides` None: every valve side.
"""

from __future__ import annotations

from dataclasses import dataclass

from carewatch.logbook.findings import DamageKind, Finding, SymptomKind


@dataclass(frozen=True, slots=True, kw_only=True)
class ConnectorsChecked:
    """Connectors were dried, cleaned and greased; positions not said: of the one body that was open."""

    positions: tuple[int, ...] | None = None
    sides: tuple[str, ...] | None = None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Damaged:
    """Something was struck or torn off; where not said: nobody knows where."""

    what: DamageKind = DamageKind.OTHER
    positions: tuple[int, ...] | None = None
    sections: tuple[int, ...] | None = None
    sides: tuple[str, ...] | None = None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Symptom:
    """What was seen from outside; `text` holds the machine's own message. Where not said: somewhere on the boom."""

    what: SymptomKind = SymptomKind.OTHER
    positions: tuple[int, ...] | None = None
    sections: tuple[int, ...] | None = None
    sides: tuple[str, ...] | None = None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspected:
    """These sections and positions are fine on these sides, except the findings.

    Neither said: with findings only their positions were looked at, without any the whole machine. `is_sample`: these
    positions were taken as a sample for the whole machine; it counts so only if none of them needs a part.
    """

    sections: tuple[int, ...] | None = None
    positions: tuple[int, ...] | None = None
    sides: tuple[str, ...] | None = None
    findings: tuple[Finding, ...] = ()
    is_sample: bool = False
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PartReplaced:
    """A part was renewed: id of the fleet's catalogue or a kind of part. `quantity` None: one for each place.

    `counter_h`: spray-hour counter then [h]. `from_stock`: taken from the spares of the machine.
    """

    part: str | None = None
    positions: tuple[int, ...] | None = None
    sides: tuple[str, ...] | None = None
    quantity: int | None = None
    cost: float | None = None
    counter_h: float | None = None
    from_stock: bool = True
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RevisionFitted:
    """A revision of the fleet's list is in these positions now; neither sections nor positions: in all."""

    revision: str | None = None
    sections: tuple[int, ...] | None = None
    positions: tuple[int, ...] | None = None
    sides: tuple[str, ...] | None = None
    cost: float | None = None
    text: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Restocked:
    """Spares were put on the shelf of a machine; `is_count`: so many lie there, whatever was thought before."""

    part: str | None = None
    quantity: int | None = None
    is_count: bool = False
    cost: float | None = None
    text: str = ""


CareDetail = ConnectorsChecked | Damaged | Symptom | Inspected | PartReplaced | RevisionFitted | Restocked

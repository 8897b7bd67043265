"""How asking goes at each address outside: what must survive a restart so that nobody is asked too often."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from datetime import datetime, timedelta

from sqlalchemy import Connection, delete, select

from carewatch.store.dialect import upsert
from carewatch.store.tables import visit as table


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """The state of trying one address. `failed_since` None: the last try went well; `next_at`: not before."""

    source: str
    key: str
    failed_since: datetime | None
    failures: int
    next_at: datetime
    trouble: str = ""

    def is_resting(self, now: datetime, *, longest: timedelta) -> bool:
        """Whether it is to be left alone at `now`; a rest beyond the longest was set by a clock put back since."""
        return now < self.next_at <= now + longest


def after_failure(
    before: Visit | None, *, source: str, key: str, now: datetime, wait: timedelta, trouble: str
) -> Visit:
    """Give the state after one more failure; `before` None: it went well until now."""
    return Visit(
        source=source,
        key=key,
        failed_since=before.failed_since if before and before.failed_since else now,
        failures=failures_with_this(before),
        next_at=now + wait,
        trouble=trouble,
    )


def failures_with_this(before: Visit | None) -> int:
    """Give how often in a row it has failed, the failure of this moment included."""
    return 1 + (before.failures if before else 0)


def get(rx: Connection, source: str, key: str) -> Visit | None:
    """Give the state of one address; None if it was never tried."""
    row = rx.execute(select(table).where(table.c.source == source, table.c.key == key)).mappings().first()
    return None if row is None else Visit(**row)


def put(tx: Connection, visit: Visit) -> None:
    """Keep the state of one address."""
    upsert(tx, table, asdict(visit), unique=("source", "key"))


def clear(tx: Connection, source: str, key: str) -> None:
    """Forget one address, so that it may be tried at once."""
    tx.execute(delete(table).where(table.c.source == source, table.c.key == key))


def failing(rx: Connection) -> tuple[Visit, ...]:
    """Give every address whose last try failed, longest first."""
    query = select(table).where(table.c.failed_since.is_not(None)).order_by(table.c.failed_since)
    return tuple(Visit(**row) for row in rx.execute(query).mappings().all())

"""What every forecast source can do. The service asks `update` at a tick and `read` whenever it plans."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import Protocol, runtime_checkable

from carewatch.roster.model import Site
from carewatch.weather.answer import Answer
from carewatch.weather.forecast import Forecast, Grade
from carewatch.weather.readings import Readings

Recall = Callable[[str], Answer | None]
"""The newest stored answer of this source under a key."""


class Source(Protocol):
    """A forecast service, or files that stand for one."""

    @property
    def name(self) -> str:
        """The word for it in settings and in stored answers."""
        ...

    def grade(self, site: Site) -> Grade:
        """How much local correction its forecasts for this site have had."""
        ...

    def covers(self, site: Site) -> bool:
        """Whether it may know this site at all, judged by coordinates alone."""
        ...

    def update(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        """Ask what its terms allow at `now`; new and renewed answers, to be stored. Raises UpstreamTrouble."""
        ...

    def read(self, site: Site, *, recall: Recall) -> Forecast | None:
        """The forecast in the stored answers; None while there is none. Raises UpstreamTrouble on garbage."""
        ...


@runtime_checkable
class OfficialMessages(Protocol):
    """A source that also passes on official freeze messages: extra information, never a reason to feel safe."""

    def update_alerts(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        """Ask for the messages in force, where the terms allow it. Raises UpstreamTrouble."""
        ...

    def alerts(self, site: Site, *, now: datetime, recall: Recall) -> tuple[str, ...]:
        """The messages in force as sentences."""
        ...


@runtime_checkable
class Measuring(Protocol):
    """A source that also knows what was measured near a site: for looking back, never for a coming night."""

    def update_measured(self, site: Site, *, now: datetime, recall: Recall) -> tuple[Answer, ...]:
        """Ask what was measured, where the terms allow it. Raises UpstreamTrouble."""
        ...

    def measured(self, site: Site, *, recall: Recall) -> Readings | None:
        """What was measured near the site; None if nothing is known. Raises UpstreamTrouble on garbage."""
        ...

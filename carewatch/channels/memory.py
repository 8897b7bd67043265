"""A channel that keeps messages in memory, and refuses what it is told to refuse: for trying out and for tests."""

from __future__ import annotations

from dataclasses import dataclass, field

from carewatch.channels.port import ChannelTrouble


@dataclass(frozen=True, slots=True, kw_only=True)
class Delivered:
    """One message as it arrived."""

    raw: bytes
    sender: str
    recipient: str


@dataclass(slots=True)
class MemoryChannel:
    """Messages as they came. `refusals`: what to raise for one recipient; `trouble`: what to raise for everybody."""

    delivered: list[Delivered] = field(default_factory=list)
    refusals: dict[str, ChannelTrouble] = field(default_factory=dict)
    trouble: ChannelTrouble | None = None

    def send(self, raw: bytes, *, sender: str, recipient: str) -> None:
        """Keep one message, or raise."""
        trouble = self.trouble or self.refusals.get(recipient)
        if trouble is not None:
            raise trouble
        self.delivered.append(Delivered(raw=raw, sender=sender, recipient=recipient))

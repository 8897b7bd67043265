"""What every way out offers, and the five answers it may get."""

from __future__ import annotations

from typing import Protocol

from carewatch.errors import CarewatchError


class Channel(Protocol):
    """A way out for finished messages. Returning means: taken over by the other side."""

    def send(self, raw: bytes, *, sender: str, recipient: str) -> None:
        """Hand over one message for one recipient, or raise one of the troubles below."""
        ...


class ChannelTrouble(CarewatchError):
    """A message did not get through."""


class TemporaryRefusal(ChannelTrouble):
    """This message was not taken this time; the same message may be taken later."""


class ChannelDown(TemporaryRefusal):
    """Nobody can be reached this way right now (no connection, no encryption, too slow); try all of them later."""


class PermanentRefusal(ChannelTrouble):
    """The other side says no to this recipient or message for good."""


class ChannelStopped(ChannelTrouble):
    """The other side refuses us as a sender (login, sender address); nothing goes out until the settings change."""


class Ambiguous(TemporaryRefusal):
    """The line broke after the message was handed over: taken or not, nobody knows. Send the very same bytes again."""

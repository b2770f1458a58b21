"""What comes out of a conversation with somebody at the gear: data, carried out by a command."""

from __future__ import annotations

from dataclasses import dataclass

from studiobridge.meeting.met import Acquaintance
from studiobridge.speech.message import Message


@dataclass(frozen=True, slots=True)
class Ask:
    """A question to the person. Anything that is not one of `yes` is a no.

    `sends`: every message that may follow a yes, one after another.
    """

    key: str
    text: str
    sends: tuple[Message, ...] = ()
    yes: tuple[str, ...] = ("y", "yes")


@dataclass(frozen=True, slots=True)
class Say:
    text: str


@dataclass(frozen=True, slots=True)
class Send:
    message: Message


@dataclass(frozen=True, slots=True)
class Wake:
    """`wake` is to be called at this time, or a little later."""

    at: float


@dataclass(frozen=True, slots=True)
class Done:
    """It is over: `who` is what is known now; None where it came to no device."""

    who: Acquaintance | None


Out = Ask | Say | Send | Wake | Done

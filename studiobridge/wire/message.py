"""What travels: one MQTT message, one value heard, and the error for a payload nobody can read."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from studiobridge.craft.grid import Grid
    from studiobridge.profile.model import Point, Value


@dataclass(frozen=True, slots=True)
class Message:
    """One MQTT message, going out or coming in.

    `expiry` is in seconds and only for messages going out. `retain` on an incoming message
    says that the broker kept it from before the subscription. `response_topic` and
    `correlation` are MQTT 5's.
    """

    topic: str
    payload: bytes = b""
    qos: int = 1
    retain: bool = False
    expiry: float | None = None
    response_topic: str | None = None
    correlation: bytes | None = None
    dup: bool = False  # incoming: the broker delivers it again, not sure we had it


@dataclass(frozen=True, slots=True)
class Heard:
    """A device reports a value of one point (percent, kelvin, watts, or yes/no).

    `retained` is None where the message's own flag says whether the broker kept it; a value
    that had to wait for the device's description carries the flag it came with.
    """

    device: str
    point: Point
    value: Value
    retained: bool | None = None


@dataclass(frozen=True, slots=True)
class Learned:
    """A device describes itself: what can be told, what is heard, in which steps."""

    device: str
    point: Point
    told: bool
    heard: bool
    grid: Grid | None


@dataclass(frozen=True, slots=True)
class Garbled:
    """A payload of this device could not be read: `why` is for a person. Nothing changed."""

    device: str
    topic: str
    why: str

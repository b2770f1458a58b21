"""What travels: one MQTT message."""

from __future__ import annotations

from dataclasses import dataclass


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

"""The device's own end of its speech: for simulated devices, and to test a round trip."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass

from studiobridge.profile.model import HOMIE5, Point, SetProfile, Value
from studiobridge.speech.homie import HomieEnd
from studiobridge.speech.maps import MappedDevice
from studiobridge.speech.message import Message

_ONLINE: tuple[Point, ...] = ("online",)


@dataclass(frozen=True, slots=True)
class Told:
    """What a device was told: values, the fade that came with them, or a wish for a report."""

    values: tuple[tuple[Point, Value], ...]
    fade: float | None = None
    asked: bool = False


class FarEnd:
    """One device's end. Raises KeyError for a device that speaks nothing."""

    def __init__(self, profile: SetProfile, device: str) -> None:
        self.device = profile.devices[device]
        self._homie: HomieEnd | None = None
        self._mapped: MappedDevice | None = None
        if self.device.speaks == HOMIE5:
            self._homie = HomieEnd(profile, self.device)
        else:
            self._mapped = MappedDevice(self.device, profile.dialects[self.device.speaks or ""])

    def subscriptions(self) -> list[tuple[str, int]]:
        """The topics it listens to for what it is told."""
        if self._homie is not None:
            return self._homie.subscriptions()
        assert self._mapped is not None
        return self._mapped.commands()

    def told(self, message: Message) -> Told | None:
        """What a message tells it; None when it is not for it or cannot be read."""
        if self._homie is not None:
            values = self._homie.told(message)
            return Told(tuple(values)) if values is not None else None
        assert self._mapped is not None
        found = self._mapped.told(message)
        return Told(tuple(found[0]), found[1], found[2]) if found is not None else None

    def report(
        self,
        state: Mapping[Point, Value],
        changed: Collection[Point],
        target: Mapping[Point, Value] | None = None,
    ) -> list[Message]:
        """Reports of the points that changed, from all it knows of itself."""
        if self._homie is not None:
            return self._homie.report(state, changed, target)
        assert self._mapped is not None
        return self._mapped.report(state, changed)

    def hello(self, state: Mapping[Point, Value]) -> list[Message]:
        """What it says when its client has connected."""
        if self._homie is not None:
            return self._homie.hello(state)
        assert self._mapped is not None
        return self._mapped.report({**state, "online": True}, self.device.hears)

    def goodbye(self) -> list[Message]:
        """What it says before it leaves properly: a computer only leaves when it is down."""
        if self._homie is not None:
            return [self._homie.state("disconnected")]
        assert self._mapped is not None
        return self._mapped.report({"online": False, "down": True}, _ONLINE)

    def will(self) -> Message | None:
        """What the broker says for it when it is lost; None where its dialect has no `online`."""
        if self._homie is not None:
            return self._homie.state("lost")
        assert self._mapped is not None
        found = self._mapped.report({"online": False, "down": False}, _ONLINE)
        return found[0] if found else None

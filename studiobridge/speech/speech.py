"""All speech of a set: topics and payloads to values and back."""

from __future__ import annotations

from collections.abc import Sequence

from studiobridge.profile.model import HOMIE5, Device, Point, SetProfile, Value
from studiobridge.profile.said import Described, Report, Said, Unreadable
from studiobridge.speech import slots
from studiobridge.speech.encode import (
    MISSING,
    CannotRead,
    field_of,
    is_said,
    json_of,
    shown,
    text_of,
)
from studiobridge.speech.homie import ROOT, HomieBook
from studiobridge.speech.lacking import Lacking
from studiobridge.speech.maps import Listener, MappedDevice
from studiobridge.speech.message import Message


class Speech:
    """The bridge's end of every conversation of a set."""

    def __init__(self, profile: SetProfile) -> None:
        self._mapped: dict[str, MappedDevice] = {}
        self._listeners: dict[str, list[Listener]] = {}
        self._qos: dict[str, int] = {}
        self.lacking = Lacking()
        # fixtures that only listen, on no topic: the bridge sends them frames
        self._listening: list[Device] = []
        # where the bridge hears itself: what fits nobody there may be its own word
        self._told: set[str] = set()
        homie = []
        for device in profile.devices.values():
            if device.slots is not None:
                self._listening.append(device)
            elif device.speaks == HOMIE5:
                homie.append(device)
            elif device.speaks is not None:
                mapped = MappedDevice(device, profile.dialects[device.speaks])
                self._mapped[device.name] = mapped
                for topic, qos, listener in mapped.listeners():
                    self._listeners.setdefault(topic, []).append(listener)
                    self._qos[topic] = max(qos, self._qos.get(topic, 0))
                    if listener.route:
                        self.lacking.expect(device.name, listener.point)
                self._told |= mapped.told_topics()
        self._homie = HomieBook(homie, self.lacking)

    def subscriptions(self) -> list[tuple[str, int]]:
        """Every filter to subscribe to, with its QoS; no two of them overlap."""
        return [*self._qos.items(), *self._homie.subscriptions()]

    def hears_topic(self, topic: str) -> bool:
        """Is this topic subscribed to for a device?"""
        return topic in self._listeners or self._homie.ours(topic)

    def described(self, at: float) -> list[Described]:
        """What is known of devices before anything is heard."""
        found = [said for mapped in self._mapped.values() for said in mapped.described(at)]
        return found + [said for device in self._listening for said in slots.described(device, at)]

    def hear(self, message: Message, at: float) -> list[Said]:
        """What a message says; [] when it is not about a device of this set. Never raises."""
        listeners = self._listeners.get(message.topic)
        if listeners is None:
            if message.topic.startswith(ROOT):
                return self._homie.hear(message, at)
            return []
        out: list[Said] = []
        text: str | None = None
        document: object = None
        unfit: Listener | None = None
        unsigned: Listener | None = None
        signed = False
        try:
            for listener in listeners:
                raw: object
                if listener.route is None:
                    if text is None:
                        text = text_of(message.payload)
                    raw = text
                else:
                    if document is None:
                        document = json_of(message.payload)
                    if listener.signs:
                        if not _signed(document, listener):
                            unsigned = listener
                            continue  # it is about another outlet, or about white and not colour
                        signed = True
                    raw = field_of(document, listener.route)
                    if raw is MISSING:  # a message may say only what has changed
                        if message.topic not in self._told:  # where this bridge speaks too
                            where = (message.topic, listener.route, document)
                            self.lacking.missed(listener.device, listener.point, *where)
                        continue
                    if listener.route:
                        self.lacking.heard(listener.device, listener.point)
                if listener.text is not None:
                    found = listener.of_text(raw)
                    if found is MISSING:
                        unfit = listener
                        continue  # it may be of the form of another point, or outlet
                    raw = found
                try:
                    value = listener.decode(raw)
                except CannotRead as error:
                    out.append(Unreadable(at, listener.device, message.topic, str(error)))
                    continue
                if value is not None:
                    out.append(Report(at, listener.device, listener.point, value, message.retain))
        except CannotRead as error:
            if message.topic in self._told:
                return out
            devices = dict.fromkeys(listener.device for listener in listeners)
            return [Unreadable(at, device, message.topic, str(error)) for device in devices]
        if unfit is not None and not out and self._for_one(message.topic, listeners):
            why = f"{shown(message.payload)} is not of the form {shown(unfit.text)}"
            return [Unreadable(at, unfit.device, message.topic, why)]
        if unsigned is not None and not signed and self._for_one(message.topic, listeners):
            out.extend(_unnamed(document, unsigned, message.topic, at))
        return out

    def _for_one(self, topic: str, listeners: list[Listener]) -> bool:
        """Is whatever comes on this topic a word of one and the same device?"""
        return topic not in self._told and len({heard.device for heard in listeners}) == 1

    def tell(
        self, device: str, values: Sequence[tuple[Point, Value]], fade: float | None
    ) -> list[Message]:
        """The messages that tell a device these values. Their expiry is the caller's to set.

        None for a fixture on slots: it has no topic.
        """
        mapped = self._mapped.get(device)
        if mapped is not None:
            return mapped.tell(values, fade)
        homie = self._homie.devices.get(device)
        return homie.tell(values) if homie is not None else []

    def heard_on(self, device: str, point: Point) -> tuple[str, str | None] | None:
        """The topic a point is heard on, and its field there; None where it is not heard."""
        mapped = self._mapped.get(device)
        if mapped is not None:
            return mapped.heard_on(point)
        homie = self._homie.devices.get(device)
        return (homie.heard_on(point), None) if homie is not None else None

    def ask(self, device: str) -> list[Message]:
        """The messages that make a device report; [] where its dialect knows none."""
        mapped = self._mapped.get(device)
        return mapped.ask() if mapped is not None else []


def _unnamed(document: object, listener: Listener, topic: str, at: float) -> list[Said]:
    """A device says what it is about, in a word that its dialect does not have."""
    for route, _, _ in listener.signs:
        word = field_of(document, route)
        if isinstance(word, str | int | float | bool):
            place = ".".join(str(part) for part in route)
            why = f"{place} is {shown(word)}, which nothing in its dialect is about"
            return [Unreadable(at, listener.device, topic, why)]
    return []


def _signed(document: object, listener: Listener) -> bool:
    """Is a document about this listener: does it hold all that says so?"""
    for route, word, text in listener.signs:
        if not is_said(field_of(document, route), word, text):
            return False
    return True

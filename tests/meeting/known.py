"""Hearing that knows the hear halves from the gear itself: to try the tell half alone."""

from __future__ import annotations

from studiobridge.meeting.followed import own_topics
from studiobridge.meeting.hearing import Hearing, Met
from studiobridge.meeting.met import Acquaintance, Half
from studiobridge.meeting.overheard import Answer, Change, Deed, Press
from studiobridge.profile.text import read_document
from studiobridge.speech.message import Message
from tests.meeting.gear import HEAD, Gear


class TrueHearing(Hearing):
    """Says of a device what its own dialect says, and nothing of how it is told."""

    def __init__(self, gear: Gear) -> None:
        self.who = acquaintance(gear)
        self.topics = own_topics(self.who)
        self.said: dict[str, bytes] = {}
        self.found: list[Press] = []

    def heard(self, message: Message, at: float) -> tuple[Change, ...]:
        if message.topic not in self.topics and not message.topic.startswith("homie/5/"):
            return ()
        before = self.said.get(message.topic)
        self.said[message.topic] = message.payload
        if before == message.payload:
            return ()
        change = Change(at, message.topic, (), None, str(message.payload), message.retain)
        if self.found and not message.retain:
            last = self.found[-1]
            self.found[-1] = Press(
                last.at, last.what, (*last.answers, Answer(change, 0.9, self.who.name))
            )
        return (change,)

    def pressed(self, at: float, what: Deed = "press") -> None:
        self.found.append(Press(at, what))

    def presses(self) -> tuple[Press, ...]:
        return tuple(self.found)

    def met(self) -> list[Met]:
        if self.who.homie is not None:
            return []
        return [Met(self.who, None, [], None)]  # type: ignore[arg-type]

    def acquaintances(self) -> list[Acquaintance]:
        return [self.who]


def acquaintance(gear: Gear) -> Acquaintance:
    """What hearing would make of it at best."""
    document = read_document(HEAD + gear.text, "gear").root.value()
    assert isinstance(document, dict)
    device = document["devices"][gear.name]
    halves: list[Half] = []
    if device["speaks"] == "homie5":
        for point, name in device["properties"].items():
            for half in ("hear", "tell"):
                why = "it describes itself"
                halves.append(Half(point, half, {"property": name}, "described", why))  # type: ignore[arg-type]
        found = tuple(halves)
        return Acquaintance(gear.name, "", device["kind"], found, homie=device["at"])
    for point, rule in document["dialects"]["d"].items():
        if isinstance(rule, dict) and "hear" in rule:
            halves.append(Half(point, "hear", rule["hear"], "seen", "it said so"))
    return Acquaintance(
        gear.name,
        device["at"],
        device["kind"],
        tuple(halves),
        blanks=device.get("blanks", {}),
    )

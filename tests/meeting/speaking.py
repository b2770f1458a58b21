"""Gear of made-up makes that speaks as its dialect says, through the far end of the speech, and an
evening of somebody who tries it out. Hearing does not know the dialect and has to find it."""

from __future__ import annotations

import json
from dataclasses import dataclass, field, replace

from hypothesis import strategies as st

from studiobridge.meeting.hearing import Hearing
from studiobridge.meeting.overheard import Deed
from studiobridge.profile import read_profile_text
from studiobridge.profile.model import Point, SetProfile, Value
from studiobridge.speech import FarEnd, Speech
from studiobridge.speech.message import Message

HEAD = "format: 1\nset: met\nmains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}\n"
# Own words: in a language nobody here speaks as well.
SWITCHES = ["on: ON, off: OFF", 'on: "1", off: "0"', "on: an, off: aus", "on: lit, off: dark"]
JSON_SWITCHES = ["", "on: 1, off: 0", "on: ON, off: OFF", "on: an, off: aus"]
ONLINES = ["yes: online, no: offline", "yes: up, no: gone", "yes: connected, no: lost"]
SPANS = ["", "span: 0..255", "span: 0..1000", "unit: fraction", "span: 0..254", "span: 255..0"]
SPANS += ["span: 0..65535", "span: 3..97"]
WHITES = ["", "unit: mired"]
WATTS = ["", "unit: milliwatt"]
LAYOUTS = ["corner/{id}/{what}", "{what}/{id}", "wheel/{what}/{id}", "{id}/{what}"]


@dataclass
class Make:
    """One make of gear: the text of its dialect, and what it can do."""

    text: str
    at: str
    points: tuple[Point, ...]
    # its documents have more in them than a set wants; others tell it things as well
    talks: bool = False
    told: bool = False
    profile: SetProfile = field(init=False)

    def __post_init__(self) -> None:
        level = "level: 50 %" if "level" in self.points else ""
        level += ", cct: 4000 K" if "cct" in self.points else ""
        looks = f"looks: {{day: {{gear: {{{level}}}}}}}\n" if level else ""
        kind = "light" if level else "plug"
        meters = ", meters: yes" if "watts" in self.points else ""
        self.profile = read_profile_text(
            f"{HEAD}dialects:\n  make:\n{self.text}devices:\n"
            f"  gear: {{kind: {kind}, fed_by: wall, speaks: make, at: {self.at}{meters}}}\n{looks}"
        ).profile


def _rule(topic: str, field_: str, *more: str) -> str:
    parts = [f'topic: "{topic}"', *([f"field: {field_}"] if field_ else []), *filter(None, more)]
    return "{" + ", ".join(parts) + "}"


@st.composite
def makes(draw: st.DrawFn) -> Make:
    """A lamp or a plug, in documents or in plain texts, its name first, in the middle or last."""
    layout = draw(st.sampled_from(LAYOUTS))
    device = draw(st.sampled_from(["lamp-7", "c0ffee21", "key2", "left-1"]))
    documents = draw(st.booleans())
    lamp = draw(st.booleans())
    # {at} as hearing would have it: up to the name, where nothing in front of it says what is meant
    what_first = layout.index("{what}") < layout.index("{id}")
    at = device if what_first else layout.partition("{id}")[0] + device

    def topic(what: str) -> str:
        whole = layout.replace("{id}", "\0").replace("{what}", what)
        return whole.replace("\0", "{at}") if what_first else "{at}" + whole.partition("\0")[2]

    deep = draw(st.sampled_from(["", "now."])) if documents else ""
    is_ = draw(st.sampled_from(["is", "state", "report"]))

    def place(plain: str, names: list[str]) -> tuple[str, str]:
        if documents:
            return topic(is_), deep + draw(st.sampled_from(names))
        return topic(plain), ""

    points: list[Point] = ["switch", "watts", "online"]
    words = draw(st.sampled_from(JSON_SWITCHES if documents else SWITCHES))
    switch = place("relay", ["on", "relay", "lit"])
    spelt = f"words: {{{words}}}" if words else ""
    put = topic(draw(st.sampled_from(["do", "steer"])))
    tell = f'tell: {{topic: "{put}", json: {{put: "{{value}}"}}}}'
    lines = [f"    switch: {{{tell}, hear: {_rule(*switch, spelt)}}}"]
    watts = place("meter", ["watts", "power", "load"])
    scale = draw(st.sampled_from(WATTS))
    around = "" if documents else draw(st.sampled_from(["", "{value} W", "draws {value} now"]))
    around = f'pattern: "{around}"' if around else ""
    lines.append(f"    watts: {{hear: {_rule(*watts, scale, around)}}}")
    here = draw(st.sampled_from(ONLINES))
    lines.append(f"    online: {{hear: {_rule(topic('alive'), '', f'words: {{{here}}}')}}}")
    if lamp:
        points += ["level", "cct"]
        level = place("dim", ["dim", "level", "brightness"])
        span = draw(st.sampled_from(SPANS))
        tell = tell.replace("put", "dim")
        lines.append(f"    level: {{{tell}, hear: {_rule(*level, span)}}}")
        white = place("warmth", ["cct", "warmth"])
        unit = draw(st.sampled_from(WHITES))
        tell = tell.replace("dim:", "warm:")
        lines.append(f"    cct: {{{tell}, hear: {_rule(*white, unit)}}}")
    text = "\n".join(lines) + "\n"
    return Make(text, at, tuple(points), draw(st.booleans()), draw(st.booleans()))


@dataclass
class Evening:
    """Somebody tries a device out while the broker chatters on."""

    make: Make
    hearing: Hearing = field(default_factory=Hearing)
    at: float = 0.0
    said: list[Message] = field(default_factory=list)
    state: dict[Point, Value] = field(default_factory=dict)

    def say(self, messages: list[Message], retain: bool = False) -> None:
        for message in messages:
            if self.make.talks and message.payload[:1] == b"{":
                ticks = int(self.at * 10)
                more = {"uptime": ticks, "volts": 229 + ticks % 3, "kwh": 3.1, "fw": "2.0.11"}
                document = {**more, **json.loads(message.payload)}
                message = replace(message, payload=json.dumps(document).encode())
            heard = Message(message.topic, message.payload, retain=retain)
            self.said.append(heard)
            self.hearing.heard(heard, self.at)

    def wait(self, seconds: float) -> None:
        self.at += seconds

    def noise(self, n: int = 1) -> None:
        """Others speak: a clock, a meter that is never still, a signal, a thermometer."""
        for _ in range(n):
            self.wait(1.0)
            ticks = int(self.at)
            for topic, payload in (
                ("house/clock", f'{{"uptime": {ticks}, "rssi": {-60 - ticks * 7 % 5}}}'),
                ("house/fridge-3/meter", f"{80 + ticks * 13 % 9}.{ticks % 10}"),
                ("house/hall/temperature", f"{20 + ticks % 3 / 10}"),
            ):
                self.hearing.heard(Message(topic, payload.encode()), self.at)

    def do(self, deed: Deed, **changes: Value) -> None:
        """A press, and what the gear says of it a moment later; its watts a moment after that."""
        end = FarEnd(self.make.profile, "gear")
        points = self.make.points
        self.hearing.pressed(self.at, deed)
        if self.make.told:
            told = [(p, v) for p, v in changes.items() if p in points]
            for command in Speech(self.make.profile).tell("gear", told, None):  # type: ignore[arg-type]
                self.hearing.heard(replace(command, retain=False), self.at + 0.05)
        for point, value in changes.items():
            self.state[point] = value  # type: ignore[index]
        level = float(self.state.get("level", 100.0))  # type: ignore[arg-type]
        lit = level if self.state["switch"] else 0.0
        self.state["watts"] = round(0.4 + 0.6 * lit, 1)
        self.wait(0.2)
        self.say(end.report(self._known(), [p for p in changes if p in points]))  # type: ignore[misc]
        self.wait(0.7)
        self.say(end.report(self._known(), ["watts"]))
        self.noise(3)

    def _known(self) -> dict[Point, Value]:
        return {p: v for p, v in self.state.items() if p in self.make.points}

    def play(self) -> None:
        """It is there, and off; on, off; and a lamp to full, to dark, warm and cold."""
        end = FarEnd(self.make.profile, "gear")
        self.state = {"switch": False, "watts": 0.4, "level": 40.0, "cct": 4000.0}
        will = end.will()
        assert will is not None
        self.say([will], retain=True)
        self.noise(2)
        self.say(end.hello(self._known()))
        self.noise(20)
        self.do("on", switch=True)
        self.do("off", switch=False)
        self.do("on", switch=True)
        if "level" in self.make.points:
            self.do("full", level=100.0)
            self.do("dark", level=0.0)
            self.do("press", level=60.0)
            self.do("warm", cct=2900.0)
            self.do("cold", cct=5600.0)

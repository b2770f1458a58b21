"""The text of a drafted profile: in the order of the smallest example, with comments that teach.

What is written passes `check`: it is read here as a profile is, and what a profile would refuse
(a plug whose way to be told was never learned, a figure that does nothing for such a device) is
left out of what counts and stands there as a comment, with the reason.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from studiobridge.meeting.book import WHY_BY_HAND
from studiobridge.meeting.drafting import NONE, Given, sizes
from studiobridge.meeting.met import Acquaintance
from studiobridge.profile import written
from studiobridge.profile.build import read_profile_text
from studiobridge.profile.model import FIXTURES, HOMIE5, POINTS, Preset
from studiobridge.profile.plain import plain
from studiobridge.profile.quantity import (
    CCT,
    LEVEL,
    format_cct,
    format_level,
    parse_range,
    parse_span,
    parse_whites,
)
from studiobridge.profile.text import ProfileError

START = "a start: change it"
OFFERED = "taken as offered: look at it"
START_LEVEL = 50.0
# A peak, not what it draws: many LED panels of some 50 W are near this (common practice).
USUAL_INRUSH = "10 A"
WIDTH = 100


@dataclass(frozen=True, slots=True)
class Draft:
    """The text, and what a person has to hear of it: what is not in it, and why."""

    text: str
    left_out: tuple[str, ...] = ()


@dataclass(slots=True)
class _Omissions:
    """What a profile refused: whole devices, their speech, single keys; each with the reason."""

    devices: dict[str, str] = field(default_factory=dict)
    speech: dict[str, str] = field(default_factory=dict)
    keys: dict[tuple[str, str], str] = field(default_factory=dict)
    presets: dict[str, str] = field(default_factory=dict)
    other: list[str] = field(default_factory=list)

    def said(self) -> tuple[str, ...]:
        return (
            *(f"{name} is left out: {why}" for name, why in self.devices.items()),
            *(f"{name} speaks nothing yet: {why}" for name, why in self.speech.items()),
            *(f"{name}: '{key}' is left out: {why}" for (name, key), why in self.keys.items()),
            *(f"{name} is in no look: {why}" for name, why in self.presets.items()),
        )


def compose(
    given: Given,
    offered: frozenset[str] = frozenset(),
    reported: Mapping[str, Preset] | None = None,
    source: str = "",
) -> Draft:
    """The draft of what was met and answered. `offered`: keys taken as they were offered.

    `reported`: lights as they say they stand. Raises ValueError where no profile comes of it.
    """
    omit = _Omissions()
    maker = _Maker(given, offered, reported or {}, source, omit)
    # each round takes out at least one thing
    for _ in range(8 * len(given.devices) + 8):
        text, owners = maker.text()
        try:
            read_profile_text(text, "draft")
        except ProfileError as error:
            if not any(
                maker.take_out(owners, problem.line, problem.what) for problem in error.problems
            ):
                raise ValueError(str(error.problems[0])) from None
            continue
        return Draft(text, omit.said())
    raise ValueError("no profile comes of these answers")


# (what it is of, its name, the key); none: a line of the draft's own
_Owner = tuple[str, str, str] | None


class _Maker:
    def __init__(
        self,
        given: Given,
        offered: frozenset[str],
        reported: Mapping[str, Preset],
        source: str,
        omit: _Omissions,
    ) -> None:
        self.given = given
        self.offered = offered
        self.reported = reported
        self.source = source
        self.omit = omit
        self.met = {one.name: one for one in given.met}
        self._lines: list[tuple[str, _Owner]] = []

    def text(self) -> tuple[str, list[_Owner]]:
        self._lines = []
        self._head()
        self._mains()
        self._dialects()
        self._devices()
        self._looks()
        self._room()
        return "\n".join(line for line, _ in self._lines) + "\n", [own for _, own in self._lines]

    def take_out(self, owners: Sequence[_Owner], line: int, why: str) -> bool:
        """Take out what this line is of, the smallest part first. False: it is nothing of ours."""
        owner = owners[line - 1] if 0 < line <= len(owners) else None
        if owner is None:
            return False
        what, name, key = owner
        why = plain(why)
        if what == "look":
            fresh = name not in self.omit.presets
            self.omit.presets[name] = why
            return fresh
        if what == "dialect":
            speaking = [one.name for one in self.given.met if one.speaks == name]
            fresh = any(one not in self.omit.speech for one in speaking)
            self.omit.speech.update(dict.fromkeys(speaking, why))
            return fresh
        one = self.met.get(name)
        if one is not None and key in one.measured and (name, key) not in self.omit.keys:
            self.omit.keys[(name, key)] = why
        elif one is not None and name not in self.omit.speech:
            self.omit.speech[name] = why
        elif name not in self.omit.devices:
            self.omit.devices[name] = why
        else:
            return False
        return True

    # ---- lines ---------------------------------------------------------------------------

    def _say(self, line: str = "", owner: _Owner = None, note: str = "") -> None:
        self._lines.append((f"{line}  # {note}" if note else line, owner))

    def _comment(self, text: str, indent: int = 0) -> None:
        room = " " * indent
        for line in textwrap.wrap(plain(text), WIDTH - indent, break_on_hyphens=False):
            self._say(f"{room}# {line}")

    def _taken(self, *keys: str) -> str:
        """The mark of what nobody said."""
        return OFFERED if any(key in self.offered for key in keys) else ""

    # ---- sections ------------------------------------------------------------------------

    def _head(self) -> None:
        self._say("# yaml-language-server: $schema=profile.schema.json")
        of = f" from {plain(self.source)}" if self.source else ""
        self._comment(
            f"Drafted{of}. It is yours now: `studiobridge check` says what is wrong with it, `plan`"
            " what would happen and when, and `rehearse` plays it without any gear."
        )
        self._comment("Look at every line that ends like one of these:")
        for mark in (OFFERED, START):
            self._say(f"#   # {mark}")
        self._comment(
            "With `studiobridge schema > profile.schema.json` beside this file, an editor completes"
            " and checks while you type."
        )
        self._say("format: 1")
        self._say(f"set: {written.key(self.given.name, name=True)}")
        self._say(f"title: {written.scalar(self.given.get('title') or self.given.name)}")

    def _mains(self) -> None:
        given = self.given
        self._say()
        self._say("mains:")
        self._say(
            f"  voltage: {written.scalar(given.get('voltage'))}", None, self._taken("voltage")
        )
        self._say(f"  frequency: {given.get('frequency')}", None, self._taken("frequency"))
        self._say("  circuits:")
        self._comment("what stands on each breaker: nothing here is ever asked for more", 4)
        for name in given.circuits:
            at = f"circuits.{name}"
            said = {"breaker": given.get(f"{at}.breaker"), "curve": given.get(f"{at}.curve")}
            taken = self._taken(f"{at}.breaker", f"{at}.curve")
            self._say(f"    {written.key(name, True)}: {written.flow(said)}", None, taken)

    def _dialects(self) -> None:
        spoken: dict[str, list[Acquaintance]] = {}
        for one in self.given.met:
            silent = one.name in self.omit.speech or one.name in self.omit.devices
            if one.speaks and one.homie is None and not silent:
                spoken.setdefault(one.speaks, []).append(one)
        if not spoken:
            return
        self._say()
        self._comment("How each make of device speaks, as it was met: topics and words.")
        self._say("dialects:")
        for name, who in spoken.items():
            owner = ("dialect", name, "")
            self._say(f"  {written.key(name, True)}:", owner)
            for point in POINTS:
                halves = [h for h in who[0].halves if h.point == point]
                if not halves:
                    continue
                self._say(f"    {point}:", owner)
                for half in halves:
                    if half.why != WHY_BY_HAND:
                        self._comment(f"{half.ground}: {half.why}", 6)
                    self._say(f"      {half.half}: {written.flow(half.rule)}", owner)
            if who[0].ask:
                self._say(f"    ask: {written.flow(who[0].ask)}", owner)
            if who[0].together:
                yes = who[0].together is True
                together = "yes" if yes else written.flow(list(who[0].together))  # type: ignore[arg-type]
                self._say(f"    together: {together}", owner)

    def _devices(self) -> None:
        self._say()
        self._comment("A plug comes on before what it feeds (`fed_by`), and is cut only after it.")
        self._say("devices:")
        count = 0
        for name in self.given.devices:
            if name in self.omit.devices:
                self._comment(f"{name} is left out: {self.omit.devices[name]}", 2)
                continue
            count += 1
            one = self.met.get(name)
            if one is None:
                self._by_hand(name)
            else:
                self._one_met(name, one)
        if not count:
            raise ValueError("there is nothing in this set: name a plug or a light")

    def _feed(self, name: str) -> tuple[str, str]:
        """What feeds it; a feed that is left out is the circuit instead."""
        feed = self.given.get(f"fed_by.{name}")
        if feed in self.omit.devices:
            return self.given.circuits[0], f"{feed} is left out"
        return feed, self._taken(f"fed_by.{name}")

    def _by_hand(self, name: str) -> None:
        """A strip, or a lamp on a dial: nothing tells it anything and it says nothing."""
        feed, note = self._feed(name)
        owner = ("device", name, "")
        self._say(f"  {written.key(name, True)}:", owner)
        if name in self.given.strips:
            self._say("    kind: plug", owner)
            self._say(f"    fed_by: {written.key(feed, True)}", owner, note)
            self._comment(
                "it says nothing that was heard: it counts as on. Where it can be switched over"
                " MQTT, `studiobridge meet` learns how, and then it says here:",
                4,
            )
            self._say("    # speaks: the-dialect-of-its-make")
            self._say("    # at: its/own/topic")
            return
        self._say("    kind: light", owner)
        self._say(f"    fed_by: {written.key(feed, True)}", owner, note)
        draws = self.given.get(f"draws.{name}", NONE)
        if draws == NONE:
            self._say("    # draws: 15 W   # its watts at full: they count on the circuit")
        else:
            self._say(f"    draws: {written.scalar(draws)}", owner)
        self._comment(
            "turned by hand: `by-hand` and the page guide you. Where a plug that meters feeds it"
            " alone, `proof: watts` with `draws_at:` tells its level by its watts.",
            4,
        )

    def _one_met(self, name: str, one: Acquaintance) -> None:
        kind = self.given.kind_of(one)
        owner = ("device", name, "")
        feed, note = self._feed(name)
        for text in one.missing:
            self._comment(text, 2)
        self._say(f"  {written.key(name, True)}:", owner)
        self._say(f"    kind: {kind}", owner, self._taken(f"kind.{name}"))
        self._say(f"    fed_by: {written.key(feed, True)}", owner, note)
        speaks = HOMIE5 if one.homie is not None else one.speaks
        why = self.omit.speech.get(name)
        if why is not None or not speaks:
            self._comment(f"it speaks nothing yet: {why or 'no word of it is known'}", 4)
            if speaks:
                self._say(f"    # speaks: {written.key(speaks, True)}")
                self._say(f"    # at: {written.scalar(one.homie or one.at)}")
        else:
            self._say(f"    speaks: {written.key(speaks, True)}", owner)
            self._say(f"    at: {written.scalar(one.homie or one.at)}", owner)
            if one.blanks:
                self._say(f"    blanks: {written.flow(dict(one.blanks))}", owner)
        for key, value in one.measured.items():
            if key in ("kind", "fed_by", "speaks", "at", "blanks"):
                continue
            omitted = self.omit.keys.get((name, key))
            line = f"{written.key(key)}: {written.flow(value)}"
            if omitted is not None:
                self._say(f"    # {line}   # {omitted}")
            elif (why is None and speaks) or key not in ("meters", "answers_in"):
                self._say(f"    {line}", ("device", name, key))
        if kind in FIXTURES:
            if "draws" not in one.measured and "draws_at" not in one.measured:
                self._say("    # draws: 50 W   # its watts at full, from its label or its plug")
            if "inrush" not in one.measured:
                self._say(
                    f"    # inrush: {USUAL_INRUSH}   # the peak when it is switched on: usual for a"
                    " panel, not known of this one"
                )

    # ---- the first look ------------------------------------------------------------------

    def _looks(self) -> None:
        presets = {
            name: preset
            for name in self.given.devices
            if name not in self.omit.presets and name not in self.omit.devices
            if (preset := self._preset(name)) is not None
        }
        self._say()
        if not presets:
            self._comment(
                "No look yet: no light here has a level that can be set. `studiobridge look save`"
                " makes one from how the lights stand."
            )
            return
        self._comment(
            "A look: what each light is set to. `studiobridge look save NAME` makes another from"
            " how the lights stand."
        )
        self._say("looks:")
        self._say(f"  {written.key(self.given.get('look') or 'day', True)}:")
        for name, (said, note) in presets.items():
            line = f"    {written.key(name, True)}: {written.flow(said)}"
            self._say(line, ("look", name, ""), note)

    def _preset(self, name: str) -> tuple[dict[str, str], str] | None:
        """What the first look says of a light, and how it comes to that."""
        one = self.met.get(name)
        if one is None:
            if name not in self.given.lamps:
                return None
            return {"level": format_level(START_LEVEL)}, f"by its dial; {START}"
        if self.given.kind_of(one) not in FIXTURES or name in self.omit.speech:
            return None
        reported = self.reported.get(name)
        told = {h.point for h in one.halves if h.half == "tell"}
        if one.homie is not None and not one.halves:
            told |= {"level"}
        if "level" not in told:
            return None
        if reported is not None and reported.level is not None:
            said = {"level": format_level(reported.level)}
            if reported.cct is not None and "cct" in told:
                said["cct"] = format_cct(reported.cct)
            return said, "as it last reported when this was drafted"
        said = {"level": format_level(_within(one.measured.get("level"), START_LEVEL))}
        white = _middle_white(one) if "cct" in told else None
        if white is not None:
            said["cct"] = format_cct(white)
        return said, START

    def _room(self) -> None:
        room = self.given.get("room", NONE)
        if room == NONE:
            return
        depth, width, height = sizes(room)
        self._say()
        self._comment(
            "With where the mark and the lights are (`mark:` here, `place:` at each light) the"
            " light at the mark is reckoned."
        )
        said = {"depth": depth, "width": width, "height": height}
        self._say(f"room: {written.flow(said)}", None, self._taken("room"))


def _within(span: object, level: float) -> float:
    """The level, or the nearest that this light can be set to."""
    try:
        low, high = parse_range(span, LEVEL)
    except ValueError:
        return level
    return min(max(level, low), high)


def _middle_white(one: Acquaintance) -> float | None:
    """The middle (K) of the whites it can be set to, to a round hundred; None: not known."""
    low_high = _whites(one)
    if low_high is None:
        return None
    low, high = min(low_high), max(low_high)
    middle = round((low + high) / 200.0) * 100.0
    return middle if low <= middle <= high else (low + high) / 2.0


def _whites(one: Acquaintance) -> tuple[float, float] | None:
    try:
        return parse_range(one.measured.get("cct"), CCT)
    except ValueError:
        pass
    for which in ("tell", "hear"):
        half = one.half("cct", "tell" if which == "tell" else "hear")
        rule = half.rule if half is not None else {}
        try:
            if "of" in rule:
                first, last, unit = parse_whites(rule["of"])
            elif "span" in rule and rule.get("unit") in ("kelvin", "mired"):
                (first, last), unit = parse_span(rule["span"]), str(rule["unit"])
            else:
                continue
        except ValueError:
            continue
        ends = (1e6 / first, 1e6 / last) if unit == "mired" and first and last else (first, last)
        if all(CCT.low <= end <= CCT.high for end in ends):
            return ends
    return None

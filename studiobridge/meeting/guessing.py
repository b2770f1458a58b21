"""What a value seems to be: hear rules with their ground and one honest sentence why.

Each guess is weighed by what it is called, by what was heard of it and by what a press did to
it; the heaviest goes first, and each point and each value is given once. A ground is never
better than its evidence:

- `seen`: a press changed it, and both words, or both ends, were heard.
- `likely`: the words or the end of the scale were heard themselves, and its name or its company
  says the same.
- `shape`: it may be; something that would settle it was not heard, and the sentence says what.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from studiobridge.meeting.met import Half
from studiobridge.meeting.scales import (
    KELVINS,
    cct_rule,
    level_rule,
    reading_rule,
    watts_rule,
)
from studiobridge.meeting.sights import Sight, moves_with
from studiobridge.meeting.vocabulary import COLOURS, HALTED, NO, RECORDS, WEAK, WILLS, YES
from studiobridge.meeting.worded import worded_half
from studiobridge.profile.model import POINTS, YES_NO, Point, Scalar

# What weighs less than this is not guessed at all.
LEAST = 2.0
# A press that changed a value weighs more than any name.
PRESSED = 4.0
NUMBERS: tuple[Point, ...] = ("level", "cct", "watts", "lux", "temperature", "battery", "card")
WORDS: tuple[Point, ...] = ("online", "rolling", "battery_low", "switch")


@dataclass(slots=True)
class Guessed:
    """What one device says, as far as it is guessed: the values behind each half, and sentences
    about what could not be."""

    halves: list[Half] = field(default_factory=list)
    sights: dict[Point, Sight] = field(default_factory=dict)
    missing: list[str] = field(default_factory=list)
    coloured: bool = False


def guess(sights: list[Sight]) -> Guessed:
    """The hear halves of one device."""
    found = Guessed()
    heard = [sight for sight in sights if not sight.told]
    weighed = [
        (weight, -i, -POINTS.index(point), point, sight)
        for i, sight in enumerate(heard)
        for point, weight in _weights(sight, heard)
        if weight >= LEAST
    ]
    taken: set[int] = set()
    _halts(found, heard, taken)
    for _, _, _, point, sight in sorted(weighed, key=lambda w: w[:3], reverse=True):
        if point in found.sights or id(sight) in taken:
            continue
        half = _half(point, sight, found.missing)
        if half is not None:
            found.sights[point] = sight
            found.halves.append(half)
            taken.add(id(sight))
    _by_company(found, heard, taken)
    _twins(found, heard)
    _colours(found, heard)
    found.halves.sort(key=lambda half: POINTS.index(half.point))
    return found


# ---- how much speaks for it ------------------------------------------------------------------


def _weights(sight: Sight, all_of_it: list[Sight]) -> list[tuple[Point, float]]:
    found: list[tuple[Point, float]] = []
    if sight.two_valued:
        found += [(point, _word_weight(point, sight)) for point in WORDS]
    if sight.numeric and not sight.noise:
        found += [(point, _number_weight(point, sight)) for point in NUMBERS]
    return found


def _word_weight(point: Point, sight: Sight) -> float:
    words = [str(word).lower() for word in sight.words]
    named = sight.named(point)
    known = all(word in YES[point] | NO[point] for word in words)
    # a word in prose is a word in prose, until its neighbours or a press say otherwise
    weak = all(word in WEAK for word in words) or sight.place.around is not None
    if point == "battery_low":
        return named if known else 0.0
    if point == "switch":
        weight = named if named > 1.0 else named / 2.0
        if known:
            weight += 0.5 if weak else 2.0
        elif set(words) & YES[point] and set(words) & NO[point]:
            weight += 1.0  # on, off, and something else
        elif len(words) != 2:
            return 0.0  # words nobody knows, and not two of them
        elif any(word in WILLS | RECORDS for word in words):
            return 0.0
        if sight.answered():
            weight += PRESSED
        if sight.noise:
            weight -= 3.0
        return weight
    if not any(word in YES[point] | NO[point] for word in words):
        return 0.0
    own = WILLS if point == "online" else RECORDS
    sure = any(word in own for word in words)
    if not sure and named < 2.0:
        return 0.0
    kept = 1.0 if point == "online" and sight.kept else 0.0
    return named + (3.0 if sure else 0.0) + kept + (0.5 if known else -1.0)


def _number_weight(point: Point, sight: Sight) -> float:
    named = sight.named(point)
    # of a number the end of its own name counts; a topic that is called light says little
    weight = named if named > 1.0 else named / 2.0
    low, high = sight.low, sight.high
    if point == "level":
        if low < 0 or high > 65535:
            return 0.0
        if sight.answered("full", "dark"):
            return weight + PRESSED
        return weight - (1.0 if sight.two_valued else 0.0)
    if point == "cct":
        if sight.answered("warm", "cold"):
            return weight + PRESSED
        if sight.named("temperature") >= 2.0 and KELVINS[0] <= low and high <= KELVINS[1]:
            weight = max(weight, 2.5)  # a temperature of thousands is a colour's
        return weight if low >= 0 and not sight.two_valued else 0.0
    if point == "watts":
        if low < -1.0 or high > 4_000_000:
            return 0.0
        return weight - (1.0 if sight.two_valued and named < 3.0 else 0.0)
    if named < 2.0:
        return 0.0
    if point == "battery" and not 0 <= low <= high <= 100:
        return 0.0
    if point == "temperature" and not -60 <= low <= high <= 250:
        return 0.0
    return weight


# ---- the halves ------------------------------------------------------------------------------


def _half(point: Point, sight: Sight, missing: list[str]) -> Half | None:
    rule = sight.where()
    if point in YES_NO:
        return worded_half(point, sight, rule, missing)
    if point == "level":
        more, ground, why, todo = level_rule(sight)
    elif point == "cct":
        more, ground, why, todo = cct_rule(sight)
    elif point == "watts":
        more, ground, why, todo = watts_rule(sight)
    else:
        more, ground, why, todo = reading_rule(point, sight)
    if todo:
        missing.append(todo)
    if more is None:
        return None
    return Half(point, "hear", {**rule, **more}, ground, why)


def _halts(found: Guessed, heard: list[Sight], taken: set[int]) -> None:
    """A computer's one topic that says whether it is there, and whether it is down."""
    for sight in heard:
        if sight.numeric or not sight.two_valued:
            continue
        halted = [w for w in sight.words if str(w).lower() in HALTED]
        there = [w for w in sight.words if str(w).lower() in YES["online"]]
        gone = [w for w in sight.words if str(w).lower() in NO["online"]]
        if not halted or not there or len(sight.words) > len(halted + there + gone):
            continue
        why = f"it says '{there[0]}' while it runs and '{halted[0]}' when it is down"
        away: list[Scalar] = [*halted, *gone]
        for point, yes, no in (("online", there, away), ("down", halted, [*there, *gone])):
            words = {"yes": _one_or(yes), "no": _one_or(no)}
            half = Half(point, "hear", {**sight.where(), "words": words}, "likely", why)  # type: ignore[arg-type]
            found.halves.append(half)
            found.sights[half.point] = sight
        taken.add(id(sight))
        return


def _one_or(words: list[Scalar]) -> object:
    return words[0] if len(words) == 1 else words


def _twins(found: Guessed, heard: list[Sight]) -> None:
    """The same thing said of another outlet in the same document."""
    for point, sight in found.sights.items():
        keys = [_unnumbered(part) for part in sight.place.route]
        for other in heard:
            route = other.place.route
            if (
                other is sight
                or other.part.topic is not sight.part.topic
                or route == sight.place.route
            ):
                continue
            if [_unnumbered(part) for part in route] == keys and other not in found.sights.values():
                found.missing.append(
                    f"{other.shown()} says the same of another one: give it a device of its own,"
                    f" with a blank for the number where {point} is heard, like {{n}}"
                )
                break


def _colours(found: Guessed, heard: list[Sight]) -> None:
    """Where a colour is said, by its parts; how it is scaled is more than is guessed here."""
    parts: dict[str, set[str]] = {}
    for sight in heard:
        if sight.numeric and len(sight.own_names) == 1 and sight.place.route:
            parts.setdefault(sight.part.topic.name, set()).add(sight.own_names[0])
    for topic, names in parts.items():
        for colour in COLOURS:
            if colour <= names:
                shown = ", ".join(sorted(colour))
                found.coloured = True
                found.missing.append(
                    f"{topic} seems to say a colour ({shown}): write 'colour:' by hand, as in"
                    " config/dialects.md"
                )
                return


def _unnumbered(part: str | int) -> str:
    """A key without its number: out1 and out2 are alike, and so are two places in a list."""
    return "" if isinstance(part, int) else part.rstrip("0123456789")


# ---- by the company it keeps -----------------------------------------------------------------


def _by_company(found: Guessed, heard: list[Sight], taken: set[int]) -> None:
    """What nothing is called like, by what moves with it."""
    _unknown_words(found, heard, taken)
    switch = found.sights.get("switch")
    if switch is not None and "watts" not in found.sights:
        yes_no = _yes_no_of(found)
        moving = [
            s
            for s in heard
            if id(s) not in taken and s.numeric and not s.noise and s.low >= -1.0
            and s.high <= 4_000_000 and moves_with(s, yes_no, switch.own.turns) == 1
        ]  # fmt: skip
        if moving:
            sight = max(moving, key=lambda s: (s.named("watts"), s.high))
            why = (
                "it rises when the switch goes on and falls when it goes off, as watts do, and its"
                " name does not say it; hold it against what is written on the lamp"
            )
            more = watts_rule(sight)[0] or {}
            found.halves.append(Half("watts", "hear", {**sight.where(), **more}, "shape", why))
            found.sights["watts"] = sight
            taken.add(id(sight))
    if "level" not in found.sights:
        pressed = [
            s
            for s in heard
            if id(s) not in taken and s.numeric and not s.noise and not s.two_valued
            and s.answered() and s.low >= 0 and s.high <= 65535
        ]  # fmt: skip
        if len(pressed) == 1 and "watts" in found.sights:
            half = _half("level", pressed[0], found.missing)
            if half is not None:
                why = f"a press moved it, and its name does not say what it is; {half.why}"
                found.halves.append(Half("level", "hear", half.rule, "shape", why))
                found.sights["level"] = pressed[0]
                taken.add(id(pressed[0]))


def _yes_no_of(found: Guessed) -> dict[str, bool]:
    """What its words mean, as the half that was guessed says."""
    rule = next((h.rule for h in found.halves if h.point == "switch"), {})
    words = rule.get("words")
    if not isinstance(words, Mapping):
        return {"true": True, "false": False}
    known = {}
    for which, spelt in words.items():
        for word in spelt if isinstance(spelt, list) else [spelt]:
            known[str(word).lower()] = which == "on"
    return known


def _unknown_words(found: Guessed, heard: list[Sight], taken: set[int]) -> None:
    """Two words nobody knows, told apart by the watts that go with them."""
    if "switch" in found.sights:
        return
    for sight in heard:
        words = sight.words
        if id(sight) in taken or not sight.two_valued or sight.numeric or len(words) != 2:
            continue
        small = [str(word).lower() for word in words]
        if any(word in YES["online"] | NO["online"] | RECORDS for word in small):
            continue
        for number in heard:
            if not number.numeric or number.noise or number is sight:
                continue
            goes = moves_with(number, {small[0]: True, small[1]: False}, sight.own.turns)
            if not goes:
                continue
            yes, no = (words[0], words[1]) if goes == 1 else (words[1], words[0])
            rule = {**sight.where(), "words": {"on": yes, "off": no}}
            why = f"{number.shown()} is high while it says '{yes}', and low while it says '{no}'"
            found.halves.append(Half("switch", "hear", rule, "likely", why))
            found.sights["switch"] = sight
            found.missing[:] = [m for m in found.missing if not m.startswith(sight.shown())]
            taken.add(id(sight))
            return

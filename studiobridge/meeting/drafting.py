"""A profile drafted from what was met: the questions that are left, and what was answered.

Questions are data. Whoever asks shows `text` and `why`, offers `offered` and takes an answer
through `check`; the next question follows from the answers so far. An answer is text under a key
with dots (`circuits.wall.breaker`), so that a file, an option and a person say the same. What was
only offered and taken is told apart from what somebody said: the draft marks it.

The text of the draft is made in composing.py.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from studiobridge.meeting.met import Acquaintance
from studiobridge.profile import quantity
from studiobridge.profile.manners import BATTERY
from studiobridge.profile.model import FIXTURES, KINDS, Kind
from studiobridge.profile.names import NAME
from studiobridge.profile.plain import plain

# Names that a profile keeps for itself.
RESERVED = frozenset({"title", "from", "whites", "wants", "mark", BATTERY})
NONE = "none"
LONGEST_ANSWER = 2000
CURVES = ("B", "C", "D")

# What comes out of the wall, by time zone: (V, Hz). From memory of the world plugs list of IEC;
# offered, never assumed. A zone whose country has both of something is not here, or only in part.
_ZONES: Mapping[str, tuple[str, str]] = {
    "Europe": ("230 V", "50 Hz"),
    "Africa": ("230 V", "50 Hz"),
    "Africa/Monrovia": ("", ""),
    "Australia": ("230 V", "50 Hz"),
    "Pacific/Auckland": ("230 V", "50 Hz"),
    "Pacific/Honolulu": ("120 V", "60 Hz"),
    "US": ("120 V", "60 Hz"),
    "Canada": ("120 V", "60 Hz"),
    "Asia/Tokyo": ("100 V", ""),  # 50 Hz in the east of Japan, 60 Hz in the west
    "Asia/Seoul": ("220 V", "60 Hz"),
    "Asia/Taipei": ("110 V", "60 Hz"),
    "Asia/Manila": ("220 V", "60 Hz"),
    "Asia/Shanghai": ("220 V", "50 Hz"),
    "Asia/Hong_Kong": ("220 V", "50 Hz"),
    "Asia/Singapore": ("230 V", "50 Hz"),
    "Asia/Kolkata": ("230 V", "50 Hz"),
    "Asia/Calcutta": ("230 V", "50 Hz"),
    "Asia/Bangkok": ("230 V", "50 Hz"),
    "Asia/Jakarta": ("230 V", "50 Hz"),
    "Asia/Dubai": ("230 V", "50 Hz"),
    "Asia/Jerusalem": ("230 V", "50 Hz"),
    "America/New_York": ("120 V", "60 Hz"),
    "America/Chicago": ("120 V", "60 Hz"),
    "America/Denver": ("120 V", "60 Hz"),
    "America/Phoenix": ("120 V", "60 Hz"),
    "America/Los_Angeles": ("120 V", "60 Hz"),
    "America/Anchorage": ("120 V", "60 Hz"),
    "America/Toronto": ("120 V", "60 Hz"),
    "America/Vancouver": ("120 V", "60 Hz"),
    "America/Halifax": ("120 V", "60 Hz"),
    "America/Winnipeg": ("120 V", "60 Hz"),
    "America/Edmonton": ("120 V", "60 Hz"),
    "America/Mexico_City": ("127 V", "60 Hz"),
    "America/Bogota": ("120 V", "60 Hz"),
    "America/Sao_Paulo": ("", "60 Hz"),  # 127 or 220 V, by the town
    "America/Lima": ("220 V", "60 Hz"),
    "America/Santiago": ("220 V", "50 Hz"),
    "America/Argentina/Buenos_Aires": ("220 V", "50 Hz"),
    "America/Buenos_Aires": ("220 V", "50 Hz"),
}
# The same by the country of the locale, where the zone does not say.
_COUNTRIES: Mapping[str, tuple[str, str]] = {
    **dict.fromkeys(("US", "CA"), ("120 V", "60 Hz")),
    **dict.fromkeys(("AT", "AU", "BE", "CH", "CZ", "DE", "DK", "ES", "FI"), ("230 V", "50 Hz")),
    **dict.fromkeys(("FR", "GB", "GR", "HU", "IE", "IN", "IT", "NL", "NO"), ("230 V", "50 Hz")),
    **dict.fromkeys(("NZ", "PL", "PT", "RO", "SE", "ZA"), ("230 V", "50 Hz")),
    "JP": ("100 V", ""),
    "KR": ("220 V", "60 Hz"),
    "CN": ("220 V", "50 Hz"),
}
# The smallest usual breaker: what is offered must not promise more than there is.
_SMALL_BREAKER = {True: "15 A", False: "10 A"}


@dataclass(frozen=True, slots=True)
class Question:
    """One question. `offered` is what is taken where nothing else is said; None: it must be said.

    `choices`: one of these, where it is a choice.
    """

    key: str
    text: str
    why: str
    offered: str | None = None
    choices: tuple[str, ...] = ()
    example: str = ""


@dataclass(frozen=True, slots=True)
class Given:
    """What is known before anything is asked: the name of the set, what was met, where we are."""

    name: str
    met: Sequence[Acquaintance] = ()
    zone: str | None = None
    country: str | None = None
    answers: Mapping[str, str] = field(default_factory=dict)

    def get(self, key: str, otherwise: str = "") -> str:
        return self.answers.get(key, otherwise)

    @property
    def circuits(self) -> tuple[str, ...]:
        return names_of(self.get("circuits"))

    @property
    def strips(self) -> tuple[str, ...]:
        """Plugs and strips that say nothing."""
        return names_of(self.get("plugs"))

    @property
    def lamps(self) -> tuple[str, ...]:
        """Lights that only a hand can turn."""
        return names_of(self.get("lamps"))

    def kind_of(self, one: Acquaintance) -> Kind | None:
        said = self.get(f"kind.{one.name}")
        return next((kind for kind in KINDS if kind == said), one.kind)

    @property
    def plugs(self) -> tuple[str, ...]:
        met = tuple(one.name for one in self.met if self.kind_of(one) == "plug")
        return (*met, *self.strips)

    @property
    def devices(self) -> tuple[str, ...]:
        """Everything the draft will hold, in its order: plugs first."""
        others = tuple(one.name for one in self.met if self.kind_of(one) != "plug")
        return (*self.plugs, *others, *self.lamps)


def names_of(text: str) -> tuple[str, ...]:
    """`left, right and rim` as names; `none` is none."""
    if text.strip() in ("", NONE):
        return ()
    return tuple(dict.fromkeys(part.strip() for part in text.split(",") if part.strip()))


def mains_of(zone: str | None, country: str | None = None) -> tuple[str | None, str | None]:
    """What probably comes out of the wall there: voltage and frequency, or None.

    `zone`: the time zone; `country`: of the locale (two letters), where the zone does not say.
    """
    zone = zone or ""
    found = _ZONES.get(zone) or _ZONES.get(zone.split("/")[0])
    found = found or _COUNTRIES.get(country or "") or ("", "")
    return found[0] or None, found[1] or None


def next_question(given: Given) -> Question | None:
    """The first question that has no answer yet; None when all have."""
    return next((q for q in questions(given) if q.key not in given.answers), None)


def questions(given: Given) -> Iterable[Question]:
    """The questions in their order, as far as the answers so far let them be known."""
    yield Question(
        "title",
        "What is this set called?",
        "It stands over the sheet and on the page.",
        given.name.replace("-", " ").capitalize(),
    )
    yield from _about_mains(given)
    for one in given.met:
        if one.kind is None:
            yield Question(
                f"kind.{one.name}",
                f"What is {one.name} (it speaks at {plain(one.at) or 'its own place'})?",
                "The kind decides when it is switched and what it must say before it is ready.",
                _kind_by_points(one),
                KINDS,
            )
    yield Question(
        "plugs",
        "Which plugs or strips hang here that say nothing (or were not met yet)?",
        "What feeds a device is switched before it, and counts on its circuit.",
        NONE,
        example="desk-strip, wall-plug",
    )
    yield Question(
        "lamps",
        "Which lights can only be turned by hand?",
        "A look names them too: a person sets the dial and says so, or the watts do.",
        NONE,
        example="rim, table-lamp",
    )
    yield from _about_feeds(given)
    for name in given.lamps:
        yield Question(
            f"draws.{name}",
            f"How many watts does {name} take at full?",
            "It counts on the circuit, and a plug that meters can tell its level by it.",
            NONE,
            example="15 W",
        )
    yield Question(
        "room",
        "How large is the room: depth x width x height?",
        "Distances give the light at the mark and the depth the set takes; it may be left out.",
        NONE,
        example="3.2 m x 2.6 m x 2.4 m",
    )
    if any(True for _ in lights_of(given)):
        yield Question(
            "look",
            "What is the first look called?",
            "`up` brings the lights to a look; this one is a start.",
            "day",
        )


def _about_mains(given: Given) -> Iterable[Question]:
    voltage, frequency = mains_of(given.zone, given.country)
    where = plain(given.zone or given.country or "")
    by_zone = f" (usual in {where})" if voltage or frequency else ""
    yield Question(
        "voltage",
        f"What is the voltage of the mains{by_zone}?",
        "Amperes on a breaker come of watts and volts.",
        voltage,
        example="230 V",
    )
    yield Question(
        "frequency",
        f"And its frequency{by_zone}?",
        "Lights that follow the mains beat with shutters that do not.",
        frequency,
        ("50 Hz", "60 Hz"),
    )
    yield Question(
        "circuits",
        "Which circuits (breakers) does the set hang on?",
        "No circuit is ever asked for more than it can give.",
        "wall",
        example="wall, bench",
    )
    try:
        american = quantity.parse(given.get("voltage"), quantity.VOLTAGE) < 150.0
    except ValueError:
        american = False
    for name in given.circuits:
        yield Question(
            f"circuits.{name}.breaker",
            f"What is the rating of the breaker of '{name}'?",
            "It stands on the breaker, often with the curve before it: B16 is 16 A, curve B.",
            _SMALL_BREAKER[american],
            example="16 A",
        )
        yield Question(
            f"circuits.{name}.curve",
            f"And its trip curve ('{name}')?",
            "It says which inrush trips it; B trips first, so it is the careful one where nobody"
            " knows.",
            "B",
            CURVES,
        )


def _about_feeds(given: Given) -> Iterable[Question]:
    for name in given.devices:
        choices = feeds_for(given, name)
        yield Question(
            f"fed_by.{name}",
            f"What does {name} hang on?",
            _why_fed(given, name),
            _feed_offered(given, name, choices),
            choices,
        )


def _why_fed(given: Given, name: str) -> str:
    kinds = {one.name: given.kind_of(one) for one in given.met}
    if name in given.plugs:
        return "It decides which breaker carries what hangs on this plug."
    if kinds.get(name) in ("amp", "audio"):
        return (
            "Amps come on after every sound source and go off before it, so no plug can feed both:"
            " give the amp one of its own."
        )
    return "A plug comes on before what it feeds, and is cut only after it."


def feeds_for(given: Given, name: str) -> tuple[str, ...]:
    """What this device can hang on: a circuit, or a plug that does not hang on it itself."""
    found = list(given.circuits)
    for plug in given.plugs:
        trail, at = {name}, plug
        while at in given.plugs and at not in trail:
            trail.add(at)
            at = given.get(f"fed_by.{at}")
        if plug != name and at != name and at not in trail and not _out_of_order(given, name, plug):
            found.append(plug)
    return (*found, BATTERY) if name not in given.plugs else tuple(found)


def _out_of_order(given: Given, name: str, plug: str) -> bool:
    """Would one plug switch an amp together with a sound source? Amps come on last, off first."""
    kinds = {one.name: given.kind_of(one) for one in given.met}
    met = [one.name for one in given.met if kinds[one.name] == "plug"]

    def line(feed: str) -> list[str]:
        """The plugs that could be switched above a feed, nearest first."""
        found: list[str] = []
        while feed in given.plugs and feed not in found:
            found.append(feed)
            feed = given.get(f"fed_by.{feed}")
        return [one for one in found if one in met]

    def of(kind: str) -> list[list[str]]:
        return [line(given.get(f"fed_by.{other}")) for other, k in kinds.items() if k == kind]

    above = line(plug)
    if kinds.get(name) == "amp":
        return bool(above) and any(above[0] in source for source in of("audio"))
    if kinds.get(name) == "audio":
        return any(amp[0] in above for amp in of("amp") if amp)
    return False


def _feed_offered(given: Given, name: str, choices: Sequence[str]) -> str | None:
    """The plug that is called like it, else the first circuit."""
    if name not in given.plugs:
        words = set(name.split("-"))
        for plug in given.plugs:
            if plug in choices and words & (set(plug.split("-")) - {"plug", "strip", "socket"}):
                return plug
    return choices[0] if choices else None


def _kind_by_points(one: Acquaintance) -> str | None:
    points = {half.point for half in one.halves}
    for point, kind in (
        ("level", "light"),
        ("cct", "light"),
        ("rolling", "camera"),
        ("shut_down", "computer"),
        ("lux", "sensor"),
        ("switch", "plug"),
    ):
        if point in points:
            return kind
    return None


def lights_of(given: Given) -> Iterable[str]:
    """Lights that a look can set: those met that are lights, and those on dials."""
    for one in given.met:
        if given.kind_of(one) in FIXTURES:
            yield one.name
    yield from given.lamps


# ---- an answer -------------------------------------------------------------------------------


def check(question: Question, text: str, given: Given) -> str:
    """The answer as it is kept. Raises ValueError with what to say instead."""
    answer = text.strip()
    if not answer and question.offered is not None:
        answer = question.offered
    if not answer:
        raise ValueError("this has to be answered" + _like(question))
    if len(answer) > LONGEST_ANSWER or not answer.isprintable():
        raise ValueError("this is too long, or has control characters in it")
    if question.choices:
        return _choice(question, answer)
    topic, _, last = question.key.rpartition(".")
    if question.key in ("circuits", "plugs", "lamps"):
        return _names(question, answer, given)
    if question.key == "voltage":
        quantity.parse(answer, quantity.VOLTAGE)
    elif last == "breaker":
        answer = re.sub(r"\A[BCDbcd]\s*([0-9.]+)\s*A?\Z", r"\1 A", answer)
        if re.match(r"[0-9.]+\Z", answer):
            answer += " A"
        if quantity.parse(answer, quantity.CURRENT) <= 0:
            raise ValueError("a breaker is above 0 A")
    elif topic == "draws" and answer != NONE:
        quantity.parse(answer, quantity.POWER)
    elif question.key == "room" and answer != NONE:
        sizes(answer)
    elif question.key == "look":
        _name(answer)
    elif question.key == "title" and len(answer) > 200:
        raise ValueError("a title has up to 200 characters")
    return answer


def sizes(text: str) -> tuple[str, str, str]:
    """`3.2 m x 2.6 m x 2.4 m` as depth, width and height. Raises ValueError."""
    parts = [part.strip() for part in re.split(r"\s*[x×*,]\s*", text)]
    if len(parts) != 3:
        raise ValueError("say depth x width x height, like 3.2 m x 2.6 m x 2.4 m, or none")
    for part in parts:
        quantity.parse(part, quantity.SIZE)
    return parts[0], parts[1], parts[2]


def _choice(question: Question, answer: str) -> str:
    for choice in question.choices:
        if answer.casefold() == choice.casefold() or answer == choice.split(" ")[0]:
            return choice
    raise ValueError(f"'{plain(answer)[:40]}' is none of {', '.join(question.choices)}")


def _name(name: str) -> str:
    if not NAME.match(name) or name in RESERVED:
        raise ValueError(f"'{plain(name)[:40]}' is not a name; use a-z, 0-9 and hyphens")
    return name


def _names(question: Question, answer: str, given: Given) -> str:
    names = names_of(answer)
    if not names and question.key == "circuits":
        raise ValueError("a set hangs on one circuit at least" + _like(question))
    others = {
        "circuits": {one.name for one in given.met},
        "plugs": {*given.circuits, *(one.name for one in given.met)},
        "lamps": {*given.circuits, *given.strips, *(one.name for one in given.met)},
    }[question.key]
    for name in names:
        _name(name)
        if name in others:
            raise ValueError(f"something is called '{name}' already")
    return ", ".join(names) or NONE


def _like(question: Question) -> str:
    return f", like {question.example}" if question.example else ""


def flat(tree: Mapping[str, object], above: str = "") -> dict[str, str]:
    """Answers from a file: keys within keys become keys with dots, a list becomes its words."""
    found: dict[str, str] = {}
    for key, value in tree.items():
        path = f"{above}.{key}" if above else str(key)
        if isinstance(value, Mapping):
            found |= flat(value, path)
            if path == "circuits":
                found.setdefault(path, ", ".join(str(name) for name in value))
        elif isinstance(value, list):
            found[path] = ", ".join(str(part) for part in value) or NONE
        elif value is not None:
            found[path] = str(value)
    return found

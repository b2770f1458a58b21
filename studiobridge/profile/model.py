"""What a set profile says, resolved and checked: frozen values for the rest of the house.

Units are fixed here and nowhere converted again: level in percent (0-100) as set on the
fixture, CCT in kelvin, time in seconds, power in watts, current in amperes, voltage in
volts, length in metres.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from dataclasses import field as made
from fractions import Fraction
from types import MappingProxyType
from typing import Literal, get_args

from studiobridge.craft.chroma import Colour, Form
from studiobridge.craft.light import LINEAR, Dimmer

Kind = Literal[
    "plug",
    "light",
    "backdrop",
    "computer",
    "camera",
    "display",
    "audio",
    "amp",
    "charger",
    "network",
    "sensor",
]
KINDS: tuple[Kind, ...] = get_args(Kind)
FIXTURES: frozenset[str] = frozenset({"light", "backdrop"})
# Told quiet: how long (s) it stays off where nobody says otherwise, and the most that any profile
# may say. A closed fridge keeps its cold for about four hours (USDA, food safety in an outage, from
# memory); an hour leaves it far from that.
QUIET_FOR, LONGEST_QUIET = 3600.0, 4 * 3600.0
# A compressor that is switched on again before its pressures are even stalls or trips: three
# minutes are what thermostats and delay timers keep (common practice).
QUIET_RESTS = 180.0

# What can be told to a device or heard from it. `shut_down` is only told; switch, level, cct and
# colour go both ways (of a sensor cct is heard); all others are only heard.
Point = Literal[
    "switch",
    "level",
    "cct",
    "colour",
    "watts",
    "rolling",
    "online",
    "down",
    "shut_down",
    "lux",
    "temperature",
    "battery",
    "battery_low",
    "card",
]
POINTS: tuple[Point, ...] = get_args(Point)
TOLD: frozenset[str] = frozenset({"switch", "level", "cct", "colour", "shut_down"})
# What a look sets of a fixture.
LIGHT: tuple[Point, ...] = ("level", "cct", "colour")
YES_NO: frozenset[str] = frozenset({"switch", "rolling", "online", "down", "battery_low"})
# What runs out, or runs hot: heard of any device, held against what its profile warns of
SUPPLIES: tuple[Point, ...] = ("battery", "battery_low", "card", "temperature")

# a value as it stands in a payload
Scalar = str | int | float | bool
# bool for the yes/no points; float for level (%), cct (K), watts (W), lux (lx), temperature (°C),
# battery (%) and card (minutes left); a chromaticity for colour. A fixture that is either white
# or coloured has its colour as the value of its cct while it is coloured, and its white (K) as
# the value of its colour while it is white.
Value = bool | float | Colour


def figure(value: Value) -> float:
    """The number of a level, a white or watts. Raises TypeError for a colour, which is none."""
    if isinstance(value, Colour):
        raise TypeError(f"{value} is not a number")
    return float(value)


# How a device is known to be as asked where it cannot report it: by the watts of the plug that
# feeds it, by a sensor or the picture, by a person's word, or not at all (`none`: only told).
ProvenBy = Literal["report", "watts", "picture", "hand", "none"]

Role = Literal["key", "fill", "rim", "wash", "practical"]
Unit = Literal[
    "percent",
    "fraction",
    "kelvin",
    "mired",
    "watt",
    "milliwatt",
    "kilowatt",
    "lux",
    "footcandle",
    "celsius",
    "fahrenheit",
    "second",
    "minute",
    "hour",
]
FadeUnit = Literal["s", "ms", "ds"]
# What a light does by itself when its mains come: what it was set to last, full, the preset stored
# in it, or nothing until somebody switches it on. A plug: as it was last, or it stays off.
ComesBack = Literal["last", "full", "preset", "dark", "off"]
# Who can know whether a camera rolls: it says so itself, the watts of its plug, or a person.
RollsBy = Literal["report", "watts", "hand"]

HOMIE5 = "homie5"
# Below here Homie 5 devices are; a set that shows itself has one node of this name; and this is
# the word there for being in no look.
HOMIE_ROOT = "homie/5"
OWN_NODE = "studiobridge"
NO_LOOK = "none"
# ANSI E1.31: fixtures that listen for slots on a universe and never answer
E131 = "e131"


@dataclass(frozen=True, slots=True)
class Preset:
    """One fixture's level (%), and its CCT (K) or its colour; None where the look leaves it alone.

    It is white or coloured, never both.
    """

    level: float | None = None
    cct: float | None = None
    colour: Colour | None = None


@dataclass(frozen=True, slots=True)
class Wants:
    """What a look is for, in the picture's terms; None where it says nothing of it.

    `aperture` is an f-number at the picture's ISO and shutter, `lux` the light on the face
    instead (not both). `ratio` is key over fill. `backdrop` is what the camera sees of it over a
    grey card in the light on the face, `rim` a rim light on the head over the key: both in stops.
    `white` in K.
    """

    aperture: float | None = None
    lux: float | None = None
    ratio: float | None = None
    backdrop: float | None = None
    rim: float | None = None
    white: float | None = None


@dataclass(frozen=True, slots=True)
class Look:
    name: str
    presets: Mapping[str, Preset]
    title: str = ""
    # its whites differ on purpose: no warning about it
    whites_meant: bool = False
    wants: Wants = Wants()


@dataclass(frozen=True, slots=True)
class Circuit:
    """A mains circuit: its breaker (A), trip curve and the gap between two switch-ons (s)."""

    name: str
    breaker: float
    curve: Literal["B", "C", "D"]
    gap: float
    # does the profile say its curve, or is it taken for granted?
    curve_said: bool = True
    # where its breaker is, for who has to find it in a hurry
    where: str = ""


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a report may be from its preset: level in stops of light, CCT in mired, colour in
    CIE 1976 Δu′v′.

    A circle of 0.0011 Δu′v′ is about a one-step MacAdam ellipse (CIE TN 001, from memory), and
    some four or five of those are just noticed beside each other: hence 0.005.
    """

    level: float = 0.1
    cct: float = 8.0
    settle: float = 2.0
    colour: float = 0.005


@dataclass(frozen=True, slots=True)
class Place:
    """Where something stands (m): out from the back wall, across the room, above the floor.

    Across is 0 on the line from the middle of the back wall, negative to the left as the
    camera sees it. `aim` is what it points at: "mark", or the name of a device.
    """

    from_back: float
    across: float
    height: float
    aim: str | None = None


@dataclass(frozen=True, slots=True)
class Output:
    """What a fixture gives on its axis at full: `lux` at `at` metres."""

    lux: float
    at: float


@dataclass(frozen=True, slots=True)
class Lead:
    """An extension lead: its length (m) and either its section (mm²) or its gauge (AWG)."""

    length: float
    square_mm: float | None = None
    awg: int | None = None


# What an aim and a station call the point where the subject is.
MARK = "mark"


@dataclass(frozen=True, slots=True)
class Variation:
    """Another way to use the room's depth: some links of the chain at another depth (m)."""

    name: str
    title: str
    links: Mapping[str, Fraction]


@dataclass(frozen=True, slots=True)
class Room:
    """The room's inside (m), the mark where the subject is, and the depth it all takes.

    `chain` goes from the back wall to the rear of the camera rig, exact lengths in metres.
    `stations`: of the mark and of devices the link at whose end each stands.
    """

    depth: Fraction | None = None
    width: float | None = None
    height: float | None = None
    mark: Place | None = None
    chain: Mapping[str, Fraction] = field(default_factory=lambda: MappingProxyType({}))
    variations: tuple[Variation, ...] = ()
    stations: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))


@dataclass(frozen=True, slots=True)
class PictureTolerance:
    """How far the picture may move, whatever each fixture may: None where not held.

    `face` and `ratio` in stops, `white` in mired, `duv` in Duv (ANSI C78.377).
    """

    face: float | None = None
    ratio: float | None = None
    white: float | None = None
    duv: float | None = None

    @property
    def held(self) -> bool:
        return (self.face, self.ratio, self.white, self.duv) != (None, None, None, None)


Fits = Literal["head-and-shoulders", "half-length", "full-length"]


@dataclass(frozen=True, slots=True)
class Picture:
    """The camera's side of the light: lens, exposure, white balance, what it has to show.

    Focal length and sensor in mm, `aspect` of the picture is its width over its height where it
    is not the sensor's own; shutter in s, frames per second, white in K and Duv. `transmission`
    is how much of the light the lens lets through (0-1); None: not given. `constant` is
    the incident meter's (ISO 2720), `receptor` what it holds to the light. `daylight`: whites
    from 5000 K up lie on the CIE daylight locus, from 4000 K on the way to it. `whites_within`:
    mired two fixtures of a look may differ before `check` says so.
    """

    camera: str | None = None
    focal: float | None = None
    sensor: tuple[float, float] | None = None
    aspect: float | None = None
    frames: float | None = None
    shutter: float | None = None
    iso: float | None = None
    aperture: float | None = None
    transmission: float | None = None
    white: float | None = None
    duv: float = 0.0
    constant: float = 250.0
    receptor: Literal["flat", "dome"] = "flat"
    daylight: bool = False
    whites_within: float = 15.0
    fits: Fits | None = None
    hold: PictureTolerance = PictureTolerance()


@dataclass(frozen=True, slots=True)
class MeterReading:
    """What an incident meter said (lx) with some lights on, and where it was held.

    `at` is "face" or the name of a backdrop (its middle). `on` are the lights that were lit, each
    with its preset; every other light was dark.
    """

    lux: float
    at: str
    on: Mapping[str, Preset]
    look: str | None = None


@dataclass(frozen=True, slots=True)
class Price:
    """What energy costs: an amount per kWh, in a currency as it is written."""

    per_kwh: float
    currency: str


@dataclass(frozen=True, slots=True)
class Words:
    """How a dialect spells yes and no (on and off). Scalars as they stand in the payload.

    `yes` and `no` are what is told; those in `more_yes` and `more_no` are heard as the same.
    """

    yes: Scalar
    no: Scalar
    more_yes: tuple[Scalar, ...] = ()
    more_no: tuple[Scalar, ...] = ()

    @property
    def all_yes(self) -> tuple[Scalar, ...]:
        return (self.yes, *self.more_yes)

    @property
    def all_no(self) -> tuple[Scalar, ...]:
        return (self.no, *self.more_no)


@dataclass(frozen=True, slots=True)
class Span:
    """The numbers a dialect uses from lowest to highest value, both included.

    `low` is the larger number where a scale runs the other way round (`255..0`).
    """

    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ColourForm:
    """How a dialect spells a colour: in which parts, and the numbers each of them uses.

    `fields` (of a hear) are the places of the parts in a JSON payload, in the same order.
    """

    form: Form
    spans: tuple[Span, ...]
    fields: tuple[str | tuple[str | int, ...], ...] | None = None


@dataclass(frozen=True, slots=True)
class Of:
    """The whites at the two ends of a span, and the unit in which it is linear between them."""

    low: float
    high: float
    unit: Literal["kelvin", "mired"]


@dataclass(frozen=True, slots=True)
class TellMap:
    """How one point is told. Exactly one of `payload` and `json` is used.

    Places: `{value}` (this point), `{fade}` (in `fade_unit`) where the device knows how to fade,
    and other points by their names: those are filled with what is held. `{at}` and the device's
    own blanks stand wherever text does, also in topics and keys.
    """

    topic: str
    payload: str | None = "{value}"
    json: object | None = None
    words: Words | None = None
    span: Span | None = None
    unit: Unit | None = None
    fade_unit: FadeUnit | None = None
    qos: int = 1
    retain: bool = False
    of: Of | None = None
    # the steps of what can be told: percent of a level, kelvin or mired of a CCT; 0: none
    step: float = 0.0
    # of a colour: its parts have places of their own, like {hue}, instead of {value}
    colour: ColourForm | None = None


@dataclass(frozen=True, slots=True)
class HearMap:
    """How one point is heard.

    `field`: where it is in a JSON payload, dotted or key by key. `pattern`: the text around it,
    with places as in a told payload and `{any}` for what is of no interest. `where`: the message
    is about this point only when these fields hold these values.
    """

    topic: str
    field: str | tuple[str | int, ...] | None = None
    words: Words | None = None
    span: Span | None = None
    unit: Unit | None = None
    qos: int = 1
    pattern: str | None = None
    where: Mapping[str, Scalar] = made(default_factory=lambda: MappingProxyType({}))
    of: Of | None = None
    step: float = 0.0
    # what a number heard is multiplied by to come to the unit of its point
    scale: float = 1.0
    # of a colour: how its parts are spelt, and where they are in a document
    colour: ColourForm | None = None


@dataclass(frozen=True, slots=True)
class AskMap:
    """What to publish so that the device reports; `every`: also by the clock (s)."""

    topic: str
    payload: str = ""
    qos: int = 1
    every: float | None = None


@dataclass(frozen=True, slots=True)
class Dialect:
    name: str
    tell: Mapping[Point, TellMap]
    hear: Mapping[Point, HearMap]
    ask: AskMap | tuple[AskMap, ...] | None = None
    # points that a device takes only when all of them are in the message
    together: tuple[frozenset[Point], ...] = ()

    @property
    def asks(self) -> tuple[AskMap, ...]:
        """All that is published to have a device report."""
        if self.ask is None:
            return ()
        return self.ask if isinstance(self.ask, tuple) else (self.ask,)

    @property
    def either(self) -> bool:
        """Does a message say of itself whether it is about the white or about the colour?"""
        if not {"cct", "colour"} <= set(self.hear):
            return False
        white, coloured = self.hear["cct"].where, self.hear["colour"].where
        return any(coloured.get(place, word) != word for place, word in white.items())


@dataclass(frozen=True, slots=True)
class Warn:
    """From where a supply is worth a word: battery (%) and card (min) at or below, heat (°C) at
    or above. None where the profile does not say."""

    battery: float | None = None
    card: float | None = None
    temperature: float | None = None


@dataclass(frozen=True, slots=True)
class Universe:
    """A universe of ANSI E1.31 (1 to 63999): where its frames go, and with what priority (0-200).

    `to` are IPv4 addresses; none: by multicast, to whoever listens for this universe.
    """

    number: int
    to: tuple[str, ...] = ()
    priority: int = 100


@dataclass(frozen=True, slots=True)
class Slots:
    """What a fixture listens for: slots of one universe, counted from 1 at its own `first`.

    The level in the slot is the level as set on the fixture: 50 % is half of the slot's numbers,
    in a straight line. What light the fixture makes of it is its `dimmer`, as with any light.
    Each `fine` slot is the lower byte of a number of 16 bits. `keep` are slots that always have
    the same value (0-255). Every other slot up to the last one used is sent as 0.
    """

    universe: int
    first: int
    level: int
    level_fine: int | None = None
    cct: int | None = None
    cct_fine: int | None = None
    cct_span: Span | None = None
    keep: Mapping[int, int] = field(default_factory=lambda: MappingProxyType({}))

    @property
    def count(self) -> int:
        """How many slots it takes, from its first to the last one used."""
        used = (self.level, self.level_fine, self.cct, self.cct_fine, *self.keep)
        return max(slot for slot in used if slot is not None)


@dataclass(frozen=True, slots=True)
class Rolls:
    """How it is known that a camera rolls; `threshold` (W) where it is by the watts it takes."""

    by: RollsBy
    threshold: float = 0.0


@dataclass(frozen=True, slots=True)
class ToldQuiet:
    """Off during takes only: when it is told so, how long at most (s), and its rest (s).

    It has been off for its `rests` before it has power again, whoever asks.
    """

    when: Literal["asked", "rolling"] = "asked"
    lasts: float = QUIET_FOR
    rests: float = QUIET_RESTS


@dataclass(frozen=True, slots=True)
class Device:
    """One device of the set. Names are resolved: every name here exists in the profile."""

    name: str
    kind: Kind
    title: str = ""
    # the feed: a device or a circuit; None when on battery
    fed_by: str | None = None
    battery: bool = False
    # every device upstream, nearest first, and the circuit at the root (None on battery)
    feeds: tuple[str, ...] = ()
    circuit: str | None = None
    # what it speaks: the name of a dialect of the profile, "homie5" or "e131"; None when nothing
    speaks: str | None = None
    at: str = ""
    blanks: Mapping[str, Scalar] = field(default_factory=lambda: MappingProxyType({}))
    properties: Mapping[str, str] = field(default_factory=lambda: MappingProxyType({}))
    # what its dialect lets us tell and hear (for Homie: what its kind and presets call for)
    tells: frozenset[Point] = frozenset()
    hears: frozenset[Point] = frozenset()
    can_ask: bool = False
    knows_fade: bool = False
    # where it speaks e131: its slots
    slots: Slots | None = None
    # says of itself whether it is white or coloured: a word of the one unsays the other
    either: bool = False
    # points that it takes only when all of them are in the message
    together: tuple[frozenset[Point], ...] = ()
    # names of devices that must be up before this one: from `after:` in the profile only
    after: tuple[str, ...] = ()
    essential: bool = True
    stays_on: bool = False
    # hangs or stands in the room for good: nobody packs it or puts it up
    fixed: bool = False
    hand_set: bool = False
    # which evidence is accepted for what it cannot report itself
    proof: ProvenBy = "report"
    meters: bool = False
    # figures of the device
    draws: float = 0.0
    # what it takes when dark but powered (W), and by level as measured: (level %, W), rising
    standby: float | None = None
    draws_at: tuple[tuple[float, float], ...] = ()
    # the smallest difference its meter shows (W); None: learned from what it says
    meter_step: float | None = None
    # of what it takes from the mains: W over VA (0.1-1); None where the profile does not say
    power_factor: float | None = None
    inrush: float = 0.0
    boots_in: float = 0.0
    answers_in: float = 0.3
    fade: float = 1.5
    cools_in: float = 0.0
    idle_below: float | None = None
    idle_for: float = 10.0
    shuts_in: float = 60.0
    closes_in: float = 5.0
    # a charger: below so many watts it is done; None where its watts say nothing of it
    done_below: float | None = None
    residual: float = 2.0
    comes_back: ComesBack | None = None
    level_range: tuple[float, float] | None = None
    cct_range: tuple[float, float] | None = None
    dimmer: Dimmer = LINEAR
    # does the profile say its dimmer, or is linear taken for granted?
    dimmer_said: bool = True
    role: Role | None = None
    place: Place | None = None
    output: Output | None = None
    # degrees from side to side where half the light is left
    beam: float | None = None
    # how far its white is off the Planckian locus (Duv, ANSI C78.377); None: not given
    duv: float | None = None
    # the sides (m) of a backdrop, or of the face of a light
    size: tuple[float, float] | None = None
    # a backdrop: its own light at full (cd/m²), how much it reflects (0-1)
    glow: float | None = None
    reflects: float | None = None
    # a backdrop of this colour is keyed out of the picture
    keys: Literal["green", "blue"] | None = None
    # the colour of its cloth or paint in white light
    dye: Colour | None = None
    # the light's own pulse frequency (Hz) and how deep it modulates (%)
    pwm: float | None = None
    flicker: float | None = None
    lead: Lead | None = None
    # what its battery holds (Wh)
    holds: float | None = None
    # a computer that runs on without its mains: a laptop, whose plug feeds its charger
    own_battery: bool = False
    # a camera: None where the profile does not say; see `rolls_by`
    rolls: Rolls | None = None
    tolerance: Tolerance = Tolerance()
    # ask this often (s) while the set is up; None: never by the clock
    poll: float | None = None
    # silent for this long (s) while the set is up is drift; None: quiet is normal
    silent_after: float | None = None
    # how many times it may be put back without being asked, before it is contested
    restores: int = 0
    # what runs out: from where it is said
    warn: Warn = Warn()
    # a light sensor's receptor: flat (cosine), or a dome over half the room
    receptor: Literal["flat", "dome"] = "flat"
    # what may pass through a plug or a strip (A); None where its profile does not say
    rated: float | None = None
    # does the profile say its inrush, if only that there is none?
    inrush_said: bool = True
    # off during takes only; None: it is never told so
    quiet: ToldQuiet | None = None

    @property
    def fixture(self) -> bool:
        return self.kind in FIXTURES

    @property
    def mute(self) -> frozenset[Point]:
        """What it is told and never says: only other evidence can prove these."""
        return self.tells - self.hears - {"shut_down"}

    @property
    def rolls_by(self) -> RollsBy:
        """Who can know whether this camera rolls: unless it is said, itself if it can say so."""
        if self.rolls is not None:
            return self.rolls.by
        return "report" if "rolling" in self.hears else "hand"


SwitchAsks = Literal[
    "up",
    "down",
    "restore",
    "toggle",
    "rolling on",
    "rolling off",
    "rolling toggle",
    "good",
    "again",
    "quiet on",
    "quiet off",
]


@dataclass(frozen=True, slots=True)
class SwitchRule:
    """A button somewhere on MQTT that asks. `asks` maps the word heard to a request.

    `camera`: of which it says that it rolls, or has stopped; None: of all there are.
    """

    name: str
    topic: str
    asks: Mapping[str, SwitchAsks]
    field: str | tuple[str | int, ...] | None = None
    look: str | None = None
    debounce: float = 0.5
    camera: str | None = None


@dataclass(frozen=True, slots=True)
class CallTime:
    """Ready by this wall time on these weekdays (0 is Monday), in this look."""

    hour: int
    minute: int
    days: frozenset[int]
    look: str | None = None
    grace: float = 120.0


@dataclass(frozen=True, slots=True)
class Patience:
    """How long to wait for a report (s), how often to tell, how long to listen at the start (s)."""

    reply: float = 2.0
    tries: int = 3
    listen: float = 5.0


@dataclass(frozen=True, slots=True)
class LeftOn:
    """Nobody asked for anything for `after` seconds while ready: say so, or power down."""

    after: float
    then: Literal["say", "down"] = "say"


# What a line of `before:` asks about: a person's tick, or one of the things that are measured.
ItemKind = Literal[
    "tick",
    "proven",
    "warm",
    "drift",
    "even",
    "batteries",
    "card",
    "record",
    "off",
    "quiet",
    "picture",
]
# How long a person's tick holds.
Lasts = Literal["session", "take"]


@dataclass(frozen=True, slots=True)
class Item:
    """One line of what has to be true before it rolls, or of what is looked at after.

    `id` comes from its words, so that it stays the same wherever the line stands. `limit`: stops
    for `even`, minutes for `card`. `lasts`: how long a tick holds.
    """

    id: str
    text: str
    kind: ItemKind = "tick"
    device: str = ""
    limit: float = 0.0
    lasts: Lasts = "session"


@dataclass(frozen=True, slots=True)
class Timer:
    """What is counted besides: a break is due so often (s); None: nobody asked for any."""

    break_every: float | None = None


@dataclass(frozen=True, slots=True)
class Region:
    """A part of the picture: shares (0-1) of its width from the left, its height from the top."""

    left: float
    top: float
    right: float
    bottom: float


# Where frames come from: a file that is written anew, a folder that pictures are put into, an
# address that answers with one picture or with a stream of them, what a capture device is called
# on this machine.
FramesFrom = Literal["file", "folder", "address", "device"]


@dataclass(frozen=True, slots=True)
class Witness:
    """The camera's picture as an instrument: where frames come from, how often (s) one is looked
    at, where in it the face, a grey card and the screen are."""

    kind: FramesFrom
    where: str
    every: float = 10.0
    face: Region | None = None
    card: Region | None = None
    screen: Region | None = None


@dataclass(frozen=True, slots=True)
class SetProfile:
    """A whole set, ready to run."""

    name: str
    title: str
    voltage: float
    circuits: Mapping[str, Circuit]
    dialects: Mapping[str, Dialect]
    devices: Mapping[str, Device]
    looks: Mapping[str, Look]
    default_look: str | None
    switches: tuple[SwitchRule, ...] = ()
    call_times: tuple[CallTime, ...] = ()
    time_zone: str | None = None
    warm_up: float = 0.0
    # most of its lengths are written in feet and inches, and so they are shown
    feet: bool = False
    left_on: LeftOn | None = None
    patience: Patience = Patience()
    # of the mains (Hz), and what a kWh costs; None where the profile does not say
    frequency: float | None = None
    price: Price | None = None
    room: Room = Room()
    picture: Picture = Picture()
    readings: tuple[MeterReading, ...] = ()
    universes: Mapping[int, Universe] = field(default_factory=lambda: MappingProxyType({}))
    # the set shows itself as a Homie 5 device, under its own name
    homie: bool = False
    # what has to be true before it rolls, and what is ticked when all is over
    before: tuple[Item, ...] = ()
    after: tuple[Item, ...] = ()
    timer: Timer = Timer()
    witness: Witness | None = None

    def fed_from(self, name: str) -> tuple[str, ...]:
        """Every device downstream of this device or circuit, in profile order."""
        return tuple(d.name for d in self.devices.values() if name in d.feeds or name == d.circuit)

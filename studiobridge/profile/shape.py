"""The shape of a set profile in YAML, as pydantic models: the edge where outside data comes in.

Only what can be said of a value by itself is checked here. What needs the rest of the profile
(names, feeds, circles) is checked in build.py. The JSON Schema comes from these models.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable
from fractions import Fraction
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import (
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    PlainValidator,
    WithJsonSchema,
)

from studiobridge.craft.chroma import Colour
from studiobridge.craft.light import LINEAR, Dimmer
from studiobridge.profile import colours, quantity
from studiobridge.profile.model import (
    KINDS,
    POINTS,
    QUIET_FOR,
    QUIET_RESTS,
    Point,
    Scalar,
    SwitchAsks,
    Unit,
)
from studiobridge.profile.model import Kind as DeviceKind
from studiobridge.profile.names import NAME
from studiobridge.profile.plain import quoted
from studiobridge.profile.quantity import Kind

LONGEST_TOPIC = 200
LONGEST_TEXT = 200
LONGEST_FIELD = 20
# What an electronic supply takes when it is switched on is over within a few half-cycles, 10 to
# 20 ms (common practice, no source). The gap covers the scatter between what a plug reports and
# when its contact closes, with much to spare.
DEFAULT_GAP = 0.5


def _quantity(kind: Kind) -> Any:
    return Annotated[
        float,
        BeforeValidator(lambda text: quantity.parse(text, kind)),
        WithJsonSchema({"type": "string", "pattern": kind.pattern, "examples": [kind.example]}),
        kind,  # for `explained.py`, which says its range
    ]


def _exact(kind: Kind) -> Any:
    return Annotated[
        Fraction,
        PlainValidator(lambda text: quantity.exact(text, kind)),
        WithJsonSchema({"type": "string", "pattern": kind.pattern, "examples": [kind.example]}),
        kind,  # for `explained.py`, which says its range
    ]


def _special(parse: Callable[[object], Any], example: str) -> Any:
    return Annotated[
        Any,
        PlainValidator(parse),
        WithJsonSchema({"type": "string", "examples": [example]}),
    ]


def _number(what: str, low: float, high: float, example: float) -> Any:
    """A number without a unit."""
    return Annotated[
        Any,
        PlainValidator(lambda value: quantity.plain_number(value, what, low, high, f"{example:g}")),
        WithJsonSchema({"type": "number", "minimum": low, "maximum": high, "examples": [example]}),
    ]


def _range(kind: Kind) -> Any:
    return Annotated[
        tuple[float, float],
        BeforeValidator(lambda text: quantity.parse_range(text, kind)),
        WithJsonSchema(
            {"type": "string", "pattern": kind.range_pattern, "examples": [kind.range_example]}
        ),
    ]


def _yes_no(value: object) -> bool:
    words = {"yes": True, "on": True, "no": False, "off": False}
    if isinstance(value, bool):
        return value
    if isinstance(value, str) and value in words:
        return words[value]
    raise ValueError(f"{quoted(value)} is neither yes nor no; write yes or no")


def _text(value: object) -> str:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError(f"{quoted(value)} is not one text; write one, in quotes where it is long")
    text = str(value)
    if len(text) > LONGEST_TEXT:
        raise ValueError(f"this is longer than {LONGEST_TEXT} characters")
    if not text.isprintable():
        raise ValueError("this has control characters in it")
    return text


def _name(value: object) -> str:
    text = str(value)
    if not isinstance(value, str | int) or isinstance(value, bool) or not NAME.match(text):
        plain = re.sub(r"[^a-z0-9]+", "-", text.casefold()).strip("-")
        like = f", like '{plain}'" if NAME.match(plain) and isinstance(value, str) else ""
        raise ValueError(
            f"{quoted(value)} is not a name; use a-z, 0-9 and hyphens, up to 40 of them{like}"
        )
    return text


def _topic(value: object) -> str:
    text = _text(value)
    if not text or len(text) > LONGEST_TOPIC:
        raise ValueError(f"a topic has 1 to {LONGEST_TOPIC} characters")
    if "+" in text or "#" in text:
        raise ValueError("a topic here names one topic: no wildcards + or #")
    if text.startswith("$"):
        raise ValueError("topics that begin with $ belong to the broker")
    if text.split("/")[0] == "studiobridge":
        raise ValueError("topics below studiobridge/ are the bridge's own")
    return text


def _span(value: object) -> tuple[float, float]:
    return quantity.parse_span(value)


def _counted(value: object) -> int:
    """A whole number as a key: one way to write each, so that none stands there twice unseen."""
    text = str(value)
    if isinstance(value, bool) or not re.match(r"(0|[1-9][0-9]{0,5})\Z", text):
        raise ValueError(f"{quoted(value)} is no number to count by; write it like 1 or 25")
    return int(text)


def _field(value: object) -> str | tuple[str | int, ...]:
    """A dotted path, or one key after the other; a whole number there is a place in a list."""
    if not isinstance(value, list):
        return _text(value)
    if not 1 <= len(value) <= LONGEST_FIELD:
        raise ValueError(f"a field has 1 to {LONGEST_FIELD} keys")
    for part in value:
        if isinstance(part, int) and not isinstance(part, bool) and not 0 <= part < 1_000_000:
            raise ValueError(f"{part} is no place in a list; count from 0")
    whole = [isinstance(part, int) and not isinstance(part, bool) for part in value]
    return tuple(
        part if is_whole else _text(part) for part, is_whole in zip(value, whole, strict=True)
    )


def _scalar(value: object) -> Scalar:
    """A value as it stands in a payload: text, a number, true or false."""
    if isinstance(value, str):
        return _text(value)
    if isinstance(value, bool) or (isinstance(value, int | float) and abs(value) < 1e15):
        return value
    raise ValueError("this is neither a text nor a number, true or false")


def _scale(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float) or not 1e-9 <= value <= 1e9:
        raise ValueError("a scale is a plain number above 0; write it like 'scale: 0.1'")
    return float(value)


def _several(value: object) -> object:
    """One of a kind, or a list of them."""
    return value if isinstance(value, list) else [value]


def _clock(value: object) -> str:
    if not isinstance(value, str) or not re.match(r"([01]?[0-9]|2[0-3]):[0-5][0-9]\Z", value):
        raise ValueError(f"{quoted(value)} is not a time of day; write it like '09:00'")
    return value


def _days(value: object) -> object:
    """`daily`, `weekdays`, `weekends`, or a list of days by their first three letters."""
    if isinstance(value, str) and value in DAY_WORDS:
        return value
    if not isinstance(value, list):
        raise ValueError(f"{quoted(value)} names no days; write {_days_meant(value)}")
    if not value:
        raise ValueError(f"no day stands here; write {_days_meant(None)}")
    for day in value:
        if day not in DAYS:
            raise ValueError(f"{quoted(day)} is no day; write {_days_meant(day)}")
    return value


def _days_meant(value: object) -> str:
    """What to write for days that are written otherwise: `Mon-Fri` is `weekdays`."""
    words = re.findall(r"[a-z]+", value.casefold()) if isinstance(value, str) else []
    days = [word[:3] for word in words if word[:3] in DAYS]
    if len(days) == 2 and re.search(r"[-–—]| to ", str(value)):
        first, last = DAYS.index(days[0]), DAYS.index(days[1])
        days = [*DAYS, *DAYS][first : last + 1 if first <= last else last + 8]
    if not days:
        return "[mon, tue, wed], or daily, weekdays or weekends"
    word = next((w for w, meant in DAY_WORDS.items() if set(days) == set(meant)), None)
    return f"[{', '.join(days)}]" + (f" or {word}" if word else "")


def _level_pairs(value: object) -> object:
    """A table of measured points: level in percent to output in percent."""
    if not isinstance(value, dict):
        return value
    return Dimmer(
        "measured",
        tuple(
            (quantity.parse(level, quantity.LEVEL), quantity.parse(out, quantity.LEVEL))
            for level, out in value.items()
        ),
    )


def _dimmer(value: object) -> Dimmer:
    made = _level_pairs(value)
    if isinstance(made, Dimmer):
        return made
    if made not in ("linear", "square", "logarithmic"):
        raise ValueError(
            f"{quoted(value)} is no dimmer; write linear, square, logarithmic, or a table of"
            " measured points like {10 %: 2 %, 50 %: 31 %, 100 %: 100 %}"
        )
    return Dimmer(made)


def _draws_at(value: object) -> tuple[tuple[float, float], ...]:
    """A table of what was metered: level in percent to watts at the plug."""
    if not isinstance(value, dict) or len(value) < 2:
        raise ValueError(
            "what a lamp draws by level is a table of two points or more; write it like"
            " {0 %: 0.6 W, 30 %: 5.1 W, 100 %: 15 W}"
        )
    points = tuple(
        (quantity.parse(level, quantity.LEVEL), quantity.parse(watts, quantity.POWER))
        for level, watts in value.items()
    )
    for (level, watts), (higher, more) in itertools.pairwise(points):
        if not (level < higher and watts < more):
            raise ValueError(
                f"what it draws rises with its level; {level:g} %: {watts:g} W is followed by"
                f" {higher:g} %: {more:g} W"
            )
    if points[0][0] != 0.0 or points[-1][0] != 100.0:
        raise ValueError(
            "what it draws is measured from dark to full; the first point is 0 %, the last 100 %"
        )
    return points


_YES_NO_SCHEMA = {"enum": ["yes", "no", "on", "off", True, False]}
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_WORDS = {"daily": DAYS, "weekdays": DAYS[:5], "weekends": DAYS[5:]}
if TYPE_CHECKING:
    DaysText = str | list[str]
    Across = float
    AspectText = float
    Beam = float
    Duv = float
    DuvAway = float
    Lux = float
    PowerFactor = float
    Transmission = float
    Flicker = float
    Focal = float
    Frames = float
    Frequency = float
    Glow = float
    Holds = float
    Reflects = float
    Depth = Fraction
    Size = Fraction
    OutputText = tuple[float, float]
    SectionText = tuple[float | None, int | None]
    PriceText = tuple[float, str]
    SensorText = tuple[float, float]
    ShutterText = tuple[float | None, float | None]
    ApertureText = float
    RatioText = float
    Over = float
    HeatText = float
    DimmerText = Dimmer
    DrawsAt = tuple[tuple[float, float], ...]
    MeterStep = float
    Level = float
    Cct = float
    ColourText = Colour
    Shift = float
    Time = float
    Current = float
    Power = float
    Voltage = float
    Stops = float
    Mired = float
    LevelRange = tuple[float, float]
    CctRange = tuple[float, float]
else:
    DaysText = Annotated[
        Any,
        PlainValidator(_days),
        WithJsonSchema(
            {
                "anyOf": [
                    {"enum": list(DAY_WORDS)},
                    {"type": "array", "items": {"enum": list(DAYS)}, "minItems": 1},
                ],
                "examples": ["weekdays"],
            }
        ),
    ]
    Across = _quantity(quantity.ACROSS)
    AspectText = _special(quantity.parse_aspect, "16:9")
    Beam = _quantity(quantity.BEAM)
    Duv = _number("a Duv", -0.05, 0.05, 0.002)
    DuvAway = _number("a difference of Duv", 0.0001, 0.05, 0.002)
    Lux = _quantity(quantity.LUX)
    PowerFactor = _number("a power factor", 0.1, 1.0, 0.6)
    Transmission = _quantity(quantity.TRANSMISSION)
    Depth = _exact(quantity.DEPTH)
    Flicker = _quantity(quantity.FLICKER)
    Focal = _quantity(quantity.FOCAL)
    Frames = _quantity(quantity.FRAMES)
    Frequency = _quantity(quantity.FREQUENCY)
    Glow = _quantity(quantity.GLOW)
    Holds = _quantity(quantity.ENERGY)
    Reflects = _quantity(quantity.REFLECTS)
    Size = _exact(quantity.SIZE)
    Level = _quantity(quantity.LEVEL)
    Cct = _quantity(quantity.CCT)
    ColourText = Annotated[Any, PlainValidator(colours.parse), WithJsonSchema(colours.JSON_SCHEMA)]
    Shift = Annotated[
        Any,
        PlainValidator(colours.parse_shift),
        WithJsonSchema(
            {
                "type": "number",
                "minimum": colours.SMALLEST_SHIFT,
                "maximum": 1,
                "examples": [0.01],
            }
        ),
    ]
    Time = _quantity(quantity.TIME)
    Current = _quantity(quantity.CURRENT)
    Power = _quantity(quantity.POWER)
    Voltage = _quantity(quantity.VOLTAGE)
    Stops = _quantity(quantity.STOPS)
    Over = _quantity(quantity.OVER)
    RatioText = _special(quantity.parse_ratio, "2:1")
    Mired = _quantity(quantity.MIRED)
    OutputText = _special(quantity.parse_output, "2400 lx at 1 m")
    SectionText = _special(quantity.parse_section, "1.5 mm²")
    PriceText = _special(quantity.parse_price, "0.24 EUR/kWh")
    SensorText = _special(quantity.parse_sensor, "36 x 24 mm")
    ShutterText = _special(quantity.parse_shutter, "1/50 s")
    ApertureText = _special(quantity.parse_aperture, "f/2.8")
    HeatText = _special(quantity.parse_temperature, "60 °C")
    DimmerText = Annotated[
        Any,
        PlainValidator(_dimmer),
        WithJsonSchema(
            {
                "anyOf": [
                    {"enum": ["linear", "square", "logarithmic"]},
                    {"type": "object", "additionalProperties": {"type": "string"}},
                ],
                "examples": ["linear"],
            }
        ),
    ]
    DrawsAt = Annotated[
        Any,
        PlainValidator(_draws_at),
        WithJsonSchema(
            {
                "type": "object",
                "propertyNames": {"pattern": quantity.LEVEL.pattern},
                "additionalProperties": {"type": "string", "pattern": quantity.POWER.pattern},
                "minProperties": 2,
                "examples": [{"0 %": "0.6 W", "100 %": "15 W"}],
            }
        ),
    ]
    MeterStep = _quantity(quantity.METER_STEP)
    LevelRange = _range(quantity.LEVEL)
    CctRange = _range(quantity.CCT)
YesNo = Annotated[bool, BeforeValidator(_yes_no), WithJsonSchema(_YES_NO_SCHEMA)]
Text = Annotated[str, BeforeValidator(_text)]
Name = Annotated[
    str, BeforeValidator(_name), WithJsonSchema({"type": "string", "pattern": "^[a-z0-9-]{1,40}$"})
]
Topic = Annotated[str, BeforeValidator(_topic)]
SpanText = Annotated[
    tuple[float, float],
    BeforeValidator(_span),
    WithJsonSchema(
        {
            "type": "string",
            "pattern": r"^\s*[-0-9.]+\s*\.\.\s*[-0-9.]+\s*$",
            "examples": ["0..255"],
        }
    ),
]
Clock = Annotated[
    str,
    BeforeValidator(_clock),
    WithJsonSchema({"type": "string", "pattern": "^[0-9]{1,2}:[0-9]{2}$", "examples": ["09:00"]}),
]
_SCALAR_SCHEMA: dict[str, Any] = {"type": ["string", "number", "boolean"]}
if TYPE_CHECKING:
    OneScalar = Scalar
    ScaleNumber = float
    FieldText = str | tuple[str | int, ...]
    WhitesText = tuple[float, float, str]
    StepText = tuple[float, str]
else:
    OneScalar = Annotated[Any, PlainValidator(_scalar), WithJsonSchema(_SCALAR_SCHEMA)]
    ScaleNumber = Annotated[
        float, PlainValidator(_scale), WithJsonSchema({"type": "number", "exclusiveMinimum": 0})
    ]
    FieldText = Annotated[
        Any,
        PlainValidator(_field),
        WithJsonSchema(
            {
                "anyOf": [
                    {"type": ["string", "number"]},
                    {"type": "array", "items": {"type": ["string", "integer"]}, "minItems": 1},
                ]
            }
        ),
    ]
    WhitesText = _special(quantity.parse_whites, "2700..6500 K")
    StepText = _special(quantity.parse_step, "5 %")
WordsShape = dict[
    str,
    Annotated[
        list[OneScalar],
        BeforeValidator(_several),
        Field(min_length=1, max_length=50),
        WithJsonSchema(
            {"anyOf": [_SCALAR_SCHEMA, {"type": "array", "items": _SCALAR_SCHEMA, "minItems": 1}]}
        ),
    ],
]


class Shape(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True)


class CircuitShape(Shape):
    breaker: Current
    curve: Literal["B", "C", "D"] = "B"
    gap: Time = DEFAULT_GAP
    where: Text = ""


class MainsShape(Shape):
    voltage: Voltage = 230.0
    frequency: Literal["50 Hz", "60 Hz"] | None = None
    price: PriceText | None = None
    circuits: dict[Name, CircuitShape] = Field(default_factory=dict)


class TellShape(Shape):
    topic: Topic
    payload: str | None = Field(default=None, max_length=LONGEST_TEXT)
    json_: Any = Field(default=None, alias="json")
    words: WordsShape | None = None
    span: SpanText | None = None
    of: WhitesText | None = None
    unit: Unit | None = None
    step: StepText | None = None
    fade_unit: Literal["s", "ms", "ds"] | None = None
    qos: Literal[0, 1, 2] = 1
    retain: YesNo = False


ColourPart = Literal["hue", "saturation", "r", "g", "b", "x", "y"]


class HearShape(Shape):
    topic: Topic
    field: FieldText | None = None
    pattern: str | None = Field(default=None, min_length=1, max_length=LONGEST_TEXT)
    where: dict[str, OneScalar] | None = Field(default=None, min_length=1, max_length=20)
    words: WordsShape | None = None
    span: SpanText | None = None
    of: WhitesText | None = None
    unit: Unit | None = None
    scale: ScaleNumber | None = None
    step: StepText | None = None
    qos: Literal[0, 1, 2] = 1


class PointShape(Shape):
    tell: TellShape | None = None
    hear: HearShape | None = None


class ColourTellShape(Shape):
    topic: Topic
    payload: str | None = Field(default=None, max_length=LONGEST_TEXT)
    json_: Any = Field(default=None, alias="json")
    spans: dict[ColourPart, SpanText] = Field(default_factory=dict)
    fade_unit: Literal["s", "ms", "ds"] | None = None
    qos: Literal[0, 1, 2] = 1
    retain: YesNo = False


class ColourHearShape(Shape):
    topic: Topic
    pattern: str | None = Field(default=None, min_length=1, max_length=LONGEST_TEXT)
    fields: dict[ColourPart, FieldText] | None = None
    where: dict[str, OneScalar] | None = Field(default=None, min_length=1, max_length=20)
    spans: dict[ColourPart, SpanText] = Field(default_factory=dict)
    qos: Literal[0, 1, 2] = 1


class ColourPointShape(Shape):
    tell: ColourTellShape | None = None
    hear: ColourHearShape | None = None


class AskShape(Shape):
    topic: Topic
    payload: str = Field(default="", max_length=LONGEST_TEXT)
    every: Time | None = None
    qos: Literal[0, 1, 2] = 1


def _or_one(schema: dict[str, Any]) -> None:
    """In the JSON Schema, too, one of a list may stand by itself."""
    schema["anyOf"].insert(0, schema["anyOf"][0]["items"])


def _together(value: object) -> object:
    """`yes` for all that is told, or the points by name."""
    return value if isinstance(value, list) else _yes_no(value)


class DialectShape(Shape):
    switch: PointShape | None = None
    level: PointShape | None = None
    cct: PointShape | None = None
    colour: ColourPointShape | None = None
    watts: PointShape | None = None
    rolling: PointShape | None = None
    online: PointShape | None = None
    down: PointShape | None = None
    shut_down: PointShape | None = None
    lux: PointShape | None = None
    temperature: PointShape | None = None
    battery: PointShape | None = None
    battery_low: PointShape | None = None
    card: PointShape | None = None
    ask: Annotated[
        Annotated[list[AskShape], Field(max_length=20)] | None,
        BeforeValidator(lambda value: value if value is None else _several(value)),
        Field(json_schema_extra=_or_one),
    ] = None
    together: Annotated[
        bool | list[Point],
        BeforeValidator(_together),
        WithJsonSchema(
            {"anyOf": [_YES_NO_SCHEMA, {"type": "array", "items": {"enum": list(POINTS)}}]}
        ),
    ] = False


class ToleranceShape(Shape):
    level: Stops | None = None
    cct: Mired | None = None
    colour: Shift | None = None
    settle: Time | None = None


class PlaceShape(Shape):
    from_back: Depth
    across: Across = 0.0
    height: Depth
    aim: Name | None = None


class MarkShape(Shape):
    from_back: Depth
    across: Across = 0.0
    height: Depth


class SizeShape(Shape):
    width: Size
    height: Size


class LeadShape(Shape):
    length: Size
    section: SectionText


class WarnShape(Shape):
    battery: Level | None = None
    card: Time | None = None
    temperature: HeatText | None = None


# `yes` is no slot, and neither is "3"
Whole = Annotated[int, Field(strict=True)]
Counted = Annotated[
    int,
    BeforeValidator(_counted),
    WithJsonSchema({"type": "string", "pattern": "^(0|[1-9][0-9]{0,5})$"}),
]


class CctSlotShape(Shape):
    slot: Whole
    fine: Whole | None = None
    span: CctRange


class SlotsShape(Shape):
    level: Whole | None = None
    level_fine: Whole | None = None
    cct: CctSlotShape | None = None
    keep: dict[Counted, Whole] = Field(default_factory=dict, max_length=512)


class UniverseShape(Shape):
    to: Text | list[Text]
    priority: int = Field(default=100, ge=0, le=200, strict=True)


class RollsShape(Shape):
    by: Literal["report", "watts", "hand"]
    from_: Power | None = Field(default=None, alias="from")


def _quiet(value: object) -> object:
    """`yes` for all as it is by itself, `no` for never, or what is said of it."""
    if value is None or isinstance(value, dict | QuietShape):
        return value
    return {} if _yes_no(value) else None


def _or_yes(schema: dict[str, Any]) -> None:
    """In the JSON Schema, too, a yes or no may stand for the whole."""
    schema["anyOf"].insert(0, _YES_NO_SCHEMA)


class QuietShape(Shape):
    when: Literal["asked", "rolling"] = "asked"
    for_: Time = Field(default=QUIET_FOR, alias="for")
    rests: Time = QUIET_RESTS


class DeviceShape(Shape):
    kind: DeviceKind
    title: Text = ""
    fed_by: Name | None = None
    speaks: Name | None = None
    at: Topic | None = None
    blanks: dict[Name, OneScalar] = Field(default_factory=dict)
    properties: dict[str, Text] = Field(default_factory=dict)
    slots: SlotsShape | None = None
    after: list[Name] = Field(default_factory=list, max_length=100)
    essential: YesNo | None = None
    stays_on: YesNo | None = None
    fixed: YesNo = False
    proof: Literal["report", "watts", "picture", "hand", "none"] | None = None
    meters: YesNo = False
    draws: Power = 0.0
    standby: Power | None = None
    draws_at: DrawsAt | None = None
    meter_step: MeterStep | None = None
    power_factor: PowerFactor | None = None
    inrush: Current = 0.0
    # of a plug or a strip: what may pass through it
    rated: Current | None = None
    boots_in: Time = 0.0
    answers_in: Time = 0.3
    fade: Time = 1.5
    cools_in: Time = 0.0
    idle_below: Power | None = None
    idle_for: Time = 10.0
    shuts_in: Time = 60.0
    closes_in: Time = 5.0
    done_below: Power | None = None
    residual: Power = 2.0
    # read as `comes_back: full`, which says the same and more
    forgets_level: YesNo = False
    comes_back: Literal["last", "full", "preset", "dark", "off"] | None = None
    level: LevelRange | None = None
    cct: CctRange | None = None
    dimmer: DimmerText = LINEAR
    role: Literal["key", "fill", "rim", "wash", "practical"] | None = None
    place: PlaceShape | None = None
    output: OutputText | None = None
    beam: Beam | None = None
    duv: Duv | None = None
    size: SizeShape | None = None
    glow: Glow | None = None
    reflects: Reflects | None = None
    keys: Literal["green", "blue"] | None = None
    dye: ColourText | None = None
    pwm: Frequency | None = None
    flicker: Flicker | None = None
    lead: LeadShape | None = None
    holds: Holds | None = None
    own_battery: YesNo = False
    rolls: RollsShape | None = None
    tolerance: ToleranceShape | None = None
    poll: Time | None = None
    silent_after: Time | None = None
    restores: int = Field(default=0, ge=0, le=100)
    warn: WarnShape = Field(default_factory=WarnShape)
    receptor: Literal["flat", "dome"] | None = None
    quiet: Annotated[
        QuietShape | None, BeforeValidator(_quiet), Field(json_schema_extra=_or_yes)
    ] = None


class PresetShape(Shape):
    level: Level | None = None
    cct: Cct | None = None
    colour: ColourText | None = None


class WantsShape(Shape):
    """What a look is for, in the picture's terms."""

    aperture: ApertureText | None = None
    lux: Lux | None = None
    ratio: RatioText | None = None
    backdrop: Over | None = None
    rim: Over | None = None
    white: Cct | None = None


class LookShape(BaseModel):
    """A look: presets by device name, and four keys of its own."""

    model_config = ConfigDict(extra="allow", frozen=True, defer_build=True)
    __pydantic_extra__: dict[str, PresetShape]

    title: Text = ""
    from_: Name | None = Field(default=None, alias="from")
    whites: Literal["meant"] | None = None
    wants: WantsShape | None = None


class SwitchShape(Shape):
    topic: Topic
    field: FieldText | None = None
    words: dict[str, SwitchAsks] = Field(min_length=1)
    look: Name | None = None
    debounce: Time = 0.5
    camera: Name | None = None


class CallTimeShape(Shape):
    ready_by: Clock
    days: DaysText = "daily"
    look: Name | None = None
    grace: Time = 120.0


class LeftOnShape(Shape):
    after: Time
    then: Literal["say", "down"] = "say"


class PatienceShape(Shape):
    reply: Time = 2.0
    tries: int = Field(default=3, ge=1, le=20)
    listen: Time = 5.0


class VariationShape(BaseModel):
    """A variation of the depth chain: other depths by the chain's names, and a title."""

    model_config = ConfigDict(extra="allow", frozen=True, defer_build=True)
    __pydantic_extra__: dict[str, Depth]

    title: Text = ""


class RoomShape(Shape):
    depth: Size | None = None
    width: Size | None = None
    height: Size | None = None
    mark: MarkShape | None = None
    chain: dict[Name, Depth] = Field(default_factory=dict, max_length=40)
    variations: dict[Name, VariationShape] = Field(default_factory=dict, max_length=20)
    stations: dict[Name, Name] = Field(default_factory=dict, max_length=40)


class PictureHoldShape(Shape):
    face: Stops | None = None
    ratio: Stops | None = None
    white: Mired | None = None
    duv: DuvAway | None = None


class PictureShape(Shape):
    camera: Name | None = None
    focal: Focal | None = None
    sensor: SensorText | None = None
    aspect: AspectText | None = None
    frames: Frames | None = None
    shutter: ShutterText | None = None
    iso: int | None = Field(default=None, ge=1, le=1_000_000)
    aperture: ApertureText | None = None
    transmission: Transmission | None = None
    white: Cct | None = None
    duv: Duv = 0.0
    meter: Literal["flat", "dome"] = "flat"
    locus: Literal["planckian", "daylight"] = "planckian"
    whites_within: Mired = 15.0
    fits: Literal["head-and-shoulders", "half-length", "full-length"] | None = None
    hold: PictureHoldShape = Field(default_factory=PictureHoldShape)


def _lights_on(value: object) -> object:
    """Names in a list are at the levels of the look; in a mapping each has its own."""
    if isinstance(value, list):
        return {name: None for name in value if isinstance(name, str)}
    return value


class ReadingShape(Shape):
    """What an incident meter said: where it was held, and which lights were on."""

    read: Lux
    at: Name = "face"
    look: Name | None = None
    on: Annotated[
        dict[Name, Level | None] | None,
        BeforeValidator(_lights_on),
        WithJsonSchema(
            {
                "anyOf": [
                    {"type": "array", "items": {"type": "string"}},
                    {
                        "type": "object",
                        "additionalProperties": {"type": "string", "examples": ["64 %"]},
                    },
                ],
                "examples": [["key"]],
            }
        ),
    ] = None


def _worded(value: object) -> object:
    """A plain sentence is a line of its own: measured where it is one of those, else ticked."""
    return value if isinstance(value, dict) else {"tick": value}


def _or_text(schema: dict[str, Any]) -> None:
    """In the JSON Schema, too, a line may be a plain sentence."""
    one = {"$ref": schema.pop("$ref")} if "$ref" in schema else dict(schema)
    schema.clear()
    schema["anyOf"] = [{"type": "string", "minLength": 1, "maxLength": LONGEST_TEXT}, one]


class ItemShape(Shape):
    """One line of what is looked at before it rolls, or after: what is measured, or a tick."""

    tick: Text | None = None
    for_: Literal["session", "take"] | None = Field(default=None, alias="for")
    even: Name | None = None
    within: Stops | None = None
    card: Name | None = None
    lasts: Time | None = None
    off: Annotated[
        Annotated[list[Name], Field(min_length=1, max_length=20)] | None,
        BeforeValidator(lambda value: value if value is None else _several(value)),
        Field(json_schema_extra=_or_one),
    ] = None


ItemText = Annotated[ItemShape, BeforeValidator(_worded), Field(json_schema_extra=_or_text)]


class TimerShape(Shape):
    break_every: Time | None = None


class RegionShape(Shape):
    """A part of the picture, from its left and from its top."""

    across: LevelRange
    down: LevelRange


class WitnessShape(Shape):
    """Where the camera's picture comes from, and what of it is looked at."""

    frames: Text
    every: Time = 10.0
    face: RegionShape | None = None
    card: RegionShape | None = None
    screen: RegionShape | None = None


class ProfileShape(Shape):
    """A set profile, format 1."""

    format: Literal[1]
    set: Name
    title: Text = ""
    mains: MainsShape = Field(default_factory=MainsShape)
    dialects: dict[Name, DialectShape] = Field(default_factory=dict)
    universes: dict[Counted, UniverseShape] = Field(default_factory=dict, max_length=64)
    devices: dict[Name, DeviceShape] = Field(min_length=1)
    looks: dict[Name, LookShape] = Field(default_factory=dict)
    default_look: Name | None = None
    tolerance: ToleranceShape = Field(default_factory=ToleranceShape)
    room: RoomShape = Field(default_factory=RoomShape)
    picture: PictureShape = Field(default_factory=PictureShape)
    readings: list[ReadingShape] = Field(default_factory=list, max_length=100)
    switches: dict[Name, SwitchShape] = Field(default_factory=dict)
    call_times: list[CallTimeShape] = Field(default_factory=list, max_length=100)
    time_zone: Text | None = None
    warm_up: Time = 0.0
    left_on: LeftOnShape | None = None
    before: list[ItemText] = Field(default_factory=list, max_length=60)
    after: list[ItemText] = Field(default_factory=list, max_length=60)
    timer: TimerShape = Field(default_factory=TimerShape)
    witness: WitnessShape | None = None
    patience: PatienceShape = Field(default_factory=PatienceShape)
    homie: YesNo = False


assert set(DeviceKind.__args__) == set(KINDS)  # type: ignore[attr-defined]


def profile_schema() -> dict[str, Any]:
    """The JSON Schema (draft 2020-12) of a set profile."""
    from studiobridge.profile.explained import describe

    schema = ProfileShape.model_json_schema(by_alias=True)
    describe(schema)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "studiobridge set profile",
        **{key: value for key, value in schema.items() if key != "title"},
    }

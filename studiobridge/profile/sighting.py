"""What a camera's picture says of a set at one moment: what the witness publishes, all rooms read.

Plain numbers, no picture: a picture may have a person in it, and is shown only to who asks.
Whatever is not known is None, never a guess. `bridge/sighted.py` reads it from a message and
refuses what is no number, out of range or about somebody else's lamp.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, ClassVar, Literal

# What stands between a picture and a word on the lights.
Hindrance = Literal[
    "not learned",  # no lamp has been seen alone yet
    "stale",  # what was learned does not explain what is seen any more
    "auto exposure",  # the camera sets its exposure by itself
    "auto white",  # ... or its white
    "moved",  # the camera looks elsewhere
    "standing still",  # the same picture again and again: a frozen stream
    "too dark",
    "too bright",
    "hidden",  # more of the picture is covered than can be left out
]


@dataclass(frozen=True, slots=True)
class Band:
    """A figure and how far it may be off: `low` <= `value` <= `high`.

    Meant to hold 95 times in 100, and on rendered rooms they do.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid", "allow_inf_nan": False}

    low: float
    value: float
    high: float


@dataclass(frozen=True, slots=True)
class SeenLight:
    """One light as the picture shows it.

    `amount` is its light against its own at full when it was learned (1.0), `level` % that as a
    level of its dial or fader, `stops` its light against the kept picture, `cct` its white (K)
    where it has two. `tells`: false where too little of it is in the picture to tell a stop apart.
    `moved`: it surely differs from the kept picture by more than its tolerance.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid", "allow_inf_nan": False}

    amount: Band
    level: Band | None = None
    stops: Band | None = None
    cct: Band | None = None
    tells: bool = True
    moved: bool = False


@dataclass(frozen=True, slots=True)
class Stray:
    """Light that no lamp of the set explains: a window, a door, another lamp.

    `share` is of the light at the face (or of the whole picture where no face is named), `where`
    one of left, right, top, bottom, middle or everywhere, or empty where the picture does not tell;
    the box is in shares of the picture.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid", "allow_inf_nan": False}

    share: Band
    where: str
    left: float = 0.0
    top: float = 0.0
    right: float = 1.0
    bottom: float = 1.0


@dataclass(frozen=True, slots=True)
class SeenScreen:
    """The backdrop behind the person. Stops; `even` from its darkest to its brightest block.

    `against_face` is its middle against the face or card; `hue` in degrees and `saturation` (0-1)
    of CIE 1976 u'v' about the camera's white; `covered` is the share of it that somebody hides.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid", "allow_inf_nan": False}

    even: Band
    worst: str  # the corner or side that is furthest off: "upper left", …
    worst_stops: float
    against_face: float | None = None
    hue: float | None = None
    saturation: float | None = None
    covered: float = 0.0
    change: float | None = None  # how much less even (stops) than in the kept picture


@dataclass(frozen=True, slots=True)
class SeenWhite:
    """White at the card or the face against the kept picture: mired (+ warmer), Duv (+ greener)."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid", "allow_inf_nan": False}

    at: Literal["card", "face", "screen"]
    mired: Band
    duv: Band


@dataclass(frozen=True, slots=True)
class SeenFraming:
    """Where the camera looks against where it did: px of the picture as it is, degrees, a ratio."""

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid", "allow_inf_nan": False}

    right: float  # px the camera looks further right (the picture's things lie further left)
    down: float
    turn: float  # degrees, positive: the camera leans to its right
    zoom: float  # 1.01: 1 % closer
    share: float  # how far that is, as a share of the picture's width
    moved: bool
    softer: float | None = None  # how much less fine detail than in the kept picture (0-1)


@dataclass(frozen=True, slots=True)
class Sighting:
    """One look at the picture.

    `taken` is when the frame was taken, by the clock of the bridge (seconds since 1970; None where
    no bridge was heard), `age` how old (s) it was when this was said; `run` names the process,
    `frame` counts in it. `frames` says how many frames were put together, and `since` when the
    oldest of these was taken, by the clock of `taken`: what was told after that is not in all of
    them. `by_hand` names what the camera surely does not set by itself: the scene changed, and it
    stood still; of what is not named nobody knows yet. `exposure` is the whole picture against the
    kept one in stops, beyond what the lights explain.
    """

    __pydantic_config__: ClassVar[dict[str, Any]] = {"extra": "forbid", "allow_inf_nan": False}

    run: str
    frame: int
    taken: float | None
    age: float
    frames: int = 1
    since: float | None = None
    learned: str | None = None  # when (ISO 8601) the lamps were seen alone
    kept: str | None = None  # which picture it is held against: the look it was kept for
    kept_at: str | None = None
    hinders: tuple[Hindrance, ...] = ()
    lights: dict[str, SeenLight] = field(default_factory=dict)
    stray: Stray | None = None
    screen: SeenScreen | None = None
    white: SeenWhite | None = None
    exposure: Band | None = None
    by_hand: tuple[Literal["exposure", "white"], ...] = ()
    clipped_face: float | None = None  # shares (0-1) of what is there
    clipped_screen: float | None = None
    framing: SeenFraming | None = None
    covered: float = 0.0  # the share of the picture that was left out: a person, a thing moved
    residual: float | None = (
        None  # stops, what the lamps leave unexplained, without what is covered
    )

    @property
    def usable(self) -> bool:
        """May anything be concluded about the lights?"""
        return not self.hinders and bool(self.lights)

"""What the witness says of the camera's picture, read and refused, without I/O.

Anybody may publish anything here, a witness may lie, and two may look at one set:

- A look is refused that is too large, no JSON of its shape, no number or out of range, of lights
  that this set has not, or kept by the broker: a look is never of before.
- It says when its frame was taken, by the clock of the bridge. From the future it is refused;
  older than a look may be it is late, which is said until a good look comes, and is no fault;
  from before this link it is let go of without a word. Nothing goes back in time: not the count of
  frames of a process, nor when they were taken.
- Of two processes the one that was heard of last is believed, as long as it speaks.
- What comes faster than any camera is looked at is dropped before it is read.

What is refused is said like any message that cannot be read: once, with a count (misheard.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from studiobridge.bridge.channel import DROPPED_SAID_EVERY, Lane
from studiobridge.bridge.topics import seen_topic, witness_alive_topic
from studiobridge.control.events import Sighted, SightedLate, Unreadable, WitnessHeard
from studiobridge.control.pictured import LOOKS_HOLD, MORE
from studiobridge.profile.model import SetProfile
from studiobridge.profile.plain import plain
from studiobridge.profile.sighting import Sighting
from studiobridge.speech.message import Message

# The largest message (bytes): fifty lights and every figure fit some four times.
MAX_LOOK, MAX_ALIVE = 65_536, 4096
# So many a second are read: a dial is guided by two, and a small computer looks at four.
LOOKS_A_SECOND = 8.0
# A frame may be as old as the time between two looks, and this (s): a message lives so long.
OLDER = 10.0
# Two clocks that are put right by each other differ by less than this (s).
AHEAD = 0.5
# So late (s) is a computer or a network that is behind; later is another clock, or nonsense.
LATE = 600.0
# Longer texts (characters) and larger numbers than these are none of a picture.
LONGEST, LARGEST = 64, 1e9
# From where to where each figure may be, wherever it stands. A level may be said a little past its
# ends: noise has two sides.
WITHIN: Mapping[str, tuple[float, float]] = {
    "age": (0.0, 1e6),
    "frame": (0.0, 1e15),
    "frames": (1.0, 1e5),
    "amount": (-1.0, 100.0),
    "level": (-20.0, 200.0),
    "stops": (-30.0, 30.0),
    "cct": (500.0, 100_000.0),
    "share": (-1.0, 1000.0),
    "left": (-1.0, 2.0),
    "top": (-1.0, 2.0),
    "bottom": (-1.0, 2.0),
    "even": (-30.0, 30.0),
    "worst_stops": (-30.0, 30.0),
    "against_face": (-30.0, 30.0),
    "change": (-30.0, 30.0),
    "exposure": (-30.0, 30.0),
    "covered": (0.0, 1.0),
    "clipped_face": (0.0, 1.0),
    "clipped_screen": (0.0, 1.0),
    "softer": (-100.0, 1.0),
    "turn": (-360.0, 360.0),
    "zoom": (0.01, 100.0),
}
_LOOK = TypeAdapter(Sighting)


class _Alive(BaseModel):
    """What the witness says of itself; keys that come later are let be."""

    model_config = ConfigDict(extra="ignore", strict=True)

    alive: bool
    run: str = Field(default="", max_length=LONGEST)
    what: str = Field(default="", max_length=40)
    why: str = Field(default="", max_length=300)
    learned: str | None = Field(default=None, max_length=LONGEST)
    every: Annotated[float, Field(gt=0.0, le=604_800.0, allow_inf_nan=False)] | None = None


class Sightings:
    """The two topics of one set's witness. Times are of the bridge's steady clock (s)."""

    def __init__(self, profile: SetProfile, wall: Callable[[float], float], now: float) -> None:
        self._wall = wall
        self._seen_topic = seen_topic(profile.name)
        self._alive_topic = witness_alive_topic(profile.name)
        self._lights = frozenset(d.name for d in profile.devices.values() if d.fixture)
        witness = profile.witness
        # with which QoS; without a witness in the profile nobody is listened to
        self.topics: dict[str, int] = {}
        self._oldest = self._silent = 0.0
        if witness is not None:
            self.topics = {self._seen_topic: 0, self._alive_topic: 1}
            self._oldest = witness.every + OLDER
            self._silent = LOOKS_HOLD * witness.every + MORE
        self._lane = Lane(LOOKS_A_SECOND, now)
        self._dropped_said = -math.inf
        self._link_at = now
        # the process that is believed, its last frame, and when that was taken and heard
        self._run = ""
        self._frame = -1
        self._taken = self._heard_at = -math.inf
        self._others: list[str] = []
        self._alive_run = ""

    def hears(self, topic: str) -> bool:
        return topic in self.topics

    def link_up(self, at: float) -> None:
        """Whatever comes now was not heard before; the witness may have begun anew."""
        self._link_at, self._alive_run = at, ""
        self._run, self._frame, self._taken = "", -1, -math.inf
        self._others.clear()

    def hear(
        self, message: Message, at: float
    ) -> list[Sighted | SightedLate | WitnessHeard | Unreadable]:
        """What it comes to. Whatever the message holds, this does not raise."""
        if not self._lane.takes(at):
            if at - self._dropped_said < DROPPED_SAID_EVERY:
                return []
            self._dropped_said = at
            why = f"looks come faster than {LOOKS_A_SECOND:.0f} a second: some are dropped"
            return [Unreadable(at, None, message.topic, why)]
        found: Sighted | SightedLate | WitnessHeard | None
        try:
            if message.topic == self._alive_topic:
                found = self._read_alive(message, at)
            else:
                found = self._read(message, at)
        except Refused as error:
            return [Unreadable(at, None, message.topic, f"a look is refused: {error}")]
        except Exception as error:  # what a stranger wrote must not be able to end the set
            why = f"a look is refused: {type(error).__name__}"
            return [Unreadable(at, None, message.topic, why)]
        return [] if found is None else [found]

    # ---- read ------------------------------------------------------------------------------

    def _read_alive(self, message: Message, at: float) -> WitnessHeard | None:
        if not message.payload:
            return WitnessHeard(at, False)  # cleared
        if len(message.payload) > MAX_ALIVE:
            raise Refused(f"larger than {MAX_ALIVE} bytes")
        try:
            said = _Alive.model_validate_json(message.payload)
        except ValidationError as error:
            raise Refused(_first(error)) from None
        run = plain(said.run)
        if not said.alive and run and self._alive_run and run != self._alive_run:
            return None  # the will of one that another has taken over from
        self._alive_run = run if said.alive else ""
        what, why = plain(said.what), plain(said.why)
        learned = None if said.learned is None else plain(said.learned)
        return WitnessHeard(at, said.alive, run, what, why, learned, said.every)

    def _read(self, message: Message, at: float) -> Sighted | SightedLate | None:
        if message.retain:
            raise Refused("it was kept by the broker, and is of before")
        if len(message.payload) > MAX_LOOK:
            raise Refused(f"larger than {MAX_LOOK} bytes")
        try:
            sighting = _LOOK.validate_json(message.payload, strict=True)
        except ValidationError as error:
            raise Refused(_first(error)) from None
        for why in self._wrong(sighting):
            raise Refused(why)
        return self._in_time(sighting, at)

    def _wrong(self, sighting: Sighting) -> Iterator[str]:
        """Figures that are none, one sentence each."""
        for name in sighting.lights:
            if name not in self._lights:
                yield f"{_short(name)} is no light of this set"
        if not sighting.run:
            yield "it does not say which process looked"
        if len(sighting.hinders) > len(set(sighting.hinders)):
            yield "hinders: said twice"
        yield from _nonsense(asdict(sighting), "", "")

    def _in_time(self, sighting: Sighting, at: float) -> Sighted | SightedLate | None:
        """The look with its times by the steady clock. None: of before this link."""
        now = self._wall(at)
        taken, since = sighting.taken, sighting.since
        if taken is not None:
            if taken + sighting.age > now + AHEAD:
                raise Refused("its frame is from the future by the clock of the bridge")
            if now - taken > self._oldest:
                if now - taken > LATE:
                    raise Refused(f"its frame is {now - taken:.0f} s old")
                return SightedLate(at, now - taken)
            if since is not None and since > taken:
                raise Refused("its oldest frame is younger than its last")
        self._in_order(sighting, at)
        if taken is None:
            return Sighted(at, sighting, None, None)
        steady = min(at, at - (now - taken))
        if steady < self._link_at:
            return None
        if steady < self._taken:
            raise Refused("its frame is from before the last one")
        self._taken = steady
        oldest = steady - (0.0 if since is None else taken - since)
        return Sighted(at, sighting, steady, oldest)

    def _in_order(self, sighting: Sighting, at: float) -> None:
        """One process after the other, and each counts up."""
        run = sighting.run
        if run != self._run:
            if run in self._others and at - self._heard_at <= self._silent:
                raise Refused("two processes look at this set: the newer one is believed")
            if self._run and self._run not in self._others:
                self._others = [*self._others[-15:], self._run]
            self._others = [other for other in self._others if other != run]
            self._run, self._frame = run, -1
        if sighting.frame <= self._frame:
            raise Refused(f"frame {sighting.frame} came after frame {self._frame}")
        self._frame, self._heard_at = sighting.frame, at


class Refused(ValueError):
    """Why a look is not taken."""


def _nonsense(value: object, key: str, where: str) -> Iterator[str]:
    """What is out of range, or a band whose ends are the wrong way round."""
    here = f"{where}{key}"
    if isinstance(value, Mapping):
        below = f"{here}." if here else ""
        if set(value) == {"low", "value", "high"}:
            low, middle, high = value["low"], value["value"], value["high"]
            if not low <= middle <= high:
                yield f"{here}: {low:g}, {middle:g}, {high:g} are the wrong way round"
            for end in (low, middle, high):
                yield from _number(end, key, here)
            return
        for inner, each in value.items():
            yield from _nonsense(each, str(inner), below)
    elif isinstance(value, list | tuple):
        for each in value:
            yield from _nonsense(each, key, where)
    elif isinstance(value, str):
        if len(value) > LONGEST or plain(value) != value:
            yield f"{here}: no plain text of up to {LONGEST} characters"
    elif isinstance(value, int | float) and not isinstance(value, bool):
        yield from _number(value, key, here)


def _number(value: float, key: str, where: str) -> Iterator[str]:
    low, high = WITHIN.get(key, (-LARGEST, LARGEST))
    if key in ("taken", "since"):
        high = 1e11
    if not (math.isfinite(value) and low <= value <= high):
        yield f"{where}: {value:g} is out of range"


def _first(error: ValidationError) -> str:
    first = error.errors(include_url=False, include_input=False)[0]
    where = ".".join(str(part) for part in first["loc"]) or "message"
    return f"{_short(where)}: {plain(first['msg'])[:200]}"


def _short(text: str) -> str:
    return plain(text[:LONGEST])

"""What light sensors say: beside what the figures predict, and beside how it was when ready.

The rules:

- Only a fresh report is a reading. Any other is shown with its age and nothing follows from it.
- A prediction may be far off; a change is not. The reference is what a sensor read once the set
  was ready, all was quiet and the reading steady: again with every new look, run-up and word of a
  person about a dial, and once more when the lamps are warm.
- Nothing is concluded while a run is under way, a fade settles, or the reading moves: somebody
  may be walking by.
- What no report explains is said as that, with the lights that could have done it, and recorded
  when it begins and ends. It is no drift of its own. Only where one light must have moved, its
  level is told to belief, as a band by "sensor", and what follows is decided there; when it is
  explained, that is taken back.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, LightNote
from studiobridge.craft.chroma import Colour
from studiobridge.figures import meter
from studiobridge.figures.face import Face, Whole
from studiobridge.profile.model import FIXTURES, Point, Preset, Value, figure

# A reading older than this (s) says what the light was. Sensors report every few seconds.
FRESH_FOR = 60.0
# Somebody who walks by, or reaches in, is gone after this (s); what lasts is no shadow of theirs.
STEADY_FOR = 15.0
# ... and within this share of the reading it is steady: some times what a sensor repeats to.
STEADY = 0.06
# A reading in the dark set is about the daylight there is for so long (s).
DARK_HOLDS = 30 * 60.0
# How far the light may be off (stops) where the profile does not say: what a face shows.
TOLERANCE = 0.25
# LEDs lose up to about a tenth while they warm up (common practice): stops.
WARMING = 0.15
# A change is over in the record when it is this share of what is allowed: no entry each time it
# flickers about that.
BACK_SHARE = 0.8


@dataclass(slots=True)
class Reading:
    """The last fresh words of a sensor, since when it is steady, and what it is held against."""

    lux: float | None = None
    cct: float | None = None
    cct_at: float = float("-inf")
    at: float = float("-inf")
    steady_since: float = float("-inf")
    steady_from: tuple[float, float] = (0.0, 0.0)
    dark: tuple[float, float] | None = None
    stand: meter.Stand | None = None
    # of lights that say nothing: at what level (%) they stood then, by a person's word or as told
    bases: dict[str, float] = field(default_factory=dict)
    warm: bool = False
    # what no light explains, however little, when it was last judged
    change: meter.Moved | None = None
    # ... and where it is too much: with the lights that could, shown and judged together
    moved: meter.Moved | None = None
    could: tuple[str, ...] = ()
    # how far it may be off (stops), and how what was too much ended, if it did
    allowed: float = TOLERANCE
    over: Literal["returned", "compared anew", "powered down"] = "returned"
    # it is in the record that there is such a change
    noted: bool = False


@dataclass(frozen=True, slots=True)
class Finding:
    """A light that must have moved, and from what to what level (%) it is by the sensors."""

    device: str
    low: float
    high: float


@dataclass(slots=True)
class Metering:
    """All light sensors of a set. Asks the desk; the controller carries its findings to belief."""

    desk: Desk
    of: dict[str, Reading] = field(default_factory=dict)
    faces: dict[str, Face] = field(default_factory=dict)
    # what the references are of: another look, session or word about a dial ends them
    signature: object = None
    _said: list[object] = field(default_factory=list)
    _words: dict[str, float] = field(default_factory=dict)
    # the lights as they were believed when last looked at, and when that last changed
    _before: object = None
    _changed_at: float = float("-inf")

    def __post_init__(self) -> None:
        for device in meter.sensors(self.desk.profile):
            self.of[device.name] = Reading()
            self.faces[device.name] = Face(self.desk.profile, sensor=device)

    # ---- what comes in -------------------------------------------------------------------

    def hear(self, name: str, point: Point, value: Value, kept: bool, at: float) -> None:
        """A report of any device: of a sensor it is a reading, if it is fresh."""
        reading = self.of.get(name)
        if reading is None or kept or point not in ("lux", "cct"):
            return
        if not (math.isfinite(figure(value)) and figure(value) >= 0):
            return  # not a number, or negative: no sensor reads that
        if point == "cct":
            reading.cct, reading.cct_at = figure(value), at
            return
        lux = figure(value)
        low, high = reading.steady_from
        low, high = min(low, lux), max(high, lux)
        if at - reading.at > FRESH_FOR or high - low > STEADY * max(high, 1.0):
            reading.steady_since, low, high = at, lux, lux
        reading.steady_from = (low, high)
        reading.lux, reading.at = lux, at
        steady_at = reading.steady_since + STEADY_FOR
        self.desk.wake("metering", steady_at if steady_at > at else at + FRESH_FOR + 1.0)

    def fresh(self, name: str, at: float) -> bool:
        reading = self.of[name]
        return reading.lux is not None and 0.0 <= at - reading.at <= FRESH_FOR

    def white(self, name: str, at: float) -> float | None:
        """What a sensor says of the white now (K); None where it has not said so lately."""
        reading = self.of[name]
        return reading.cct if 0.0 <= at - reading.cct_at <= FRESH_FOR else None

    def _steady(self, name: str, at: float) -> bool:
        return self.fresh(name, at) and at - self.of[name].steady_since >= STEADY_FOR - 1e-6

    # ---- what is believed of the lights --------------------------------------------------

    def now(self) -> dict[str, Preset]:
        """Every light as it is believed: as reported, else as its look has it; dark without
        mains."""
        beliefs = self.desk.beliefs
        found: dict[str, Preset] = {}
        for name, device in self.desk.profile.devices.items():
            if device.kind not in FIXTURES:
                continue
            preset = self.desk.presets.get(name, Preset())
            belief = beliefs.of[name]
            level, cct, colour = preset.level, preset.cct, preset.colour
            if "level" in belief.hears:
                said = belief.said("was it so", "level")
                level = level if said is None else figure(said)
            if not belief.hears.isdisjoint(("cct", "colour")):
                white = belief.said("was it so", "cct")
                if isinstance(white, Colour):  # a fixture of whites and colours, in a colour now
                    cct, colour = None, white
                elif white is not None and belief.coloured is not True:
                    cct, colour = figure(white), None
            if not beliefs.may_be_on(name):
                level = 0.0
            if level is not None:
                found[name] = Preset(level, cct, colour)
        return found

    def mute(self) -> list[str]:
        """Lights of which nothing proves now how bright they are."""
        beliefs = self.desk.beliefs
        found = []
        for name, device in self.desk.profile.devices.items():
            if device.kind not in FIXTURES or (device.kind == "backdrop" and device.glow is None):
                continue
            belief = beliefs.of[name]
            if beliefs.surely_off(name):
                continue
            if "level" in belief.hears:
                if beliefs.surely_heard(name) and belief.word("is it there", "level") is not None:
                    continue
            else:
                wanted = self.desk.presets.get(name, Preset()).level
                if wanted is not None and belief.agrees("level", wanted):
                    continue  # its watts, or the camera, prove it
            found.append(name)
        return found

    def predicted(self, name: str) -> Whole | None:
        """What a sensor should read with the lights as they are believed now; None where one of
        them is coloured."""
        face, now = self.faces[name], self.now()
        return None if meter.coloured_on(face, now) else face.whole(now)

    # ---- what follows --------------------------------------------------------------------

    def look(
        self, at: float, state: str, session: object, warm_at: float | None
    ) -> list[Finding] | None:
        """Readings may have come, or time passed. Returns the lights that must have moved.

        None: nothing could be judged now, and what was concluded before stands.
        """
        found = self._look(at, state, session, warm_at)
        for name, reading in self.of.items():
            self._note(name, reading, at)
        shown = [self._shown(name, at) for name in self.of]
        if shown != self._said:
            self._said = shown
            self.desk.emit(Announce(state=True, devices=frozenset(self.of)))
        return found

    def _note(self, name: str, reading: Reading, at: float) -> None:
        """What no light explains is recorded when it begins and ends, not each time it flickers."""
        change = reading.change
        if reading.moved is not None and not reading.noted:
            reading.noted = True
            note = LightNote(at, name, "begun", round(reading.moved.stops, 2), reading.could, "")
            self.desk.emit(note)
        elif reading.moved is None and reading.noted:
            near = change is not None and abs(change.stops) > BACK_SHARE * reading.allowed
            if reading.over == "returned" and near:
                return
            reading.noted = False
            self.desk.emit(LightNote(at, name, "over", None, (), reading.over))

    def _shown(self, name: str, at: float) -> object:
        """What is shown of a sensor, as fine as it is worth saying again."""
        reading = self.of[name]
        fine = round(20.0 * math.log2(max(reading.lux or 0.0, 0.01)))
        change = None if reading.moved is None else round(reading.moved.stops, 1)
        return (self.fresh(name, at), fine, change, reading.could)

    def _look(
        self, at: float, state: str, session: object, warm_at: float | None
    ) -> list[Finding] | None:
        if state == "dark":
            for name, reading in self.of.items():
                reading.stand = reading.change = reading.moved = None
                reading.over = "powered down"
                reading.could = ()
                if self.fresh(name, at) and reading.lux is not None:
                    reading.dark = (reading.lux, reading.at)
            return []
        if state not in ("ready", "adrift") or not self._quiet(at):
            return None
        self._sign(session)
        now, mute = self.now(), self.mute()
        if (now, self.signature) != self._before:
            self._before, self._changed_at = (now, self.signature), at
        # a reading from before a light changed says nothing of after
        steady = [
            name
            for name, reading in self.of.items()
            if self._steady(name, at) and reading.at > self._changed_at
        ]
        for name in steady:
            self._judge(name, at, state, now, mute, warm_at)
        for name, reading in self.of.items():
            if name not in steady and not self.fresh(name, at):
                reading.change = None  # nothing is known of what it would read now
        if not steady or any(r.moved and n not in steady for n, r in self.of.items()):
            return None  # what was concluded stands while a sensor that saw it is silent
        return self._findings(mute)

    def _quiet(self, at: float) -> bool:
        """Is nothing changing by our own doing, and has the light had time since?"""
        if self.desk.busy:
            return False
        return all(
            at >= self.desk.beliefs.of[name].quiet_until + STEADY_FOR
            for name, device in self.desk.profile.devices.items()
            if device.kind in FIXTURES
        )

    def _sign(self, session: object) -> None:
        """Another look, another session, another word about a dial: nothing is compared over it."""
        for name, belief in self.desk.beliefs.of.items():
            if belief.ticked is not None:
                # kept when the word ends: only a new one makes another comparison
                self._words[name] = belief.ticked.at
        words = tuple(self._words.items())
        signature = (session, self.desk.look, tuple(self.desk.presets.items()), words)
        if signature != self.signature:
            self.signature = signature
            for reading in self.of.values():
                reading.stand, reading.warm = None, False
                reading.change = reading.moved = None
                reading.could, reading.over = (), "compared anew"

    def _judge(
        self,
        name: str,
        at: float,
        state: str,
        now: Mapping[str, Preset],
        mute: list[str],
        warm_at: float | None,
    ) -> None:
        reading, face = self.of[name], self.faces[name]
        assert reading.lux is not None
        warm = warm_at is not None and at >= warm_at
        if reading.stand is None:
            if state == "ready":
                self._stand(name, at, now, warm)
            return
        reading.moved, reading.could, reading.over = None, (), "returned"
        change = reading.change = meter.moved(face, reading.stand, now, reading.lux)
        if change is None:
            return
        hold = self.desk.profile.picture.hold.face
        allowed = (TOLERANCE if hold is None else hold) + (0.0 if reading.warm else WARMING)
        reading.allowed = allowed
        if abs(change.stops) <= allowed or not change.sure:
            if warm and not reading.warm and state == "ready":
                self._stand(name, at, now, warm)
            return
        reading.moved = change
        reading.could = meter.suspects(face, reading.stand, change, mute).could

    def _stand(self, name: str, at: float, now: Mapping[str, Preset], warm: bool) -> None:
        reading = self.of[name]
        dark = reading.dark
        if dark is not None and at - dark[1] > DARK_HOLDS:
            dark = None
        if reading.stand is not None:
            kept = reading.stand.dark  # of the same session, when it was warm
        else:
            kept = None if dark is None else dark[0]
        assert reading.lux is not None
        if reading.stand is None:
            bases = {n: self._base(n) for n in now}
            reading.bases = {n: level for n, level in bases.items() if level is not None}
        reading.stand, reading.warm = meter.Stand(reading.lux, dict(now), kept), warm

    def _findings(self, mute: list[str]) -> list[Finding]:
        """What all sensors together make of it: none may see what another does not explain."""
        found: dict[str, Finding] = {}
        for name, reading in self.of.items():
            if reading.moved is None or reading.stand is None:
                continue
            face = self.faces[name]
            named = meter.suspects(face, reading.stand, reading.moved, mute).named
            base = None if named is None else reading.bases.get(named)
            if named is None or base is None:
                continue
            band = meter.band(face, named, base, reading.stand, reading.moved, mute)
            if band is not None:
                low, high = self._agreed(named, band, name, mute)
                if low > high:
                    return []  # two sensors contradict each other: it is not this light
                # whole percent: no finer than a sensor tells, and not another word every second
                found[named] = Finding(named, float(math.floor(low)), float(math.ceil(high)))
        # each of two lights would explain it as the only one: then it is neither for sure
        return list(found.values()) if len(found) == 1 else []

    def _agreed(
        self, lamp: str, band: tuple[float, float], by: str, mute: list[str]
    ) -> tuple[float, float]:
        """A band of one sensor, narrowed to what all others leave: from high to low where they
        contradict each other."""
        low, high = band
        for name, reading in self.of.items():
            base = reading.bases.get(lamp)
            if name == by or reading.change is None or reading.stand is None or base is None:
                continue
            seen = meter.band(self.faces[name], lamp, base, reading.stand, reading.change, mute)
            if seen is not None:
                low, high = max(low, seen[0]), min(high, seen[1])
        return low, high

    def _base(self, name: str) -> float | None:
        """The level (%) at which a light that says nothing stood: by a person's word, or as told.

        Where neither is so its part in the reading is not known, and no level follows.
        """
        belief = self.desk.beliefs.of[name]
        preset = self.desk.presets.get(name)
        if preset is None or preset.level is None:
            return None
        if belief.ticked is not None and belief.ticked.preset == preset:
            return preset.level
        return preset.level if "level" in belief.told else None

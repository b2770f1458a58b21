"""Watching what was brought up: drift opens, gets worse, closes.

The rules of drift:

- Only what was confirmed (or found so) is held: `wanted` says what each device should report.
- A report about a fade still under way, or an echo of the bridge's own command, is not drift
  (law 11): until a device has settled after a command, its reports are only remembered.
- A difference must last for the settle time. A device that can be asked is asked at once, so
  that the answer decides and not an old report.
- Where the profile holds the picture, the fixture that moved it most is drift too, even when it
  is within its own tolerance (picture.py).
- What the camera's picture contradicts is drift when a second look says so too: one frame alone may
  be of somebody who walks by (sight.py).
- A device that goes offline, or is silent for too long, drifts too, and is asked again by itself
  until it speaks. What hangs on a plug that was switched off does not: the plug does.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, DriftNote, HandNote
from studiobridge.control.evidence import BY, Gauged
from studiobridge.control.picture import Key, PictureWatch
from studiobridge.control.silence import Silence
from studiobridge.craft.chroma import Colour, apart, white_at
from studiobridge.craft.colour import is_white
from studiobridge.craft.grid import mired
from studiobridge.craft.light import level_stops
from studiobridge.profile.model import LIGHT, Device, Point, Value, figure

How = Literal["returned", "restored", "kept", "powered down", "changed look"]

# A drift that has grown by this factor since it was last noted is noted again.
WORSE_BY = 1.25


@dataclass(frozen=True, slots=True)
class Distance:
    """How far a report is from what is wanted, in the trade's terms.

    `stops` of light (None when one of the two is dark), `mired` (positive is warmer),
    `percent` points of level, `shift` of colour in Δu′v′.
    """

    stops: float | None = None
    mired: float | None = None
    percent: float | None = None
    shift: float | None = None

    @property
    def size(self) -> float:
        """One number to tell worse from less bad: tolerance-free, larger is worse."""
        if self.shift is not None:
            return abs(self.shift)
        if self.mired is not None:
            return abs(self.mired)
        if self.stops is not None:
            return abs(self.stops)
        return abs(self.percent) if self.percent is not None else 0.0


def distance(device: Device, point: Point, wanted: Value, said: Value) -> Distance:
    """How far `said` is from `wanted`."""
    if point == "level":
        return Distance(
            stops=level_stops(device.dimmer, figure(wanted), figure(said)),
            percent=figure(said) - figure(wanted),
        )
    if isinstance(wanted, Colour) or isinstance(said, Colour):
        ours, theirs = _chroma(wanted), _chroma(said)
        return Distance(shift=None if ours is None or theirs is None else apart(ours, theirs))
    if point == "cct" and float(said) > 0:
        return Distance(mired=mired(float(said)) - mired(float(wanted)))
    return Distance()


def nearest(band: Gauged, point: Point, wanted: Value) -> Value:
    """The value of a band nearest to what is wanted: it has moved at least so far."""
    if point == "switch":
        return bool(band.low)
    return min(max(figure(wanted), band.low), band.high)


def _chroma(value: Value) -> Colour | None:
    """A colour, or that of a white (K); None where there is no such white."""
    if isinstance(value, Colour):
        return value
    return white_at(value) if is_white(value) else None


@dataclass(slots=True)
class Drift:
    """An open drift entry."""

    number: int
    device: str
    point: Point
    wanted: Value | None
    reported: Value | None
    since: float
    by: Distance
    worst_reported: Value | None
    worst: Distance
    restoring: bool = False
    # what another instrument makes of it; `reported` is then the end nearest to what is wanted
    band: Gauged | None = None
    # where it may be one of several, these; `device` is then all of them, "rim or edge-left"
    perhaps: tuple[str, ...] = ()
    why: str = ""

    def said(self, worst: bool) -> Value | str | None:
        """What it reports (or did at its worst), or in words what another instrument says."""
        if self.perhaps:
            return self.why
        if self.band is not None:
            return f"{self.band} by {BY[self.band.by]}"
        return self.worst_reported if worst else self.reported

    @property
    def devices(self) -> frozenset[str]:
        return frozenset(self.perhaps or (self.device,))


class Entries:
    """The list of open drifts, each noted as it opens, gets worse and closes."""

    def __init__(self, desk: Desk, next_drift: int) -> None:
        self.desk = desk
        self.drifts: dict[Key, Drift] = {}
        self._next = next_drift
        self._opened: list[Drift] = []

    def take_opened(self) -> list[Drift]:
        """What was opened since this was last asked."""
        opened, self._opened = self._opened, []
        return opened

    def has(self, name: str, *points: str) -> bool:
        """Has any of these points of a device (none named: any at all) an open entry?"""
        return any(n == name and (not points or p in points) for n, p in self.drifts)

    def open(
        self,
        key: Key,
        wanted: Value,
        said: Value | None,
        since: float,
        at: float,
        band: Gauged | None = None,
    ) -> None:
        if key in self.drifts:
            return
        name, point = key
        device = self.desk.profile.devices[name]
        by = Distance() if said is None else distance(device, point, wanted, said)
        drift = Drift(self._next, name, point, wanted, said, since, by, said, by, band=band)
        self._next += 1
        self.drifts[key] = drift
        if point in LIGHT:
            self.desk.beliefs.adrift.add(name)
        self._note(drift, at, "opened", "")
        self._opened.append(drift)
        ticked = self.desk.beliefs.of[name].ticked
        if band is not None and ticked is not None:
            # a person said it is as asked and an instrument says it is not: that word is over, in
            # the record too, and does not come back when the drift closes
            self.desk.beliefs.of[name].ticked = None
            self.desk.emit(HandNote(at, name, None, None, BY[band.by]))

    def doubt(self, name: str, lamps: tuple[str, ...], why: str, at: float) -> None:
        """One of these has changed, and nothing says which (doubts.py)."""
        nothing = Distance()
        drift = Drift(self._next, name, "level", None, None, at, nothing, None, nothing)
        drift.perhaps, drift.why = lamps, why
        self._next += 1
        self.drifts[name, "level"] = drift
        self.desk.beliefs.adrift.update(lamps)
        self._note(drift, at, "opened", "")
        self._opened.append(drift)

    def worse(
        self, drift: Drift, said: Value | None, at: float, band: Gauged | None = None
    ) -> None:
        """It reports something else that is not as wanted either."""
        if said is None or drift.wanted is None:
            return
        if said == drift.reported and band == drift.band:
            return
        drift.band = band
        drift.reported = said
        device = self.desk.profile.devices[drift.device]
        drift.by = distance(device, drift.point, drift.wanted, said)
        grown = drift.by.size > drift.worst.size * WORSE_BY
        if drift.by.size > drift.worst.size:
            drift.worst_reported, drift.worst = said, drift.by
        if grown:
            self._note(drift, at, "worse", "")
        self._announce(drift)

    def close(self, key: Key, at: float, how: How) -> None:
        drift = self.drifts.pop(key)
        for name in drift.devices:
            others = self.drifts.values()
            if not any(d.point in LIGHT and name in d.devices for d in others):
                self.desk.beliefs.adrift.discard(name)
        self._note(drift, at, "closed", how)

    def close_of(self, name: str, points: Collection[str], at: float, how: How) -> None:
        for key in [key for key in self.drifts if key[0] == name and key[1] in points]:
            self.close(key, at, how)

    def _note(
        self,
        drift: Drift,
        at: float,
        phase: Literal["opened", "worse", "closed"],
        how: How | Literal[""],
    ) -> None:
        over = phase == "closed"
        by = drift.worst if over else drift.by
        self.desk.emit(
            DriftNote(
                at,
                drift.number,
                phase,
                drift.device,
                drift.point,
                drift.wanted,
                drift.said(over),
                by.stops,
                by.mired,
                by.percent,
                how,
            )
        )
        self._announce(drift)

    def _announce(self, drift: Drift) -> None:
        # shown together, because the state counts the drifts and says what they did to the picture
        self.desk.emit(Announce(state=True, drift=True, devices=drift.devices))


class Watcher:
    """Compares what is believed with what is wanted. The caller looks at `entries` afterwards."""

    def __init__(self, desk: Desk, next_drift: int) -> None:
        self.desk = desk
        self.beliefs = desk.beliefs
        self.entries = Entries(desk, next_drift)
        self.picture = PictureWatch(desk)
        self.wanted: dict[str, dict[Point, Value]] = {}
        self.silence = Silence(desk, self.wanted)
        # devices that were wholly as wanted when last judged: a report that says so again is
        # not judged anew
        self.settled: set[str] = set()
        self._pending: dict[Key, float] = {}
        # of what the picture contradicts: when the frame was taken that did so first
        self._seen_first: dict[Key, float] = {}
        self._blamed: frozenset[Key] = frozenset()

    @property
    def drifts(self) -> dict[Key, Drift]:
        return self.entries.drifts

    # ---- what to hold --------------------------------------------------------------------

    def hold(self, name: str, points: dict[Point, Value], at: float) -> None:
        """From now on this device should report these values."""
        self.wanted.setdefault(name, {}).update(points)
        self.settled.discard(name)
        belief = self.beliefs.of[name]
        self.desk.wake(
            f"judge {name}", max(at, belief.quiet_until) + belief.device.tolerance.settle
        )
        self.silence.hold(name, at)

    def hold_whole_set(self, at: float, without: Collection[str]) -> None:
        """Hold everything the look in force calls for."""
        for name in self.beliefs.of:
            points = {} if name in without else self.desk.wanted_of(name)
            if points:
                self.hold(name, points, at)

    def let_go(self, at: float, how: How) -> None:
        """Hold nothing any more (a run-down)."""
        for key in list(self.drifts):
            self.entries.close(key, at, how)
        self.wanted.clear()
        self.settled.clear()
        self._blamed = frozenset()
        self._pending.clear()
        self.silence.let_go()

    def let_go_of(self, name: str, points: Collection[Point]) -> None:
        """Stop holding some points of a device: they are about to be set anew."""
        held = self.wanted.get(name, {})
        self.settled.discard(name)
        for point in points:
            held.pop(point, None)
            self._pending.pop((name, point), None)

    def unproven(self, differing: bool = True, gauged: bool = True) -> dict[str, str]:
        """Essential devices that are not proven to be as wanted (law 7), each with a sentence.

        `differing` False: only those not heard, or not since they were told. What is heard and
        differs is drift, and is opened as that. `gauged` False: only what reports have to prove.
        """
        found: dict[str, str] = {}
        for name, points in self.wanted.items():
            if not self.desk.profile.devices[name].essential:
                continue
            preset = self.desk.presets.get(name)
            why = self.beliefs.why_unheard(name, points, differing)
            if why is None and gauged:
                why = self.beliefs.why_not_gauged(name, points, differing, preset)
            if why is not None:
                found[name] = why
        return found

    def ungauged(self) -> dict[str, str]:
        """Essential devices that the instrument of their profile does not prove, each with why."""
        found: dict[str, str] = {}
        for name, points in self.wanted.items():
            preset = self.desk.presets.get(name)
            why = self.beliefs.why_not_gauged(name, points, True, preset)
            if why is not None and self.desk.profile.devices[name].essential:
                found[name] = why
        return found

    def awaits_gauge(self, names: Collection[str] | None = None) -> list[str]:
        """Essential devices, or any of these, of which an instrument has yet to say something."""
        beliefs, devices = self.beliefs, self.desk.profile.devices
        return [
            name
            for name, points in self.wanted.items()
            if (devices[name].essential if names is None else name in names)
            and name not in self.desk.busy
            and beliefs.awaits_gauge(name, points, self.desk.presets.get(name))
        ]

    # ---- judging -------------------------------------------------------------------------

    def reported(self, name: str, point: Point, said: Value, at: float) -> None:
        """A report came in. Most say again what is wanted: those end here."""
        if name in self.settled and not (self.picture.holds and name in self.picture.fixtures):
            belief = self.beliefs.of[name]
            wanted = self.wanted[name].get(point)
            # of one that is either, a word of its white may unsay the colour that is wanted
            other = wanted is None and point != "online"
            if said == wanted or (other and not (belief.device.either and point in LIGHT)):
                return
            quiet = at >= belief.quiet_until
            if wanted is not None and quiet and belief.same(point, wanted, said):
                return
        self.judge(name, at)

    def judge(self, name: str, at: float) -> None:
        """Compare what is believed of this device with what is wanted of it."""
        self.settled.discard(name)
        held = self.wanted.get(name)
        if not held or not self.desk.drift_opens or name in self.desk.busy:
            return
        belief = self.beliefs.of[name]
        if at < belief.quiet_until:
            self.desk.wake(f"judge {name}", belief.quiet_until)
            return
        if not self.beliefs.powered(name):
            for point in held:
                self._pending.pop((name, point), None)
            return
        silent = belief.silent_since is not None
        if "online" in held or silent or belief.gone or (name, "online") in self.drifts:
            there = not silent and not belief.gone
            self._compare(name, "online", True, there, None if silent else False, at)
        if belief.gone:
            return
        if "switch" in held and not self._judge_point(name, "switch", held["switch"], at):
            return
        if self.picture.holds and name in self.picture.fixtures:
            self._reblame(name, at)
        same = True
        for point in LIGHT:
            if point in held:
                same &= self._judge_point(name, point, held[point], at)
        if same and not silent and (name, "online") not in self.drifts:
            self.settled.add(name)

    def _reblame(self, name: str, at: float) -> None:
        """Who moved the picture may have changed with this report: judge the others concerned."""
        before, self._blamed = self._blamed, self.picture.blamed()
        for other in sorted({other for other, _ in before ^ self._blamed} - {name}):
            self.desk.wake(f"judge {other}", at)

    def _judge_point(self, name: str, point: Point, wanted: Value, at: float) -> bool:
        belief = self.beliefs.of[name]
        if point not in belief.hears:
            return self._judge_band(name, point, wanted, at)
        said = belief.said("has it moved", point)
        if said is None:
            return True  # nothing heard since it was last told
        same = belief.same(point, wanted, said) and (name, point) not in self._blamed
        if name in self.beliefs.stepped and point in ("level", "cct"):
            same = same and belief.exactly(point, wanted, said)
        self._compare(name, point, wanted, same, said, at)
        return same

    def _judge_band(self, name: str, point: Point, wanted: Value, at: float) -> bool:
        """What it cannot say itself: only a band that lies wholly outside is drift."""
        belief = self.beliefs.of[name]
        band = belief.band("has it moved", point)
        if band is None:
            return True
        same = belief.agrees(point, wanted) is not False
        if not same:
            # dark by its watts may be off at its plug, whatever that said last
            for above in self.desk.feeds.line[name][:1]:
                if self.beliefs.of[above].asked_at < at - self.desk.profile.patience.reply:
                    self.desk.ask(at, above)
        self._compare(name, point, wanted, same, nearest(band, point, wanted), at, band)
        return same

    def _compare(
        self,
        name: str,
        point: Point,
        wanted: Value,
        same: bool,
        said: Value | None,
        at: float,
        band: Gauged | None = None,
    ) -> None:
        key = (name, point)
        drift = self.drifts.get(key)
        if same:
            self._pending.pop(key, None)
            if drift is not None:
                self.entries.close(key, at, "restored" if drift.restoring else "returned")
            return
        if drift is not None:
            self.entries.worse(drift, said, at, band)
            return
        settle = self.desk.profile.devices[name].tolerance.settle
        since = self._pending.get(key)
        if since is None:
            self._pending[key] = since = at
            if band is not None:
                self._seen_first[key] = band.at
            if self.beliefs.of[name].asked_at < at - self.desk.profile.patience.reply:
                self.desk.ask(at, name)
        if at - since + 1e-6 >= settle:
            if band is not None and band.by == "picture" and band.at <= self._seen_first[key]:
                return  # the next look brings us here again
            del self._pending[key]
            self.entries.open(key, wanted, said, since, at, band)
        else:
            self.desk.wake(f"judge {name}", since + settle)

    def judge_now(self, at: float) -> None:
        """Judge everything at once, without settling: the end of a run, or of listening."""
        for name, held in self.wanted.items():
            belief = self.beliefs.of[name]
            if not self.beliefs.powered(name) or name in self.desk.busy:
                continue
            silent = belief.silent_since is not None
            if silent or belief.gone:
                self.entries.open((name, "online"), True, None if silent else False, at, at)
            if belief.gone:
                continue
            for point, wanted in held.items():
                said = None if point == "online" else belief.said("has it moved", point)
                band = belief.band("has it moved", point)
                differs = said is not None and not belief.same(point, wanted, said)
                if band is not None and point not in belief.hears:
                    said = nearest(band, point, wanted)
                    differs = belief.agrees(point, wanted) is False
                if differs:
                    self._pending.pop((name, point), None)
                    self.entries.open((name, point), wanted, said, at, at, band)
                    if point == "switch":
                        break

    def outlived(self, names: Collection[str], at: float) -> None:
        """The mains of these came or went: what is held of them has to be heard anew."""
        held = [n for n in sorted(names) if n in self.wanted and not self.beliefs.of[n].spoke]
        self.settled.difference_update(held)
        self.silence.seek_soon(held, at)

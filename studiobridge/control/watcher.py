"""Watching what was brought up: drift opens, gets worse, closes.

The rules of drift:

- Only what was confirmed (or found so) is held: `wanted` says what each device should report.
- A report about a fade still under way, or an echo of the bridge's own command, is not drift
  (law 11): until a device has settled after a command, its reports are only remembered.
- A difference must last for the settle time. A device that can be asked is asked at once, so
  that the answer decides and not an old report.
- Where the profile holds the picture, the fixture that moved it most is drift too, even when
  it is within its own tolerance (see picture.py).
- A device that goes offline, or is silent for too long, drifts too. What hangs on a plug that
  was switched off does not: the plug does.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, DriftNote
from studiobridge.control.holding import Distance, Drift, distance, matches
from studiobridge.control.known import NEVER, wanted_points
from studiobridge.control.picture import PictureWatch
from studiobridge.profile.model import Point, Value

How = Literal["returned", "restored", "kept", "powered down", "changed look"]
Key = tuple[str, Point]

# A drift that has grown by this factor since it was last noted is noted again.
WORSE_BY = 1.25


class Watcher:
    """Compares reports with what is wanted and keeps the list of open drifts."""

    def __init__(
        self,
        desk: Desk,
        next_drift: int,
        busy: Callable[[str], bool],
        opened: Callable[[Drift, float], None],
        emptied: Callable[[float], None],
    ) -> None:
        self.desk = desk
        self.wanted: dict[str, dict[Point, Value]] = {}
        self.drifts: dict[Key, Drift] = {}
        # devices of which every point was as wanted when last judged: the quick way through
        self.settled: set[str] = set()
        self._pending: dict[Key, float] = {}
        self.picture = PictureWatch(desk)
        self._blamed: frozenset[Key] = frozenset()
        self._next = next_drift
        self._busy = busy
        self._opened = opened
        self._emptied = emptied

    # ---- what to hold -------------------------------------------------------------------

    def hold(self, name: str, points: dict[Point, Value], at: float) -> None:
        """From now on this device should report these values."""
        held = self.wanted.setdefault(name, {})
        held.update(points)
        self.settled.discard(name)
        known = self.desk.truth.devices[name]
        self.desk.wake(f"judge {name}", max(at, known.quiet_until) + known.device.tolerance.settle)
        if known.device.poll is not None and known.device.can_ask:
            self.desk.wake(f"poll {name}", at + known.device.poll)
        silent_after = self._silent_after(name)
        if silent_after is not None:
            self.desk.wake(f"quiet {name}", at + silent_after)

    def hold_whole_set(self, at: float, without: set[str]) -> None:
        """Hold everything the look in force calls for."""
        feeds = self.desk.feeds
        for name, known in self.desk.truth.devices.items():
            if name in without or known.device.wire is None:
                continue
            points: dict[Point, Value] = {}
            if "online" in known.hears:
                points["online"] = True
            preset = self.desk.presets.get(name)
            if name in feeds.switches:
                points["switch"] = True
            elif known.device.fixture:
                if preset is not None:
                    points.update(wanted_points(known, preset))
                    if "switch" in known.tells:
                        points["switch"] = True
            elif "switch" in known.tells:
                points["switch"] = True
            if points:
                self.hold(name, points, at)

    def let_go(self, at: float, how: How) -> None:
        """Hold nothing any more (a run-down)."""
        for key in list(self.drifts):
            self.close(key, at, how, quietly=True)
        self.wanted.clear()
        self.settled.clear()
        self._blamed = frozenset()
        self._pending.clear()

    def let_go_of(self, name: str, points: set[Point]) -> None:
        """Stop holding some points of a device: they are about to be set anew."""
        held = self.wanted.get(name)
        self.settled.discard(name)
        for point in points:
            if held is not None:
                held.pop(point, None)
            self._pending.pop((name, point), None)

    # ---- judging ------------------------------------------------------------------------

    def _silent_after(self, name: str) -> float | None:
        device = self.desk.profile.devices[name]
        if device.silent_after is not None:
            return device.silent_after
        if device.poll is not None and device.can_ask:
            return 3 * device.poll
        return None

    def reported(self, name: str, point: Point, said: Value, at: float) -> None:
        """A report came in. Most say again what is wanted: those end here."""
        if name in self.settled:
            known = self.desk.truth.devices[name]
            wanted = self.wanted[name].get(point)
            pictured = self.picture.holds and name in self.picture.fixtures
            if not pictured and (said == wanted or (wanted is None and point != "online")):
                return
            if (
                not pictured
                and wanted is not None
                and at >= known.quiet_until
                and matches(known.device, known.grids.get(point), point, wanted, said)
            ):
                return
        self.judge(name, at)

    def _reblame(self, name: str, at: float) -> None:
        """Who moved the picture may have changed with this report: judge the others concerned."""
        before, self._blamed = self._blamed, self.picture.blamed()
        for other, _ in before ^ self._blamed:
            if other != name:
                self.desk.wake(f"judge {other}", at)

    def judge(self, name: str, at: float) -> None:
        """Compare what this device last reported with what is wanted of it."""
        self.settled.discard(name)
        held = self.wanted.get(name)
        if not held or not self.desk.drift_opens or self._busy(name):
            return
        known = self.desk.truth.devices[name]
        if at < known.quiet_until:
            self.desk.wake(f"judge {name}", known.quiet_until)
            return
        if not self.desk.truth.powered(name):
            for point in held:
                self._pending.pop((name, point), None)
            return
        gone = known.silent or known.values.get("online") is False
        if "online" in held or gone or (name, "online") in self.drifts:
            self._compare(name, "online", True, not gone, None if known.silent else False, at)
        if known.values.get("online") is False:
            return
        if "switch" in held and not self._judge_point(name, "switch", held["switch"], at):
            return
        if self.picture.holds and name in self.picture.fixtures:
            self._reblame(name, at)
        same = True
        for point in ("level", "cct"):
            if point in held:
                same &= self._judge_point(name, point, held[point], at)
        if same and not known.silent and (name, "online") not in self.drifts:
            self.settled.add(name)

    def _judge_point(self, name: str, point: Point, wanted: Value, at: float) -> bool:
        known = self.desk.truth.devices[name]
        if point in known.value_at:
            at_value = known.value_at[point]
            if at_value < known.told_at.get(point, NEVER):
                return True  # nothing heard since it was last told
        elif point not in known.kept:
            return True
        said = known.values[point]
        same = matches(known.device, known.grids.get(point), point, wanted, said)
        same = same and (name, point) not in self._blamed
        self._compare(name, point, wanted, same, said, at)
        return same

    def _compare(
        self, name: str, point: Point, wanted: Value, same: bool, said: Value | None, at: float
    ) -> None:
        key = (name, point)
        if same:
            self._pending.pop(key, None)
            drift = self.drifts.get(key)
            if drift is not None:
                self.close(key, at, "restored" if drift.restoring else "returned")
            return
        device = self.desk.profile.devices[name]
        drift = self.drifts.get(key)
        if drift is not None:
            self._worse(drift, said, at)
            return
        since = self._pending.get(key)
        if since is None:
            self._pending[key] = since = at
            known = self.desk.truth.devices[name]
            if known.asked_at < at - self.desk.profile.patience.reply:
                self.desk.ask(at, name)
        if at - since + 1e-6 >= device.tolerance.settle:
            self.open(key, wanted, said, since, at)
        else:
            self.desk.wake(f"judge {name}", since + device.tolerance.settle)

    def judge_now(self, at: float, unheard: set[str]) -> None:
        """Judge everything at once, without settling: the end of a run, or of listening.

        `unheard`: devices that should have been heard and were not.
        """
        for name in list(self.wanted):
            known = self.desk.truth.devices[name]
            if name in unheard:
                known.silent = True
            if not self.desk.truth.powered(name) or self._busy(name):
                continue
            held = self.wanted[name]
            gone = known.silent or known.values.get("online") is False
            if gone:
                self._open_if_new(name, "online", True, None if known.silent else False, at)
            if known.values.get("online") is False:
                continue
            for point, wanted in held.items():
                if point == "online" or (point not in known.value_at and point not in known.kept):
                    continue
                if known.value_at.get(point, NEVER) < known.told_at.get(point, NEVER):
                    continue
                said = known.values[point]
                grid = known.grids.get(point)
                if not matches(known.device, grid, point, wanted, said):
                    self._open_if_new(name, point, wanted, said, at)
                    if point == "switch":
                        break

    def _open_if_new(
        self, name: str, point: Point, wanted: Value, said: Value | None, at: float
    ) -> None:
        if (name, point) not in self.drifts:
            self.open((name, point), wanted, said, at, at)

    def quiet(self, name: str, at: float) -> None:
        """Has this device been silent for too long?"""
        silent_after = self._silent_after(name)
        if name not in self.wanted or silent_after is None:
            return
        known = self.desk.truth.devices[name]
        last = max(known.heard_at, known.mains_since)
        if not self.desk.truth.powered(name) or at - last < silent_after:
            self.desk.wake(f"quiet {name}", max(last + silent_after, at + 1.0))
            return
        reply = self.desk.profile.patience.reply
        if known.device.can_ask and known.asked_at < last + silent_after:
            self.desk.ask(at, name)
            self.desk.wake(f"quiet {name}", at + known.device.answers_in + reply)
            return
        if not known.silent:
            known.silent = True
            self.judge(name, at)
        self.desk.wake(f"quiet {name}", at + silent_after)

    def poll(self, name: str, at: float) -> None:
        known = self.desk.truth.devices[name]
        if name not in self.wanted or known.device.poll is None:
            return
        self.desk.ask(at, name)
        self.desk.wake(f"poll {name}", at + known.device.poll)

    # ---- entries ------------------------------------------------------------------------

    def open(self, key: Key, wanted: Value, said: Value | None, since: float, at: float) -> None:
        name, point = key
        self._pending.pop(key, None)
        device = self.desk.profile.devices[name]
        by = Distance() if said is None else distance(device, point, wanted, said)
        drift = Drift(self._next, name, point, wanted, said, since, by, said, by)
        self._next += 1
        self.drifts[key] = drift
        if point in ("level", "cct"):
            self.desk.truth.adrift.add(name)
        self._note(drift, at, "opened", "")
        self._opened(drift, at)

    def _worse(self, drift: Drift, said: Value | None, at: float) -> None:
        if said is None or said == drift.reported:
            return
        device = self.desk.profile.devices[drift.device]
        drift.reported = said
        drift.by = distance(device, drift.point, drift.wanted, said)
        if drift.by.size > drift.worst.size * WORSE_BY:
            drift.worst_reported, drift.worst = said, drift.by
            self._note(drift, at, "worse", "")
        elif drift.by.size > drift.worst.size:
            drift.worst_reported, drift.worst = said, drift.by
        self.desk.emit(Announce(drift=True, devices=frozenset((drift.device,))))

    def close(self, key: Key, at: float, how: How, quietly: bool = False) -> None:
        """Close an entry; `quietly` when the state of the set changes for another reason."""
        drift = self.drifts.pop(key)
        if not any(other == key[0] and p in ("level", "cct") for other, p in self.drifts):
            self.desk.truth.adrift.discard(key[0])
        self._note(drift, at, "closed", how)
        if not self.drifts and not quietly:
            self._emptied(at)

    def _note(
        self,
        drift: Drift,
        at: float,
        phase: Literal["opened", "worse", "closed"],
        how: How | Literal[""],
    ) -> None:
        by = drift.worst if phase == "closed" else drift.by
        self.desk.emit(
            DriftNote(
                at,
                drift.number,
                phase,
                drift.device,
                drift.point,
                drift.wanted,
                drift.worst_reported if phase == "closed" else drift.reported,
                by.stops,
                by.mired,
                by.percent,
                how,
            )
        )
        self.desk.emit(Announce(drift=True, devices=frozenset((drift.device,))))

"""What was measured as lines for a profile: only what is sure, with the spread it was seen in.

What is not sure is not proposed, and a sentence says why and what to do about it.
"""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from studiobridge.meeting.measuring import Measured, Over
from studiobridge.meeting.subject import Subject

# A figure needs so many measurements at least before it is proposed.
ENOUGH = 3
# Of a boot or an answer the most that was seen is proposed: what is too short costs a retry.
# Where the longest is this many times the median, it is not one figure.
STRAYS = 3.0
# A lamp that takes this much more or less at the same level on the way down is still warming up
# (common practice: a LED loses 2 to 5 % in its first half hour), or something else moved.
WARMS = 0.01
# A meter has to tell at least so many levels apart between dark and full, or its table proves
# nothing.
TELLS = 25
# A light that says a level within (%) of the one it was left at has come back as it was.
SAME_LEVEL = 1.5
# What a small supply takes when it is switched on, in times of what it takes running (common
# practice: 10 to 20 times; no source).
INRUSH_TIMES = 15.0
# What is learned of a step: levels that are told 0.3 to 0.5 % apart.
FINEST = 0.45


@dataclass(frozen=True, slots=True)
class Line:
    """One key of a device in a profile, its text, and the sentence that stands behind it."""

    key: str
    text: str
    why: str
    # by level, where it is a table
    table: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True)
class Conclusions:
    lines: tuple[Line, ...]
    # what is worth a comment and is written nowhere
    comments: tuple[str, ...]
    # what is not proposed, and why
    unsure: tuple[str, ...]
    spread: Mapping[str, Mapping[str, float]] = field(default_factory=dict)


def conclusions(subject: Subject, measured: Measured, over: Over) -> Conclusions:
    """What of this is worth a line. Nothing where it was stopped: half a table is none."""
    made = _Made(subject, measured)
    if over.why is None:
        made.all()
    return Conclusions(tuple(made.lines), tuple(made.comments), tuple(made.unsure), made.spread)


def as_dict(found: Conclusions) -> dict[str, object]:
    """For a program, and for who puts it in words."""
    return {
        "lines": [{"key": one.key, "text": one.text, "why": one.why} for one in found.lines],
        "comments": list(found.comments),
        "unsure": list(found.unsure),
        "spread": {key: dict(of) for key, of in found.spread.items()},
    }


class _Made:
    def __init__(self, subject: Subject, measured: Measured) -> None:
        self.subject = subject
        self.measured = measured
        self.lines: list[Line] = []
        self.comments: list[str] = []
        self.unsure: list[str] = list(subject.without)
        self.spread: dict[str, dict[str, float]] = {}

    def all(self) -> None:
        plug_itself = self.subject.name == self.subject.plug
        self._time(
            "answers_in", self.measured.plug_answers if plug_itself else self.measured.answers
        )
        if not plug_itself:
            self._boots()
            self._comes_back()
            self._watts()
            self._inrush()
            self._step()

    # ---- times -----------------------------------------------------------------------------

    def _time(self, key: str, seen: Sequence[float]) -> None:
        if len(seen) < ENOUGH:
            times = "once" if len(seen) == 1 else f"{len(seen)} times"
            self.unsure.append(f"{key}: it answered {times}, and {ENOUGH} are too few to tell")
            return
        median = statistics.median(seen)
        self.spread[key] = _spread(seen)
        if max(seen) > STRAYS * median and max(seen) - median > 0.5:
            self.unsure.append(
                f"{key}: {min(seen):.2g} to {max(seen):.2g} s is not one figure; check its network"
            )
            return
        seconds = max(0.1, math.ceil(max(seen) * 10.0 - 1e-6) / 10.0)
        why = f"median {median:.2f} s of {len(seen)}, {min(seen):.2f} to {max(seen):.2f} s"
        self.lines.append(Line(key, f"{seconds:g} s", why))

    def _boots(self) -> None:
        if self.subject.plug is None:
            return
        if self.measured.silent_boots:
            self.unsure.append(
                f"boots_in: {self.measured.silent_boots} times it said nothing after its mains"
                " came; kept messages do not count"
            )
            return
        if not self.subject.device.hears - {"watts"}:
            self.unsure.append("boots_in: it never speaks, so nothing says when it has booted")
            return
        self._time("boots_in", self.measured.boots)

    def _comes_back(self) -> None:
        seen = self.measured.came_back
        if not seen:
            return
        low, high = self.subject.device.level_range or (0.0, 100.0)
        said = (
            f"at {', '.join(f'{level:g} %' for level in sorted(set(seen)))} after {len(seen)} times"
        )
        if len(seen) < ENOUGH or max(seen) - min(seen) > SAME_LEVEL:
            self.unsure.append(f"comes_back: it came back {said}, which is not one way")
            return
        level = statistics.median(seen)
        how = "preset"
        if abs(level - self.measured.left_at) <= SAME_LEVEL:
            how = "last"
        elif abs(level - high) <= SAME_LEVEL:
            how = "full"
        elif level <= low + SAME_LEVEL:
            how = "dark"
        self.lines.append(
            Line("comes_back", how, f"left at {self.measured.left_at:g} %, it came back {said}")
        )

    # ---- watts -----------------------------------------------------------------------------

    def _watts(self) -> None:
        metered = self.measured.metered
        if self.subject.meter is None or not metered:
            return
        why = self._why_no_watts()
        if why is not None:
            self.unsure.append(why)
            return
        levels: dict[float, list[float]] = {}
        for one in metered:
            assert one.watts is not None
            levels.setdefault(one.level, []).append(one.watts - (self.measured.others_take or 0.0))
        table = tuple((level, round(statistics.mean(w), 2)) for level, w in sorted(levels.items()))
        if not self.subject.dims:
            self._on_and_off(levels)
            return
        if table[0][0] != 0.0 or table[-1][0] != 100.0:
            self.unsure.append("draws_at: its levels do not reach from 0 % to 100 %")
            return
        rising = [table[0]]
        step = meter_step(self.measured.samples)
        for level, watts in table[1:]:
            if watts - rising[-1][1] > step / 2:
                rising.append((level, watts))
            elif level == 100.0 or watts < rising[-1][1] - 2 * step:
                self.unsure.append("draws_at: what it takes does not rise with its level")
                return
        apart = max(max(w) - min(w) for w in levels.values())
        said = ", ".join(f"{level:g} %: {watts:g} W" for level, watts in rising)
        why_sure = f"metered by {self.subject.meter} up and down, {apart:.2g} W apart at most"
        if rising[0][1] == 0.0:
            why_sure += "; many meters read 0 below 1 to 2 W (common practice)"
        self.lines.append(Line("draws_at", f"{{{said}}}", why_sure, tuple(rising)))

    def _on_and_off(self, levels: Mapping[float, Sequence[float]]) -> None:
        on, off = levels.get(100.0, ()), levels.get(0.0, ())
        if on:
            self.lines.append(
                Line("draws", f"{statistics.mean(on):.4g} W", f"of {len(on)}, when it is on")
            )
        if off:
            self.lines.append(
                Line("standby", f"{statistics.mean(off):.3g} W", f"of {len(off)}, when it is off")
            )

    def _inrush(self) -> None:
        """Never a line: what it comes to by common practice, for who has no data sheet."""
        full = next((line.table[-1][1] for line in self.lines if line.table), None)
        if full is not None and self.subject.device.inrush == 0:
            amps = INRUSH_TIMES * full / self.subject.voltage
            self.comments.append(
                f"inrush: {amps:.2g} A would be {INRUSH_TIMES:.0f} times what it takes running"
                " (common practice is 10 to 20 times); it was not measured"
            )

    def _why_no_watts(self) -> str | None:
        """Why the watts that were metered are not this device's; None where they are."""
        subject, measured = self.subject, self.measured
        key = "draws_at" if subject.dims else "draws"
        if measured.disturbed:
            moved = ", ".join(sorted(set(measured.disturbed)))
            return f"{key}: {moved} on {subject.meter} changed meanwhile; measure when it rests"
        if measured.others_take is None:
            names = ", ".join(other.name for other in subject.others)
            return (
                f"{key}: {subject.meter} meters {names} too, and what that takes is not known:"
                " unplug it, and measure again"
            )
        unsettled = [one.level for one in measured.metered if one.watts is None]
        if unsettled:
            at = ", ".join(f"{level:g} %" for level in unsettled)
            return f"{key}: the meter did not settle at {at}"
        watts = [one.watts for one in measured.metered if one.watts is not None]
        step = meter_step(measured.samples)
        if (max(watts) - min(watts)) / step < TELLS:
            return (
                f"{key}: {subject.meter} tells {step:g} W apart, and between dark and full are"
                f" {max(watts) - min(watts):.3g} W: too coarse for a table"
            )
        by_level: dict[float, list[float]] = {}
        for one in measured.metered:
            if one.watts is not None:
                by_level.setdefault(one.level, []).append(one.watts)
        for level, seen in sorted(by_level.items(), reverse=True):
            if max(seen) - min(seen) > max(2.5 * step, WARMS * max(seen)):
                return (
                    f"{key}: at {level:g} % it took {seen[0]:.3g} W and then {seen[-1]:.3g} W: it"
                    " is still warming up, or something else on its plug moved; let it burn for"
                    " half an hour and measure again"
                )
        return None

    # ---- steps -----------------------------------------------------------------------------

    def _step(self) -> None:
        """A comment: its step is a matter of its dialect, and its span mostly says it."""
        said = sorted({round(reported, 3) for _, reported in self.measured.steps})
        if len(said) < ENOUGH or len(said) == len(self.measured.steps):
            return
        gaps = [b - a for a, b in itertools.pairwise(said)]
        step = min(gaps)
        if step > FINEST and all(abs(gap / step - round(gap / step)) < 0.15 for gap in gaps):
            self.comments.append(
                f"its levels come in steps of about {step:.2g} %: where its dialect has no span"
                f" that says so, give its level `step: {step:.2g} %`"
            )


def meter_step(samples: Sequence[float]) -> float:
    """The smallest difference a meter shows (W), by what it has said; 0.01 where it is finer."""
    distinct = sorted({round(sample, 3) for sample in samples})
    for step in (5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05):
        fits = all(abs(one / step - round(one / step)) < 1e-3 for one in distinct)
        if fits and len(distinct) >= ENOUGH:
            return step
    return 0.01


def _spread(seen: Sequence[float]) -> dict[str, float]:
    return {
        "count": len(seen),
        "median": round(statistics.median(seen), 3),
        "low": round(min(seen), 3),
        "high": round(max(seen), 3),
    }

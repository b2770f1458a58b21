"""What one small step of a light comes to: where it goes from, where to, and what came of it.

- Level goes in stops of light (by the dimmer of the fixture), white in mired; both add up, so the
  same step looks the same wherever the light stands.
- A step goes from what the light reports now, heard after whatever it was told last; from what it
  was told where it can never say so. Never from an old report.
- Where it ends is a value the fixture has: within its range, on its own grid. A step too small for
  that grid is one step of the grid in the same direction.
- A report confirms a step only where it is nearer to the new value than to the old one: the
  tolerances of drift are as wide as a step or wider, and would confirm what never happened.
"""

from __future__ import annotations

from studiobridge.control.acts import Run
from studiobridge.control.belief import Belief
from studiobridge.control.desk import Desk
from studiobridge.control.steps import say
from studiobridge.craft.chroma import Colour
from studiobridge.craft.grid import Grid, kelvin_of_mired, mired
from studiobridge.craft.light import level_stops
from studiobridge.profile.model import Device, Point, figure

# The largest step one request may ask for: stops and mired. A third of a stop is what a lens has
# between two marks of its ring; more is another look, and comes by its fade.
MOST: dict[Point, float] = {"level": 1 / 3 + 1e-3, "cct": 20.0}
# ... and the smallest (a thinner one could not be told from rounding): a fifth and a fifth of what
# the page sends.
LEAST: dict[Point, float] = {"level": 0.02, "cct": 1.0}
# So far (stops, mired) may be asked ahead of what is known: who sees nothing happen presses on, and
# all of it together would be a jump in somebody's eyes when it does.
AHEAD: dict[Point, float] = {"level": 1.0, "cct": 60.0}
# Two changes within this are no flash: WCAG 2.1, "general flash", from memory, counts changes of
# relative luminance of 10 % and more (0.138 stop).
NO_FLASH = 0.138
# Small steps of one light follow each other no faster than this (s): it takes two of them up and
# two down to make a tenth of the light, so what is seen never flashes faster than once a second.
STEP_EVERY = 0.25
ENDS: dict[Point, tuple[str, str]] = {
    "level": ("the least", "the most"),
    "cct": ("the coolest", "the warmest"),
}


class NoStep(Exception):
    """Why no step is made, for who asked; `code` is what the command ends with."""

    def __init__(self, text: str, code: int = 1) -> None:
        super().__init__(text)
        self.code = code


def stands(name: str, point: Point, desk: Desk) -> float:
    """How this point of a light stands now (percent, kelvin). Raises NoStep where nobody knows."""
    belief = desk.beliefs.of[name]
    if point not in belief.tells:
        what = "level" if point == "level" else "white"
        raise NoStep(f"{name} cannot be told its {what}", 2)
    if "switch" in belief.hears and belief.said("is it so", "switch") is not True:
        raise NoStep(f"{name} is not on: a step goes from light to light")
    mute = point in belief.device.mute
    stood = belief.told_now(point) if mute else belief.said("is it so", point)
    if stood is None:
        since = "since it was told" if belief.told_now(point) is not None else "yet"
        then = "; it is asked now, press again" if belief.device.can_ask else ""
        if not then and belief.told_now(point) is not None:
            then = "; `restore` tells it its preset"
        raise NoStep(f"{name} has not said its {point} {since}: nothing to step from{then}")
    if isinstance(stood, Colour) or (point == "cct" and belief.coloured):
        raise NoStep(f"{name} is coloured now: it has no white to step")
    return figure(stood)


def stepped(
    device: Device, grid: Grid | None, point: Point, start: float, by: float
) -> tuple[float, str]:
    """Where a step from `start` (%, K) by so many stops or mired ends, and which end that is.

    The second is empty, or in words the end of what this fixture does. Raises NoStep where it
    stands at that end already, or is dark.
    """
    by = by if abs(by) >= LEAST[point] else (LEAST[point] if by > 0 else -LEAST[point])
    low, high = _ends(device, point)
    if point == "level":
        if not low <= start <= high or device.dimmer.output(start) <= 0:
            raise NoStep(f"{device.name} is dark: a step goes from light to light")
        share = device.dimmer.output(start) * 2.0**by
        goal = device.dimmer.level(min(1.0, share))
    else:
        # a white that no fixture has: from the end of its own range
        goal = kelvin_of_mired(max(1.0, mired(min(max(start, low), high)) + by))
    goal = min(max(goal, low), high)
    up = (by > 0) == (point == "level")  # in percent or kelvin
    if grid is not None:
        goal = _on_grid(grid, start, goal, up)
        goal = min(max(goal, low), high)
    for edge in (low, high):
        goal = edge if abs(goal - edge) < 1e-6 else goal
    end = ENDS[point][by > 0]
    if not (goal > start + 1e-6 if up else goal < start - 1e-6):
        raise NoStep(f"{device.name} is at its end: {say(point, start)} is {end} it can")
    at_end = goal >= high - 1e-6 if up else goal <= low + 1e-6
    return goal, end if at_end else ""


def _ends(device: Device, point: Point) -> tuple[float, float]:
    """What this point of it can be; a level ends above dark, for a step never puts a light out."""
    if point == "cct":
        return device.cct_range or (1000.0, 25000.0)
    low, high = device.level_range or (0.0, 100.0)
    faintest = next((n / 10 for n in range(1, 1001) if device.dimmer.output(n / 10) > 0), 100.0)
    return max(low, faintest), high


def _on_grid(grid: Grid, start: float, goal: float, up: bool) -> float:
    """The value of the grid next to the goal, and at least one step away from the start."""
    found = grid.nearest(goal)
    if grid.step <= 0 or not grid.same(found, start):
        return found
    raw_up = up if grid.unit != "mired" else not up
    raw = grid.to_raw(grid.nearest(start)) + (grid.step if raw_up else -grid.step)
    return grid.from_raw(min(max(raw, grid.low), grid.high))


def apart(belief: Belief, point: Point, a: float, b: float) -> float:
    """How far two values of a light are from each other: stops of light, or mired."""
    if point == "cct":
        return abs(mired(a) - mired(b)) if a > 0 and b > 0 else float("inf")
    far = level_stops(belief.device.dimmer, a, b)
    return abs(far) if far is not None else (0.0 if a == b else float("inf"))


def pace(belief: Belief, point: Point, known: float, goal: float, slow: float) -> float:
    """How long after what it was told before this may be told (s): `slow` where it would flash."""
    told = belief.told_now(point)
    before = known if told is None else figure(told)
    small = point != "level" or apart(belief, point, before, goal) < NO_FLASH
    return STEP_EVERY if small else slow


def outcome(run: Run, desk: Desk) -> tuple[int, str, dict[str, object]]:
    """The code, the sentence and the details with which a step is answered."""
    step = run.steps[-1]
    name, phase, why = step.device, run.phase[-1], run.text[-1]
    assert step.preset is not None
    point: Point = "level" if step.preset.level is not None else "cct"
    value = getattr(step.preset, point)
    detail: dict[str, object] = {
        "run": run.number,
        "device": name,
        "outcome": phase,
        "why": why,
        point: round(value, 3),
        "took_s": round((run.ended_at or run.began) - run.began, 2),
    }
    if phase == "confirmed":
        code, text = 0, f"{name}: {say(point, value)}, confirmed by its own report"
    elif phase == "waited out":
        code, text = 0, f"{name}: {say(point, value)}, told; nothing confirms it"
    else:
        code, text = 1, why if why.startswith(name) else f"{name}: {why}"
        said = desk.beliefs.of[name].said("is it so", point)
        if "did not confirm" in why and said is not None:
            text = f"{name} was told {say(point, value)} and reports {say(point, said)}"
    if not exactly_wanted(name, desk):
        text += "; `keep` keeps it so, `restore` puts it back"
    return code, text, detail


def exactly_wanted(name: str, desk: Desk) -> bool:
    """Does this light stand as its look has it, by more than its tolerance: to its own grid?"""
    belief = desk.beliefs.of[name]
    for point, wanted in desk.wanted_of(name).items():
        if point not in ("level", "cct"):
            continue
        mute = point in belief.device.mute
        stood = belief.told_now(point) if mute else belief.said("is it so", point)
        if stood is None or not belief.exactly(point, wanted, stood):
            return False
    return True

"""Twenty odd devices on one broker, each met by a simulated person: `python -m tests.meeting.twenty`.

Every meeting is the whole conversation, from listening to the tell half, in virtual time, with all
the other gear speaking on the same broker. What was drafted is then put into a set profile, read
as any other, and has to control a fresh device: its true state follows, and its report says so.
"""

from __future__ import annotations

import argparse
import json
from dataclasses import dataclass, field, replace

from studiobridge.meeting.first_meeting import Meeting
from studiobridge.meeting.met import Acquaintance
from studiobridge.meeting.sketch import IT, Sketch
from studiobridge.meeting.telling import described
from studiobridge.profile.model import Point, Value
from studiobridge.profile.said import Report
from tests.meeting.gear import Gear, World
from tests.meeting.oddities import ODD, sisters, twenty

# what a drafted dialect is told, one after the other, to see whether the device follows
TOLD: tuple[tuple[Point, Value], ...] = (
    ("switch", False),
    ("switch", True),
    ("level", 20.0),
    ("level", 64.0),
    ("cct", 3600.0),
    ("cct", 5000.0),
)


@dataclass
class Row:
    """How it went with one device."""

    name: str
    odd: str
    answers: int = 0
    sent: int = 0
    took: float = 0.0
    points: dict[str, str] = field(default_factory=dict)
    good: bool = False
    as_found: bool = False
    others_moved: list[str] = field(default_factory=list)
    missing: tuple[str, ...] = ()
    trace: list[str] = field(default_factory=list)


def meet(name: str, alone: bool = False) -> tuple[Row, World]:
    """One device met, among all the others."""
    gear = twenty()
    at = gear[name]
    world = World([at] if alone else [*gear.values(), *sisters()], at, Meeting())
    who = world.run()
    row = Row(name, ODD[name], world.talk.answers, len(world.sent), world.now)
    row.as_found, row.trace = world.as_found, world.trace
    row.others_moved = world.others_moved
    if who is not None:
        row.missing = who.missing
        row.points = controls(who, twenty()[name], world)
    row.good = bool(row.points) and all(said == "yes" for said in row.points.values())
    return row, world


def controls(who: Acquaintance, gear: Gear, world: World) -> dict[str, str]:
    """By point of the device: does what was drafted control it, confirmed by its report?"""
    who = described(replace(who, name="drafted"), [*world.talk._kept.values()])
    try:
        sketch = Sketch(who)
    except Exception as error:
        return dict.fromkeys(sorted(gear.points), f"no profile: {error}")
    for message in gear.hello():
        sketch.speech.hear(replace(message, retain=True), 0.0)
    found: dict[str, str] = {}
    state: dict[Point, Value] = dict(gear.true)
    for point, value in TOLD:
        if point not in gear.points or found.get(point, "yes") != "yes":
            continue
        state[point] = value
        along = {p: state[p] for p in sketch.together(point) if p in state} | {point: value}
        heard: list[object] = []
        messages = sketch.tell(along)
        for told in [*messages, *sketch.asks()]:
            for _, said in gear.told(told):
                heard += [
                    r.value
                    for r in sketch.speech.hear(said, 1.0)
                    if isinstance(r, Report) and r.device == IT and r.point == point
                ]
        if not messages:
            found[point] = "not told"
        elif not _near(point, gear.true.get(point), value):
            found[point] = f"does not follow: {gear.true.get(point)} for {value}"
        elif not heard or not _near(point, heard[-1], value):
            found[point] = f"not confirmed: {heard[-1:]} for {value}"
        else:
            found[point] = "yes"
    return found


def _near(point: Point, one: object, other: Value) -> bool:
    if isinstance(other, bool) or not isinstance(one, int | float):
        return one is other
    assert isinstance(other, float)
    if point == "cct":
        return abs(1e6 / one - 1e6 / other) <= 3.0
    return abs(one - other) <= 1.0


def measure(alone: bool = False) -> list[Row]:
    return [meet(name, alone)[0] for name in ODD]


def table(rows: list[Row]) -> str:
    lines = [f"{'device':10} {'what is odd':62} {'answers':>7} {'sent':>4} {'s':>4}  controls"]
    for row in rows:
        how = ", ".join(f"{p} {said}" for p, said in row.points.items()) or "-"
        left = "" if row.as_found else "  NOT AS FOUND"
        left += f"  MOVED {row.others_moved}" if row.others_moved else ""
        lines.append(
            f"{row.name:10} {row.odd:62} {row.answers:7} {row.sent:4} {row.took:4.0f}  {how}{left}"
        )
        lines += [f"{'':12}missing: {why}" for why in row.missing]
    good = sum(row.good for row in rows)
    lines.append(f"{good} of {len(rows)} are controlled and confirmed by report")
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--json", action="store_true")
    parser.add_argument("--alone", action="store_true", help="each on a broker of its own")
    parser.add_argument("--trace", metavar="DEVICE", help="the whole conversation with one")
    options = parser.parse_args()
    if options.trace:
        row, _ = meet(options.trace, options.alone)
        print("\n".join(row.trace))
        print(table([row]))
        return
    rows = measure(options.alone)
    if options.json:
        print(json.dumps([{k: v for k, v in vars(r).items() if k != "trace"} for r in rows]))
    else:
        print(table(rows))


if __name__ == "__main__":
    main()

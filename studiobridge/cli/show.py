"""What the commands print: tables and lines, with or without a terminal."""

from __future__ import annotations

import json
import math
import os
import shutil
import sys
from collections.abc import Iterator, Mapping, Sequence
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, TextIO

from studiobridge.cli import fit
from studiobridge.profile.colours import preset_json
from studiobridge.shown import (
    drift_words,
    proof_words,
    quieted,
    sensor_words,
    step_words,
    supplied,
    words,
)
from studiobridge.shown.order import by_feed

if TYPE_CHECKING:
    from studiobridge.profile.text import Problem

CAUTION = "A sequence, not a safety device: breakers, plugs pulled and local code keep people safe."
NO_BREAKER = "A cut is no substitute for the breaker: what a plug cannot switch stays on."


def width() -> int:
    return max(40, min(160, shutil.get_terminal_size((100, 40)).columns))


def terminal() -> bool:
    """Is there a person's terminal on the other side, that may be drawn on?"""
    return sys.stdout.isatty() and os.environ.get("TERM", "") != "dumb"


def columns(stream: TextIO) -> int | None:
    """How wide a line may be: as wide as the terminal; in a pipe a sentence is one line.

    Who sets COLUMNS says how wide it is, also of a pipe.
    """
    asked = os.environ.get("COLUMNS", "")
    return width() if stream.isatty() or (asked.isdecimal() and int(asked) > 0) else None


def out(text: str = "") -> None:
    _print(text, sys.stdout)


def fail(text: str) -> None:
    _print(text, sys.stderr)


def _print(text: str, stream: TextIO) -> None:
    most = columns(stream)
    lines = [text] if most is None else fit.wrapped(text, most)
    print("\n".join(lines), file=stream, flush=True)


def problem(found: Problem, more: str = "", stream: TextIO | None = None) -> None:
    """What is wrong in a file, or doubtful; in a terminal with its line and a mark below it.

    Of what is not even YAML the line is shown everywhere: it is all there is to go by.
    """
    stream = stream or sys.stderr
    _print(f"{found}{more}", stream)
    most = columns(stream)
    if most is not None or found.broken:
        for line in fit.pointed(found.text, found.column, most or 100):
            print(line, file=stream, flush=True)


def print_json(value: object) -> None:
    print(json.dumps(value, ensure_ascii=False, indent=2, allow_nan=False), flush=True)


def print_table(
    head: Sequence[str], rows: Sequence[Sequence[str] | str], spare: Sequence[str] = ()
) -> None:
    """A plain table; columns that are empty everywhere are left out.

    A row that is a text by itself is a heading. `spare`: heads of columns that are left out too
    where there is no room for them.
    """
    most = columns(sys.stdout)
    own = [row for row in rows if not isinstance(row, str)]
    used = [i for i in range(len(head)) if any(row[i] for row in own)] or [0]
    lines: list[str] = []
    for left_out in ((), spare):
        kept = [i for i in used if head[i] not in left_out or not head[i]]
        cells: list[Sequence[str] | str] = [
            words.clean(row) if isinstance(row, str) else [words.clean(row[i]) for i in kept]
            for row in rows
        ]
        wide = fit.table([head[i] for i in kept], cells, None)
        lines = fit.table([head[i] for i in kept], cells, most)
        if most is None or all(len(line) <= most for line in wide):
            break
    for line in lines:
        print(line, flush=True)


def print_plan(plan: Any, steps: Sequence[Mapping[str, Any]]) -> None:
    """A plan: the drawing, the steps, what a person sets by hand, cautions."""
    from studiobridge.cli import draw

    what = "comes up" if plan.request == "up" else "goes down"
    look = f" in the look '{plan.look}'" if plan.look else ""
    out(f"{words.clean(plan.set)} {what}{look}: about {words.about(plan.ready_in)}")
    out()
    for line in draw.chart(steps, width()):
        out(line)
    out()
    out(draw.legend(steps, columns(sys.stdout)))
    out()
    rows = [
        (
            str(step["n"]),
            f"{step['at_s']:.1f} s",
            str(step["device"]),
            "close by hand" if step_words.left_to_a_hand(step) else str(step["action"]),
            str(step["value"]),
            "; ".join(step["waits_for"]),
        )
        for step in steps
    ]
    print_table(("", "at", "device", "step", "to", "waits for"), rows)
    for name, preset in plan.hand_set:
        text = words.preset(preset_json(preset))
        out(f"by hand: {words.clean(name)} to {text}")
    for text in plan.people:
        out(words.clean(text))
    out()
    for caution in plan.cautions:
        out(caution)


def print_status(state: Mapping[str, Any], devices: Mapping[str, Mapping[str, Any]]) -> None:
    """Where the set stands: a line, a table, and what a person has to know."""
    out(headline(state))
    rows: list[Sequence[str] | str] = []
    for name in _grouped(devices, rows):
        device = devices[name]
        switch = device.get("switch")
        note = words.lockout(device.get("lockout"))
        # where a person's word is the proof, the proof says so
        if device.get("hand_set") and proof_words.evidence(device) != "hand":
            note = "; ".join(filter(None, (note, "by hand")))
        known = (proof_words.gauged(device), proof_words.rolls(device), supplied.charges(device))
        note = "; ".join(filter(None, (note, *known)))
        rows.append(
            (
                name,
                _hearing(name, devices),
                words.yes_no(switch, "on", "off", ""),
                words.level(device.get("level")),
                words.cct(device.get("cct")) or words.colour(device.get("colour")),
                words.watts(device.get("watts")),
                words.preset(device.get("preset")),
                proof_words.proof(device),
                drift_words.drifted(device.get("drift")),
                note,
                words.clean(device.get("title") or ""),
            )
        )
    out()
    white = "CCT, colour" if any(d.get("colour") for d in devices.values()) else "CCT"
    heads = (
        *("device", "", "switch", "level", white, "draws", "preset", "proof", "drift", "note"),
        "title",
    )
    print_table(heads, rows, spare=("title",))
    tail = list(remarks(state))
    for name, device in devices.items():
        tail.extend(f"{words.clean(name, 40)}: {text}" for text in proof_words.misheard(device))
    if tail:
        out()
    for line in tail:
        out(line)


def _hearing(name: str, devices: Mapping[str, Mapping[str, Any]]) -> str:
    """Does it speak. What has no power is not expected to: silent is said of what should speak."""
    said = proof_words.hearing(devices[name])
    feed, seen = devices[name].get("feed"), {name}
    while said == "silent" and isinstance(feed, str) and feed in devices and feed not in seen:
        above = devices[feed]
        if above.get("switch") is False and proof_words.hearing(above) == "answers":
            return "no power"
        seen.add(feed)
        feed = above.get("feed")
    return said


def _grouped(
    devices: Mapping[str, Mapping[str, Any]], rows: list[Sequence[str] | str]
) -> Iterator[str]:
    """The devices in the profile's order, each behind what feeds it; circuits as headings.

    A bridge from before does not say the order: then by name, rather than as they came in.
    """

    def place(name: str) -> tuple[float, str]:
        n = words.number(devices[name].get("n"))
        return (math.inf if n is None else n, name)

    feeds = {name: devices[name].get("feed") for name in sorted(devices, key=place)}
    for circuit, below in by_feed({n: f if isinstance(f, str) else None for n, f in feeds.items()}):
        rows.append(words.clean(circuit, 40))
        for _, name in below:
            yield name


def headline(state: Mapping[str, Any]) -> str:
    """`Pottery wheel corner is ready, look lesson`."""
    name = words.clean(state.get("title") or state.get("set", "the set"))
    said = words.state(state.get("state"))
    line = f"{name}: {said}"
    if state.get("cut") is True:
        line += ", cut"
    if state.get("look"):
        line += f", look {words.clean(state['look'])}"
    since = state.get("since")
    if since:
        line += f", since {words.moment(since)}"
    if state.get("why") and state.get("state") in ("stalled", "unheard"):
        line += f"\n  {words.clean(state['why'])}"
    return line


def _in_the_way(state: Mapping[str, Any]) -> list[Mapping[str, Any]]:
    """Lockouts that `up` would be refused for; that a camera rolls is said above."""
    found = words.entries(state.get("in_the_way"))
    once = {str(e.get("why")): e for e in found if e.get("what") == "lockout"}
    return list(once.values())


def remarks(state: Mapping[str, Any]) -> list[str]:
    """What is worth a line of its own: rolling, lockouts, dials, what is still on."""
    lines = []
    if rolling := words.names(state.get("rolling")):
        lines.append(f"ROLLING: {words.listed(rolling)}; nothing is changed now")
    waits = step_words.waits(state, 4)
    if waits:
        lines.append(waits)
    shown = drift_words.picture(state.get("picture"))
    if shown:
        lines.append(f"reckoned for the picture: {shown}")
    for lockout in words.mappings(state.get("lockouts")):
        lines.append(f"{words.clean(lockout.get('target'))} is {words.lockout(lockout)}")
    for text in words.hand_set(state.get("hand_set")):
        lines.append(f"by hand: {text}")
    lines.extend(quieted.lines(state))
    lines.extend(f"in the way of up: {words.clean(e.get('why'), 200)}" for e in _in_the_way(state))
    lines.extend(f"still on: {text}" for text in proof_words.still_on(state))
    lines.extend(filter(None, [words.to_close(state)]))
    lines.extend(proof_words.unproven(state))
    lines.extend(sensor_words.sensors(state, datetime.now(UTC)))
    lines.extend(supplied.supplies(state, datetime.now(UTC)))
    lines.extend(supplied.chargers(state))
    rivals = {str(e["device"]): str(e.get("who")) for e in words.entries(state.get("rivals"))}
    fought = [name for name in words.names(state.get("contested")) if name not in rivals]
    if fought:
        lines.append(f"contested: {words.listed(fought)} (put back and changed again)")
    for who in dict.fromkeys(rivals.values()):
        names = words.listed([name for name, other in rivals.items() if other == who])
        lines.append(f"contested: {names}: {words.clean(who)}")
    if state.get("left_on"):
        lines.append("left on: nobody has asked for anything for a long time")
    warm = words.number(state.get("warm_in_s"))
    if warm:
        lines.append(f"still warming up: {words.about(warm)} until the light is stable")
    lines.extend(proof_words.misheard({"unreadable": state.get("unreadable")}))
    if state.get("record_fault"):
        lines.append(f"the record: {words.clean(state['record_fault'])}")
    return lines

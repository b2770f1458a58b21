"""What was heard on a broker, in lines: live in a terminal, one by one in a pipe, as a summary.

Takes the plain data of `meeting/summary.py`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from studiobridge.shown.words import about, cct, clean, count, level, listed, watts

Json = Mapping[str, Any]

# How sure a guess is, in a word that fits a column.
SURE = {
    "described": "says so",
    "seen": "seen",
    "overheard": "overheard",
    "likely": "likely",
    "shape": "perhaps",
}
# Topics of one device, and devices nobody understands, that a summary names.
MOST_TOPICS, MOST_UNKNOWN = 12, 30
# Columns of a line about one point, before its topic.
_POINT, _SAID, _SURE = 12, 16, 10


def scalar(value: object) -> str:
    """A value as it was said, short enough for a line."""
    if value is None:
        return "nothing"
    if isinstance(value, bool):
        return "true" if value else "false"
    if value == "":
        return "''"
    return clean(value, 40)


def where(said: Json) -> str:
    """A topic, and the field in it."""
    field = ".".join(str(part) for part in said.get("field") or ())
    topic = clean(said.get("topic", ""), 120)
    return f"{topic} {clean(field, 60)}" if field else topic


def change_line(change: Json) -> str:
    """`  12.3 s  corner/plug-1/out: 0 → 1`."""
    at = f"{change['at_s']:7.1f} s  {where(change)}: "
    if change["before"] is None:
        kept = "  (kept from before)" if change["kept"] else ""
        return f"{at}{scalar(change['after'])}{kept}"
    return f"{at}{scalar(change['before'])} → {scalar(change['after'])}"


def press_lines(press: Json) -> list[str]:
    """What a press singled out, and what it was recognised as."""
    answers = press["answers"]
    what = "" if press["what"] == "press" else f" ({press['what']})"
    if not answers:
        return [f"at {press['at_s']:.1f} s you pressed{what}: nothing answered within two seconds"]
    lines = [f"at {press['at_s']:.1f} s you pressed{what}, and what answered was:"]
    for answer in answers[:5]:
        point = f"{answer['device']}: its {answer['point']}" if answer["point"] else ""
        moved = f"{scalar(answer['before'])} → {scalar(answer['after'])}"
        if answer["before"] is None:
            moved = scalar(answer["after"])
        doubt = "" if answer["odds"] >= 0.9 else ", or it changed by itself"
        named = f"   {point}" if point else ""
        lines.append(f"  {where(answer)}: {moved}{named}{doubt}")
    return lines


def _cut(line: str, width: int) -> str:
    return line if len(line) <= width else line[: width - 1] + "…"


def _who(device: Json) -> str:
    kind = device["kind"] or "no idea what it is"
    blanks = ", ".join(f"{k} {scalar(v)}" for k, v in device["blanks"].items())
    place = clean(device["at"], 60) + (f", {blanks}" if blanks else "")
    if device["homie"]:
        says = f" ({listed(device['describes'], 6, 20)})" if device.get("describes") else ""
        return f"{clean(device['name'], 40)}: {kind}{says}, Homie 5 at {place}: needs no dialect"
    return f"{clean(device['name'], 40)}: {kind}, at {place}"


def _point_line(point: str, said: Json) -> str:
    value = _fit(value_text(point, said["value"], said["said"]), _SAID)
    sure = SURE.get(str(said["ground"]), "")
    return f"  {point:<{_POINT}}{value}{sure:<{_SURE}}{where(said)}"


def value_text(point: str, value: object, said: object) -> str:
    """What it says in the house's units; as it said it where that cannot be read."""
    if isinstance(value, bool):
        on, off = ("on", "off") if point == "switch" else ("yes", "no")
        return on if value else off
    if value is None:
        return scalar(said)
    spelt = {"level": level, "cct": cct, "watts": watts}.get(point)
    if spelt is not None:
        return spelt(value)
    unit = {"lux": "lx", "temperature": "°C", "battery": "%", "card": "min"}.get(point, "")
    return f"{value:.4g} {unit}".rstrip()


def _fit(text: str, room: int) -> str:
    """A text in a column of its own, with a space after it."""
    return (text if len(text) < room else text[: room - 2] + "…").ljust(room)


def _topic_line(topic: Json) -> str:
    how = "kept" if topic["kept"] else ""
    often = (
        f"every {about(topic['every_s'])}" if topic["every_s"] else count(topic["heard"], "time")
    )
    how = f"{how}, {often}" if how else often
    changed = f"; changes: {listed(topic['changed'], 4, 24)}" if topic["changed"] else ""
    return f"  {clean(topic['topic'], 120)} ({how}{changed}): {clean(topic['payload'], 120)}"


def head_line(whole: Json, where_: str) -> str:
    said = f"{count(whole['messages'], 'message')} on {count(whole['topics'], 'topic')}"
    return f"{where_}: {said} in {about(whole['heard_for_s'])}"


def live_lines(whole: Json, where_: str, width: int, height: int) -> list[str]:
    """A screen of what speaks: devices with their points; what changed last stays in sight."""
    lines = [_cut(head_line(whole, where_), width)]
    lines.append(
        _cut("Enter: I press the button now (or type on, off, full, dark, warm, cold)", width)
    )
    lines.append(_cut("Ctrl-C: stop, with a summary", width))
    tail: list[str] = []
    if whole["presses"]:
        tail = [""] + [_cut(line, width) for line in press_lines(whole["presses"][-1])]
    room = max(4, height - len(lines) - len(tail) - 2)
    # what changed last has the room where there is not enough for all, in the order of always
    blocks = list(enumerate(_block(device) for device in whole["devices"]))
    shown: list[tuple[int, list[str]]] = []
    for i, (_, block) in sorted(blocks, key=lambda b: b[1][0]):
        if len(block) <= room:
            room -= len(block)
            shown.append((i, block))
    left = len(blocks) - len(shown)
    found = [line for _, block in sorted(shown, key=lambda b: b[0]) for line in block]
    more = [f"and {count(left, 'more device')}"] if left else []
    return [*lines, "", *(_cut(line, width) for line in [*found, *more]), *tail]


def _block(device: Json) -> tuple[tuple[int, float], list[str]]:
    """The lines of one device, and how soon it has room: who is understood first, and of those
    who changed last."""
    topics, points = device["topics"], device["points"]
    if points:
        changed = min(float(said["changed_s"]) for said in points.values())
        return (0, changed), [_who(device), *(_point_line(p, s) for p, s in points.items())]
    if device["homie"]:
        return (1, 0.0), [_who(device)]
    topic = min(topics, key=lambda t: t["age_s"], default=None)
    age = float(topic["age_s"]) if topic else 0.0
    return (2, age), [f"{clean(device['name'], 40)}?" + (_topic_line(topic) if topic else "")]


def summary_lines(whole: Json, where_: str) -> list[str]:
    """All of it, once: devices, topics, payloads, how often, kept, changed, and what each seems
    to be and why."""
    if not whole["messages"]:
        return [
            f"{where_}: nothing was heard in {about(whole['heard_for_s'])}. Is the gear on, and on"
            " this broker? May this user read its topics?"
        ]
    lines = [head_line(whole, where_)]
    known = [d for d in whole["devices"] if d["points"] or d["homie"]]
    unknown = [d for d in whole["devices"] if not (d["points"] or d["homie"])]
    for device in known:
        lines += ["", _who(device)]
        for point, said in device["points"].items():
            lines.append(_point_line(point, said))
            lines.append(f"  {'':<{_POINT}}{clean(said['why'], 300)}")
        lines += [_topic_line(topic) for topic in device["topics"][:MOST_TOPICS]]
        lines += [f"  to do: {clean(text, 300)}" for text in device["missing"]]
    if unknown:
        lines += ["", f"not understood: {count(len(unknown), 'device')}"]
        for device in unknown[:MOST_UNKNOWN]:
            lines += [f"{clean(device['name'], 40)}, at {clean(device['at'], 80)}"]
            lines += [_topic_line(topic) for topic in device["topics"][:3]]
            lines += [f"  {clean(text, 300)}" for text in device["missing"][:2]]
        if len(unknown) > MOST_UNKNOWN:
            lines.append(f"and {len(unknown) - MOST_UNKNOWN} more")
    for press in whole["presses"]:
        lines += ["", *press_lines(press)]
    if whole["left_out"]:
        why = "too many topics, or such as no profile can name"
        lines += ["", f"{count(whole['left_out'], 'message')} left out: {why}"]
    return lines


def wrapped(lines: Sequence[str], width: int) -> list[str]:
    """Lines no wider than the terminal; what goes on is set in under its own beginning."""
    import textwrap

    out = []
    for line in lines:
        indent = " " * (len(line) - len(line.lstrip()))
        out += textwrap.wrap(
            line, width, subsequent_indent=indent + "  ", break_on_hyphens=False,
            replace_whitespace=False, drop_whitespace=True,
        ) or [""]  # fmt: skip
    return out

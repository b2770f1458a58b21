"""Drawing a run: bars over time in the terminal, and as a picture (SVG).

A bar a device, devices grouped by circuit, time from left to right. What a bar is made of is
said by its pattern and in words, never by colour alone.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any
from xml.sax.saxutils import escape

from studiobridge.cli import fit
from studiobridge.shown import step_words, words

Steps = Sequence[Mapping[str, Any]]

# What each action looks like in a terminal; its words are in shown/step_words.py.
PATTERN = {
    "power on": "┃",
    "power off": "┃",
    "switch on": "┃",
    "switch off": "┃",
    "wait for its report": "░",
    "boots": "▒",
    "set": "▓",
    "fade out": "▓",
    "cool down": "∙",
    "shut down": "─",
}


def grouped(steps: Steps) -> list[tuple[str, list[str]]]:
    """Circuits in order of their first step, each with its devices in order of theirs."""
    circuits: dict[str, dict[str, None]] = {}
    for step in steps:
        name = str(step.get("circuit") or "battery or elsewhere")
        circuits.setdefault(name, {}).setdefault(str(step["device"]))
    return [(name, list(devices)) for name, devices in circuits.items()]


def span_of(steps: Steps) -> float:
    return max((float(step["until_s"]) for step in steps), default=0.0)


def bar(steps: Steps, total: float, columns: int) -> str:
    """The bar of one device: every step at its time, at least one column wide."""
    cells = [" "] * columns
    if total <= 0:
        return "".join(cells)
    for step in steps:
        first = min(columns - 1, int(float(step["at_s"]) / total * columns))
        last = max(first + 1, round(float(step["until_s"]) / total * columns))
        for i in range(first, min(last, columns)):
            cells[i] = PATTERN.get(step_words.action_of(step), "?")
    return "".join(cells)


def axis(total: float, columns: int) -> tuple[str, str]:
    """A time axis: marks and their seconds."""
    step = next((s for s in (1, 2, 5, 10, 20, 30, 60, 120, 300, 600) if total / s <= 8), 1800)
    marks, labels = ["╌"] * columns, [" "] * columns
    at = 0
    while at <= total:
        i = min(columns - 1, int(at / total * columns)) if total > 0 else 0
        marks[i] = "┬"
        text = f"{at} s"
        if i + len(text) <= columns and all(
            c == " " for c in labels[max(0, i - 1) : i + len(text) + 1]
        ):
            labels[i : i + len(text)] = text
        at += step
    return "".join(marks), "".join(labels).rstrip()


def legend(steps: Steps, columns: int | None = None) -> str:
    """What each pattern means, in as many lines as it takes."""
    used = dict.fromkeys(a for s in steps if (a := step_words.action_of(s)) in PATTERN)
    drawn = {action: step_words.ACTIONS[action].drawn for action in used}
    shut = [s for s in steps if step_words.action_of(s) == "shut down"]
    if shut and all(step_words.left_to_a_hand(s) for s in shut):
        drawn["shut down"] = "yours to close"
    parts = [f"{PATTERN[action]} {said}" for action, said in drawn.items()]
    return "\n".join(fit.gathered(parts, columns))


def chart(steps: Steps, width: int, note: Mapping[str, str] | None = None) -> list[str]:
    """The whole drawing as lines of text no wider than `width`.

    `note` adds a few words behind a device's bar (what it is doing now).
    """
    total = span_of(steps)
    names = [words.clean(step["device"], 20) for step in steps]
    label = min(22, max([len(n) for n in names], default=4)) + 3
    tail = 22 if note else 0
    columns = max(16, width - label - tail - 2)
    by_device: dict[str, list[Mapping[str, Any]]] = {}
    for step in steps:
        by_device.setdefault(str(step["device"]), []).append(step)
    marks, labels = axis(total, columns)
    lines = []
    for circuit, devices in grouped(steps):
        lines.append(words.clean(circuit, 40))
        for device in devices:
            text = words.clean(device, 20).ljust(label - 2)
            line = f"  {text}{bar(by_device[device], total, columns)}"
            if note:
                line = f"{line} {words.clean(note.get(device, ''), tail)}"
            lines.append(line.rstrip())
    lines.append(" " * label + marks)
    lines.append(" " * label + labels)
    return lines


# ---- as a picture -----------------------------------------------------------------------------

ROW = 26
LEFT = 150
RIGHT = 24
SHADES = {
    "power on": "#7a5c2e",
    "power off": "#7a5c2e",
    "switch on": "#7a5c2e",
    "switch off": "#7a5c2e",
    "wait for its report": "url(#boot)",
    "boots": "url(#boot)",
    "set": "#c98a1b",
    "fade out": "#c98a1b",
    "cool down": "url(#cool)",
    "shut down": "url(#shut)",
}
STYLE = """
  svg { font: 13px ui-sans-serif, system-ui, sans-serif; }
  .paper { fill: #fbf8f2; } .ink { fill: #2b2622; } .soft { fill: #6d635a; }
  .line { stroke: #d9d0c3; } .hatch { stroke: #8d7f70; } .on-bar { fill: #1f1a16; }
  @media (prefers-color-scheme: dark) {
    .paper { fill: #1d1a17; } .ink { fill: #efe7db; } .soft { fill: #b3a697; }
    .line { stroke: #3b352f; } .hatch { stroke: #a8998a; } .on-bar { fill: #efe7db; }
    .on-solid { fill: #1f1a16; }
  }
"""


def picture(title: str, steps: Steps, foot: str, width: int = 960) -> str:
    """The drawing as SVG: self-contained, legible on light and dark and in black and white."""
    total = max(span_of(steps), 0.1)
    scale = (width - LEFT - RIGHT) / total
    out: list[str] = []
    y = 56
    by_device: dict[str, list[Mapping[str, Any]]] = {}
    for step in steps:
        by_device.setdefault(str(step["device"]), []).append(step)
    top = y
    for circuit, devices in grouped(steps):
        y += ROW
        out.append(_text(14, y - 8, circuit, "soft", size=12))
        for device in devices:
            y += ROW
            out.append(_text(26, y - 8, device, "ink"))
            own = by_device[device]
            for i, step in enumerate(own):
                after = float(own[i + 1]["at_s"]) if i + 1 < len(own) else total
                out.extend(_bar(step, y - ROW + 4, scale, after))
    bottom = y + 8
    grid = []
    every = next((s for s in (1, 2, 5, 10, 20, 30, 60, 120, 300) if total / s <= 12), 600)
    at = 0
    while at <= total + 1e-9:
        x = LEFT + at * scale
        grid.append(f'<line class="line" x1="{x:.1f}" y1="{top}" x2="{x:.1f}" y2="{bottom}"/>')
        grid.append(_text(x, bottom + 18, f"{at} s", "soft", anchor="middle", size=12))
        at += every
    height = bottom + 52
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" role="img">'
        f"<title>{escape(words.clean(title, 120))}</title><style>{STYLE}</style>"
        '<defs><pattern id="boot" width="6" height="6" patternUnits="userSpaceOnUse"'
        ' patternTransform="rotate(45)"><line class="hatch" x1="0" y1="0" x2="0" y2="6"'
        ' stroke-width="2"/></pattern>'
        '<pattern id="cool" width="8" height="8" patternUnits="userSpaceOnUse">'
        '<circle class="hatch" cx="4" cy="4" r="1" fill="none" stroke-width="1.4"/></pattern>'
        '<pattern id="shut" width="6" height="6" patternUnits="userSpaceOnUse">'
        '<line class="hatch" x1="0" y1="3" x2="6" y2="3" stroke-width="1.6"/></pattern></defs>'
        f'<rect class="paper" width="{width}" height="{height}"/>'
    )
    return "\n".join(
        [
            head,
            _text(14, 32, title, "ink", size=18, bold=True),
            *grid,
            *out,
            _text(14, height - 12, foot, "soft", size=12),
            "</svg>",
            "",
        ]
    )


def _text(
    x: float,
    y: float,
    text: str,
    style: str,
    *,
    anchor: str = "start",
    size: int = 13,
    bold: bool = False,
) -> str:
    weight = ' font-weight="600"' if bold else ""
    shown = escape(words.clean(text, 120))
    return (
        f'<text class="{style}" x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}"'
        f' font-size="{size}"{weight}>{shown}</text>'
    )


def _bar(step: Mapping[str, Any], y: float, scale: float, until: float) -> list[str]:
    """One step: its bar, and what it is where there is room for words."""
    action = step_words.action_of(step)
    fill = SHADES.get(action, "#999999")
    word = step_words.ACTIONS[action].label if action in step_words.ACTIONS else action
    x = LEFT + float(step["at_s"]) * scale
    wide = max(4.0, (float(step["until_s"]) - float(step["at_s"])) * scale)
    where = f"{step['device']}: {action} {step.get('value', '')}".strip()
    where += f", {step['at_s']:g} to {step['until_s']:g} s"
    out = [
        f'<rect data-step="{step["n"]}" x="{x:.1f}" y="{y}" width="{wide:.1f}"'
        f' height="{ROW - 8}" rx="2" fill="{fill}" stroke="#7a5c2e" stroke-width="0.8">'
        f"<title>{escape(words.clean(where, 160))}</title></rect>"
    ]
    text = str(step.get("value") or word)
    room = (until - float(step["at_s"])) * scale
    needs = 7.0 * len(text) + 10
    if text and action == "set" and room >= needs + wide:
        out.append(_text(x + wide + 6, y + 13, text, "ink", size=12))
    elif text and wide >= needs and fill.startswith("#"):
        out.append(_text(x + 6, y + 13, text, "on-bar on-solid", size=12))
    return out

"""Numbers, states and drift in the words of a person. No I/O, no terminal.

Everything that comes from a device, a profile or another program passes through `clean`
before it is shown: a name must not be able to drive a terminal.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from studiobridge.craft import supply
from studiobridge.craft.chroma import Colour, apart, name_of, spelled, towards
from studiobridge.profile.plain import plain
from studiobridge.profile.said import FORMER_WORDS

Json = Mapping[str, Any]

# Longer than this is no name and no sentence; what follows is left out.
MAX_SHOWN = 400


def clean(text: object, limit: int = MAX_SHOWN) -> str:
    """Text from outside, safe in a terminal: control and direction characters are replaced."""
    shown = plain(str(text))
    return shown if len(shown) <= limit else shown[: limit - 1] + "…"


def number(value: object) -> float | None:
    """A JSON number as float; None for anything else, and for what no device ever is."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        found = float(value)
    except OverflowError:
        return None
    return found if math.isfinite(found) else None


def duration(seconds: float) -> str:
    """A time as a person says it: `14.2 s`, `2 min 05 s`, `1 h 20 min`."""
    if seconds < 59.95:
        return f"{max(0.0, seconds):.1f} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def about(seconds: float) -> str:
    """A predicted time, no finer than a prediction is: `14 s`, `2 min 05 s`."""
    return f"{seconds:.0f} s" if seconds < 59.5 else duration(seconds)


def level(value: object) -> str:
    found = number(value)
    return "" if found is None else f"{found:.4g} %"


def cct(value: object) -> str:
    found = number(value)
    return "" if found is None else f"{found:.0f} K"


def chroma(value: object) -> Colour | None:
    """A colour as JSON has it (`x` and `y`); None for anything else."""
    if not isinstance(value, Mapping):
        return None
    x, y = number(value.get("x")), number(value.get("y"))
    try:
        return None if x is None or y is None else Colour(x, y)
    except ValueError:
        return None


def colour(value: object) -> str:
    """`green`: a word for a colour."""
    found = chroma(value)
    return "" if found is None else name_of(found)


def spelled_colour(value: object) -> str:
    """`green xy 0.300 0.600`: with the figures, where there is room for them."""
    found = chroma(value)
    return "" if found is None else spelled(found)


def watts(value: object) -> str:
    found = number(value)
    if found is None:
        return ""
    return f"{found:.1f} W" if found < 100 else f"{found:.0f} W"


def preset(value: object) -> str:
    """`64 %, 4300 K`, or `75 %, green`."""
    if not isinstance(value, Mapping):
        return ""
    parts = (level(value.get("level")), cct(value.get("cct")), colour(value.get("colour")))
    return ", ".join(filter(None, parts))


def yes_no(value: object, yes: str = "yes", no: str = "no", unknown: str = "?") -> str:
    return yes if value is True else no if value is False else unknown


def moment(text: object, date: bool = False) -> str:
    """An ISO time from the record or a topic, in this machine's own time zone."""
    try:
        at = datetime.fromisoformat(str(text).replace("Z", "+00:00")).astimezone()
    except ValueError:
        return clean(text, 30)
    return at.strftime("%Y-%m-%d %H:%M:%S" if date else "%H:%M:%S")


def listed(names: Sequence[str], most: int = 6, each: int = 40) -> str:
    """`key, fill and cloth`; a long list is cut: `key, fill and 10 more`."""
    shown = [clean(name, each) for name in names]
    if len(shown) > most:
        shown = [*shown[: most - 1], f"{len(shown) - most + 1} more"]
    if len(shown) < 2:
        return "".join(shown)
    return ", ".join(shown[:-1]) + " and " + shown[-1]


def count(n: int, one: str, many: str = "") -> str:
    return f"{n} {one if n == 1 else many or one + 's'}"


# ---- drift ------------------------------------------------------------------------------


def by_how_much(entry: Json) -> str:
    """How far off one drift entry is: `+0.32 stop`, `11 mired cooler`, `off`, `silent`."""
    point = entry.get("point")
    wanted, reported = entry.get("wanted"), entry.get("reported")
    if isinstance(reported, str) and point in ("level", "cct", "switch"):
        return clean(reported, 160)  # as the record has what another instrument said
    maybe = names(entry.get("perhaps"))
    if maybe:
        return f"perhaps: {clean(entry.get('why') or entry.get('device'), 160)}"
    band = entry.get("band")
    if isinstance(band, Sequence) and not isinstance(band, str) and len(band) == 2:
        found = in_band(point, band[0], band[1], entry.get("by"))
        if found and point != "switch":
            return f"{found}, not {number(wanted) or 0.0:.4g} {'K' if point == 'cct' else '%'}"
    if point == "level":
        stops, percent = number(entry.get("stops")), number(entry.get("percent"))
        if stops is not None:
            return f"{signed(stops, 2)} stop"
        if number(reported) == 0:
            return "dark"
        if number(wanted) == 0:
            return "lit, meant to be dark"
        return f"{signed(percent, 1)} %" if percent is not None else "level unknown"
    if chroma(wanted) is not None or chroma(reported) is not None:
        return _colour_off(wanted, reported)
    if point == "cct":
        mired = number(entry.get("mired"))
        if mired is None:
            return "colour unknown"
        return f"{abs(mired):.0f} mired {'warmer' if mired > 0 else 'cooler'}"
    silent = "never heard" if entry.get("heard") == "never heard" else "silent"
    if point == "switch":
        return yes_no(reported, "on, meant to be off", "off, meant to be on", silent)
    if point == "online":
        return "silent: it said that it leaves" if reported is False else silent
    return f"{clean(point, 20)} is {clean(reported, 30)}, not {clean(wanted, 30)}"


def _colour_off(wanted: object, reported: object) -> str:
    """`greener than wanted by 0.020 Δu′v′`, `white at 4300 K instead of green`."""
    ours, theirs = chroma(wanted), chroma(reported)
    if ours is not None and theirs is not None and "white" not in name_of(theirs):
        shift = f"by {apart(ours, theirs):.3f} Δu′v′"
        return f"{towards(ours, theirs) or 'off'} than wanted {shift}".replace("off than", "off")
    return f"{_white_or_colour(reported)} instead of {_white_or_colour(wanted)}"


def _white_or_colour(value: object) -> str:
    found, kelvin = chroma(value), number(value)
    if found is not None:
        return name_of(found)
    return "colour unknown" if kelvin is None else f"white at {kelvin:.0f} K"


def stops(value: float) -> str:
    """`0.5 stop`, `1.2 stops`."""
    return f"{value:.1f} stop{'s' if abs(value) >= 1.05 else ''}"


def signed(value: float | None, digits: int) -> str:
    if value is None:
        return "?"
    text = f"{abs(value):.{digits}f}"
    return f"{'−' if value < 0 and float(text) != 0 else '+'}{text}"


def drifted(entries: object) -> str:
    """All drift of one device in one line: `+0.32 stop, 11 mired cooler`."""
    if not isinstance(entries, Sequence) or isinstance(entries, str):
        return ""
    order = {"online": 0, "switch": 1, "level": 2, "cct": 3, "colour": 4}
    found = [entry for entry in entries if isinstance(entry, Mapping)]
    found.sort(key=lambda entry: order.get(str(entry.get("point")), 9))
    return ", ".join(by_how_much(entry) for entry in found)


def from_to(entry: Json) -> str:
    """`64 → 80 %`, `4300 → 4100 K`, `xy 0.300 0.600 → 0.290 0.550`; nothing for yes and no."""
    ours, theirs = chroma(entry.get("wanted")), chroma(entry.get("reported"))
    if ours is not None and theirs is not None:
        return f"xy {ours.x:.3f} {ours.y:.3f} → {theirs.x:.3f} {theirs.y:.3f}"
    wanted, reported = number(entry.get("wanted")), number(entry.get("reported"))
    if wanted is None or reported is None:
        return ""
    if entry.get("point") == "level":
        return f"{wanted:.4g} → {reported:.4g} %"
    if entry.get("point") == "cct":
        return f"{wanted:.0f} → {reported:.0f} K"
    return ""


# Below this nobody sees a change, and the line would only be longer: stops, mired and Duv (about
# half a one-step MacAdam ellipse: CIE TN 001, from memory).
NOT_SEEN = {"face": 0.005, "mired": 0.5, "duv": 0.0005}


def ratio(value: object) -> str:
    """`2.0:1`; `1:2.0` where the fill is the brighter one."""
    found = number(value)
    if found is None or found <= 0:
        return "none"
    return f"{found:.1f}:1" if found >= 0.95 else f"1:{1 / found:.1f}"


def picture(value: object) -> str:
    """What a change does to the picture, to digits that no figure of its light has: a lamp that is
    not as its maker says is so before and after, and the change is true (`figures/sure.py`).

    `face +0.21 stop, ratio 2.0:1 → 2.5:1, 11 mired cooler`.

    Then the tint, where that moved: `Duv 0.0043 greener`. Empty where nothing is said about it.
    """
    if not isinstance(value, Mapping):
        return ""
    missing = value.get("missing")
    if missing:
        return f"picture not computed: {listed([str(text) for text in missing], 3)}"
    if "face" not in value:
        return ""
    face = number(value.get("face"))
    parts = []
    if face is None:
        parts.append("face dark")
    elif abs(face) >= NOT_SEEN["face"]:
        parts.append(f"face {signed(face, 2)} stop")
    before, after = ratio(value.get("ratio_wanted")), ratio(value.get("ratio"))
    if before != after:
        parts.append(f"ratio {before} → {after}")
    parts.extend(white_shift(number(value.get("mired")), number(value.get("duv"))))
    return ", ".join(parts) or "face unchanged"


def white_shift(mired: float | None, duv: float | None, digits: int = 4) -> list[str]:
    """How a white differs from another, along the locus and across it, as far as anybody sees."""
    parts = []
    if mired is not None and abs(mired) >= NOT_SEEN["mired"]:
        parts.append(f"{abs(mired):.0f} mired {'warmer' if mired > 0 else 'cooler'}")
    if duv is not None and abs(duv) >= NOT_SEEN["duv"]:
        parts.append(f"Duv {abs(duv):.{digits}f} {'greener' if duv > 0 else 'more magenta'}")
    return parts


def drift_line(entries: Sequence[Json]) -> str:
    """All open drift of one device in one line, the picture's part of it in the middle.

    `key +0.32 stop (64 → 80 %), 11 mired cooler (4300 → 4514 K); face +0.21 stop, ratio 2.0:1 →
    2.5:1; for 12.0 s`
    """
    order = {"online": 0, "switch": 1, "level": 2, "cct": 3, "colour": 4}
    ordered = sorted(entries, key=lambda entry: order.get(str(entry.get("point")), 9))
    first = ordered[0]
    off = []
    for entry in ordered:
        by_band = entry.get("band") is not None
        change = "" if by_band else from_to(entry)
        off.append(by_how_much(entry) + (f" ({change})" if change else ""))
    parts = [f"{clean(first.get('device', '?'), 40)} {', '.join(off)}"]
    if names(first.get("perhaps")):
        # it names all it could be itself
        parts = [clean(first.get("why") or first.get("device"), 200)]
    shown = picture(first.get("picture"))
    if shown:
        parts.append(shown)
    lasting = [found for entry in ordered if (found := number(entry.get("for_s"))) is not None]
    tail = [f"for {duration(max(lasting))}"] if lasting else []
    for entry in ordered:
        worst = None if entry.get("band") is not None else entry.get("worst")
        if isinstance(worst, Mapping) and worst.get("reported") != entry.get("reported"):
            was = by_how_much(
                {**entry, "reported": worst.get("reported"), "percent": None}
                | {"stops": worst.get("stops"), "mired": worst.get("mired")}
            )
            tail.append(f"at its worst {was}")
    if any(entry.get("contested") is True for entry in ordered):
        tail.append("contested: put back and changed again")
    if tail:
        parts.append(", ".join(tail))
    return "; ".join(parts)


def drift_lines(entries: Sequence[Json], together: object = None) -> list[str]:
    """A line a device; one more for the picture where several have drifted, or none can be."""
    by_device: dict[str, list[Json]] = {}
    for entry in entries:
        by_device.setdefault(str(entry.get("device", "?")), []).append(entry)
    lines = [drift_line(own) for own in by_device.values()]
    whole = picture(together)
    if whole and (len(lines) > 1 or not any(picture(e.get("picture")) for e in entries)):
        lines.append(f"in the picture: {whole}")
    return lines


# ---- states -----------------------------------------------------------------------------


def state(value: object) -> str:
    """A state in the one word for it, the same in a terminal, on the page and in JSON."""
    return clean(value, 30) if isinstance(value, str) and value else "unheard"


@dataclass(frozen=True, slots=True)
class Action:
    """An action of a step: while it happens, once it is confirmed, and in a drawing."""

    doing: str
    done: str
    drawn: str
    label: str = ""  # on its bar, where there is room


ACTIONS = {
    "power on": Action("switching on", "on", "mains on"),
    "wait for its report": Action("waiting for its report", "reports", "waits for its report"),
    "boots": Action("booting", "booted", "boots"),
    "watts": Action("being metered", "metered", "metered"),
    "switch on": Action("switching on", "on", "switched on"),
    "set": Action("fading", "set", "fading to its preset"),
    "fade out": Action("fading out", "out", "fading out", "fades out"),
    "cool down": Action("cooling down", "cool", "cooling down", "cools down"),
    "shut down": Action("shutting down", "down", "shutting down", "shuts down"),
    "switch off": Action("switching off", "off", "switched off"),
    "power off": Action("switching off", "off", "mains off"),
}


def action_of(step: Json) -> str:
    """What a step does. A bridge, or a record, from before has other words for it."""
    said = str(step.get("action"))
    return FORMER_WORDS.get(said, said)


def doing(action: str, value: str = "") -> str:
    action = FORMER_WORDS.get(action, action)
    words = ACTIONS[action].doing if action in ACTIONS else action
    return f"{words} to {value}" if value and action == "set" else words


def waits(state: Json, most: int = 2) -> str:
    """`waits for lesson-pc (booting)`, or `waits:` and the sentence of a camera; "" for nothing."""
    found = entries(state.get("waiting_for"))
    if not found:
        return ""
    said = [
        clean(entry.get("why"), 200)
        if entry.get("what") == "roll"
        else f"{clean(entry['device'], 30)} ({doing(str(entry.get('what')))})"
        for entry in found
    ]
    how = "waits:" if found[0].get("what") == "roll" else "waits for"
    return f"{how} {listed(said, most, 200)}"


def asked_about(state: Json) -> list[str]:
    """Cameras of which only a person can say whether they still roll, and a run waits for it."""
    return [
        str(entry["device"])
        for entry in entries(state.get("waiting_for"))
        if entry.get("what") == "roll" and entry.get("asks") is True
    ]


def done(action: str, value: str = "") -> str:
    if action == "set" and value:
        return value
    return ACTIONS[action].done if action in ACTIONS else action


# What ends by itself when its time is over: no device says that it has happened.
TIMED = ("boots", "cool down")
# One mark each, so that a time that ran out never looks like a report.
MARKS = {"confirmed": "✓", "waited out": "◌", "failed": "✗", "skipped": "✗"}


def phase_of(step: Json) -> str:
    """Where a step stands. A bridge from before calls a time that ran out confirmed."""
    phase = str(step.get("phase"))
    phase = FORMER_WORDS.get(phase, phase)
    if phase == "confirmed" and action_of(step) in TIMED:
        return "waited out"
    return phase


def waited(step: Json) -> str:
    """`waited 4 s`: how long a step was waited for that nothing can confirm."""
    began, ended = number(step.get("at_s")), number(step.get("until_s"))
    if began is None or ended is None or ended < began:
        return "waited"
    return f"waited {about(ended - began)}"


# How the reason of a step begins that only a person can do: nothing is told there.
BY_HAND = "close it by hand"


def left_to_a_hand(step: Json) -> bool:
    """A laptop that nothing can tell to shut down: it must not look as if it were told."""
    return action_of(step) == "shut down" and str(step.get("why")).startswith(BY_HAND)


def step_said(step: Json) -> str:
    """What a step is doing, or what became of it; empty while it waits for its turn."""
    phase, action, value = phase_of(step), action_of(step), str(step.get("value") or "")
    if phase == "sent":
        return "yours to close" if left_to_a_hand(step) else doing(action, value)
    if phase == "confirmed":
        return done(action, value)
    if phase == "waited out":
        text = str(step.get("text") or f"{waited(step)}: nothing can confirm it")
        # it stands behind the device's name already
        return clean(text.removeprefix(f"{step.get('device')} "), 200)
    if phase == "waiting":
        return ""
    text = clean(step.get("text") or phase, 200)
    return f"skipped: {text}" if phase == "skipped" and step.get("text") else text


def skipped(steps: Sequence[Json]) -> list[str]:
    """What was skipped, a line for each reason: `skipped: rim, edge-left: no answer`."""
    why: dict[str, dict[str, None]] = {}
    for step in steps:
        if phase_of(step) == "skipped":
            device = clean(step.get("device", "?"), 40)
            why.setdefault(clean(step.get("text") or ""), {})[device] = None
    return [
        f"skipped: {', '.join(devices)}" + (f": {text}" if text else "")
        for text, devices in why.items()
    ]


# ---- evidence ---------------------------------------------------------------------------

# How a device is known to be as asked, in a word and in a sentence. `told` proves nothing.
EVIDENCE = {
    "report": ("report", "by its report"),
    "watts": ("watts", "by its watts"),
    "picture": ("picture", "by the picture"),
    "hand": ("by hand", "by a person's word"),
}
ONLY_TOLD = "only told: nothing confirms it"


def evidence(device: Json) -> str:
    """What proves that a device is as asked: a key of EVIDENCE, `told`, or empty for nothing.

    A bridge from before names none where it says `confirmed`: that was a report.
    """
    by = device.get("by")
    if by == "told":
        # what it reports instead is its drift: that it was told otherwise says nothing then
        return "" if device.get("drift") else "told"
    if device.get("confirmed") is not True:
        return ""
    if "by" not in device:
        return "report"
    return by if isinstance(by, str) and by in EVIDENCE else ""


# Does it speak: what is shown of a device instead of a guess whether it is there.
HEARING = ("answers", "silent", "never heard")
MUTE = "cannot speak"


def hearing(device: Json) -> str:
    """`answers`, `silent`, `never heard`, or that it cannot speak; empty where nobody says.

    A bridge from before only says whether it is online.
    """
    said = device.get("heard")
    if "heard" in device:
        return said if isinstance(said, str) and said in HEARING else MUTE
    return yes_no(device.get("online"), "answers", "silent", "")


def can_speak(device: Json) -> bool:
    return device.get("heard") in HEARING


def misheard(device: Json) -> list[str]:
    """What a device says that cannot be read, and what it never says though it speaks."""
    lines = [clean(text, 200) for text in names(device.get("lacks"))]
    said = device.get("unreadable")
    if isinstance(said, Mapping):
        times = round(number(said.get("count")) or 1)
        how = f"{count(times, 'time')}, last {moment(said.get('at'))}"
        topic, why = clean(said.get("topic", "?"), 200), clean(said.get("why", "?"), 200)
        lines.append(f"`{topic}` cannot be read: {why} ({how})")
    return lines


def gauged(device: Json) -> str:
    """`28 to 34 % by its watts`: what other instruments make of what a device cannot say."""
    bands = device.get("gauged")
    if not isinstance(bands, Mapping):
        return ""
    parts = []
    for point in ("switch", "level", "cct"):
        band = bands.get(point)
        if isinstance(band, Mapping) and (point != "switch" or "level" not in bands):
            parts.append(in_band(point, band.get("low"), band.get("high"), band.get("by")))
    return ", ".join(part for part in parts if part)


def in_band(point: object, low: object, high: object, by: object) -> str:
    """`28 to 34 % by its watts`, `on by its watts`; a band the whole range wide says nothing."""
    least, most = number(low), number(high)
    if least is None or most is None or not isinstance(by, str) or by not in EVIDENCE:
        return ""
    known = EVIDENCE[by][1]
    if point == "switch":
        return f"{'on' if least else 'off'} {known}" if least == most else ""
    if point == "level" and least <= 0 and most >= 100:
        return f"its level cannot be told {known}"
    unit = "K" if point == "cct" else "%"
    few = f"{least:.0f}" if least >= 10 or least == 0 else f"{least:.1f}"
    many = f"{most:.0f}" if most >= 10 or most == 0 else f"{most:.1f}"
    return f"{few} {unit} {known}" if few == many else f"{few} to {many} {unit} {known}"


def proof(device: Json) -> str:
    """The tick of a device with its evidence; words without a tick for what was only told."""
    found = evidence(device)
    if found == "told":
        return "told, not confirmed" if can_speak(device) else "only told"
    if not found:
        return ""
    return f"✓ {EVIDENCE[found][0]}" if "by" in device else "✓"


def entries(value: object) -> list[Json]:
    """The entries of a list from outside that are mappings and name a device."""
    if not isinstance(value, list):
        return []
    return [e for e in value if isinstance(e, Mapping) and e.get("device")]


def names(value: object) -> list[str]:
    """The names in a list from outside."""
    return [e for e in value if isinstance(e, str)] if isinstance(value, list) else []


def still_on(state: Json) -> list[str]:
    """What is believed on and should not be: its draw, since when, how it is known, and why."""
    lines = []
    for entry in entries(state.get("still_on")):
        parts = [clean(entry["device"], 40)]
        if number(entry.get("watts")):
            parts.append(watts(entry["watts"]))
        if isinstance(entry.get("since"), str):
            parts.append(f"since {moment(entry['since'])}")
        by = entry.get("by")
        if isinstance(by, str) and by in EVIDENCE:
            parts.append(EVIDENCE[by][1])
        said = clean(entry["why"], 160) if isinstance(entry.get("why"), str) else ""
        # that it says so itself is what "by its report" means
        why = f": {said}" if said and not (said == "it says on" and by == "report") else ""
        lines.append(", ".join(parts) + why)
    return lines


def rolls(view: Json) -> str:
    """`rolls, by its watts`, or that nobody knows; empty for what is no camera."""
    if view.get("kind") != "camera":
        return ""
    by = view.get("rolling_by")
    known = EVIDENCE[by][1] if isinstance(by, str) and by in EVIDENCE else ""
    said = view.get("rolling")
    if said is True:
        return f"rolls, {known}" if known else "rolls"
    if said is False and (known or "rolling_by" not in view):
        return f"does not roll, {known}" if known else ""
    return "not known whether it rolls"


def charges(view: Json) -> str:
    """`done, by its watts`, or that nobody knows; empty for what is no charger with a meter."""
    charge = view.get("charge")
    if charge in ("charging", "done"):
        return f"{charge}, {EVIDENCE['watts'][1]}"
    if charge == "not known":
        return "not known whether it is done"
    return "was still charging when last metered" if charge == "off, not done" else ""


def chargers(state: Json) -> list[str]:
    """What a dark set says of its chargers, a sentence each: `charger is done`."""
    if state.get("state") not in ("dark", "stalled"):
        return []
    return [
        text
        for entry in entries(state.get("chargers"))
        if (charge := entry.get("charge")) in supply.CHARGES
        and (text := supply.charger(clean(entry["device"], 40), charge))
    ]


def to_close(state: Json) -> str:
    """`close the laptop: notes-laptop`; empty where every one said that it is down."""
    found = names(state.get("to_close"))
    return f"close the laptop: {listed(found)}" if found else ""


def silent(state: Json) -> list[str]:
    """`silent: fill, since 20:14:05` for each that should speak; of one that never did, that."""
    return [
        f"{'never heard' if entry.get('heard') == 'never heard' else 'silent'}: "
        + clean(entry["device"], 40)
        + (f", since {moment(entry['since'])}" if isinstance(entry.get("since"), str) else "")
        for entry in entries(state.get("silent"))
    ]


def unproven(state: Json) -> list[str]:
    """Sentences on what stands between what is shown and what is so."""
    lines = silent(state)
    told = names(state.get("only_told"))
    if told:
        lines.append(f"only told, nothing confirms it: {listed(told)}")
    slow = state.get("link_slow")
    if isinstance(slow, str) and slow:
        lines.append(clean(slow, 200))
    lost = number(state.get("record_lost"))
    if lost:
        verb = "was" if lost == 1 else "were"
        lines.append(f"the record: {count(round(lost), 'note')} {verb} lost")
    return lines


def sensors(state: Json, now: datetime | None = None) -> list[str]:
    """What light sensors read beside what is predicted, and what no light of the set explains."""
    lines = []
    for entry in entries(state.get("sensors")):
        line = sensor(entry, now)
        if line:
            lines.append(f"{clean(entry['device'], 40)} {line}")
        change = number(entry.get("since_ready"))
        if change is not None and entry.get("fresh") is True:
            lines.append(unexplained(entry, change))
    return lines


def sensor(entry: Json, now: datetime | None = None) -> str:
    """`402 lx, predicted about 420, −0.05 stop; 4280 K, 3 mired cooler than predicted`.

    Two digits of what is predicted: nobody knows more of it (`figures/meter.py`).
    """
    lux, cct = number(entry.get("lux")), number(entry.get("cct"))
    if lux is None:
        return ""
    if entry.get("fresh") is not True:
        heard = _heard(entry.get("at"), now) or "not heard now"
        return f"read {lux:.0f} lx, {heard}"
    text = f"{lux:.0f} lx"
    predicted, off = number(entry.get("predicted_lux")), number(entry.get("stops"))
    if predicted is not None:
        text += f", predicted about {float(f'{predicted:.2g}'):.0f}"
    if off is not None:
        text += f", {signed(off, 2)} stop"
    if cct is not None:
        text += f"; {cct:.0f} K"
        shift = number(entry.get("mired"))
        if shift is not None and abs(shift) >= NOT_SEEN["mired"]:
            side = "warmer" if shift > 0 else "cooler"
            text += f", {abs(shift):.0f} mired {side} than predicted"
    return text


def unexplained(entry: Json, change: float) -> str:
    """`the light at cell is 0.4 stop less than when ready, and no light says that it moved: …`"""
    side = "less" if change < 0 else "more"
    text = f"the light at {clean(entry['device'], 40)} is {abs(change):.1f} stop {side} than when"
    text += " ready, and no light says that it moved: "
    could = names(entry.get("could"))
    others = "something in the way" if change < 0 else "daylight, another lamp"
    if not could:
        return text + ("daylight, or something in the way" if change < 0 else "daylight, or a lamp")
    return text + " or ".join(clean(name, 40) for name in could) + f" could have, or {others}"


def light_note(row: Json) -> str:
    """What the record has of a change that no light explains, when it began or was over."""
    device = clean(row.get("device"), 40)
    if row.get("phase") == "over":
        how = {
            "returned": "is as when ready again, or explained",
            "compared anew": "is compared anew",
            "powered down": "was off before it was explained",
        }.get(str(row.get("how")), "is not looked at any more")
        return f"the light at {device} {how}"
    could = row.get("could")
    try:
        found = json.loads(could) if isinstance(could, str) else could
    except ValueError:
        found = []
    return unexplained({"device": device, "could": found}, number(row.get("stops")) or 0.0)


def supplies(state: Json, now: datetime | None = None) -> list[str]:
    """What is low, a sentence each: `clip at 12 %, about 50 min at this rate`.

    A dark set says what to do about it. What was not heard lately says when it was: how long
    ago, where `now` is given, else at which time.
    """
    over = state.get("state") == "dark"
    lines = []
    for entry in entries(state.get("supplies")):
        point, value = str(entry.get("point")), entry.get("value")
        if point not in supply.TO_DO:
            continue
        said = value if isinstance(value, bool) else number(value)
        if said is None:
            continue
        how_old = supply.KEPT if entry.get("kept") is True else _heard(entry.get("at"), now)
        left = number(entry.get("left_s"))
        lines.append(supply.sentence(clean(entry["device"], 40), point, said, how_old, left, over))
    return lines


def readings(device: Json) -> list[tuple[str, str]]:
    """What a device says of its supplies, by name, with when it was heard: for its own page."""
    found = device.get("supplies")
    if not isinstance(found, Mapping):
        return []
    lines = []
    for point, entry in found.items():
        if point not in supply.TO_DO or not isinstance(entry, Mapping):
            continue
        value = entry.get("value")
        said = value if isinstance(value, bool) else number(value)
        if said is None:
            continue
        how_old = supply.KEPT if entry.get("kept") is True else _heard(entry.get("at"), None)
        left = number(entry.get("left_s"))
        text = ", ".join(filter(None, (supply.stands(point, said), how_old)))
        text += f"; {supply.about(left)} at this rate" if left is not None else ""
        lines.append((point.replace("_low", ""), text))
    return lines


def _heard(at: object, now: datetime | None) -> str:
    """`heard 40 min ago`; empty for a word of now."""
    if not isinstance(at, str):
        return ""
    if now is None:
        return f"heard {moment(at, date=True)}"
    try:
        ago = (now - datetime.fromisoformat(at.replace("Z", "+00:00"))).total_seconds()
    except (ValueError, TypeError):
        return ""
    return f"heard {supply.age(ago)} ago" if ago >= supply.OLD else ""


def lockout(value: object) -> str:
    """`locked out by Ana: new fuse`."""
    if not isinstance(value, Mapping):
        return ""
    by, why = clean(value.get("by", "?"), 60), clean(value.get("why", "?"), 160)
    return f"locked out by {by}: {why}"


# What a light on a dial does with its mains, for who goes to set it.
COMES_BACK = {
    "full": " (comes on at full)",
    "dark": " (stays dark until it is switched on)",
    "last": " (comes on as it was last)",
    "preset": " (comes on at the preset stored in it)",
}


def hand_set(entries: object) -> list[str]:
    """`rim to 30 %, 4300 K` for each light that a person sets by its dial."""
    if not isinstance(entries, Sequence) or isinstance(entries, str):
        return []
    return [
        f"{clean(entry.get('device', '?'), 40)} to {preset(entry)}"
        + (
            f" ({clean(entry['turning_by'], 40)} is turning it)"
            if entry.get("turning_by")
            else f" (done by {clean(entry['set_by'], 40)})"
            if entry.get("set_by")
            else COMES_BACK.get(str(entry.get("comes_back")), "")
        )
        for entry in entries
        if isinstance(entry, Mapping)
    ]

"""Numbers, states and drift in the words of a person. No I/O, no terminal.

Everything that comes from a device, a profile or another program passes through `clean`
before it is shown: a name must not be able to drive a terminal.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

Json = Mapping[str, Any]

# Longer than this is no name and no sentence; what follows is left out.
MAX_SHOWN = 400


def clean(text: object, limit: int = MAX_SHOWN) -> str:
    """Text from outside, safe in a terminal: control and direction characters are replaced."""
    shown = "".join(c if c.isprintable() else "�" for c in str(text))
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


def watts(value: object) -> str:
    found = number(value)
    if found is None:
        return ""
    return f"{found:.1f} W" if found < 100 else f"{found:.0f} W"


def preset(value: object) -> str:
    """`64 %, 4300 K`."""
    if not isinstance(value, Mapping):
        return ""
    return ", ".join(filter(None, (level(value.get("level")), cct(value.get("cct")))))


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
    """How far off one drift entry is: `+0.32 stop`, `11 mired cooler`, `off`, `not heard from`."""
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
    if point == "cct":
        mired = number(entry.get("mired"))
        if mired is None:
            return "colour unknown"
        return f"{abs(mired):.0f} mired {'warmer' if mired > 0 else 'cooler'}"
    if point == "switch":
        return yes_no(reported, "on, meant to be off", "off, meant to be on", "not heard from")
    if point == "online":
        return "offline" if reported is False else "not heard from"
    return f"{clean(point, 20)} is {clean(reported, 30)}, not {clean(wanted, 30)}"


def signed(value: float | None, digits: int) -> str:
    if value is None:
        return "?"
    text = f"{abs(value):.{digits}f}"
    return f"{'−' if value < 0 and float(text) != 0 else '+'}{text}"


def drifted(entries: object) -> str:
    """All drift of one device in one line: `+0.32 stop, 11 mired cooler`."""
    if not isinstance(entries, Sequence) or isinstance(entries, str):
        return ""
    order = {"online": 0, "switch": 1, "level": 2, "cct": 3}
    found = [entry for entry in entries if isinstance(entry, Mapping)]
    found.sort(key=lambda entry: order.get(str(entry.get("point")), 9))
    return ", ".join(by_how_much(entry) for entry in found)


def from_to(entry: Json) -> str:
    """`64 → 80 %`, `4300 → 4100 K`; nothing for yes and no."""
    wanted, reported = number(entry.get("wanted")), number(entry.get("reported"))
    if wanted is None or reported is None:
        return ""
    if entry.get("point") == "level":
        return f"{wanted:.4g} → {reported:.4g} %"
    if entry.get("point") == "cct":
        return f"{wanted:.0f} → {reported:.0f} K"
    return ""


# Below this nobody sees a change, and the line would only be longer: stops and mired.
NOT_SEEN = {"face": 0.005, "mired": 0.5}


def ratio(value: object) -> str:
    """`2.0:1`; `1:2.0` where the fill is the brighter one."""
    found = number(value)
    if found is None or found <= 0:
        return "none"
    return f"{found:.1f}:1" if found >= 0.95 else f"1:{1 / found:.1f}"


def picture(value: object) -> str:
    """What a change does to the picture: `face +0.21 stop, ratio 2.0:1 → 2.5:1, 11 mired cooler`.

    Empty where nothing is said about it.
    """
    if not isinstance(value, Mapping):
        return ""
    missing = value.get("missing")
    if missing:
        return f"picture not computed: {listed([str(text) for text in missing], 3)}"
    if "face" not in value:
        return ""
    face, mired = number(value.get("face")), number(value.get("mired"))
    parts = []
    if face is None:
        parts.append("face dark")
    elif abs(face) >= NOT_SEEN["face"]:
        parts.append(f"face {signed(face, 2)} stop")
    before, after = ratio(value.get("ratio_wanted")), ratio(value.get("ratio"))
    if before != after:
        parts.append(f"ratio {before} → {after}")
    if mired is not None and abs(mired) >= NOT_SEEN["mired"]:
        parts.append(f"{abs(mired):.0f} mired {'warmer' if mired > 0 else 'cooler'}")
    return ", ".join(parts) or "face unchanged"


def drift_line(entries: Sequence[Json]) -> str:
    """All open drift of one device in one line, the picture's part of it in the middle.

    `key +0.32 stop (64 → 80 %), 11 mired cooler (4300 → 4514 K); face +0.21 stop, ratio 2.0:1 →
    2.5:1; for 12.0 s`
    """
    order = {"online": 0, "switch": 1, "level": 2, "cct": 3}
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

STATE_WORDS = {
    "unheard": "not heard from yet",
    "dark": "dark",
    "rising": "coming up",
    "ready": "ready",
    "adrift": "up, but adrift",
    "lowering": "going down",
    "stalled": "stalled",
}

# What each action of a step is, while it happens and once it is confirmed.
DOING = {
    "watts": ("being metered", "metered"),
    "power on": ("switching on", "on"),
    "hear from": ("booting", "reports"),
    "let boot": ("booting", "booted"),
    "switch on": ("switching on", "on"),
    "set": ("fading", "set"),
    "fade out": ("fading out", "out"),
    "cool down": ("cooling down", "cool"),
    "shut down": ("shutting down", "down"),
    "switch off": ("switching off", "off"),
    "power off": ("switching off", "off"),
}


def doing(action: str, value: str = "") -> str:
    words = DOING.get(action, (action, action))[0]
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
    return DOING.get(action, (action, action))[1]


# What ends by itself when its time is over: no device says that it has happened.
TIMED = ("let boot", "cool down")
# One mark each, so that a time that ran out never looks like a report.
MARKS = {"confirmed": "✓", "waited out": "◌", "failed": "✗", "passed over": "✗"}


def phase_of(step: Json) -> str:
    """Where a step stands. A bridge from before calls a time that ran out confirmed."""
    phase = str(step.get("phase"))
    if phase == "confirmed" and step.get("action") in TIMED:
        return "waited out"
    return phase


def waited(step: Json) -> str:
    """`waited 4 s`: how long a step was waited for that nothing can confirm."""
    began, ended = number(step.get("at_s")), number(step.get("until_s"))
    if began is None or ended is None or ended < began:
        return "waited"
    return f"waited {about(ended - began)}"


def step_said(step: Json) -> str:
    """What a step is doing, or what became of it; empty while it waits for its turn."""
    phase, action, value = phase_of(step), str(step.get("action")), str(step.get("value") or "")
    if phase == "sent":
        return doing(action, value)
    if phase == "confirmed":
        return done(action, value)
    if phase == "waited out":
        return f"{waited(step)}: nothing can confirm it"
    if phase == "waiting":
        return ""
    return clean(step.get("text") or phase, 200)


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
        return "told"
    if device.get("confirmed") is not True:
        return ""
    if "by" not in device:
        return "report"
    return by if isinstance(by, str) and by in EVIDENCE else ""


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
        return "only told"
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
        why = f": {clean(entry['why'], 160)}" if isinstance(entry.get("why"), str) else ""
        lines.append(", ".join(parts) + why)
    return lines


def silent(state: Json) -> list[str]:
    """`fill, since 20:14:05` for each device that spoke once and does not now."""
    return [
        clean(entry["device"], 40)
        + (f", since {moment(entry['since'])}" if isinstance(entry.get("since"), str) else "")
        for entry in entries(state.get("silent"))
    ]


def unproven(state: Json) -> list[str]:
    """Sentences on what stands between what is shown and what is so."""
    lines = [f"silent: {text}" for text in silent(state)]
    told = names(state.get("only_told"))
    if told:
        lines.append(f"only told, nothing confirms it: {listed(told)}")
    slow = number(state.get("link_slow_s"))
    if slow:
        lines.append(f"the broker takes {duration(slow)} to answer: everything takes longer")
    lost = number(state.get("record_lost"))
    if lost:
        verb = "was" if lost == 1 else "were"
        lines.append(f"the record: {count(round(lost), 'note')} {verb} lost")
    return lines


def lockout(value: object) -> str:
    """`locked out by Ana: new fuse`."""
    if not isinstance(value, Mapping):
        return ""
    by, why = clean(value.get("by", "?"), 60), clean(value.get("why", "?"), 160)
    return f"locked out by {by}: {why}"


def hand_set(entries: object) -> list[str]:
    """`rim to 30 %, 4300 K` for each light that a person sets by its dial."""
    if not isinstance(entries, Sequence) or isinstance(entries, str):
        return []
    return [
        f"{clean(entry.get('device', '?'), 40)} to {preset(entry)}"
        + (f" (done by {clean(entry['set_by'], 40)})" if entry.get("set_by") else "")
        for entry in entries
        if isinstance(entry, Mapping)
    ]

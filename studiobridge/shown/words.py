"""Numbers, states and drift in the words of a person. No I/O, no terminal.

Everything that comes from a device, a profile or another program passes through `clean`
before it is shown: a name must not be able to drive a terminal.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

from studiobridge.craft import supply
from studiobridge.craft.chroma import Colour, apart, kelvin_of, name_of, towards
from studiobridge.profile.plain import plain
from studiobridge.profile.said import FORMER_WORDS
from studiobridge.shown import supplied
from studiobridge.shown.tongue import IN, OUT, english, figure, later, say, say_many, zone

if TYPE_CHECKING:  # a command that only asks a bridge starts without the model of a profile
    from studiobridge.profile.model import Circuit

Json = Mapping[str, Any]

# Longer than this is no name and no sentence; what follows is left out.
MAX_SHOWN = 400


def clean(text: object, limit: int = MAX_SHOWN) -> str:
    """Text from outside, safe in a terminal: control and direction characters are replaced."""
    shown = plain(str(text))
    return shown if len(shown) <= limit else shown[: limit - 1] + "…"


def as_said(text: object, limit: int = MAX_SHOWN) -> str:
    """A sentence of ours, cleaned once more on its way to a page; its marks of English stay."""
    shown = "".join(c if c in (OUT, IN) else plain(c) for c in str(text))
    return shown if len(shown) <= limit else shown[: limit - 1] + "…"


def bridge_says(text: object, limit: int = MAX_SHOWN) -> str:
    """A sentence that another process made, in English: cleaned, and marked as such."""
    return english(clean(text, limit))


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
        return f"{figure(max(0.0, seconds), '.1f')} s"
    whole = round(seconds)
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"


def about(seconds: float) -> str:
    """A predicted time, no finer than a prediction is: `14 s`, `2 min 05 s`."""
    return f"{seconds:.0f} s" if seconds < 59.5 else duration(seconds)


def level(value: object) -> str:
    found = number(value)
    return "" if found is None else f"{figure(found, '.4g')} %"


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
    return "" if found is None else colour_name(found)


COLOURS = (
    *(later("red"), later("orange"), later("yellow"), later("green"), later("cyan")),
    *(later("blue"), later("purple"), later("magenta")),
    *(later("pale red"), later("pale orange"), later("pale yellow"), later("pale green")),
    *(later("pale cyan"), later("pale blue"), later("pale purple"), later("pale magenta")),
)
WAYS = (
    *(later("redder"), later("yellower"), later("greener"), later("more cyan"), later("bluer")),
    *(later("more magenta"), later("paler"), later("deeper"), later("warmer"), later("cooler")),
)


def colour_name(found: Colour) -> str:
    """The word for a colour (`craft/chroma.py`) in the language in force."""
    kelvin = kelvin_of(found)
    if kelvin is not None:
        return say("white at {kelvin} K", kelvin=f"{round(kelvin, -1):.0f}")
    return say(name_of(found))


def way_of(wanted: Colour, said: Colour) -> str:
    """Which way one colour lies from another, in the language in force; "" for nowhere."""
    ways = [say(word) for word in towards(wanted, said).split(" and ") if word]
    return " ".join(ways) if len(ways) < 2 else say("{one} and {other}", one=ways[0], other=ways[1])


def spelled_colour(value: object) -> str:
    """`green xy 0.300 0.600`: with the figures, where there is room for them."""
    found = chroma(value)
    if found is None:
        return ""
    return f"{colour_name(found)} xy {figure(found.x, '.3f')} {figure(found.y, '.3f')}"


def watts(value: object) -> str:
    found = number(value)
    if found is None:
        return ""
    return f"{figure(found, '.1f' if found < 100 else '.0f')} W"


def preset(value: object) -> str:
    """`64 %, 4300 K`, or `75 %, green`."""
    if not isinstance(value, Mapping):
        return ""
    parts = (level(value.get("level")), cct(value.get("cct")), colour(value.get("colour")))
    return ", ".join(filter(None, parts))


def listed_said(parts: Sequence[str], most: int = 6) -> str:
    """As `listed`, of what we have said ourselves."""
    shown = list(parts)
    if len(shown) > most:
        shown = [*shown[: most - 1], say("{n} more", n=len(shown) - most + 1)]
    if len(shown) < 2:
        return "".join(shown)
    return say("{one} and {other}", one=", ".join(shown[:-1]), other=shown[-1])


KINDS = {
    "light": later("light", sense="kind"),
    "backdrop": later("backdrop", sense="kind"),
    "computer": later("computer", sense="kind"),
    "camera": later("camera", sense="kind"),
    "display": later("display", sense="kind"),
    "audio": later("audio", sense="kind"),
    "amp": later("amp", sense="kind"),
    "plug": later("plug", sense="kind"),
    "charger": later("charger", sense="kind"),
    "network": later("network", sense="kind"),
    "sensor": later("sensor", sense="kind"),
}


def kind(name: str) -> str:
    """What sort of thing a device is, where it has no title."""
    return say(KINDS[name], sense="kind") if name in KINDS else name


def yes_no(value: object, yes: str = "yes", no: str = "no", unknown: str = "?") -> str:
    return yes if value is True else no if value is False else unknown


def moment(text: object, date: bool = False) -> str:
    """An ISO time from the record or a topic, in the zone in force: a page's is that of its set.

    One form everywhere, of figures alone (ISO 8601), so that no two clocks differ by their dress.
    """
    try:
        at = datetime.fromisoformat(str(text).replace("Z", "+00:00")).astimezone(zone())
    except (ValueError, OverflowError):
        return clean(text, 30)
    return at.strftime("%Y-%m-%d %H:%M:%S" if date else "%H:%M:%S")


def listed(names: Sequence[str], most: int = 6, each: int = 40) -> str:
    """`key, fill and cloth`; a long list is cut: `key, fill and 10 more`."""
    shown = [clean(name, each) for name in names]
    if len(shown) > most:
        shown = [*shown[: most - 1], say("{n} more", n=len(shown) - most + 1)]
    if len(shown) < 2:
        return "".join(shown)
    return say("{one} and {other}", one=", ".join(shown[:-1]), other=shown[-1])


def count(n: int, one: str, many: str = "") -> str:
    return f"{n} {one if n == 1 else many or one + 's'}"


# ---- drift ------------------------------------------------------------------------------


def by_how_much(entry: Json) -> str:
    """How far off one drift entry is: `+0.32 stop`, `11 mired cooler`, `off`, `silent`."""
    point = entry.get("point")
    wanted, reported = entry.get("wanted"), entry.get("reported")
    if isinstance(reported, str) and point in ("level", "cct", "switch"):
        return bridge_says(reported, 160)  # as the record has what another instrument said
    maybe = names(entry.get("perhaps"))
    if maybe:
        why = bridge_says(entry.get("why") or entry.get("device"), 160)
        return say("perhaps: {why}", why=why)
    band = entry.get("band")
    if isinstance(band, Sequence) and not isinstance(band, str) and len(band) == 2:
        found = in_band(point, band[0], band[1], entry.get("by"))
        if found and point != "switch":
            unit = "K" if point == "cct" else "%"
            ours = f"{figure(number(wanted) or 0.0, '.4g')} {unit}"
            return say("{found}, not {wanted}", found=found, wanted=ours)
    if point == "level":
        stops, percent = number(entry.get("stops")), number(entry.get("percent"))
        if stops is not None:
            return say("{by} stop", by=signed(stops, 2))
        if number(reported) == 0:
            return say("dark", sense="a light")
        if number(wanted) == 0:
            return say("lit, meant to be dark")
        return f"{signed(percent, 1)} %" if percent is not None else say("level unknown")
    if chroma(wanted) is not None or chroma(reported) is not None:
        return _colour_off(wanted, reported)
    if point == "cct":
        mired = number(entry.get("mired"))
        if mired is None:
            return say("colour unknown")
        return by_mired(mired)
    silent = say("never heard") if entry.get("heard") == "never heard" else say("silent")
    if point == "switch":
        on, off = say("on, meant to be off"), say("off, meant to be on")
        return yes_no(reported, on, off, silent)
    if point == "online":
        return say("silent: it said that it leaves") if reported is False else silent
    return say(
        "{point} is {reported}, not {wanted}",
        point=clean(point, 20),
        reported=clean(reported, 30),
        wanted=clean(wanted, 30),
    )


def by_mired(shift: float) -> str:
    """`11 mired cooler`."""
    much = f"{abs(shift):.0f}"
    if shift > 0:
        return say("{much} mired warmer", much=much)
    return say("{much} mired cooler", much=much)


def _colour_off(wanted: object, reported: object) -> str:
    """`greener than wanted by 0.020 Δu′v′`, `white at 4300 K instead of green`."""
    ours, theirs = chroma(wanted), chroma(reported)
    if ours is not None and theirs is not None and "white" not in name_of(theirs):
        much = figure(apart(ours, theirs), ".3f")
        way = way_of(ours, theirs)
        if not way:
            return say("off wanted by {much} Δu′v′", much=much)
        return say("{way} than wanted by {much} Δu′v′", way=way, much=much)
    is_, meant = _white_or_colour(reported), _white_or_colour(wanted)
    return say("{reported} instead of {wanted}", reported=is_, wanted=meant)


def _white_or_colour(value: object) -> str:
    found, kelvin = chroma(value), number(value)
    if found is not None:
        return colour_name(found)
    if kelvin is None:
        return say("colour unknown")
    return say("white at {kelvin} K", kelvin=f"{kelvin:.0f}")


def stops(value: float) -> str:
    """`0.5 stop`, `1.2 stops`."""
    much = figure(value, ".1f")
    return say("{by} stops", by=much) if abs(value) >= 1.05 else say("{by} stop", by=much)


def signed(value: float | None, digits: int) -> str:
    if value is None:
        return "?"
    below = value < 0 and float(f"{abs(value):.{digits}f}") != 0
    return f"{'−' if below else '+'}{figure(abs(value), f'.{digits}f')}"


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
        figures = [figure(part, ".3f") for part in (ours.x, ours.y, theirs.x, theirs.y)]
        return "xy {} {} → {} {}".format(*figures)
    wanted, reported = number(entry.get("wanted")), number(entry.get("reported"))
    if wanted is None or reported is None:
        return ""
    if entry.get("point") == "level":
        return f"{figure(wanted, '.4g')} → {figure(reported, '.4g')} %"
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
        return say("none", sense="a ratio")
    if found >= 0.95:
        return f"{figure(found, '.1f')}:1"
    return f"1:{figure(1 / found, '.1f')}"


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
        what = english(listed([str(text) for text in missing], 3))
        return say("picture not computed: {what}", what=what)
    if "face" not in value:
        return ""
    face = number(value.get("face"))
    parts = []
    if face is None:
        parts.append(say("face dark"))
    elif abs(face) >= NOT_SEEN["face"]:
        parts.append(say("face {by} stop", by=signed(face, 2)))
    before, after = ratio(value.get("ratio_wanted")), ratio(value.get("ratio"))
    if before != after:
        parts.append(say("ratio {before} → {after}", before=before, after=after))
    parts.extend(white_shift(number(value.get("mired")), number(value.get("duv"))))
    return ", ".join(parts) or say("face unchanged")


def white_shift(mired: float | None, duv: float | None, digits: int = 4) -> list[str]:
    """How a white differs from another, along the locus and across it, as far as anybody sees."""
    parts = []
    if mired is not None and abs(mired) >= NOT_SEEN["mired"]:
        parts.append(by_mired(mired))
    if duv is not None and abs(duv) >= NOT_SEEN["duv"]:
        way = say("greener") if duv > 0 else say("more magenta")
        parts.append(f"Duv {figure(abs(duv), f'.{digits}f')} {way}")
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
        parts = [bridge_says(first.get("why") or first.get("device"), 200)]
    shown = picture(first.get("picture"))
    if shown:
        parts.append(shown)
    lasting = [found for entry in ordered if (found := number(entry.get("for_s"))) is not None]
    tail = [say("for {time}", time=duration(max(lasting)))] if lasting else []
    for entry in ordered:
        worst = None if entry.get("band") is not None else entry.get("worst")
        if isinstance(worst, Mapping) and worst.get("reported") != entry.get("reported"):
            was = by_how_much(
                {**entry, "reported": worst.get("reported"), "percent": None}
                | {"stops": worst.get("stops"), "mired": worst.get("mired")}
            )
            tail.append(say("at its worst {how}", how=was))
    if any(entry.get("contested") is True for entry in ordered):
        tail.append(say("contested: put back and changed again"))
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
        lines.append(say("reckoned for the picture: {what}", what=whole))
    return lines


# ---- states -----------------------------------------------------------------------------


def state(value: object) -> str:
    """A state in the one word for it, the same in a terminal, in JSON and on an English page."""
    said = clean(value, 30) if isinstance(value, str) and value else "unheard"
    return say(said, sense="state")


STATES = (
    later("unheard", sense="state"),
    later("dark", sense="state"),
    later("rising", sense="state"),
    later("ready", sense="state"),
    later("adrift", sense="state"),
    later("lowering", sense="state"),
    later("stalled", sense="state"),
)


@dataclass(frozen=True, slots=True)
class Action:
    """An action of a step: while it happens, once it is confirmed, and in a drawing."""

    doing: str
    done: str
    drawn: str
    label: str = ""  # on its bar, where there is room


ACTIONS = {
    "power on": Action(later("switching on", sense="step"), later("on", sense="step"), "mains on"),
    "wait for its report": Action(
        later("waiting for its report", sense="step"),
        later("reports", sense="step"),
        "waits for its report",
    ),
    "boots": Action(later("booting", sense="step"), later("booted", sense="step"), "boots"),
    "watts": Action(
        later("being metered", sense="step"), later("metered", sense="step"), "metered"
    ),
    "picture": Action(
        later("being looked for in the picture", sense="step"),
        later("seen", sense="step"),
        "seen",
    ),
    "switch on": Action(
        later("switching on", sense="step"), later("on", sense="step"), "switched on"
    ),
    "set": Action(
        later("fading", sense="step"), later("set", sense="step"), "fading to its preset"
    ),
    "fade out": Action(
        later("fading out", sense="step"), later("out", sense="step"), "fading out", "fades out"
    ),
    "cool down": Action(
        later("cooling down", sense="step"),
        later("cool", sense="step"),
        "cooling down",
        "cools down",
    ),
    "shut down": Action(
        later("shutting down", sense="step"),
        later("down", sense="step"),
        "shutting down",
        "shuts down",
    ),
    "switch off": Action(
        later("switching off", sense="step"), later("off", sense="step"), "switched off"
    ),
    "power off": Action(
        later("switching off", sense="step"), later("off", sense="step"), "mains off"
    ),
}


def action_of(step: Json) -> str:
    """What a step does. A bridge, or a record, from before has other words for it."""
    said = str(step.get("action"))
    return FORMER_WORDS.get(said, said)


def doing(action: str, value: str = "") -> str:
    action = FORMER_WORDS.get(action, action)
    words = (
        say(ACTIONS[action].doing, sense="step") if action in ACTIONS else english(clean(action))
    )
    return (
        say("{doing} to {value}", doing=words, value=value) if value and action == "set" else words
    )


def waits(state: Json, most: int = 2) -> str:
    """`waits for lesson-pc (booting)`, or `waits:` and the sentence of a camera; "" for nothing."""
    found = entries(state.get("waiting_for"))
    if not found:
        return ""
    said = [
        bridge_says(entry.get("why"), 200)
        if entry.get("what") == "roll"
        else f"{clean(entry['device'], 30)} ({doing(str(entry.get('what')))})"
        for entry in found
    ]
    what = listed_said(said, most)
    if found[0].get("what") == "roll":
        return say("waits: {what}", what=what)
    return say("waits for {what}", what=what)


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
    return say(ACTIONS[action].done, sense="step") if action in ACTIONS else english(clean(action))


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
        return say("waited")
    if ended - began <= 0.5:
        return say("waited less than a second")
    return say("waited {time}", time=about(ended - began))


# How the reason of a step begins that only a person can do: nothing is told there.
BY_HAND = "close it by hand"


def left_to_a_hand(step: Json) -> bool:
    """A laptop that nothing can tell to shut down: it must not look as if it were told."""
    return action_of(step) == "shut down" and str(step.get("why")).startswith(BY_HAND)


def step_said(step: Json) -> str:
    """What a step is doing, or what became of it; empty while it waits for its turn."""
    phase, action, value = phase_of(step), action_of(step), str(step.get("value") or "")
    if phase == "sent":
        return say("yours to close") if left_to_a_hand(step) else doing(action, value)
    if phase == "confirmed":
        return done(action, value)
    if phase == "waited out":
        if not step.get("text"):
            return say("{waited}: nothing can confirm it", waited=waited(step))
        # it stands behind the device's name already
        return bridge_says(str(step["text"]).removeprefix(f"{step.get('device')} "), 200)
    if phase == "waiting":
        return ""
    if not step.get("text"):
        return say(clean(phase, 200), sense="phase")
    text = bridge_says(step["text"], 200)
    return say("skipped: {what}", what=text) if phase == "skipped" else text


# Where a step stands, by itself.
PHASES = (
    later("waiting", sense="phase"),
    later("sent", sense="phase"),
    later("confirmed", sense="phase"),
    later("waited out", sense="phase"),
    later("failed", sense="phase"),
    later("skipped", sense="phase"),
)


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
    "report": ("report", later("by its report")),
    "watts": ("watts", later("by its watts")),
    "picture": ("picture", later("by the picture")),
    "sensor": ("sensor", later("by a light sensor")),
    "hand": ("by hand", later("by a person's word")),
}
ONLY_TOLD = later("only told: nothing confirms it")


def known_by(evidence: str) -> str:
    """`by its watts`; empty for what proves nothing."""
    return say(EVIDENCE[evidence][1]) if evidence in EVIDENCE else ""


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


HEARD = {
    "answers": later("answers"),
    "silent": later("silent"),
    "never heard": later("never heard"),
    MUTE: later("cannot speak"),
}


def heard_said(code: str) -> str:
    """What `hearing` found, in the language in force."""
    return say(HEARD[code]) if code in HEARD else code


def can_speak(device: Json) -> bool:
    return device.get("heard") in HEARING


def misheard(device: Json) -> list[str]:
    """What a device says that cannot be read, and what it never says though it speaks."""
    lines = [bridge_says(text, 200) for text in names(device.get("lacks"))]
    said = device.get("unreadable")
    if isinstance(said, Mapping):
        times = round(number(said.get("count")) or 1)
        last = moment(said.get("at"))
        how = say_many("{n} time, last {last}", "{n} times, last {last}", times, last=last)
        topic, why = clean(said.get("topic", "?"), 200), clean(said.get("why", "?"), 200)
        lines.append(
            say("`{topic}` cannot be read: {why} ({how})", topic=topic, why=english(why), how=how)
        )
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
    known = known_by(by)
    if point == "switch":
        if least != most:
            return ""
        return say("on {known}", known=known) if least else say("off {known}", known=known)
    if point == "level" and least <= 0 and most >= 100:
        return say("its level cannot be told {known}", known=known)
    unit = "K" if point == "cct" else "%"
    few = figure(least, ".0f" if least >= 10 or least == 0 else ".1f")
    many = figure(most, ".0f" if most >= 10 or most == 0 else ".1f")
    if few == many:
        return f"{few} {unit} {known}"
    return say("{few} to {many} {unit} {known}", few=few, many=many, unit=unit, known=known)


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
            parts.append(say("since {time}", time=moment(entry["since"])))
        by = entry.get("by")
        if isinstance(by, str) and by in EVIDENCE:
            parts.append(known_by(by))
        said = clean(entry["why"], 160) if isinstance(entry.get("why"), str) else ""
        # that it says so itself is what "by its report" means
        why = f": {english(said)}" if said and not (said == "it says on" and by == "report") else ""
        lines.append(", ".join(parts) + why)
    return lines


def rolls(view: Json) -> str:
    """`rolls, by its watts`, or that nobody knows; empty for what is no camera."""
    if view.get("kind") != "camera":
        return ""
    by = view.get("rolling_by")
    known = known_by(by) if isinstance(by, str) else ""
    said = view.get("rolling")
    if said is True:
        return ", ".join(filter(None, (say("rolls"), known)))
    if said is False and (known or "rolling_by" not in view):
        return say("does not roll, {known}", known=known) if known else ""
    return say("not known whether it rolls")


def charges(view: Json) -> str:
    """`done, by its watts`, or that nobody knows; empty for what is no charger with a meter."""
    charge = view.get("charge")
    if charge == "charging":
        return f"{say('charging')}, {known_by('watts')}"
    if charge == "done":
        return f"{say('done', sense='a charger')}, {known_by('watts')}"
    if charge == "not known":
        return say("not known whether it is done")
    return say("was still charging when last metered") if charge == "off, not done" else ""


def chargers(state: Json) -> list[str]:
    """What a dark set says of its chargers, a sentence each: `charger is done`."""
    if state.get("state") not in ("dark", "stalled"):
        return []
    return [
        text
        for entry in entries(state.get("chargers"))
        if (charge := entry.get("charge")) in supply.CHARGES
        and (text := supplied.charger(clean(entry["device"], 40), charge))
    ]


def to_close(state: Json) -> str:
    """`close the laptop: notes-laptop`; empty where every one said that it is down."""
    found = names(state.get("to_close"))
    return say("close the laptop: {names}", names=listed(found)) if found else ""


def silent(state: Json) -> list[str]:
    """`silent: fill, since 20:14:05` for each that should speak; of one that never did, that."""
    lines = []
    for entry in entries(state.get("silent")):
        what = say("never heard") if entry.get("heard") == "never heard" else say("silent")
        parts = [f"{what}: {clean(entry['device'], 40)}"]
        if isinstance(entry.get("since"), str):
            parts.append(say("since {time}", time=moment(entry["since"])))
        lines.append(", ".join(parts))
    return lines


def unproven(state: Json) -> list[str]:
    """Sentences on what stands between what is shown and what is so."""
    lines = silent(state)
    told = names(state.get("only_told"))
    if told:
        lines.append(say("only told, nothing confirms it: {names}", names=listed(told)))
    slow = state.get("link_slow")
    if isinstance(slow, str) and slow:
        lines.append(bridge_says(slow, 200))
    lost = number(state.get("record_lost"))
    if lost:
        lines.append(
            say_many(
                "the record: {n} note was lost", "the record: {n} notes were lost", round(lost)
            )
        )
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
        heard = _heard(entry.get("at"), now) or say("not heard now")
        return say("read {lux} lx, {heard}", lux=f"{lux:.0f}", heard=heard)
    text = f"{lux:.0f} lx"
    predicted, off = number(entry.get("predicted_lux")), number(entry.get("stops"))
    if predicted is not None:
        text += ", " + say("predicted about {lux}", lux=f"{float(f'{predicted:.2g}'):.0f}")
    if off is not None:
        text += ", " + say("{by} stop", by=signed(off, 2))
    if cct is not None:
        text += f"; {cct:.0f} K"
        shift = number(entry.get("mired"))
        if shift is not None and abs(shift) >= NOT_SEEN["mired"]:
            text += ", " + say("{by} than predicted", by=by_mired(shift))
    return text


def unexplained(entry: Json, change: float) -> str:
    """`the light at cell is 0.4 stop less than when ready, and no light says that it moved: …`"""
    device, much = clean(entry["device"], 40), figure(abs(change), ".1f")
    could = say(" or ").join(clean(name, 40) for name in names(entry.get("could")))
    if change < 0:
        why = say("daylight, or something in the way")
        if could:
            why = say("{names} could have, or something in the way", names=could)
        return say(
            "the light at {device} is {much} stop less than when ready, and no light says that it"
            " moved: {why}",
            device=device,
            much=much,
            why=why,
        )
    why = say("daylight, or a lamp")
    if could:
        why = say("{names} could have, or daylight, another lamp", names=could)
    return say(
        "the light at {device} is {much} stop more than when ready, and no light says that it"
        " moved: {why}",
        device=device,
        much=much,
        why=why,
    )


def light_note(row: Json) -> str:
    """What the record has of a change that no light explains, when it began or was over."""
    device = clean(row.get("device"), 40)
    if row.get("phase") == "over":
        how = {
            "returned": later("the light at {device} is as when ready again, or explained"),
            "compared anew": later("the light at {device} is compared anew"),
            "powered down": later("the light at {device} was off before it was explained"),
        }.get(str(row.get("how")), later("the light at {device} is not looked at any more"))
        return say(how, device=device)
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
        how_old = supplied.kept() if entry.get("kept") is True else _heard(entry.get("at"), now)
        left = number(entry.get("left_s"))
        device = clean(entry["device"], 40)
        lines.append(supplied.sentence(device, point, said, how_old, left, over))
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
        how_old = supplied.kept() if entry.get("kept") is True else _heard(entry.get("at"), None)
        left = number(entry.get("left_s"))
        text = ", ".join(filter(None, (supplied.stands(point, said), how_old)))
        if left is not None:
            text += "; " + say("{time} at this rate", time=supplied.about(left))
        lines.append((supplied.point_name(point), text))
    return lines


def _heard(at: object, now: datetime | None) -> str:
    """`heard 40 min ago`; empty for a word of now."""
    if not isinstance(at, str):
        return ""
    if now is None:
        return say("heard {time}", time=moment(at, date=True))
    try:
        ago = (now - datetime.fromisoformat(at.replace("Z", "+00:00"))).total_seconds()
    except (ValueError, TypeError):
        return ""
    return say("heard {time} ago", time=supplied.age(ago)) if ago >= supply.OLD else ""


def lockout(value: object) -> str:
    """`locked out by Ana: new fuse`."""
    if not isinstance(value, Mapping):
        return ""
    by, why = clean(value.get("by", "?"), 60), clean(value.get("why", "?"), 160)
    return say("locked out by {by}: {why}", by=by, why=why)


# What a light on a dial does with its mains, for who goes to set it.
COMES_BACK = {
    "full": later("comes on at full"),
    "dark": later("stays dark until it is switched on"),
    "last": later("comes on as it was last"),
    "preset": later("comes on at the preset stored in it"),
}


def comes_back(how: object) -> str:
    """` (comes on at full)`; empty where nobody says."""
    return f" ({say(COMES_BACK[str(how)])})" if str(how) in COMES_BACK else ""


def hand_set(entries: object) -> list[str]:
    """`rim to 30 %, 4300 K` for each light that a person sets by its dial."""
    if not isinstance(entries, Sequence) or isinstance(entries, str):
        return []
    lines = []
    for entry in entries:
        if not isinstance(entry, Mapping):
            continue
        device = clean(entry.get("device", "?"), 40)
        how = comes_back(entry.get("comes_back"))
        if entry.get("turning_by"):
            how = " (" + say("{by} is turning it", by=clean(entry["turning_by"], 40)) + ")"
        elif entry.get("set_by"):
            how = " (" + say("done by {by}", by=clean(entry["set_by"], 40)) + ")"
        lines.append(say("{device} to {preset}", device=device, preset=preset(entry)) + how)
    return lines


def breakers(circuits: Iterable[Circuit]) -> list[str]:
    """`circuit wall: its 16 A breaker is in the hall`, of each circuit."""
    return [
        f"circuit {clean(circuit.name, 40)}: its {circuit.breaker:g} A breaker"
        + (f" is {clean(circuit.where, 200)}" if circuit.where else "; where, the profile says not")
        for circuit in circuits
    ]

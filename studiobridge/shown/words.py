"""Numbers, names, lists, times and states in the words of a person. No I/O, no terminal.

What is said of one subject stands beside it: `drift_words.py`, `step_words.py`, `proof_words.py`,
`sensor_words.py`, `supplied.py`; each builds on this and none is imported here.

Everything that comes from a device, a profile or another program passes through `clean`
before it is shown: a name must not be able to drive a terminal.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from studiobridge.craft.chroma import Colour, kelvin_of, name_of, towards
from studiobridge.profile.plain import plain
from studiobridge.shown.tongue import IN, OUT, english, figure, later, say, zone

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


def entries(value: object) -> list[Json]:
    """The entries of a list from outside that are mappings and name a device."""
    return [e for e in mappings(value) if e.get("device")]


def mappings(value: object) -> list[Json]:
    """The mappings in a list from outside."""
    return [e for e in value if isinstance(e, Mapping)] if isinstance(value, list) else []


def names(value: object) -> list[str]:
    """The names in a list from outside."""
    return [e for e in value if isinstance(e, str)] if isinstance(value, list) else []


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


# ---- how far, and which way --------------------------------------------------------------


def by_mired(shift: float) -> str:
    """`11 mired cooler`."""
    much = f"{abs(shift):.0f}"
    if shift > 0:
        return say("{much} mired warmer", much=much)
    return say("{much} mired cooler", much=much)


def stops(value: float) -> str:
    """`0.5 stop`, `1.2 stops`."""
    much = figure(value, ".1f")
    return say("{by} stops", by=much) if abs(value) >= 1.05 else say("{by} stop", by=much)


def signed(value: float | None, digits: int) -> str:
    if value is None:
        return "?"
    below = value < 0 and float(f"{abs(value):.{digits}f}") != 0
    return f"{'−' if below else '+'}{figure(abs(value), f'.{digits}f')}"


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


def white_shift(mired: float | None, duv: float | None, digits: int = 4) -> list[str]:
    """How a white differs from another, along the locus and across it, as far as anybody sees."""
    parts = []
    if mired is not None and abs(mired) >= NOT_SEEN["mired"]:
        parts.append(by_mired(mired))
    if duv is not None and abs(duv) >= NOT_SEEN["duv"]:
        way = say("greener") if duv > 0 else say("more magenta")
        parts.append(f"Duv {figure(abs(duv), f'.{digits}f')} {way}")
    return parts


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


def lockout(value: object) -> str:
    """`locked out by Ana: new fuse`."""
    if not isinstance(value, Mapping):
        return ""
    by, why = clean(value.get("by", "?"), 60), clean(value.get("why", "?"), 160)
    return say("locked out by {by}: {why}", by=by, why=why)


# ---- what people have to do --------------------------------------------------------------


def to_close(state: Json) -> str:
    """`close the laptop: notes-laptop`; empty where every one said that it is down."""
    found = names(state.get("to_close"))
    return say("close the laptop: {names}", names=listed(found)) if found else ""


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

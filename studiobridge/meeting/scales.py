"""Numbers that gear says, as scales of a dialect: from where to where, in what unit, how sure."""

from __future__ import annotations

from studiobridge.meeting.met import Ground
from studiobridge.meeting.parts import figure_of
from studiobridge.meeting.sights import Sight
from studiobridge.profile.model import Point

# Where levels usually end (common practice: percent, a byte and one less, per mille, 10, 12 and
# 16 bits).
TOPS = (1.0, 100.0, 254.0, 255.0, 1000.0, 1023.0, 4095.0, 65535.0)
# Whites that lamps have, and what those are in mired: 1500 to 12000 K, 83 to 667 mired.
KELVINS, MIREDS = (1500.0, 12000.0), (83.0, 667.0)
# Watts above this in one plug are milliwatts: no breaker of a set carries it.
MOST_WATTS = 4000.0

# the rest of the rule (None: no rule), its ground, why, and what would settle it ("": nothing)
Scaled = tuple[dict[str, object] | None, Ground, str, str]


def plain(figure: float) -> str:
    """A number as a span is written."""
    return str(int(figure)) if figure == int(figure) else repr(round(figure, 6))


def level_rule(sight: Sight) -> Scaled:
    """A level's scale: taught by full and dark, else by its highest number so far."""
    full = [f for _, t in sight.answered("full") if (f := figure_of(t.after)) is not None]
    dark = [f for _, t in sight.answered("dark") if (f := figure_of(t.after)) is not None]
    if full and dark and full[-1] != dark[-1]:
        return _taught(sight, full[-1], dark[-1])
    if full and full[-1] > 0:
        top = full[-1]
        more = _span(0.0, top)
        if top < sight.high:
            text = f"it was {plain(top)} when turned to full, and {plain(sight.high)} before"
            return _span(0.0, _usual(sight)), "shape", text, _settle(sight)
        if sight.low <= 0:
            return more, "seen", f"it said {plain(top)} when turned to full, and 0 was heard", ""
        why = f"it said {plain(top)} when turned to full; what it says in the dark was not seen"
        return more, "likely", why, f"turn it to dark to settle what {sight.shown()} says then"
    if dark and dark[-1] > 0 and dark[-1] >= sight.high:
        why = f"it says {plain(dark[-1])} in the dark, so it runs the other way; full was not seen"
        return {"span": f"{plain(dark[-1])}..0"}, "shape", why, _settle(sight)
    top = _usual(sight)
    if top == 1.0 and sight.two_valued:
        why = "only 0 and 1 were heard: a fraction, or something else"
        return {"unit": "fraction"}, "shape", why, _settle(sight)
    heard = f"{plain(sight.low)} to {plain(sight.high)} was heard"
    if sight.low == sight.high:
        heard = f"only {plain(sight.high)} was heard"
    if sight.high == top:
        why = f"{heard}, and {plain(top)} is where such a scale ends"
        if top == 254.0:
            why += "; it may end at 255"
        elif top == 100.0:
            why += "; turned to full it will show whether it goes further"
        return _span(0.0, top), "likely", why, ""
    if top == 1.0 and sight.low < sight.high:
        why = f"{heard}, with fractions and nothing above 1"
        return {"unit": "fraction"}, "likely", why, ""
    others = [plain(t) for t in TOPS if t > top][:1]
    more_tops = f" or {others[0]}" if others else ""
    why = f"{heard}; it may end at {plain(top)}{more_tops}: turn it to full to settle it"
    return _span(0.0, top), "shape", why, _settle(sight)


def _taught(sight: Sight, top: float, bottom: float) -> Scaled:
    low, high = min(top, bottom), max(top, bottom)
    why = f"it said {plain(top)} when turned to full and {plain(bottom)} when turned to dark"
    if sight.low < low or sight.high > high:
        why += f", and {plain(sight.low)} to {plain(sight.high)} at other times"
        low, high = min(low, sight.low), max(high, sight.high)
        top, bottom = (high, low) if top > bottom else (low, high)
        return _span(bottom, top), "shape", why, _settle(sight)
    return _span(bottom, top), "seen", why, ""


def _settle(sight: Sight) -> str:
    return f"turn it to full and then to dark, to settle where {sight.shown()} begins and ends"


def _usual(sight: Sight) -> float:
    """The nearest usual end at or above the highest number heard."""
    if sight.whole and sight.high == 1.0 and sight.low == 1.0:
        return 100.0  # one alone is a hundredth as well as a whole: more of it has to be heard
    tops = [t for t in TOPS if t >= sight.high and (t > 1.0 or not sight.whole or sight.two_valued)]
    return tops[0] if tops else sight.high


def _span(bottom: float, top: float) -> dict[str, object]:
    if (bottom, top) == (0.0, 100.0):
        return {}
    if (bottom, top) == (0.0, 1.0):
        return {"unit": "fraction"}
    more: dict[str, object] = {"span": f"{plain(bottom)}..{plain(top)}"}
    if max(bottom, top) <= 1.0:
        more["unit"] = "fraction"
    return more


def cct_rule(sight: Sight) -> Scaled:
    """A white in kelvin or mired by its size; a scale of its own where it is neither."""
    low, high = sight.low, sight.high
    warm = [f for _, t in sight.answered("warm") if (f := figure_of(t.after)) is not None]
    cold = [f for _, t in sight.answered("cold") if (f := figure_of(t.after)) is not None]
    heard = f"{plain(low)} to {plain(high)} was heard" if low < high else f"it said {plain(low)}"
    if KELVINS[0] <= low and high <= KELVINS[1]:
        if warm and cold and warm[-1] > cold[-1]:
            return None, "shape", "", f"{sight.shown()} rises when it gets warmer, and is no kelvin"
        if warm and cold:
            return {}, "seen", f"{heard}, higher when it was turned colder: kelvin", ""
        return {}, "likely", f"{heard}: kelvin, by their size", ""
    if MIREDS[0] <= low and high <= MIREDS[1] and (high > 255 or (warm and cold)):
        if warm and cold and warm[-1] < cold[-1]:
            return None, "shape", "", f"{sight.shown()} falls when it gets warmer, and is no mired"
        if warm and cold:
            return {"unit": "mired"}, "seen", f"{heard}, higher when it was turned warmer", ""
        return {"unit": "mired"}, "likely", f"{heard}: mired, by their size", ""
    if warm and cold and warm[-1] != cold[-1]:
        why = (
            f"it said {plain(warm[-1])} at its warmest and {plain(cold[-1])} at its coldest; which"
            " whites those are is a guess"
        )
        todo = (
            f"write the whites of the lamp's own two ends into 'of:' where {sight.shown()} is"
            " heard: they stand on the lamp or in its papers"
        )
        span = f"{plain(warm[-1])}..{plain(cold[-1])}"
        return {"span": span, "of": "2700..6500 K"}, "shape", why, todo
    todo = (
        f"{sight.shown()} seems to be a white on a scale of its own ({heard}): turn it to its"
        " warmest and its coldest"
    )
    return None, "shape", "", todo


def watts_rule(sight: Sight) -> Scaled:
    """Watts, or milliwatts by name or by size."""
    names = {*sight.own_names, *sight.other_names}
    heard = f"{plain(sight.low)} to {plain(sight.high)}"
    if sight.low == sight.high:
        heard = plain(sight.high)
    if names & {"mw", "milliwatt", "milliwatts"} or sight.high > MOST_WATTS:
        by = "name" if names & {"mw", "milliwatt", "milliwatts"} else "size"
        return {"unit": "milliwatt"}, "likely", f"{heard} was heard: milliwatts, by its {by}", ""
    if "kw" in names:
        return {"unit": "kilowatt"}, "likely", f"{heard} was heard, and its name says kilowatts", ""
    ground: Ground = "likely" if sight.named("watts") >= 2.0 else "shape"
    if sight.answered() and sight.low < sight.high:
        return {}, ground, f"{heard} was heard, and it moved when something was pressed", ""
    if sight.low == sight.high:
        return {}, "shape", f"by its name; only {heard} was heard so far", ""
    return {}, ground, f"{heard} was heard, and it is called like watts", ""


def reading_rule(point: Point, sight: Sight) -> Scaled:
    """What an instrument says, by its name; its unit where the name says that too."""
    names = {*sight.own_names, *sight.other_names}
    heard = f"{plain(sight.low)} to {plain(sight.high)} was heard"
    if sight.low == sight.high:
        heard = f"{plain(sight.high)} was heard"
    if point == "temperature" and names & {"fahrenheit", "f"}:
        return {"unit": "fahrenheit"}, "likely", f"{heard}, and its name says fahrenheit", ""
    if point == "card" and names & {"seconds", "hours"}:
        unit = "second" if "seconds" in names else "hour"
        return {"unit": unit}, "likely", f"{heard}, and its name says {unit}s", ""
    if point == "battery" and not sight.whole and sight.high <= 1.0:
        return {"unit": "fraction"}, "likely", f"{heard}, with fractions and nothing above 1", ""
    if point == "battery" and sight.high <= 1.0:
        return {}, "shape", f"{heard}: that may be percent or a fraction of 1", ""
    return {}, "likely", f"{heard}, and its name says {point}", ""

"""What light sensors read beside what is predicted, and what no light explains. No I/O."""

from __future__ import annotations

import json
from datetime import datetime

from studiobridge.shown.supplied import heard_at
from studiobridge.shown.tongue import figure, later, say
from studiobridge.shown.words import (
    NOT_SEEN,
    Json,
    by_mired,
    clean,
    entries,
    names,
    number,
    signed,
)


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
        heard = heard_at(entry.get("at"), now) or say("not heard now")
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

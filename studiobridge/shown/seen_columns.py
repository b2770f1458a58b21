"""The picture of a take as figures: the columns of a row, and held against the last good one's."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from typing import Any

from studiobridge.control.seen_apart import allowed_of, between
from studiobridge.control.seen_then import Looked, figure
from studiobridge.control.seen_then import read as read_anew
from studiobridge.control.taken import Taken
from studiobridge.profile.model import SetProfile
from studiobridge.profile.sighting import Band
from studiobridge.shown import seen_take
from studiobridge.shown.words import clean

Json = Mapping[str, Any]


# Of many takes the good one's picture is held against each, and each one's is compared and shown:
# so many that were read last are remembered, each as long as it is the very same object.
REMEMBERED = 4
_last: deque[tuple[object, Looked | str]] = deque(maxlen=REMEMBERED)


def read(picture: object) -> Looked | str:
    """What a record has of a picture; else why there is none. Nobody changes what was recorded."""
    for known, found in _last:
        if known is picture:
            return found
    found = read_anew(picture)
    _last.append((picture, found))
    return found


def compared(
    profile: SetProfile | None, good: Taken | None, take: Taken
) -> dict[str, object] | None:
    """Its picture against that of the last good one.

    None where there is no other, it is that one, or neither says anything of a picture. Without the
    profile nobody knows how far each light may be off: nothing is said of them.
    """
    if good is None or good.number == take.number:
        return None
    if good.picture is None and take.picture is None:
        return None
    allowed = {} if profile is None else allowed_of(profile)
    return {"good": good.number, **between(good.picture, take.picture, allowed, read)}


def columns(take: Taken, as_good: Json | None) -> dict[str, object]:
    """Figures against the picture that was kept; empty for what it did not say.

    None of them where nothing was ever written down of a picture.
    """
    picture = take.picture
    if not isinstance(picture, Mapping):
        return {}
    found = read(picture)
    looked = found if isinstance(found, Looked) else Looked()
    framed = looked.framed
    row: dict[str, object] = {
        "picture_none": seen_take.why_none(found) if isinstance(found, str) else "",
        "picture_age_s": figure(picture.get("age_s")),
        "picture_at_s": figure(picture.get("at_s")),
        "picture_kept": None if looked.kept is None else clean(looked.kept[0], 64),
        **_band("white_mired", looked.mired, 1),
        **_band("white_duv", looked.duv, 5),
        **_band("exposure_stops", looked.exposure, 2),
        **_band("even_stops", looked.even, 2),
        "even_worst": clean(looked.worst, 40),
        **_band("stray_share", looked.stray, 3),
        "camera_right_px": None if framed is None else round(framed.right, 1),
        "camera_down_px": None if framed is None else round(framed.down, 1),
        "camera_turn_deg": None if framed is None else round(framed.turn, 2),
        "camera_zoom": None if framed is None else round(framed.zoom, 4),
        "softer_share": None if looked.softer is None else round(looked.softer, 2),
        "good_take": None if as_good is None else as_good.get("good"),
        "as_good": None if as_good is None else as_good.get("verdict"),
        "as_good_differs": "; ".join(seen_take.differences(as_good)),
    }
    return {key: "" if value is None else value for key, value in row.items()}


def _band(key: str, found: Band | None, digits: int) -> dict[str, object]:
    values = (None, None, None) if found is None else (found.value, found.low, found.high)
    return {
        name: None if value is None else round(value, digits) + 0.0
        for name, value in zip((key, f"{key}_low", f"{key}_high"), values, strict=True)
    }

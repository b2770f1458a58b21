"""What is sharp with the lens focused on the face: from where to where, and the backdrop behind."""

from __future__ import annotations

import math
from dataclasses import dataclass

from studiobridge.craft import lens
from studiobridge.figures.framing import view_of
from studiobridge.figures.rays import at
from studiobridge.profile.model import Device, SetProfile

MILLIMETRES = 1000  # in a metre
# A nose is 3 cm before the eyes, an ear 10 cm behind them. Common practice, no source.
NOSE, EAR = 0.03, 0.10


@dataclass(frozen=True, slots=True)
class Sharp:
    """What is sharp with the lens focused on the face (m; `far` None: to the horizon).

    `blur` of the backdrop is in circles of confusion (up to 1 is sharp). `both`: where to focus,
    and the f-number, for face and backdrop to be sharp.
    """

    aperture: float
    t_stop: float | None
    circle: float
    hyperfocal: float
    focus: float
    near: float
    far: float | None
    head: bool
    blur: float | None
    both: tuple[float, float] | None


def sharp_of(profile: SetProfile, backdrop: Device | None) -> Sharp | None:
    """What is sharp through this lens, from there; None where a figure for it is missing."""
    picture, view, mark = profile.picture, view_of(profile), profile.room.mark
    if picture.aperture is None or picture.sensor is None or picture.focal is None:
        return None
    if view is None or mark is None:
        return None
    focal, circle = picture.focal, lens.circle_of_confusion(*picture.sensor)
    focus = view.depth(at(mark))
    if focus * MILLIMETRES <= 2 * focal:
        return None
    near, far = lens.sharp_between(focal, picture.aperture, circle, focus)
    blur = both = None
    place = backdrop.place if backdrop is not None else None
    if place is not None:
        behind = view.depth(at(place))
        if behind > focus:
            blur = lens.blur(focal, picture.aperture, focus, behind) / circle
            both = (
                lens.focus_between(focus, behind),
                lens.aperture_between(focal, circle, focus, behind),
            )
    share = picture.transmission
    return Sharp(
        picture.aperture,
        lens.t_stop(picture.aperture, share) if share is not None else None,
        circle,
        lens.hyperfocal(focal, picture.aperture, circle),
        focus,
        near,
        None if math.isinf(far) else far,
        near <= focus - NOSE and far >= focus + EAR,
        blur,
        both,
    )

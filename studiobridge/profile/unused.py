"""What stands in a device's entry and does nothing there: nobody may rely on it unread.

Each row is read off the code that uses the figure. Only what is certain is refused.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from studiobridge.profile.model import FIXTURES, HOMIE5
from studiobridge.profile.shape import DeviceShape


@dataclass(frozen=True, slots=True)
class Use:
    """When a figure of a device is used, and what to say where it is not."""

    used: Callable[[DeviceShape], bool]
    why: str
    todo: str = "leave it out"


def _kind(*kinds: str) -> Callable[[DeviceShape], bool]:
    return lambda shape: shape.kind in kinds


def _speaks(shape: DeviceShape) -> bool:
    return shape.speaks is not None


_FIXTURE = _kind(*FIXTURES)
_ONLY_LIGHTS = "only a light or a backdrop has one"
_ONLY_COMPUTERS = "only a computer is shut down"

# Figures whose use depends on what the device is. What is not named here is used by any device.
USES: dict[str, Use] = {
    "at": Use(_speaks, "it is for a device that speaks", "add 'speaks:'"),
    "answers_in": Use(_speaks, "a device that speaks nothing answers nothing"),
    "meters": Use(_speaks, "a device that speaks nothing reports no watts"),
    "silent_after": Use(_speaks, "a device that speaks nothing is always silent"),
    "properties": Use(
        lambda shape: shape.speaks == HOMIE5,
        f"only what speaks {HOMIE5} has properties",
        "a dialect says where its points are",
    ),
    "blanks": Use(
        lambda shape: shape.speaks not in (None, HOMIE5),
        "only a dialect has blanks to fill",
        "add 'speaks:' with a dialect that has them",
    ),
    "fade": Use(_FIXTURE, "only a light or a backdrop is faded"),
    "cools_in": Use(
        lambda shape: shape.kind in FIXTURES and _speaks(shape),
        "only a light or a backdrop that speaks is seen to go out, and then let cool down",
    ),
    "forgets_level": Use(_FIXTURE, _ONLY_LIGHTS.replace("one", "a level")),
    "level": Use(_FIXTURE, _ONLY_LIGHTS.replace("one", "a level")),
    "cct": Use(_FIXTURE, _ONLY_LIGHTS.replace("one", "a white")),
    "dimmer": Use(_FIXTURE, _ONLY_LIGHTS),
    "restores": Use(
        lambda shape: shape.kind in (*FIXTURES, "plug") and _speaks(shape),
        "only lights, backdrops and plugs that speak are put back",
    ),
    "idle_below": Use(_kind("computer"), _ONLY_COMPUTERS),
    "idle_for": Use(
        lambda shape: shape.kind == "computer" and shape.idle_below is not None,
        "it says for how long a computer is under 'idle_below'",
        "add 'idle_below:' or leave it out",
    ),
    "shuts_in": Use(_kind("computer"), _ONLY_COMPUTERS),
    "closes_in": Use(_kind("camera"), "only a camera closes a file"),
    "done_below": Use(_kind("charger"), "only a charger is done by its watts"),
    "residual": Use(
        lambda shape: shape.kind == "plug" and _speaks(shape),
        "only a plug that speaks is asked what still flows when it is off",
    ),
    "poll": Use(lambda shape: shape.speaks not in (None, HOMIE5), "it cannot be asked"),
    "flicker": Use(
        lambda shape: shape.pwm is not None,
        "it is how deep the light pulses at its 'pwm' frequency",
        "add 'pwm:' or leave it out",
    ),
    "rated": Use(_kind("plug"), "only a plug or a strip is rated for what it passes on"),
    "inrush": Use(lambda shape: shape.fed_by != "battery", "on battery it is on no breaker"),
    "lead": Use(lambda shape: shape.fed_by != "battery", "on battery it hangs on no lead"),
}


def unused(shape: DeviceShape) -> Iterable[tuple[str, str, str]]:
    """Every figure that was given and does nothing: its key, why, and what to do."""
    for key in DeviceShape.model_fields:
        use = USES.get(key)
        if use is None or key not in shape.model_fields_set or use.used(shape):
            continue
        yield key, use.why, use.todo


def unused_tolerance(shape: DeviceShape) -> Iterable[tuple[str, str, str]]:
    """A tolerance of a level or a white where there is none."""
    if shape.tolerance is None or shape.kind in FIXTURES:
        return
    for key in ("level", "cct", "colour"):
        if getattr(shape.tolerance, key) is not None:
            yield key, _ONLY_LIGHTS.replace("one", "such a tolerance"), "leave it out"

"""What a request asks of people, told before it is made: by the profile alone.

A light that comes back lit or dark, a laptop that somebody opens and closes, a camera that somebody
has to look at. Nothing here bears on the order: who stands in front of a light that comes back at
full is told so, and no step waits for it.
"""

from __future__ import annotations

from collections.abc import Mapping

from studiobridge.profile.manners import meter_of
from studiobridge.profile.model import Device, Preset, SetProfile


def on_the_way_up(profile: SetProfile, presets: Mapping[str, Preset]) -> tuple[str, ...]:
    """Sentences for who brings this look up."""
    found = []
    for device in profile.devices.values():
        if device.own_battery and device.speaks is not None:
            found.append(f"open {device.name}: it has a battery of its own, no plug starts it")
        text = coming_back(device, presets.get(device.name))
        if text:
            found.append(f"{device.name} {text}")
    return tuple(found)


def coming_back(device: Device, preset: Preset | None) -> str:
    """What a light does when its mains come, and what is left to a hand then; "" for nothing."""
    how = device.comes_back
    if how is None or not device.fixture or device.fed_by is None:
        return ""
    level = None if preset is None or preset.level is None else f"{preset.level:g} %"
    if not device.hand_set:
        if how == "full" and device.speaks is not None and level is not None:
            return "comes on at full with its mains until it is set: look away from it"
        return ""
    if how == "dark":
        return f"stays dark when its mains come: switch it on{f', to {level}' if level else ''}"
    if level is None:
        return ""
    if how == "full":
        return f"comes on at full with its mains: turn it to {level}"
    stored = "as it was last" if how == "last" else "at the preset stored in it"
    return f"comes on {stored}: see that it is at {level}"


def on_the_way_down(profile: SetProfile) -> tuple[str, ...]:
    """Sentences for who takes the set down."""
    found = []
    for device in profile.devices.values():
        if device.kind == "camera" and device.rolls_by == "watts" and device.rolls is not None:
            meter = meter_of(profile.devices, device)
            found.append(
                f"waits until {meter} says that {device.name} draws less than"
                f" {device.rolls.threshold:g} W; asks whether it still rolls where it does not say"
            )
        elif device.kind == "camera" and device.rolls_by == "hand":
            found.append(f"asks first whether {device.name} still rolls: it cannot say so itself")
        if device.done_below is not None:
            found.append(
                f"says whether {device.name} is done: it is below {device.done_below:g} W, and one"
                " with nothing in it is too"
            )
        if device.own_battery:
            asked = "shut_down" in device.tells
            done = "is asked to shut down, and nothing waits for it; see that it does"
            by_hand = "close it by hand, nothing tells it"
            found.append(
                f"{device.name} has a battery of its own: {'it ' + done if asked else by_hand}"
            )
    return tuple(found)

"""Which plug meters which lamps, and what the other things on that plug draw."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache

from studiobridge.craft.light import Dimmer, level_stops
from studiobridge.figures.plug import PlugAccount
from studiobridge.figures.plug import Reading as Sample
from studiobridge.figures.watts import NOTHING, RATING, Band, Curve, curve_of
from studiobridge.profile.model import Device, SetProfile


@dataclass(frozen=True, slots=True)
class Metered:
    """One plug that meters lamps which cannot speak.

    `lamps`: these, with what they draw. `loads`: everything else behind it whose watts have to be
    known, by name; a plug of its own meter stands there for all behind it. `step`: of the meter.
    """

    plug: str
    lamps: Mapping[str, Curve]
    loads: tuple[str, ...]
    step: float | None

    def account(self) -> PlugAccount:
        """A new account: it knows nothing yet of where its lamps stand."""
        return PlugAccount(self.lamps, self.loads, self.step)


def mute(device: Device) -> bool:
    """A light or backdrop that never says its level."""
    return device.fixture and "level" not in device.hears


def metered(profile: SetProfile) -> Mapping[str, Metered]:
    """Every plug that meters a mute lamp of which it is known what it draws, by name."""
    found: dict[str, Metered] = {}
    for plug in profile.devices.values():
        if plug.kind != "plug" or not meters(plug):
            continue
        lamps: dict[str, Curve] = {}
        loads: list[str] = []
        for name in profile.fed_from(plug.name):
            device = profile.devices[name]
            between = device.feeds[: device.feeds.index(plug.name)]
            if any(meters(profile.devices[other]) for other in between):
                continue  # the plug between answers for it
            curve = curve_of(device) if mute(device) else None
            if curve is not None:
                lamps[name] = curve
            elif device.kind != "plug" or meters(device):
                loads.append(name)
        if lamps:
            found[plug.name] = Metered(plug.name, lamps, tuple(loads), plug.meter_step)
    return found


def meters(device: Device) -> bool:
    return "watts" in device.hears


def will_do(device: Device, level: float) -> Band:
    """The levels (%) within a device's tolerance of this one, by its own dimmer."""
    lowest, highest = device.level_range or (0.0, 100.0)
    return _within(device.dimmer, lowest, highest, device.tolerance.level, level)


# every time a dial is shown it is asked for the same few levels
@lru_cache(maxsize=512)
def _within(dimmer: Dimmer, lowest: float, highest: float, tolerance: float, level: float) -> Band:
    def edge(far: float) -> float:
        near = level
        for _ in range(24):
            middle = (near + far) / 2.0
            stops = level_stops(dimmer, level, middle)
            fits = stops is not None and abs(stops) <= tolerance
            near, far = (middle, far) if fits else (near, middle)
        return near

    return Band(edge(min(lowest, level)), edge(max(highest, level)))


# The finest meter there is for a lamp's plug (W): the one assumed where none is given.
FINEST_STEP = 0.1


def told_by_watts(metered: Metered, lamp: str, level: float) -> Band | None:
    """The levels (%) that the watts leave open when this lamp, alone on its plug, is at `level`."""
    curve = metered.lamps[lamp]
    account = PlugAccount({lamp: curve}, (), metered.step or FINEST_STEP)
    watts = curve.usually(level)
    return curve.levels(account.true_watts(Sample(watts, watts, 2, 0.0, 0.0)))


def load(device: Device, on: bool, levels: Band | None) -> tuple[Band, bool] | None:
    """What something else on the plug draws (W), and whether it draws that steadily.

    Of a plug with a meter of its own its reading is known, and better than this.
    `on`: its mains and its switch are. `levels`: of a light that reports its level (%), else
    None. None where its profile does not say what it draws.
    """
    curve = curve_of(device)
    if device.fixture:
        if curve is None:
            return None
        if not on:
            return Band(0.0, curve.dark.high), True
        return (curve.range, False) if levels is None else (curve.watts(levels), True)
    if not on:
        return NOTHING, True
    if device.draws <= 0:
        return None
    # what is printed on it is the most it takes, not what it takes now
    return Band(0.0, device.draws * (1.0 + RATING)), False

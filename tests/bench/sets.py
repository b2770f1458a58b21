"""The sets of the bench: plugs with a light each, as many as wanted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from studiobridge.profile.model import Circuit, Device, Look, Preset, SetProfile, Tolerance
from tests.simulate.sets import dialects


def a_set(lights: int, circuits: int = 1, boots_in: float = 1.0, settle: float = 0.2) -> SetProfile:
    """Plugs with a light each, spread over circuits. `lights` * 2 devices."""
    devices: dict[str, Device] = {}
    names = [f"c{i}" for i in range(circuits)]
    presets = {}
    for i in range(lights):
        circuit = names[i % circuits]
        plug, light = f"plug-{i}", f"light-{i}"
        devices[plug] = Device(
            plug,
            "plug",
            fed_by=circuit,
            circuit=circuit,
            speaks="relay",
            at=f"gear/{plug}",
            tells=frozenset({"switch"}),
            hears=frozenset({"switch", "online"}),
            can_ask=True,
            answers_in=0.1,
        )
        devices[light] = Device(
            light,
            "light",
            fed_by=plug,
            feeds=(plug,),
            circuit=circuit,
            speaks="fading",
            at=f"gear/{light}",
            tells=frozenset({"switch", "level", "cct"}),
            hears=frozenset({"switch", "level", "cct", "online"}),
            can_ask=True,
            knows_fade=True,
            boots_in=boots_in,
            answers_in=0.1,
            fade=0.5,
            draws=1.0,
            tolerance=Tolerance(0.1, 8.0, settle),
        )
        presets[light] = Preset(60.0, 4000.0)
    looks = {
        "day": Look("day", presets),
        "dusk": Look("dusk", {name: Preset(40.0, 4000.0) for name in presets}),
    }
    return SetProfile(
        "bench",
        "",
        230.0,
        {n: Circuit(n, 1000.0, "C", 0.2) for n in names},
        dialects(),
        devices,
        looks,
        "day",
    )


def a_light_that_cannot_be_asked() -> SetProfile:
    """What is timed with it is the bridge, not the gear's answer."""
    profile = a_set(1, boots_in=0.3)
    light = replace(profile.devices["light-0"], can_ask=False)
    return replace(profile, devices={**profile.devices, "light-0": light})


# by name, for a bridge in a process of its own
SETS: dict[str, Callable[[], SetProfile]] = {
    "latency": a_light_that_cannot_be_asked,
    "twenty": lambda: a_set(10, boots_in=0.3),
}

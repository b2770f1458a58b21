"""Random sets for property tests: feeds, circuits, orders, all kinds. One seed, one set."""

from __future__ import annotations

import random

from studiobridge.profile.model import Circuit, Device, Look, Preset, SetProfile

KINDS = ["light", "light", "backdrop", "computer", "camera", "display", "audio", "amp", "charger"]


def random_profile(seed: int, most: int = 30) -> SetProfile:
    """A set with up to `most` devices, built straight from the model (no speech)."""
    dice = random.Random(seed)
    circuits = {
        f"circuit-{i}": Circuit(f"circuit-{i}", 32.0, "C", dice.choice([0.0, 0.2, 0.5, 1.0]))
        for i in range(dice.randint(1, 3))
    }
    devices: dict[str, Device] = {}
    plugs: list[Device] = []
    presets: dict[str, Preset] = {}
    for i in range(dice.randint(1, most)):
        if not plugs or dice.random() < 0.35:
            circuit = dice.choice(list(circuits))
            feeds: tuple[str, ...] = ()
            fed_by = circuit
            if plugs and dice.random() < 0.2:
                above = dice.choice(plugs)
                feeds = (above.name, *above.feeds)
                fed_by, circuit = above.name, above.circuit or circuit
            device = Device(
                f"plug-{i}",
                "plug",
                fed_by=fed_by,
                feeds=feeds,
                circuit=circuit,
                speaks="w",
                tells=frozenset({"switch"}),
                hears=frozenset({"switch"}),
                boots_in=dice.choice([0.0, 1.0]),
                answers_in=dice.choice([0.1, 0.3]),
            )
            plugs.append(device)
        else:
            feed = dice.choice(plugs)
            kind = dice.choice(KINDS)
            if kind == "amp":
                # amps have a plug of their own, on whatever circuit
                root = dice.choice(list(circuits))
                feed = Device(
                    f"amp-plug-{i}",
                    "plug",
                    fed_by=root,
                    circuit=root,
                    speaks="w",
                    tells=frozenset({"switch"}),
                    hears=frozenset({"switch"}),
                    answers_in=0.2,
                )
                devices[feed.name] = feed
            told = {"light": {"level", "switch"}, "backdrop": {"level"}}.get(kind, set())
            wired = kind in ("light", "backdrop") or dice.random() < 0.5
            device = Device(
                f"{kind}-{i}",
                kind,  # type: ignore[arg-type]
                fed_by=feed.name,
                feeds=(feed.name, *feed.feeds),
                circuit=feed.circuit,
                speaks="w" if wired else None,
                tells=frozenset(told) if wired else frozenset(),  # type: ignore[arg-type]
                hears=frozenset(told | {"online"}) if wired else frozenset(),  # type: ignore[arg-type]
                boots_in=round(dice.uniform(0, 20), 1),
                fade=dice.choice([0.0, 1.5, 3.0]),
                cools_in=dice.choice([0.0, 0.0, 20.0]) if kind == "light" else 0.0,
                stays_on=kind == "charger" and dice.random() < 0.5,
            )
            if kind in ("light", "backdrop"):
                presets[device.name] = Preset(float(dice.randint(5, 100)), None)
        devices[device.name] = device
    return SetProfile(
        name=f"set-{seed}",
        title="",
        voltage=230.0,
        circuits=circuits,
        dialects={},
        devices=devices,
        looks={"day": Look("day", presets)},
        default_look="day",
    )


def with_orders(profile: SetProfile, seed: int, most: int = 5) -> SetProfile:
    """The same set with a few `after:` edges, always from later to earlier devices."""
    from dataclasses import replace

    dice = random.Random(seed)
    names = list(profile.devices)
    devices = dict(profile.devices)
    for _ in range(dice.randint(0, most)):
        if len(names) < 2:
            break
        late = dice.randrange(1, len(names))
        early = dice.randrange(late)
        device = devices[names[late]]
        if devices[names[early]].kind == "amp" or "amp-plug" in names[late]:
            continue
        if names[early] not in device.feeds and names[early] not in device.after:
            devices[names[late]] = replace(device, after=(*device.after, names[early]))
    return replace(profile, devices=devices)

"""Sets made up by a seed, complete with dialects, feeds, circuits, orders and hand-set lights.

Built straight from the model, because a thousand evenings should not spend their time on YAML.
What the generator promises: no order that cannot be, and loads within the circuits' limits.
"""

from __future__ import annotations

import random
from dataclasses import replace

from studiobridge.control.plan import order_problems
from studiobridge.craft.chroma import of_hs
from studiobridge.craft.light import Dimmer
from studiobridge.figures.mains import mains_of
from studiobridge.profile.model import (
    HOMIE5,
    AskMap,
    Circuit,
    ColourForm,
    Device,
    Dialect,
    HearMap,
    Kind,
    Look,
    Of,
    Output,
    Patience,
    Picture,
    PictureTolerance,
    Place,
    Point,
    Preset,
    Room,
    SetProfile,
    Span,
    SwitchRule,
    TellMap,
    Tolerance,
    Words,
)
from tests.simulate.gear import as_they_are, meter, with_gear

ON_OFF = Words("1", "0")
UP_GONE = Words("up", "gone")


def dialects() -> dict[str, Dialect]:
    """Ways to talk: plain words, JSON with a fade, fraction and kelvin, a computer and a camera."""
    alive = HearMap("{at}/alive", words=UP_GONE)
    ask = AskMap("{at}/report")
    relay = Dialect(
        "relay",
        tell={"switch": TellMap("{at}/in", words=ON_OFF)},
        hear={
            "switch": HearMap("{at}/out", words=ON_OFF),
            "watts": HearMap("{at}/meter", field="now.power"),
            "online": alive,
        },
        ask=ask,
    )
    bytes_ = Span(0, 255)
    mired = Span(154, 370)
    fading = Dialect(
        "fading",
        tell={
            "switch": TellMap(
                "{at}/do", payload=None, json={"lit": "{value}"}, words=Words(True, False)
            ),
            "level": TellMap(
                "{at}/do",
                payload=None,
                json={"dim": "{value}", "over": "{fade}"},
                span=bytes_,
                fade_unit="ms",
            ),
            "cct": TellMap(
                "{at}/do", payload=None, json={"warmth": "{value}"}, unit="mired", span=mired
            ),
        },
        hear={
            "switch": HearMap("{at}/is", field="lit", words=Words(True, False)),
            "level": HearMap("{at}/is", field="dim", span=bytes_),
            "cct": HearMap("{at}/is", field="warmth", unit="mired", span=mired),
            "online": alive,
        },
        ask=ask,
    )
    plain = Dialect(
        "plain",
        tell={
            "level": TellMap("{at}/level/to", unit="fraction"),
            "cct": TellMap("{at}/cct/to", unit="kelvin", span=Span(2700, 6500)),
        },
        hear={
            "level": HearMap("{at}/level", unit="fraction"),
            "cct": HearMap("{at}/cct", unit="kelvin", span=Span(2700, 6500)),
            "online": alive,
        },
    )
    # says and takes any white at all: also those that no daylight and hardly a candle has
    warm = Dialect(
        "warm",
        tell={
            "level": TellMap("{at}/level/to", unit="fraction"),
            "cct": TellMap("{at}/cct/to", unit="kelvin"),
        },
        hear={
            "level": HearMap("{at}/level", unit="fraction"),
            "cct": HearMap("{at}/cct", unit="kelvin"),
            "online": alive,
        },
        ask=ask,
    )
    gear = Dialect(
        "gear",
        tell={"shut_down": TellMap("{at}/please", payload="sleep")},
        hear={
            "down": HearMap("{at}/down", words=Words("yes", "no")),
            "rolling": HearMap("{at}/roll", words=Words("yes", "no")),
            "online": alive,
        },
        ask=ask,
    )
    # takes and says level and white in one text, and nothing else
    words = "{level};{cct}"
    pair = Dialect(
        "pair",
        tell={
            "level": TellMap("{at}/to", words),
            "cct": TellMap("{at}/to", words, span=Span(255, 0), of=Of(154, 370, "mired")),
        },
        hear={
            "level": HearMap("{at}/is", pattern=words),
            "cct": HearMap("{at}/is", pattern=words, span=Span(255, 0), of=Of(154, 370, "mired")),
            "online": alive,
        },
        ask=ask,
        together=(frozenset({"level", "cct"}),),
    )
    # takes nothing unless everything is in it, has steps of its own, and counts downwards
    whole = Dialect(
        "whole",
        tell={
            "switch": TellMap("{at}/do", None, {"lit": "{value}"}),
            "level": TellMap(
                "{at}/do", None, {"dim": "{value}", "over": "{fade}"}, fade_unit="s", step=2.0
            ),
            "cct": TellMap("{at}/do", None, {"warmth": "{value}"}, span=Span(2700, 6500)),
        },
        hear={
            "switch": HearMap("{at}/is", "lit"),
            "level": HearMap("{at}/is", "dim", step=2.0),
            "cct": HearMap("{at}/is", "warmth", span=Span(2700, 6500)),
            "online": alive,
        },
        ask=ask,
        together=(frozenset({"switch", "level", "cct"}),),
    )
    # outlets of one box: one topic for all of them, and a number that says which
    outlet = Dialect(
        "outlet",
        tell={"switch": TellMap("box/do", "{n}={value}", words=ON_OFF)},
        hear={
            "switch": HearMap("box/is", words=ON_OFF, pattern="{n}={value}"),
            "watts": HearMap("box/meter", "now.mw", where={"n": "{n}"}, unit="milliwatt"),
            "online": HearMap("{at}/alive", words=Words("up", "gone", (), ("lost", "off"))),
        },
        ask=(AskMap("box/ask", "{n}"), AskMap("{at}/report")),
    )
    # is told its level and never says anything
    deaf = Dialect("deaf", tell={"level": TellMap("{at}/dim", unit="fraction")}, hear={})
    every = (relay, fading, plain, warm, gear, pair, whole, outlet, deaf)
    return {dialect.name: dialect for dialect in every}


def spelt_otherwise(profile: SetProfile, dice: random.Random) -> SetProfile:
    """The same set with gear that takes values only together, or shares its topics."""
    devices = dict(profile.devices)
    for n, (name, device) in enumerate(profile.devices.items()):
        if device.speaks in ("pair", "whole", "outlet") or dice.random() < 0.5:
            continue
        if device.speaks == "plain":
            both: tuple[frozenset[Point], ...] = (frozenset({"level", "cct"}),)
            devices[name] = replace(device, speaks="pair", can_ask=True, together=both)
        elif device.speaks == "fading":
            every: tuple[frozenset[Point], ...] = (frozenset({"switch", "level", "cct"}),)
            # `check` refuses restores of these: nobody asked for the "on" in each message
            devices[name] = replace(device, speaks="whole", together=every, restores=0)
        elif device.speaks == "relay":
            devices[name] = replace(device, speaks="outlet", blanks={"n": n})
    return replace(profile, devices=devices)


POINTS_OF: dict[str, tuple[set[Point], set[Point], bool, bool]] = {
    # speaks: tells, hears, can be asked, knows fade
    "relay": ({"switch"}, {"switch", "online"}, True, False),
    "fading": ({"switch", "level", "cct"}, {"switch", "level", "cct", "online"}, True, True),
    "plain": ({"level", "cct"}, {"level", "cct", "online"}, False, False),
    HOMIE5: ({"level", "cct"}, {"level", "cct", "online"}, False, False),
}


class _Maker:
    def __init__(self, seed: int, most: int, trouble: bool) -> None:
        self.dice = random.Random(seed)
        self.most = most
        self.circuits = {
            name: Circuit(
                name,
                self.dice.choice([16.0, 20.0, 32.0]),
                self.dice.choice(["B", "C", "C", "D"]),
                self.dice.choice([0.2, 0.5, 1.0]),
            )
            for name in ["wall", "bench", "ceiling"][: self.dice.randint(1, 3)]
        }
        self.devices: dict[str, Device] = {}
        self.plugs: list[Device] = []

    def add(self, device: Device) -> Device:
        self.devices[device.name] = device
        return device

    def plug(self, name: str, under: Device | None = None) -> Device:
        dice = self.dice
        circuit = dice.choice(list(self.circuits)) if under is None else under.circuit
        assert circuit is not None
        meters = dice.random() < 0.5
        hears: set[Point] = {"switch", "online"} | ({"watts"} if meters else set())
        return self.add(
            Device(
                name,
                "plug",
                fed_by=circuit if under is None else under.name,
                feeds=() if under is None else (under.name, *under.feeds),
                circuit=circuit,
                speaks="relay",
                at=f"gear/{name}",
                tells=frozenset({"switch"}),
                hears=frozenset(hears),
                can_ask=True,
                meters=meters,
                boots_in=dice.choice([0.0, 0.5]) if under is not None else 0.0,
                answers_in=0.2,
                residual=2.0,
            )
        )

    def hanging(self, name: str, kind: Kind, feed: Device, **more: object) -> Device:
        figures: dict[str, object] = {
            "fed_by": feed.name,
            "feeds": (feed.name, *feed.feeds),
            "circuit": feed.circuit,
            "draws": float(self.dice.randint(5, 120)),
            "inrush": float(self.dice.randint(0, 30)),
            "boots_in": round(self.dice.uniform(0.2, 8.0), 1),
            "answers_in": 0.2,
            "essential": self.dice.random() < 0.8,
        }
        return self.add(Device(name, kind, **{**figures, **more}))  # type: ignore[arg-type]

    def light(self, name: str, feed: Device) -> Device:
        dice = self.dice
        kind: Kind = dice.choice(["light", "light", "backdrop"])
        dialect = dice.choice(["fading", "plain", HOMIE5, "", "fading"])
        if not dialect:
            return self.hanging(name, kind, feed, hand_set=True, boots_in=0.0)
        tells, hears, can_ask, knows_fade = POINTS_OF[dialect]
        return self.hanging(
            name,
            kind,
            feed,
            speaks=dialect,
            at=f"gear/{name}" if dialect != HOMIE5 else f"{name}/light",
            tells=frozenset(tells),
            hears=frozenset(hears),
            can_ask=can_ask,
            knows_fade=knows_fade,
            fade=dice.choice([0.0, 0.5, 2.0]),
            cools_in=dice.choice([0.0, 0.0, 5.0, 30.0]),
            comes_back="full" if dice.random() < 0.2 and "switch" in tells else None,
            restores=dice.choice([0, 0, 0, 1, 2]),
            silent_after=dice.choice([None, None, 60.0]) if can_ask else None,
            poll=dice.choice([None, 30.0]) if can_ask else None,
            dimmer=Dimmer(dice.choice(["linear", "square", "logarithmic"])),
            tolerance=Tolerance(0.1, 8.0, dice.choice([1.0, 2.0])),
        )

    def make(self) -> None:
        dice = self.dice
        wanted = dice.randint(2, self.most)
        while len(self.devices) < wanted:
            i = len(self.devices)
            if not self.plugs or dice.random() < 0.35:
                under = dice.choice(self.plugs) if self.plugs and dice.random() < 0.15 else None
                self.plugs.append(self.plug(f"plug-{i}", under))
                continue
            feed = dice.choice(self.plugs)
            kind = dice.choice(
                [
                    "light",
                    "light",
                    "light",
                    "computer",
                    "camera",
                    "audio",
                    "amp",
                    "charger",
                    "display",
                ]
            )
            name = f"{kind}-{i}"
            if kind == "light":
                self.light(name, feed)
            elif kind == "computer":
                own = self.plug(f"plug-{i}")
                self.hanging(
                    name,
                    "computer",
                    own,
                    speaks="gear",
                    at=f"gear/{name}",
                    tells=frozenset({"shut_down"}),
                    hears=frozenset({"online", "down"}),
                    can_ask=True,
                    boots_in=round(dice.uniform(5, 20), 1),
                    draws=60.0,
                    idle_below=4.0,
                    idle_for=3.0,
                    shuts_in=10.0,
                )
            elif kind == "camera":
                self.hanging(
                    name,
                    "camera",
                    feed,
                    speaks="gear",
                    at=f"gear/{name}",
                    hears=frozenset({"online", "rolling"}),
                    can_ask=True,
                    closes_in=dice.choice([1.0, 4.0]),
                )
            elif kind == "amp":
                self.hanging(name, "amp", self.plug(f"plug-{i}"), boots_in=0.0)
            elif kind == "charger":
                self.hanging(name, "charger", feed, stays_on=dice.random() < 0.5, essential=False)
            else:
                self.hanging(name, "audio" if kind == "audio" else "display", feed)


def in_a_room(profile: SetProfile, dice: random.Random) -> SetProfile:
    """The same set with places and outputs, so that its picture can be computed and held."""
    devices = dict(profile.devices)
    roles = ["key", "fill", None, "rim"]
    for name, device in profile.devices.items():
        if device.kind != "light":
            continue
        devices[name] = replace(
            device,
            role=dice.choice(roles),
            place=Place(
                dice.uniform(0.2, 3.5), dice.uniform(-1.4, 1.4), dice.uniform(1.0, 2.4), "mark"
            ),
            output=Output(dice.uniform(200, 3000), 1.0),
        )
    return replace(
        profile,
        devices=devices,
        room=Room(mark=Place(1.0, 0.0, 1.3)),
        picture=Picture(
            hold=PictureTolerance(dice.choice([0.05, 0.2]), 0.2, dice.choice([None, 4.0]))
        ),
    )


# Whites at the edge of what the figures can take (K).
EDGE_WHITES = (1000.0, 1500.0, 1666.0, 1800.0, 2000.0)


def with_more(profile: SetProfile, dice: random.Random) -> SetProfile:
    """The same set with gear that is not as a set would wish it.

    Cameras that cannot say that they roll, speaking or not; lights whose whites lie at
    the edge; lamps on dials that share a plug with others.
    """
    devices = dict(profile.devices)
    looks = {name: dict(look.presets) for name, look in profile.looks.items()}
    for name, device in profile.devices.items():
        if device.kind == "camera" and dice.random() < 0.4:
            if dice.random() < 0.5:
                nothing: frozenset[Point] = frozenset()
                devices[name] = replace(device, speaks=None, at="", hears=nothing, can_ask=False)
            else:
                devices[name] = replace(device, hears=frozenset({"online"}))
        elif device.speaks == "plain" and dice.random() < 0.5:
            devices[name] = replace(device, speaks="warm", can_ask=True)
            for presets in looks.values():
                if dice.random() < 0.4:
                    presets[name] = replace(presets[name], cct=dice.choice(EDGE_WHITES))
    plugs = [d for d in profile.devices.values() if d.kind == "plug"]
    if dice.random() < 0.25:
        feed = dice.choice(plugs)
        for i in range(dice.randint(1, 3)):
            lamp = Device(
                f"dial-{i}",
                "light",
                fed_by=feed.name,
                feeds=(feed.name, *feed.feeds),
                circuit=feed.circuit,
                hand_set=True,
                draws=float(dice.randint(5, 40)),
                inrush=float(dice.randint(0, 5)),
                essential=dice.random() < 0.8,
            )
            devices[lamp.name] = lamp
            for presets in looks.values():
                presets[lamp.name] = Preset(float(dice.randint(5, 100)))
    return with_gear(profile, devices, looks)


# What lamps draw by their level, metered (W): a driver takes a little when dark, and a little more
# than its share when dimmed (common practice).
TABLES = (
    ((0.0, 0.6), (10.0, 2.4), (30.0, 5.8), (50.0, 9.0), (70.0, 12.1), (100.0, 16.9)),
    ((0.0, 1.1), (25.0, 12.0), (50.0, 22.5), (75.0, 32.4), (100.0, 42.0)),
    ((0.0, 0.3), (20.0, 1.9), (60.0, 4.6), (100.0, 7.2)),
)


def with_mute(profile: SetProfile, dice: random.Random) -> SetProfile:
    """The same set with gear that cannot speak, on a plug of its own that meters.

    Lamps on dials and lamps that are only told, proven by watts, by a hand, or by nothing; mostly
    one of them alone, where the watts can tell, and sometimes two or three on one plug.
    """
    if dice.random() < 0.5:
        return profile
    circuit = dice.choice(list(profile.circuits))
    plug = replace(meter("meter-plug", circuit), essential=True)
    devices = {**profile.devices, plug.name: plug}
    for name, device in profile.devices.items():
        # an amp with a button of its own, on by the watts of the plug it has for itself
        feed = profile.devices.get(device.fed_by or "")
        if device.kind == "amp" and feed is not None and "watts" in feed.hears:
            devices[name] = replace(device, proof="watts", standby=0.5)
    looks = {name: dict(look.presets) for name, look in profile.looks.items()}
    for i in range(dice.choice([1, 1, 1, 2, 3])):
        table = dice.choice(TABLES)
        dial = dice.random() < 0.5
        lamp = Device(
            f"mute-{i}",
            dice.choice(["light", "light", "backdrop"]),
            fed_by=plug.name,
            feeds=(plug.name,),
            circuit=circuit,
            hand_set=dial,
            speaks=None if dial else "deaf",
            at="" if dial else f"gear/mute-{i}",
            tells=frozenset() if dial else frozenset({"level"}),
            proof=dice.choice(["watts", "watts", "watts", "hand", "none"]),
            draws=table[-1][1],
            draws_at=table,
            standby=table[0][1],
            boots_in=0.0 if dial else dice.choice([0.0, 1.0, 4.0]),
            answers_in=0.2,
            fade=0.0 if dial else dice.choice([0.0, 1.0]),
            cools_in=0.0 if dial else dice.choice([0.0, 0.0, 5.0]),
            essential=dice.random() < 0.8,
            tolerance=Tolerance(dice.choice([0.15, 0.3, 0.5]), 8.0, dice.choice([1.0, 2.0])),
        )
        devices[lamp.name] = lamp
        level = float(dice.randint(15, 100))
        for presets in looks.values():
            presets[lamp.name] = Preset(level)
    return with_gear(profile, devices, looks)


# The hues a small set has on its cloth, and how deep (degrees, share).
DYES = ((120.0, 0.9), (230.0, 0.8), (20.0, 0.7), (300.0, 0.5), (0.0, 0.0))


def with_colours(profile: SetProfile, dice: random.Random) -> SetProfile:
    """The same set with fixtures that can be coloured, each in some way of spelling it.

    `dyed` are either white or coloured and say which; `rgbs` and `xys` say a colour always.
    """
    alive = HearMap("{at}/alive", words=UP_GONE)
    level = HearMap("{at}/is", field="dim", span=Span(0, 255))
    tell = TellMap("{at}/do", payload=None, json={"dim": "{value}"}, span=Span(0, 255))
    hs = ColourForm("hs", (Span(0, 254), Span(0, 254)), ("dye.h", "dye.s"))
    rgb, xy = (
        ColourForm(f, (s,) * n) for f, s, n in (("rgb", Span(0, 255), 3), ("xy", Span(0, 1), 2))
    )
    dyes, plain = {"mode": "dyed"}, {"mode": "plain"}
    kelvin = Span(2700, 6500)
    told = {
        "dyed": TellMap(
            "{at}/do", None, {"mode": "dyed", "h": "{hue}", "s": "{saturation}"}, colour=hs
        ),
        "rgbs": TellMap("{at}/rgb/want", "{r},{g},{b}", colour=rgb),
        "xys": TellMap("{at}/do", None, {"x": "{x}", "y": "{y}"}, colour=xy),
    }
    heard = {
        "dyed": HearMap("{at}/is", colour=hs, where=dyes),
        "rgbs": HearMap("{at}/rgb/have", colour=rgb, pattern="{r},{g},{b}"),
        "xys": HearMap("{at}/is", colour=replace(xy, fields=("x", "y"))),
    }
    white = TellMap("{at}/do", None, {"mode": "plain", "k": "{value}"}, span=kelvin)
    made = {
        name: Dialect(
            name,
            {"level": tell, "colour": told[name], **({"cct": white} if name == "dyed" else {})},
            {"level": level, "colour": heard[name], "online": alive}
            | (
                {"cct": HearMap("{at}/is", "k", span=kelvin, where=plain)} if name == "dyed" else {}
            ),
            AskMap("{at}/report"),
        )
        for name in told
    }
    devices = dict(profile.devices)
    looks = {name: dict(look.presets) for name, look in profile.looks.items()}
    for name, device in profile.devices.items():
        if not device.fixture or device.speaks is None or dice.random() < 0.3:
            continue
        dialect = made[dice.choice(list(made))]
        devices[name] = replace(
            device,
            speaks=dialect.name,
            at=device.at or f"gear/{name}",
            tells=frozenset(dialect.tell),
            hears=frozenset(dialect.hear),
            can_ask=True,
            knows_fade=False,
            either=dialect.name == "dyed",
            together=(),
            slots=None,
            proof="report",
            level_range=None,
            cct_range=None,
        )
        for presets in looks.values():
            colour = of_hs(*dice.choice(DYES))
            preset = Preset(presets[name].level, None, colour)
            if dialect.name == "dyed" and dice.random() < 0.3:
                preset = Preset(presets[name].level, 4300.0)
            presets[name] = preset
    return replace(
        profile,
        dialects={**profile.dialects, **made},
        devices=devices,
        looks={name: replace(profile.looks[name], presets=p) for name, p in looks.items()},
    )


def within_its_circuits(profile: SetProfile) -> bool:
    """Neither load nor inrush too much for any circuit, with every light turned up full.

    Nor where plugs below another come back on by themselves.
    """
    full = {d.name: Preset(100.0) for d in profile.devices.values() if d.fixture}
    said = mains_of(profile, None, full)
    cascades = (load.cascade for load in said.loads)
    return not said.over and all(c is None or c.trips == "no" for c in cascades)


def made_up(seed: int, most: int = 14, trouble: bool = True, seldom: bool = True) -> SetProfile:
    """The set of this seed: 2 to `most` devices (a computer or amp brings its own plug).

    `seldom`: some with gear that is not as a set would wish it.
    """
    attempt = seed
    while True:
        maker = _Maker(attempt, most, trouble)
        maker.make()
        dice = maker.dice
        fixtures = [d for d in maker.devices.values() if d.fixture]
        day = {
            d.name: Preset(
                float(dice.randint(5, 100)),
                float(dice.choice([3200, 4300, 5600])) if "cct" in d.tells else None,
            )
            for d in fixtures
        }
        dusk = {
            name: Preset(float(dice.randint(5, 100)), preset.cct) if dice.random() < 0.5 else preset
            for name, preset in day.items()
        }
        names = list(maker.devices)
        for _ in range(dice.choice([0, 0, 1, 2])):
            late, early = dice.choice(names), dice.choice(names)
            device = maker.devices[late]
            if names.index(early) < names.index(late) and maker.devices[early].kind != "amp":
                maker.devices[late] = replace(device, after=(*device.after, early))
        profile = SetProfile(
            name=f"set-{seed}",
            title="",
            voltage=230.0,
            circuits=maker.circuits,
            dialects=dialects(),
            devices=maker.devices,
            looks={"day": Look("day", day), "dusk": Look("dusk", dusk)},
            default_look="day",
            switches=(
                SwitchRule(
                    "door", "gear/door", {"press": "toggle", "hold": "down", "twice": "restore"}
                ),
            ),
            patience=Patience(reply=2.0, tries=3, listen=3.0),
        )
        if dice.random() < 0.4:
            profile = in_a_room(profile, dice)
        if seldom:
            profile = with_more(profile, random.Random(f"more {attempt}"))
            other = random.Random(f"spelt {attempt}")
            if other.random() < 0.25:
                profile = spelt_otherwise(profile, other)
            profile = with_mute(profile, random.Random(f"mute {attempt}"))
            profile = as_they_are(profile, random.Random(f"as they are {attempt}"))
        if not order_problems(profile) and within_its_circuits(profile):
            return profile
        attempt += 1_000_003

"""The devices of a profile: what feeds them, what they can be told and say, in what order."""

from __future__ import annotations

from types import MappingProxyType

from studiobridge.profile.dialects import Dialects
from studiobridge.profile.findings import Findings, Part, nearest
from studiobridge.profile.model import (
    FIXTURES,
    HOMIE5,
    POINTS,
    Device,
    Dialect,
    Look,
    Output,
    Point,
    Tolerance,
)
from studiobridge.profile.places import MARK, Places, place_of
from studiobridge.profile.shape import DeviceShape, ProfileShape, ToleranceShape
from studiobridge.profile.text import Path
from studiobridge.profile.unused import unused, unused_tolerance

BATTERY = "battery"
# Plugs behind plugs: more than a few is bad practice, more than this is a mistake in the file.
DEEPEST_FEED = 20
# A circle of more devices than this is named by its first ones: nobody wrote it by hand.
LONGEST_CIRCLE = 100


class Devices(Part):
    """Everything that is fed, and what feeds it."""

    def __init__(
        self, shape: ProfileShape, findings: Findings, dialects: Dialects, places: Places
    ) -> None:
        super().__init__(shape, findings)
        self.dialects = dialects
        self.places = places
        # whatever can feed a device, in the order of the file
        self.feeders = dict.fromkeys((*shape.mains.circuits, *shape.devices, BATTERY))
        self.order = {name: i for i, name in enumerate(shape.devices)}

    def devices(self, maps: dict[str, Dialect], looks: dict[str, Look]) -> dict[str, Device]:
        feeds = self._feeds()
        made = {
            name: self._device(name, device, maps, looks, feeds)
            for name, device in self.shape.devices.items()
        }
        self._after()
        return made

    def _device(
        self,
        name: str,
        shape: DeviceShape,
        maps: dict[str, Dialect],
        looks: dict[str, Look],
        feeds: dict[str, tuple[tuple[str, ...], str | None]],
    ) -> Device:
        at: Path = ("devices", name)
        battery = shape.fed_by == BATTERY
        if name in ("title", "from", "whites", MARK, BATTERY):
            self.wrong(at, f"'{name}' is a word of this file", "give it another name", key=True)
        if shape.fed_by is None:
            self.wrong(
                at,
                f"'{name}' does not say what feeds it",
                "add 'fed_by:' with a circuit, a plug or 'battery'",
                key=True,
            )
        elif shape.fed_by not in self.feeders:
            todo = nearest(shape.fed_by, self.feeders)
            self.wrong((*at, "fed_by"), f"nothing is called '{shape.fed_by}'", todo)
        elif not battery and shape.fed_by in self.shape.devices:
            feeder = self.shape.devices[shape.fed_by]
            if feeder.kind != "plug":
                self.wrong(
                    (*at, "fed_by"),
                    f"'{shape.fed_by}' is a {feeder.kind} and feeds nothing",
                    "a plug or a strip (a plug that speaks nothing) does",
                )
        presets = {n: look.presets[name] for n, look in looks.items() if name in look.presets}
        tells: set[Point] = set()
        hears: set[Point] = set()
        can_ask = knows_fade = False
        every: float | None = None
        together: tuple[frozenset[Point], ...] = ()
        if shape.speaks == HOMIE5:
            tells, hears = self.dialects.homie_points(shape, presets)
            self.dialects.homie_at(name, shape)
        elif shape.speaks is not None:
            dialect = maps.get(shape.speaks)
            if dialect is None:
                todo = nearest(shape.speaks, [*maps, HOMIE5])
                self.wrong((*at, "speaks"), f"there is no dialect '{shape.speaks}'", todo)
            else:
                tells, hears = set(dialect.tell), set(dialect.hear)
                can_ask = bool(dialect.asks)
                every = next((a.every for a in dialect.asks if a.every is not None), None)
                together = dialect.together
                level = dialect.tell.get("level")
                knows_fade = level is not None and level.fade_unit is not None
                self.dialects.topics(name, shape, dialect)
        if shape.kind == "plug" and shape.speaks is not None and "switch" not in tells:
            self.wrong((*at, "speaks"), f"'{name}' is a plug and its dialect tells no switch")
        if shape.meters and "watts" not in hears and shape.speaks is not None:
            self.wrong((*at, "meters"), "its dialect hears no watts", "add 'watts' to the dialect")
        fixture = shape.kind in FIXTURES
        if fixture and shape.speaks is None and shape.fed_by is None:
            self.wrong(
                at, f"'{name}' has neither a dialect nor a feed: nothing reaches it", key=True
            )
        for field, why, todo in unused(shape):
            self.wrong((*at, field), f"'{field}' does nothing for '{name}': {why}", todo, key=True)
        for field, why, todo in unused_tolerance(shape):
            what = f"'{field}' does nothing for '{name}': {why}"
            self.wrong((*at, "tolerance", field), what, todo, key=True)
        if shape.poll and shape.speaks in maps and not can_ask:
            what = f"'poll' does nothing for '{name}': its dialect cannot be asked"
            self.wrong((*at, "poll"), what, f"add 'ask:' to '{shape.speaks}'", key=True)
        if shape.restores and any("switch" in group for group in together):
            self.wrong(
                (*at, "restores"),
                f"'{name}' takes its switch with every level, so putting it back says 'on' with"
                " nobody asking",
                "leave 'restores' out; 'studiobridge restore' does it when you ask",
                key=True,
            )
        ups, circuit = feeds.get(name, ((), None))
        if (
            shape.speaks is not None
            and shape.speaks != HOMIE5
            and hears
            and not tells
            and not can_ask
        ):
            self.doubt(
                at,
                f"'{name}' speaks only when it wants to: after a restart of the bridge it stays"
                " unconfirmed until it does",
                f"add 'ask' to the dialect '{shape.speaks}'",
                key=True,
            )
        essential = shape.essential
        if essential is None:
            essential = shape.kind not in ("sensor", "charger")
        stays = shape.stays_on
        if stays is None:
            stays = shape.kind in ("charger", "network")
        for point in shape.properties:
            if point not in POINTS:
                todo = nearest(point, POINTS)
                self.wrong((*at, "properties", point), f"'{point}' is no point", todo, key=True)
        return Device(
            name=name,
            kind=shape.kind,
            title=shape.title,
            fed_by=None if battery else shape.fed_by,
            battery=battery,
            feeds=tuple(u for u in ups if u in self.shape.devices),
            circuit=circuit,
            speaks=shape.speaks,
            at=shape.at or "",
            blanks=MappingProxyType(dict(shape.blanks)),
            properties=MappingProxyType(dict(shape.properties)),
            tells=frozenset(tells),
            hears=frozenset(hears),
            can_ask=can_ask,
            knows_fade=knows_fade,
            together=together,
            after=tuple(dict.fromkeys(shape.after)),
            essential=essential,
            stays_on=stays,
            hand_set=fixture and shape.speaks is None and bool(presets),
            meters=shape.meters,
            draws=shape.draws,
            inrush=shape.inrush,
            boots_in=shape.boots_in,
            answers_in=shape.answers_in,
            fade=shape.fade,
            cools_in=shape.cools_in,
            idle_below=shape.idle_below,
            idle_for=shape.idle_for,
            shuts_in=shape.shuts_in,
            closes_in=shape.closes_in,
            residual=shape.residual,
            forgets_level=shape.forgets_level,
            level_range=shape.level,
            cct_range=shape.cct,
            dimmer=shape.dimmer,
            role=shape.role,
            place=place_of(shape.place),
            output=Output(*shape.output) if shape.output else None,
            beam=shape.beam,
            size=(float(shape.size.width), float(shape.size.height)) if shape.size else None,
            glow=shape.glow,
            reflects=shape.reflects / 100.0 if shape.reflects is not None else None,
            pwm=shape.pwm,
            flicker=shape.flicker,
            lead=self.places.lead(shape.lead, (*at, "lead", "section")),
            holds=shape.holds,
            tolerance=self._tolerance(shape.tolerance),
            poll=shape.poll or every,
            silent_after=shape.silent_after or None,
            restores=shape.restores,
        )

    def _tolerance(self, own: ToleranceShape | None) -> Tolerance:
        usual, whole = Tolerance(), self.shape.tolerance

        def pick(name: str) -> float:
            for shape in (own, whole):
                value = getattr(shape, name, None)
                if value is not None:
                    return float(value)
            return float(getattr(usual, name))

        return Tolerance(pick("level"), pick("cct"), pick("settle"))

    # ---- feeds and order -----------------------------------------------------------------

    def _feeds(self) -> dict[str, tuple[tuple[str, ...], str | None]]:
        """For every device: all that is upstream, nearest first, and the circuit at the root."""
        shape = self.shape
        known: dict[str, tuple[tuple[str, ...], str | None]] = {}
        too_deep = False
        for name in shape.devices:
            trail: dict[str, None] = {}
            at: str | None = name
            while at is not None and at in shape.devices and at not in known and at not in trail:
                trail[at] = None
                at = shape.devices[at].fed_by
            if at is not None and at in trail:
                self._circle(list(trail)[list(trail).index(at) :])
                known.update(dict.fromkeys(trail, ((), None)))
                continue
            ups: tuple[str, ...] = ()
            circuit: str | None = None
            if at is not None and at in known:
                ups, circuit = (at, *known[at][0]), known[at][1]
            elif at is not None and at in shape.mains.circuits:
                circuit = at
            for member in reversed(trail):
                if len(ups) > DEEPEST_FEED:
                    if not too_deep:
                        what = f"'{member}' hangs on more than {DEEPEST_FEED} plugs in a row"
                        todo = "feed it from nearer the wall"
                        self.wrong(("devices", member, "fed_by"), what, todo)
                    too_deep = True
                    ups = ()  # the profile is refused: a row of thousands takes no memory
                known[member] = (ups, circuit)
                ups = (member, *ups)
        return known

    def _circle(self, members: list[str]) -> None:
        """A circle of feeds, named whole from the one that comes first in the file."""
        start = members.index(min(members, key=self.order.__getitem__))
        turned = [*members[start:], *members[:start]]
        names = turned if len(turned) <= LONGEST_CIRCLE else [*turned[:LONGEST_CIRCLE], "…"]
        circle = " → ".join([*names, turned[0]])
        self.wrong(("devices", turned[0], "fed_by"), f"a circle of feeds: {circle}")

    def _after(self) -> None:
        devices = self.shape.devices
        for name, device in devices.items():
            for i, other in enumerate(device.after):
                if other not in devices:
                    todo = nearest(other, devices)
                    self.wrong(("devices", name, "after", i), f"no device '{other}'", todo)
                elif other == name:
                    self.wrong(("devices", name, "after", i), f"'{name}' comes after itself")
        state: dict[str, int] = {}
        for name in devices:
            trail: list[tuple[str, int]] = [(name, 0)]
            while trail:
                at, i = trail.pop()
                after = [a for a in devices[at].after if a in devices and a != at]
                if i == 0:
                    if state.get(at) == 2:
                        continue
                    state[at] = 1
                if i < len(after):
                    trail.append((at, i + 1))
                    below = after[i]
                    if state.get(below) == 1:
                        names = [n for n, _ in trail]
                        circle = " → ".join([*names[names.index(below) :], below])
                        self.wrong(("devices", at, "after"), f"a circle of 'after': {circle}")
                        return
                    if state.get(below) is None:
                        trail.append((below, 0))
                else:
                    state[at] = 2

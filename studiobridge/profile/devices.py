"""The devices of a profile: what feeds them, what they can be told and say, in what order."""

from __future__ import annotations

from types import MappingProxyType

from studiobridge.profile.dialects import Dialects
from studiobridge.profile.findings import Findings, Part, nearest
from studiobridge.profile.manners import BATTERY as BATTERY
from studiobridge.profile.manners import Manners
from studiobridge.profile.model import (
    E131,
    FIXTURES,
    HOMIE5,
    MARK,
    POINTS,
    Device,
    Dialect,
    Look,
    Output,
    Point,
    ProvenBy,
    Slots,
    Tolerance,
    Warn,
)
from studiobridge.profile.places import Places, place_of
from studiobridge.profile.quieting import QuietGear
from studiobridge.profile.shape import DeviceShape, ProfileShape, ToleranceShape
from studiobridge.profile.text import Path
from studiobridge.profile.universes import Universes
from studiobridge.profile.unused import unused, unused_tolerance

# Plugs behind plugs: more than a few is bad practice, more than this is a mistake in the file.
DEEPEST_FEED = 20
# A circle of more devices than this is named by its first ones: nobody wrote it by hand.
LONGEST_CIRCLE = 100

# A metered table and what is printed on the lamp are of the same lamp when they agree so far.
AGREES = 0.15
DARK_AGREES = 0.5


class Devices(Part):
    """Everything that is fed, and what feeds it."""

    def __init__(
        self,
        shape: ProfileShape,
        findings: Findings,
        dialects: Dialects,
        places: Places,
        universes: Universes,
    ) -> None:
        super().__init__(shape, findings)
        self.dialects = dialects
        self.places = places
        self.universes = universes
        self.manners = Manners(shape, findings)
        self.quiet = QuietGear(shape, findings)
        # whatever can feed a device, in the order of the file
        self.feeders = dict.fromkeys((*shape.mains.circuits, *shape.devices, BATTERY))
        devices = shape.devices
        self.feeding = [n for n in self.feeders if n not in devices or devices[n].kind == "plug"]
        # what feeds devices and is nothing, in a profile without a circuit: one mistake
        self.on_no_circuit: dict[str, str] = {}
        self.order = {name: i for i, name in enumerate(shape.devices)}

    def devices(self, maps: dict[str, Dialect], looks: dict[str, Look]) -> dict[str, Device]:
        feeds = self._feeds()
        made = {
            name: self._device(name, device, maps, looks, feeds)
            for name, device in self.shape.devices.items()
        }
        self._after()
        self._no_circuits()
        self.manners.check_meters(made)
        return self.quiet.settled(made)

    def _device(
        self,
        name: str,
        shape: DeviceShape,
        maps: dict[str, Dialect],
        looks: dict[str, Look],
        feeds: dict[str, tuple[tuple[str, ...], str | None]],
    ) -> Device:
        at: Path = ("devices", name)
        manners = self.manners
        battery = shape.fed_by == BATTERY
        if name in ("title", "from", "whites", "wants", MARK, BATTERY):
            self.wrong(at, f"'{name}' is a word of this file", "give it another name", key=True)
        if shape.fed_by is None:
            self.wrong(
                at,
                f"'{name}' does not say what feeds it",
                "add 'fed_by:' with a circuit, a plug or 'battery'",
                key=True,
            )
        elif shape.fed_by not in self.feeders and not self.shape.mains.circuits:
            self.on_no_circuit.setdefault(shape.fed_by, name)
        elif shape.fed_by not in self.feeders:
            todo = nearest(shape.fed_by, self.feeding)
            self.wrong((*at, "fed_by"), f"nothing is called '{shape.fed_by}'", todo)
        elif not battery and shape.fed_by in self.shape.devices:
            feeder = self.shape.devices[shape.fed_by]
            if feeder.kind != "plug":
                self.wrong(
                    (*at, "fed_by"),
                    f"'{shape.fed_by}' is a {feeder.kind} and feeds nothing",
                    "a plug or a strip (a plug that speaks nothing) does",
                )
        if shape.at is not None and shape.at.endswith("/") and shape.speaks in maps:
            self.doubt(
                (*at, "at"),
                f"'{shape.at}' ends with a /, and the dialect puts one behind it: a topic with //"
                " is another topic",
                f"write 'at: {shape.at.rstrip('/')}' where the device has only one",
            )
        presets = {n: look.presets[name] for n, look in looks.items() if name in look.presets}
        tells: set[Point] = set()
        hears: set[Point] = set()
        can_ask = knows_fade = either = False
        every: float | None = None
        together: tuple[frozenset[Point], ...] = ()
        slots: Slots | None = None
        if shape.speaks == E131:
            slots = self.universes.slots(name, shape)
            white = shape.slots is not None and shape.slots.cct is not None
            tells = {"level", "cct"} if white else {"level"}
            knows_fade = True  # the bridge walks it, frame by frame
        elif shape.speaks == HOMIE5:
            tells, hears = self.dialects.homie_points(shape, presets)
            self.dialects.homie_at(name, shape)
            if shape.kind in FIXTURES and {"cct", "colour"} <= hears:
                self.doubt(
                    at,
                    f"'{name}' can be white or coloured and does not say which: turned from the one"
                    " to the other by hand, it may go on saying what is wanted",
                    "look at it before a take, or have the look set one of the two",
                    key=True,
                )
        elif shape.speaks is not None:
            dialect = maps.get(shape.speaks)
            if dialect is None:
                todo = nearest(shape.speaks, [*maps, HOMIE5, E131])
                self.wrong((*at, "speaks"), f"there is no dialect '{shape.speaks}'", todo)
            else:
                tells, hears = set(dialect.tell), set(dialect.hear)
                can_ask = bool(dialect.asks)
                every = next((a.every for a in dialect.asks if a.every is not None), None)
                together = dialect.together
                level = dialect.tell.get("level")
                knows_fade = level is not None and level.fade_unit is not None
                either = dialect.either
                self.dialects.topics(name, shape, dialect)
        if shape.slots is not None and shape.speaks != E131:
            self.wrong((*at, "slots"), f"'slots' is for a fixture that speaks {E131}", key=True)
        if shape.speaks == E131:
            pass  # whatever else is wrong with it has been said
        elif shape.kind == "plug" and shape.speaks in (*maps, HOMIE5) and "switch" not in tells:
            self.wrong((*at, "speaks"), f"'{name}' is a plug and its dialect tells no switch")
        if shape.meters and "watts" not in hears and shape.speaks not in (None, E131):
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
            slots=slots,
            either=either,
            together=together,
            after=tuple(dict.fromkeys(shape.after)),
            essential=essential,
            stays_on=stays,
            fixed=shape.fixed,
            hand_set=fixture and shape.speaks is None and bool(presets),
            proof=self._proof(name, shape, tells, hears, ups, maps, bool(presets)),
            meters=shape.meters,
            draws=self._draws(name, shape),
            standby=self._standby(shape),
            draws_at=shape.draws_at or (),
            meter_step=shape.meter_step,
            inrush=shape.inrush,
            boots_in=shape.boots_in,
            answers_in=shape.answers_in,
            fade=shape.fade,
            cools_in=shape.cools_in,
            idle_below=shape.idle_below,
            idle_for=shape.idle_for,
            shuts_in=shape.shuts_in,
            closes_in=shape.closes_in,
            done_below=manners.done_below(name, shape),
            residual=shape.residual,
            comes_back=manners.comes_back(name, shape),
            level_range=shape.level,
            cct_range=shape.cct or _span_of(slots),
            dimmer=shape.dimmer,
            dimmer_said="dimmer" in shape.model_fields_set,
            role=shape.role,
            place=place_of(shape.place),
            output=Output(*shape.output) if shape.output else None,
            beam=shape.beam,
            size=(float(shape.size.width), float(shape.size.height)) if shape.size else None,
            glow=shape.glow,
            reflects=shape.reflects / 100.0 if shape.reflects is not None else None,
            keys=shape.keys,
            dye=shape.dye,
            duv=shape.duv,
            power_factor=shape.power_factor,
            pwm=shape.pwm,
            flicker=shape.flicker,
            lead=self.places.lead(shape.lead, (*at, "lead", "section")),
            holds=shape.holds,
            own_battery=manners.own_battery(name, shape),
            rolls=manners.rolls(name, shape, hears),
            tolerance=self._tolerance(shape.tolerance),
            poll=shape.poll or every,
            silent_after=shape.silent_after or None,
            restores=shape.restores,
            warn=self._warn(name, shape, hears),
            receptor=shape.receptor or "flat",
            rated=self._rated(name, shape),
            inrush_said="inrush" in shape.model_fields_set,
            quiet=self.quiet.told(name, shape),
        )

    def _warn(self, name: str, shape: DeviceShape, hears: set[Point]) -> Warn:
        """What is to be said before it runs out: only of what is ever heard."""
        warn = shape.warn
        for point in ("battery", "card", "temperature"):
            if getattr(warn, point) is None or point in hears:
                continue
            todo = f"add '{point}' with a 'hear' to the dialect '{shape.speaks}'"
            if shape.speaks is None:
                todo = "leave it out, or add 'speaks:'"
            elif shape.speaks == HOMIE5:
                todo = f"name its property: 'properties: {{{point}: ...}}'"
            what = f"'{name}' is never heard to say its {point}, so nothing can warn of it"
            self.wrong(("devices", name, "warn", point), what, todo, key=True)
        return Warn(warn.battery, None if warn.card is None else warn.card / 60.0, warn.temperature)

    def _proof(
        self,
        name: str,
        shape: DeviceShape,
        tells: set[Point],
        hears: set[Point],
        ups: tuple[str, ...],
        maps: dict[str, Dialect],
        in_a_look: bool,
    ) -> ProvenBy:
        """Which evidence is accepted for what this device cannot report."""
        at: Path = ("devices", name, "proof")
        fixture = shape.kind in FIXTURES
        mute = tells - hears - {"shut_down"}
        dial = fixture and shape.speaks is None and in_a_look
        proof = shape.proof
        if proof is None:
            return "hand" if dial else "none" if mute or not hears else "report"
        if proof == "report":
            if shape.speaks is None:
                what = f"'{name}' speaks nothing, so it cannot report"
                self.wrong(at, what, "write 'proof: watts', 'picture', 'hand' or 'none'")
            elif mute and shape.speaks != E131:
                what = f"'{name}' is told {', '.join(sorted(mute))} and never says so"
                self.wrong(at, what, f"add 'hear' to the dialect '{shape.speaks}'")
            return proof
        if proof in ("picture", "hand") and not fixture:
            self.wrong(at, f"'{name}' is no light: {proof} cannot prove it", "leave 'proof' out")
        elif fixture and hears >= tells and shape.speaks is not None:
            what = f"'{name}' reports, and is believed by its reports alone"
            self.doubt(at, what, "leave 'proof' out")
        if proof == "watts" and not fixture:
            self._on_by_watts(name, shape, maps, at)
        elif proof == "watts":
            self._by_watts(name, shape, ups, maps, at)
        return proof

    def _by_watts(
        self,
        name: str,
        shape: DeviceShape,
        ups: tuple[str, ...],
        maps: dict[str, Dialect],
        at: Path,
    ) -> None:
        if not any(self._meters(up, maps) for up in ups):
            what = f"no plug above '{name}' meters: nothing hears its watts"
            self.wrong(at, what, "feed it from a plug with 'meters: yes'")
        if shape.draws <= 0 and not shape.draws_at:
            what = f"what '{name}' draws is not known, so its watts say nothing"
            self.wrong(at, what, "add 'draws:' with its watts at full, or 'draws_at:'")

    def _on_by_watts(
        self, name: str, shape: DeviceShape, maps: dict[str, Dialect], at: Path
    ) -> None:
        """Something with a button of its own: only alone on its plug do the watts say it is on."""
        if shape.kind not in ("amp", "audio", "display"):
            what = f"'{name}' is a {shape.kind}: watts prove only lights, sound and displays"
            self.wrong(at, what, "leave 'proof' out")
            return
        plug = shape.fed_by or ""
        if not self._meters(plug, maps):
            what = f"the plug that feeds '{name}' does not meter: nothing hears its watts"
            self.wrong(at, what, "feed it from a plug with 'meters: yes'")
            return
        others = [n for n, d in self.shape.devices.items() if d.fed_by == plug and n != name]
        if others:
            what = f"'{plug}' feeds '{others[0]}' too: its watts do not say which of them is on"
            self.wrong(at, what, f"give '{name}' a plug of its own")
        if shape.standby is None:
            what = f"what '{name}' draws when it is off is not known"
            self.wrong(at, what, "add 'standby:' with its watts when its button is off")

    def _meters(self, plug: str, maps: dict[str, Dialect]) -> bool:
        """Does this plug say how many watts it feeds?"""
        shape = self.shape.devices.get(plug)
        if shape is None or shape.speaks is None:
            return False
        dialect = maps.get(shape.speaks)
        return shape.meters if dialect is None else "watts" in dialect.hear

    def _draws(self, name: str, shape: DeviceShape) -> float:
        """What it draws at full: as said, or the last point of its table (W)."""
        at: Path = ("devices", name)
        if shape.meter_step is not None and not shape.meters:
            self.wrong((*at, "meter_step"), f"'{name}' has no meter", "add 'meters: yes'", key=True)
        if shape.standby is not None and 0 < shape.draws < shape.standby:
            what = f"when dark it draws {shape.standby:g} W, more than at full ({shape.draws:g} W)"
            self.wrong((*at, "standby"), what)
        if shape.draws_at is None:
            return shape.draws
        if shape.kind not in FIXTURES:
            what = f"'{name}' is no light: it has no level"
            self.wrong((*at, "draws_at"), what, "write 'draws:' alone", key=True)
        dark, full = shape.draws_at[0][1], shape.draws_at[-1][1]
        if shape.draws and abs(full - shape.draws) > AGREES * shape.draws:
            self.wrong(
                (*at, "draws_at"),
                f"its table ends at {full:g} W and it draws {shape.draws:g} W at full",
                "leave 'draws' out where the table was metered",
                key=True,
            )
        if shape.standby is not None and abs(dark - shape.standby) > DARK_AGREES:
            self.wrong(
                (*at, "draws_at"),
                f"its table begins at {dark:g} W and it draws {shape.standby:g} W when dark",
                "leave 'standby' out where the table was metered",
                key=True,
            )
        return shape.draws or full

    def _rated(self, name: str, shape: DeviceShape) -> float | None:
        """What a plug or a strip may pass on (A); of anything else: `unused.py`."""
        if shape.rated is not None and shape.rated <= 0:
            what = f"nothing passes through a plug rated for {shape.rated:g} A"
            self.wrong(("devices", name, "rated"), what, "read it off the plug, like 'rated: 10 A'")
        return shape.rated

    def _standby(self, shape: DeviceShape) -> float | None:
        if shape.standby is None and shape.draws_at:
            return shape.draws_at[0][1]
        return shape.standby

    def _tolerance(self, own: ToleranceShape | None) -> Tolerance:
        usual, whole = Tolerance(), self.shape.tolerance

        def pick(name: str) -> float:
            for shape in (own, whole):
                value = getattr(shape, name, None)
                if value is not None:
                    return float(value)
            return float(getattr(usual, name))

        return Tolerance(pick("level"), pick("cct"), pick("settle"), pick("colour"))

    def _no_circuits(self) -> None:
        names = list(self.on_no_circuit)
        if not names:
            return
        what = " and ".join(f"'{name}'" for name in names[:2])
        what += f" and {len(names) - 2} more" if len(names) > 2 else ""
        circuits = ", ".join(f"{name}: {{breaker: 16 A, curve: B}}" for name in names[:2])
        self.wrong(
            ("mains",) if self.shape.mains.model_fields_set else (),
            f"there is no 'mains:' with circuits, and {what} {'feed' if names[1:] else 'feeds'}"
            f" devices like '{self.on_no_circuit[names[0]]}'",
            f"add 'mains: {{voltage: 230 V, circuits: {{{circuits}}}}}' with your own figures, or"
            " feed them from battery",
        )

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


def _span_of(slots: Slots | None) -> tuple[float, float] | None:
    """The whites (K) that slots can say."""
    span = None if slots is None else slots.cct_span
    return None if span is None else (span.low, span.high)

"""What is proven of every device of a set, by what, and why the rest is not (law 7).

What a device reports is proven by its reports. Only what it cannot say is proven by what its
profile names (`proof:`). A lamp proven by watts has to agree with them before the set is ready,
on a dial or not: its profile names an instrument, and law 7 asks for that one. Its power comes
with the run-up, its dial is turned in the light of it, and the set becomes ready by itself when
the watts agree, or when a person says so where the watts cannot tell. With `proof: hand` and
`proof: none` nobody waits: such a lamp is named as not proven, and that is all.
"""

from __future__ import annotations

from collections.abc import Mapping

from studiobridge.control.evidence import BY, GAUGES, Proof
from studiobridge.control.feeds import Feeds
from studiobridge.control.gear import Gear
from studiobridge.profile.model import Point, Preset, SetProfile, Value


class Proofs(Gear):
    """The same devices by what is proven of them."""

    def __init__(self, profile: SetProfile, feeds: Feeds) -> None:
        super().__init__(profile, feeds)
        # fixtures with open drift: they are set again, whatever their own tolerance says
        self.adrift: set[str] = set()
        # lights moved by small steps, and not put back or kept since: held to their presets by
        # their own steps, for a tolerance is as wide as a small step
        self.stepped: set[str] = set()

    def online(self, name: str) -> bool | None:
        """True: heard in this epoch. False: said to be gone, or its feed is off. None: unheard."""
        belief = self.of[name]
        if belief.device.speaks is None:
            return None
        if not self.powered(name) or belief.gone:
            return False
        return True if belief.spoke else None

    def surely_heard(self, name: str) -> bool:
        belief = self.of[name]
        if belief.device.own_battery:
            up = not self.is_down(name)  # no mains that come make it start: somebody opens it
        else:
            up = all(self.surely_on(above) for above in self.feeds.line[name][:1])
        return (
            belief.spoke
            and belief.described
            and belief.silent_since is None
            and not belief.gone
            and up
        )

    def only_kept(self, name: str) -> bool:
        """It cannot be asked, and all there is of it is what the broker kept from before."""
        belief = self.of[name]
        if belief.spoke or belief.device.can_ask:
            return False
        return any(belief.word("has it moved", point) is not None for point in belief.hears)

    def surely_set(self, name: str, preset: Preset) -> bool:
        """Is it proven to be as this preset says, so that it need not be told again?"""
        belief = self.of[name]
        if name in self.adrift or name in self.stepped:
            return False
        points = belief.points_of(preset)
        if "switch" in belief.tells:
            points["switch"] = True
        if not points:
            return self.surely_heard(name)
        return self.proof(name, points, preset) not in (None, "told")

    def surely_out(self, name: str) -> bool:
        belief = self.of[name]
        switch = belief.said("is it so", "switch")
        if switch is False or "switch" in belief.tells & belief.hears:
            return switch is False
        level = belief.said("is it so", "level")
        return level is not None and belief.same("level", belief.lowest, level)

    def why_unproven(
        self,
        name: str,
        points: Mapping[Point, Value],
        differing: bool = True,
        preset: Preset | None = None,
    ) -> str | None:
        """Why it is not proven that this device is as asked (law 7); None when it is.

        `differing` False: evidence that says something else counts as evidence, and no more.
        Points for which the profile asks no evidence keep nobody waiting (`only_told`).
        """
        return self.why_unheard(name, points, differing) or self.why_not_gauged(
            name, points, differing, preset
        )

    def why_unheard(
        self, name: str, points: Mapping[Point, Value], differing: bool = True
    ) -> str | None:
        """Why its reports do not prove what they have to."""
        belief = self.of[name]
        if not belief.hears:
            # an instrument's word is enough even where nothing is sent to it (`unreached`): a
            # fixture that holds its last value is lit all the same
            seen = [belief.agrees(p, w) for p, w in points.items() if p in belief.device.mute]
            return None if seen and all(seen) else belief.unreached
        if not self.surely_heard(name):
            if belief.gone or not belief.described or not self.only_kept(name):
                return f"{name} does not answer"
            # a fixture or a plug is told again by `up`, and says that it is so
            how = "`up` tells it again" if belief.tells - {"shut_down"} else "make it speak"
            return f"{name} has not spoken since, only the broker kept its word from before: {how}"
        for point, wanted in points.items():
            if point == "online" or point not in belief.hears:
                continue
            said = belief.said("is it so", point)
            if said is None:
                return f"{name} has not confirmed its {point}"
            if differing and not belief.same(point, wanted, said):
                return f"{name} reports another {point}"
        return None

    def why_not_gauged(
        self,
        name: str,
        points: Mapping[Point, Value],
        differing: bool = True,
        preset: Preset | None = None,
    ) -> str | None:
        """Why the instrument its profile names does not prove what it has to."""
        belief = self.of[name]
        by = BY.get(belief.device.proof)
        gauged = [point for point in points if belief.proven_by(point) in GAUGES]
        if by is None or not gauged or belief.by_hand(preset):
            return None
        if belief.device.proof == "watts" and self.metered_by(name) is None:
            return f"the plug that meters {name} does not answer"
        for point in gauged:
            band = belief.band("is it so", point)
            agrees = belief.agrees(point, points[point])
            if band is None:
                return f"{name} is not confirmed by {by} yet"
            if point == "switch":
                if agrees is None:
                    return f"{name} cannot be told by {by}: neither on nor off"
                if differing and not agrees:
                    return f"{name} is {'on' if band.low else 'off'} by {by}"
            elif agrees is None:
                say = band.why or f"its {point} is somewhere from {band}"
                return f"{name} cannot be told by {by}: {say}"
            elif differing and not agrees:
                said = f"{name} is at {band} by {by}, not at {_spelled(point, points[point])}"
                way = band.beside(points[point]) if point == "level" else ""
                by_dial = belief.device.hand_set and way
                return f"{said}: turn it {way}" if by_dial else said
        return None

    def awaits_gauge(self, name: str, points: Mapping[Point, Value], preset: Preset | None) -> bool:
        """Is there an instrument that should say something of it soon, and has not yet?"""
        belief = self.of[name]
        gauged = [point for point in points if belief.proven_by(point) in GAUGES]
        if not gauged or belief.by_hand(preset):
            return False
        if belief.device.proof == "watts" and self.metered_by(name) is None:
            return False
        return any(belief.band("is it so", point) is None for point in gauged)

    def only_told(self, name: str, points: Mapping[Point, Value], preset: Preset | None) -> bool:
        """Is there anything about it that nothing proves, and nobody waits for (law 7)?"""
        belief = self.of[name]
        unasked = [p for p in points if belief.proven_by(p) in ("hand", "none")]
        return bool(unasked) and not belief.by_hand(preset)

    def proof(
        self, name: str, points: Mapping[Point, Value], preset: Preset | None = None
    ) -> Proof | None:
        """On what evidence it is as asked, the weakest of its points naming it.

        `told` is no proof, only all there is.
        """
        belief = self.of[name]
        if points and self.why_unproven(name, points, preset=preset) is None:
            if not any(belief.proven_by(point) != "report" for point in points):
                return "report"
            if not self.only_told(name, points, preset) and self.powered(name):
                gauged = [p for p in points if belief.proven_by(p) in GAUGES]
                if gauged and all(belief.agrees(p, points[p]) for p in gauged):
                    band = belief.band("is it so", gauged[0])
                    return "hand" if band is None or band.word else band.by
                return "hand"
        told = any(belief.told_now(p) is not None for p in points)
        told = told and belief.unreached is None
        return "told" if told and self.powered(name) else None


def _spelled(point: Point, value: Value) -> str:
    if isinstance(value, bool) or not isinstance(value, int | float):
        return "what is wanted"
    return f"{value:.0f} K" if point == "cct" else f"{value:.4g} %"

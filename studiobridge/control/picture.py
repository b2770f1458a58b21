"""What touched fixtures do to the picture, and whom to blame when it has moved too far.

A fixture can be within its own tolerance and the picture still be wrong: two lights a little
down are one dark face. Where the profile holds the picture, the fixture that moved it most is
treated as drifted, so that restore and keep work on it as on any other.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import replace

from studiobridge.control.desk import Desk
from studiobridge.craft.chroma import Colour
from studiobridge.figures.face import Change, Face
from studiobridge.profile.model import Point, Preset, figure

Key = tuple[str, Point]
# Rounding of the arithmetic, far below anything a tolerance is set to.
ALMOST = 1e-9


class PictureWatch:
    """The face as it is wanted and as it is reported. Asks the desk; tells nobody anything."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.face = Face(desk.profile)
        self.hold = desk.profile.picture.hold
        self.fixtures = frozenset(
            name for name in self.face.rays if desk.profile.devices[name].speaks is not None
        )
        # lights whose figures are missing are among them: one of these that is lit and should be
        # dark is why the picture cannot be computed
        lights = {*self.face.rays, *self.face.missing}
        self.reporting = frozenset(n for n in lights if desk.profile.devices[n].speaks is not None)
        self.holds = self.hold.held and bool(self.fixtures)

    def now(self, names: Collection[str] | None = None) -> dict[str, Preset]:
        """Every fixture of the look as reported; those not in `names` as wanted."""
        beliefs = self.desk.beliefs
        found = dict(self.desk.presets)
        for name, preset in self.desk.presets.items():
            if name not in self.reporting or (names is not None and name not in names):
                continue
            belief = beliefs.of[name]
            if not beliefs.may_be_on(name):
                found[name] = replace(preset, level=0.0)
                continue
            level, cct = belief.said("was it so", "level"), belief.said("was it so", "cct")
            white, colour = preset.cct, preset.colour
            if isinstance(cct, Colour):  # a fixture of whites and colours, in a colour now
                white, colour = None, cct
            elif cct is not None and (preset.cct is not None or belief.coloured is False):
                white, colour = figure(cct), None
            found[name] = Preset(
                preset.level if level is None or preset.level is None else figure(level),
                white,
                colour,
            )
        return found

    def change(self, names: Collection[str] | None = None) -> Change | None:
        """What the picture lost or gained through these fixtures (None: through all)."""
        presets = self.desk.presets
        if not presets:
            return None
        return self.face.change(presets, self.now(names))

    def missing(self, names: Collection[str] | None = None) -> tuple[str, ...]:
        """What the picture would need and nobody says: of the look, and of what is reported."""
        wanted, now = self.desk.presets, self.now(names)
        found = (*self.face.sentences(wanted), *self.face.sentences(now))
        return tuple(dict.fromkeys((*found, *self.face.turned(wanted, now))))

    # ---- holding the picture ------------------------------------------------------------

    def _beyond(self, change: Change) -> list[str]:
        """Which held properties of the picture are beyond their tolerance."""
        hold = self.hold
        found = []
        if hold.face is not None and (change.face is None or abs(change.face) > hold.face + ALMOST):
            found.append("face")
        if (
            hold.ratio is not None
            and change.ratio_wanted is not None
            and (change.ratio is None or abs(change.ratio) > hold.ratio + ALMOST)
        ):
            found.append("ratio")
        for what, held, moved in (
            ("white", hold.white, change.mired),
            ("duv", hold.duv, change.duv),
        ):
            # the two whites are known, and one of them is so far off that it has no CCT
            lost = moved is None and change.duv_prime is not None
            if held is not None and (lost or (moved is not None and abs(moved) > held + ALMOST)):
                found.append(what)
        return found

    def blamed(self) -> frozenset[Key]:
        """The fixtures and points that moved the picture too far: for each property the one."""
        if not self.holds:
            return frozenset()
        wanted = self.desk.presets
        now = self.now()
        change = self.face.change(wanted, now) if wanted else None
        if change is None:
            return frozenset()
        found: set[Key] = set()
        for what in self._beyond(change):
            key = self._most(what, wanted, now)
            if key is not None:
                found.add(key)
        return frozenset(found)

    def _most(
        self, what: str, wanted: Mapping[str, Preset], now: Mapping[str, Preset]
    ) -> Key | None:
        """The fixture and point that alone moves this property most."""
        best: tuple[float, Key] | None = None
        for name in sorted(self.fixtures & set(wanted)):
            belief = self.desk.beliefs.of[name]
            whitens = what in ("white", "duv")
            points: tuple[Point, ...] = ("cct", "level") if whitens else ("level",)
            for point in points:
                ours, theirs = getattr(wanted[name], point), getattr(now[name], point)
                if ours is None or theirs is None or ours == theirs:
                    continue
                grid = belief.grids.get(point)
                if grid is not None and grid.same(ours, theirs):
                    continue  # as near as this device can be set
                alone = {**wanted, name: replace(wanted[name], **{point: theirs})}
                change = self.face.change(wanted, alone)
                if change is None:
                    continue
                effect = {
                    "face": change.face,
                    "ratio": change.ratio,
                    "white": change.mired,
                    "duv": change.duv,
                }[what]
                size = abs(effect) if effect is not None else float("inf")
                if size > 0 and (best is None or size > best[0]):
                    best = (size, (name, point))
        return best[1] if best is not None else None

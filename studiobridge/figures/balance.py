"""The light of a look solved backwards: from what is wanted in the picture to levels and whites.

What is not asked for, and not in the look's own `wants`, stays as the look has it. The sum of what
is missed, in stops and squared, is least (`craft/balancing.py`), so that two wishes that cannot
both be had share what is missed by their weights. The light on the face comes first, then its
ratio, worth a twenty-fifth of that, then the backdrop, worth a fortieth of the ratio, then a rim: a
face that is wrong spoils the picture, and a rim only misses from it. Levels come out on the steps
each light really has.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from studiobridge.craft import balancing
from studiobridge.craft.balancing import Task
from studiobridge.craft.grid import Grid
from studiobridge.figures.face import Face
from studiobridge.figures.limits import MISSED, Limit, Wish, limits_of
from studiobridge.figures.mains import mains_of
from studiobridge.figures.watts import usual_draw
from studiobridge.figures.whites import Whites, whites_for
from studiobridge.figures.wishes import CannotBalance, Sums, over_each_other
from studiobridge.profile.model import Preset, SetProfile, Wants

# A light that goes another way than all others together: enough to choose among equals.
PULL = 1e-3
# What a lit light may not go below, as a share of full: a wish is about light.
LEAST = 1e-4
# So many stops nobody sees, not even side by side (common practice: a tenth is hard to see).
UNSEEN = 0.03
# Levels on either side of the best that are tried.
AROUND = 8


@dataclass(frozen=True, slots=True)
class Setting:
    """One light: how the look has it, how it is to be set, and the watts its plug then meters.

    `held` says why it is left as it is; `needed`: it was dark, and is lit now.
    """

    device: str
    was: Preset
    now: Preset
    by_hand: bool
    at_end: Literal["least", "most", ""]
    watts: float | None
    held: str
    needed: bool

    @property
    def changed(self) -> bool:
        return self.was != self.now


@dataclass(frozen=True, slots=True)
class Balanced:
    """A look solved: its settings, its wishes, its white, and what is to be said of it.

    `aperture`: wanted and got, where ISO and shutter are given. `even`: of each backdrop with wash
    lights, stops edge to edge before and after. `over`: what the mains say to it.
    """

    look: str
    settings: tuple[Setting, ...]
    wishes: tuple[Wish, ...]
    limits: tuple[Limit, ...]
    aperture: tuple[float, float] | None
    even: Mapping[str, tuple[float, float]]
    white: Whites | None
    over: tuple[str, ...]
    missing: tuple[str, ...]

    @property
    def presets(self) -> dict[str, Preset]:
        """What changes, by device."""
        return {s.device: s.now for s in self.settings if s.changed}


def balance(
    profile: SetProfile,
    look: str,
    asked: Wants,
    steps: Mapping[str, Grid],
    white_steps: Mapping[str, Grid],
) -> Balanced:
    """The levels and whites for what is asked and what the look is for.

    `steps`: what each light can tell apart. Raises CannotBalance where a wish that was asked for
    has nothing to be reckoned with.
    """
    face = Face(profile)
    presets = profile.looks[look].presets
    solved = _Solved(profile, look, asked, face, presets, steps)
    levels = {lamp.name: level for lamp, level in zip(solved.lamps, solved.levels, strict=True)}
    set_to = {
        name: replace(preset, level=levels.get(name, preset.level))
        for name, preset in presets.items()
    }
    wants = over_each_other(asked, profile.looks[look].wants)
    white = None
    if wants.white is not None:
        white = whites_for(profile, face, set_to, wants.white, white_steps)
        set_to = {name: white.presets.get(name, preset) for name, preset in set_to.items()}
    held = {lamp.name: lamp.held for lamp in solved.lamps}
    settings = [
        _setting(profile, name, presets[name], set_to[name], solved, held.get(name, "not counted"))
        for name in presets
    ]
    over = [f.text for f in mains_of(profile, look, set_to).over]
    return Balanced(
        look,
        tuple(settings),
        solved.found,
        tuple(limits_of(profile, solved.lamps, solved.levels, solved.found)),
        solved.aperture,
        solved.even,
        white,
        tuple(over),
        tuple(dict.fromkeys(solved.missing)),
    )


def stands(profile: SetProfile, look: str | None) -> tuple[Wish, ...]:
    """How far a look is from what it is for, as it stands. Empty where that cannot be reckoned."""
    if look is None or look not in profile.looks:
        return ()
    wants = profile.looks[look].wants
    if wants == Wants():
        return ()
    try:
        made = Sums(profile, look, Wants(), wants, Face(profile), {}, [])
    except CannotBalance:
        return ()
    return tuple(wish for wish in made.wishes(made.shares()) if wish.by == "look")


def _setting(
    profile: SetProfile, name: str, was: Preset, now: Preset, solved: _Solved, held: str
) -> Setting:
    device = profile.devices[name]
    lamp = next((found for found in solved.lamps if found.name == name), None)
    end: Literal["least", "most", ""] = ""
    if lamp is not None and not held and now.level is not None and lamp.low < lamp.high:
        end = "most" if now.level >= lamp.high else "least" if now.level <= lamp.low else ""
    metered = any("watts" in profile.devices[feed].hears for feed in device.feeds[:1])
    watts = None
    if device.hand_set and metered and now.level is not None and (device.draws_at or device.draws):
        watts = usual_draw(device, now.level)
    needed = not was.level and bool(now.level)
    return Setting(name, was, now, device.hand_set, end, watts, held, needed)


class _Solved(Sums):
    """The sums of a look, with the levels that come nearest."""

    def __init__(
        self,
        profile: SetProfile,
        look: str,
        asked: Wants,
        face: Face,
        presets: Mapping[str, Preset],
        steps: Mapping[str, Grid],
    ) -> None:
        super().__init__(profile, look, asked, profile.looks[look].wants, face, steps, [])
        self.needed: list[str] = []
        dark = {i for i, lamp in enumerate(self.lamps) if lamp.level <= 0 and not lamp.held}
        task = self._task(dark)
        x = balancing.solve(task)
        if dark:
            # lights that are off stay off, unless something asked for cannot be had without them
            free = self._task(set())
            tried = balancing.solve(free)
            both = zip(self.wishes(x), self.wishes(tried), strict=True)
            mends = any(
                was.missed and was.by != "as it is" and abs(was.off) - abs(now.off) > MISSED
                for was, now in both
            )
            if mends and balancing.cost(free, tried) < balancing.cost(task, x):
                task, x, dark = free, tried, set()
        choices = [
            [lamp.level] if task.low[i] == task.high[i] else lamp.levels(x[i], AROUND)
            for i, lamp in enumerate(self.lamps)
        ]
        outs = [[lamp.share(v) for v in c] for lamp, c in zip(self.lamps, choices, strict=True)]
        on = balancing.on_steps(task, x, outs)
        self.levels = [c[out.index(value)] for c, out, value in zip(choices, outs, on, strict=True)]
        self.task = task
        if self._right_already(on):
            on, self.levels = self.shares(), [lamp.level for lamp in self.lamps]
        got = self.wishes(on)
        self.found = tuple(
            replace(wish, nearest=self._nearest(n, got)) if wish.missed else wish
            for n, wish in enumerate(got)
        )
        now = self.shares()
        self.even = {
            name: (before, after)
            for name in {name for what, name, _, _ in self.rows if what == "even" and name}
            if (before := self.spread(name, now)) is not None
            and (after := self.spread(name, on)) is not None
        }
        self.aperture = None
        if self.aperture_of is not None:
            lux = next(w for w in got if w.what == "face")
            self.aperture = (
                self.aperture_of * math.sqrt(lux.wanted),
                self.aperture_of * math.sqrt(lux.got),
            )

    def _right_already(self, on: Sequence[float]) -> bool:
        """Is the look as good as it gets, but for what nobody sees? Then no dial is turned."""
        now = self.shares()
        as_good = all(
            abs(was.off) <= abs(best.off) + UNSEEN
            for was, best in zip(self.wishes(now), self.wishes(on), strict=True)
        )
        backdrops = {name for what, name, _, _ in self.rows if what == "even" and name}
        spreads = [(self.spread(n, now), self.spread(n, on)) for n in backdrops]
        return as_good and all(a is not None and a <= (b or 0.0) + UNSEEN for a, b in spreads)

    def _task(self, dark: set[int]) -> Task:
        """All that is wanted; what is `dark` stays so."""
        at = self.shares()
        face = next(row for what, _, _, row in self.rows if what == "face")
        grows = face.fixed / self.read_now
        low, high, stay = [], [], []
        for i, lamp in enumerate(self.lamps):
            if lamp.held or i in dark:
                low.append(at[i])
                high.append(at[i])
                stay.append(at[i])
                continue
            # its lowest level that is lit; on its steps it may be dark after all
            least = max(lamp.share(max(lamp.low, lamp.step)), LEAST)
            most = max(lamp.share(lamp.high), least)
            low.append(least)
            high.append(most)
            stay.append(min(max(at[i] * grows, 0.0), most))
        rows = tuple(row for _, _, _, row in self.rows)
        return Task(rows, tuple(low), tuple(high), tuple(stay), PULL)

    def _nearest(self, n: int, got: Sequence[Wish]) -> float:
        """What a wish comes to where it alone gives way."""
        weights = []
        for k, wish in enumerate(got):
            own = self.rows[self.places[k]][3].weight
            dropped = wish.missed and wish.what not in ("face", "ratio")
            weights.append(own * 1e-3 if k == n else 0.0 if dropped else own)
        by_row = dict(zip(self.places, weights, strict=True))
        wishes = tuple(
            replace(row, weight=by_row.get(k, 0.0)) for k, row in enumerate(self.task.wishes)
        )
        x = balancing.solve(replace(self.task, wishes=wishes, pull=PULL * 1e-4))
        return self.wishes(x)[n].got

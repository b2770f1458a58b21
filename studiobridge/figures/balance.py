"""The light of a look solved backwards: from what is wanted in the picture to levels and whites.

What is not asked for, and not in the look's own `wants`, stays as the look has it. The sum of what
is missed, in stops and squared, is least (`craft/balancing.py`), so that two wishes that cannot
both be had share what is missed by their weights: the light on the face and its ratio are worth
ten of the backdrop and thirty of a rim, for a face that is wrong spoils the picture, and a rim only
misses from it. Levels come out on the steps each light really has.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from typing import Literal

from studiobridge.craft import balancing, mark
from studiobridge.craft.balancing import Task
from studiobridge.craft.grid import Grid
from studiobridge.figures.exposing import exposure_of
from studiobridge.figures.face import DARK, Face, Whole
from studiobridge.figures.mains import mains_of
from studiobridge.figures.targets import lamps_of
from studiobridge.figures.watts import usual_draw
from studiobridge.figures.whites import Whites, whites_for
from studiobridge.profile.model import Preset, SetProfile, Wants

What = Literal["face", "ratio", "backdrop", "rim", "even"]
# Whose wish it is: asked for now, what the look says it is for, or how the look stands.
By = Literal["asked", "look", "as it is"]

# What a square of a missed stop counts (see above). Evenness is wanted least: five points share it.
WEIGHTS: dict[What, float] = {
    "face": 100.0,
    "ratio": 100.0,
    "backdrop": 10.0,
    "rim": 3.0,
    "even": 1.0,
}
# A light that goes another way than all others together: enough to choose among equals.
PULL = 1e-3
# What a lit light may not go below, as a share of full: a wish is about light.
LEAST = 1e-4
# Levels on either side of the best that are tried.
AROUND = 8
# From here on a wish is called missed (stops); a third of a stop is what one sees at once.
MISSED = 0.1
# Dark lights come on where that mends at least so much: a tenth of a stop of the face.
WORTH = WEIGHTS["face"] * 0.1**2


@dataclass(frozen=True, slots=True)
class Wish:
    """One wish and what becomes of it: lx on the face, key over fill, else stops.

    `off` is stops above what is wanted. `nearest`: what there would be if all other wishes were
    kept, where this one is missed.
    """

    what: What
    device: str | None
    by: By
    wanted: float
    got: float
    off: float
    nearest: float | None = None

    @property
    def missed(self) -> bool:
        return abs(self.off) > MISSED


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

    `aperture`: wanted and got, where ISO and shutter are given. `over`: what the mains say to it.
    """

    look: str
    settings: tuple[Setting, ...]
    wishes: tuple[Wish, ...]
    aperture: tuple[float, float] | None
    white: Whites | None
    over: tuple[str, ...]
    missing: tuple[str, ...]

    @property
    def presets(self) -> dict[str, Preset]:
        """What changes, by device."""
        return {s.device: s.now for s in self.settings if s.changed}


class CannotBalance(Exception):
    """What was asked for cannot be reckoned. `todo` says what to do about it."""

    def __init__(self, what: str, todo: str) -> None:
        super().__init__(f"{what}; {todo}" if todo else what)
        self.what, self.todo = what, todo


def over_each_other(asked: Wants, own: Wants) -> Wants:
    """What is asked for now, over what the look says it is for."""
    if asked.aperture is not None or asked.lux is not None:
        own = replace(own, aperture=None, lux=None)
    said = {f.name: getattr(asked, f.name) for f in fields(Wants)}
    return replace(own, **{key: value for key, value in said.items() if value is not None})


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
        solved.wishes_got,
        solved.aperture,
        white,
        tuple(over),
        tuple(dict.fromkeys(solved.missing)),
    )


def stands(profile: SetProfile, look: str, wants: Wants) -> tuple[Wish, ...]:
    """How far a look is from what it is for, as it stands. Empty where that cannot be reckoned."""
    try:
        made = _Made(profile, look, Wants(), wants, Face(profile), {}, [])
    except CannotBalance:
        return ()
    x = made.shares()
    return tuple(wish for wish in made.wishes(x) if wish.by == "look" and wish.what != "even")


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


class _Made:
    """The wishes of one look as sums over its lights."""

    def __init__(
        self,
        profile: SetProfile,
        look: str,
        asked: Wants,
        own: Wants,
        face: Face,
        steps: Mapping[str, Grid],
        missing: list[str],
    ) -> None:
        self.profile, self.asked, self.own = profile, asked, own
        self.wants = over_each_other(asked, own)
        self.lamps = lamps_of(profile, face, profile.looks[look].presets, steps, missing)
        self.missing = missing
        self.look = look
        if profile.room.mark is None:
            raise CannotBalance(
                "no mark is given in the room: nothing is known of the light on the face",
                "add 'mark:' to 'room:', like {from_back: 1.5 m, height: 1.3 m}",
            )
        at = self.shares()
        self.face = tuple(lamp.face for lamp in self.lamps)
        self.lux_now = _sum(self.face, at)
        if self.lux_now < DARK:
            raise CannotBalance(
                f"no light of the look '{look}' reaches the face",
                "aim a light at the mark, say its 'place:' and 'output:', and light it in the look",
            )
        self.rows: list[tuple[What, str | None, By, balancing.Wish]] = []
        self.aperture_of = self._aperture()
        self._face_and_ratio(at)
        self._rims(at)
        self._backdrops(at)

    def shares(self) -> tuple[float, ...]:
        return tuple(lamp.share(lamp.level) for lamp in self.lamps)

    def wishes(self, x: Sequence[float]) -> list[Wish]:
        found = []
        for what, device, by, row in self.rows:
            off = balancing.missed(row, x)
            wanted = {"face": row.fixed, "ratio": 2.0**row.stops}.get(what, row.stops)
            got = wanted * 2.0**off if what in ("face", "ratio") else wanted + off
            found.append(Wish(what, device, by, wanted, got, off))
        return found

    def role(self, role: str) -> tuple[float, ...]:
        return tuple(lamp.face if lamp.role == role else 0.0 for lamp in self.lamps)

    def by(self, key: str) -> By:
        if getattr(self.asked, key) is not None:
            return "asked"
        return "look" if getattr(self.wants, key) is not None else "as it is"

    def _add(
        self,
        what: What,
        device: str | None,
        by: By,
        over: Iterable[float],
        under: Iterable[float],
        fixed: float,
        stops: float,
        share: float = 1.0,
    ) -> None:
        weight = WEIGHTS[what] * share
        wish = balancing.Wish(tuple(over), tuple(under), fixed, stops, weight)
        self.rows.append((what, device, by, wish))

    def _aperture(self) -> float | None:
        """The f-number that 1 lx on the face asks for; it goes with the square root of the light.

        From the same place as `light` has it, whatever lens and meter are given.
        """
        missing: list[str] = []
        made = exposure_of(self.profile, Whole(1000.0, None, None, None, None), missing)
        if made is None:
            if self.wants.aperture is not None:
                raise CannotBalance(
                    f"an aperture is wanted, and {missing[0].partition(':')[0]}",
                    "add it to 'picture:', or want the light on the face in lux",
                )
            return None
        return made.aperture / math.sqrt(1000.0)

    def _face_and_ratio(self, at: Sequence[float]) -> None:
        none = [0.0] * len(self.lamps)
        lux, by = self.wants.lux, self.by("lux")
        if self.wants.aperture is not None and self.aperture_of is not None:
            lux, by = (self.wants.aperture / self.aperture_of) ** 2, self.by("aperture")
        self._add("face", None, by, self.face, none, lux or self.lux_now, 0.0)
        key, fill = self.role("key"), self.role("fill")
        if self.wants.ratio is not None:
            for role, sums in (("key", key), ("fill", fill)):
                if not any(sums):
                    raise CannotBalance(
                        f"a ratio is wanted, and no light of the look '{self.look}' that reaches"
                        f" the face has the role {role}",
                        f"add 'role: {role}' to that light, and light it in the look",
                    )
            self._add("ratio", None, self.by("ratio"), key, fill, 0.0, math.log2(self.wants.ratio))
        elif (a := _sum(key, at)) >= DARK and (b := _sum(fill, at)) >= DARK:
            self._add("ratio", None, "as it is", key, fill, 0.0, math.log2(a / b))

    def _rims(self, at: Sequence[float]) -> None:
        key = self.role("key")
        key_now = _sum(key, at)
        rims = [i for i, lamp in enumerate(self.lamps) if lamp.head > 0]
        if self.wants.rim is not None and not (rims and any(key)):
            lacks = "rim" if not rims else "key"
            raise CannotBalance(
                f"a rim is wanted over the key, and no light of the look '{self.look}' with place"
                f" and output has the role {lacks}",
                f"add 'role: {lacks}' to that light, and light it in the look",
            )
        for i in rims:
            over = [0.0] * len(self.lamps)
            over[i] = self.lamps[i].head
            name = self.lamps[i].name
            if self.wants.rim is not None:
                self._add("rim", name, self.by("rim"), over, key, 0.0, self.wants.rim)
            elif (now := over[i] * at[i]) >= DARK and key_now >= DARK:
                stops = math.log2(now / key_now)
                self._add("rim", name, "as it is", over, key, 0.0, stops)

    def _backdrops(self, at: Sequence[float]) -> None:
        grey = [mark.luminance_of(lux, mark.GREY_CARD) for lux in self.face]
        names = [d.name for d in self.profile.devices.values() if d.kind == "backdrop"]
        lit = [n for n in names if any(n in lamp.behind for lamp in self.lamps)]
        if self.wants.backdrop is not None and not lit:
            what = "a backdrop is wanted against the face, and "
            if not names:
                raise CannotBalance(what + "this set has none", "add one, or leave it out")
            raise CannotBalance(
                f"{what}nothing is known of the light on {names[0]}",
                "give it 'place:', 'size:' and 'glow:' or 'reflects:'",
            )
        for name in lit:
            count = max(len(lamp.behind[name]) for lamp in self.lamps if name in lamp.behind)
            points = [
                [lamp.behind[name][p] if name in lamp.behind else 0.0 for lamp in self.lamps]
                for p in range(count)
            ]
            middle = points[count // 2]
            now, subject = _sum(middle, at), _sum(grey, at)
            if self.wants.backdrop is not None:
                by, stops = self.by("backdrop"), self.wants.backdrop
                self._add("backdrop", name, by, middle, grey, 0.0, stops)
                if sum(lamp.role == "wash" and name in lamp.behind for lamp in self.lamps) > 1:
                    mean = [sum(column) / count for column in zip(*points, strict=True)]
                    for point in points:
                        self._add("even", name, by, point, mean, 0.0, 0.0, 1.0 / count)
            elif now > 0:
                stops = math.log2(now / subject)
                self._add("backdrop", name, "as it is", middle, grey, 0.0, stops)


class _Solved(_Made):
    """The same, with the levels that come nearest."""

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
        if dark and any(w.missed for w in self.wishes(x) if w.by != "as it is"):
            # lights that are off stay off, unless what is wanted cannot be had without them
            free = self._task(set())
            tried = balancing.solve(free)
            if balancing.cost(task, x) - balancing.cost(free, tried) > WORTH:
                task, x, dark = free, tried, set()
        choices = [
            [lamp.level] if task.low[i] == task.high[i] else lamp.levels(x[i], AROUND)
            for i, lamp in enumerate(self.lamps)
        ]
        outs = [[lamp.share(v) for v in c] for lamp, c in zip(self.lamps, choices, strict=True)]
        on = balancing.on_steps(task, x, outs)
        self.levels = [c[out.index(value)] for c, out, value in zip(choices, outs, on, strict=True)]
        self.task, self.x = task, x
        got = self.wishes(on)
        self.wishes_got = tuple(
            replace(wish, nearest=self._nearest(n)) if wish.missed else wish
            for n, wish in enumerate(got)
        )
        self.aperture = None
        if self.aperture_of is not None:
            lux = next(w for w in got if w.what == "face")
            self.aperture = (
                self.aperture_of * math.sqrt(lux.wanted),
                self.aperture_of * math.sqrt(lux.got),
            )

    def _task(self, dark: set[int]) -> Task:
        """All that is wanted; what is `dark` stays so."""
        at = self.shares()
        face = next(row for what, _, _, row in self.rows if what == "face")
        grows = face.fixed / self.lux_now
        low, high, stay = [], [], []
        for i, lamp in enumerate(self.lamps):
            if lamp.held or i in dark:
                low.append(at[i])
                high.append(at[i])
                stay.append(at[i])
                continue
            least = max(lamp.share(lamp.low), LEAST)
            most = max(lamp.share(lamp.high), least)
            low.append(least)
            high.append(most)
            stay.append(min(max(at[i] * grows, 0.0), most))
        rows = tuple(row for _, _, _, row in self.rows)
        return Task(rows, tuple(low), tuple(high), tuple(stay), PULL)

    def _nearest(self, n: int) -> float:
        """What a wish comes to where all others are kept: it alone gives way."""
        wishes = list(self.task.wishes)
        wishes[n] = replace(wishes[n], weight=wishes[n].weight * 1e-4)
        x = balancing.solve(replace(self.task, wishes=tuple(wishes), pull=PULL * 1e-4))
        return self.wishes(x)[n].got


def _sum(a: Sequence[float], x: Sequence[float]) -> float:
    return sum(i * j for i, j in zip(a, x, strict=True))

"""What is wanted in the picture, as sums over the lights of a look.

What is asked for stands before what the look says it is for (its `wants`), and what neither says
stays as the look has it. Each wish is one sum of light over another; what each light gives at full
is `targets.py`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields, replace

from studiobridge.craft import balancing, mark
from studiobridge.craft.grid import Grid
from studiobridge.figures.exposing import exposure_of
from studiobridge.figures.face import DARK, Face, Whole
from studiobridge.figures.limits import By, What, Wish
from studiobridge.figures.targets import lamps_of
from studiobridge.profile.model import SetProfile, Wants

# What a square of a missed stop counts (`balance.py` says why). Evenness is wanted least: all
# points of a backdrop share it.
WEIGHTS: dict[What, float] = {
    "face": 10_000.0,
    "ratio": 400.0,
    "backdrop": 10.0,
    "rim": 3.0,
    "even": 1.0,
}


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


class Sums:
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
        self.presets = profile.looks[look].presets
        self.lamps = lamps_of(profile, face, self.presets, steps, missing)
        self.missing = missing
        self.look = look
        if profile.room.mark is None:
            raise CannotBalance(
                "no mark is given in the room: nothing is known of the light on the face",
                "add 'mark:' to 'room:', like {from_back: 1.5 m, height: 1.3 m}",
            )
        at = self.shares()
        self.face = tuple(lamp.face for lamp in self.lamps)
        self.lux_now = total(self.face, at)
        if self.lux_now < DARK:
            raise CannotBalance(
                f"no light of the look '{look}' reaches the face",
                "aim a light at the mark, say its 'place:' and 'output:', and light it in the look",
            )
        self.rows: list[tuple[What, str | None, By, balancing.Wish]] = []
        self._read_at_face()
        self.aperture_of = self._aperture()
        self._face_and_ratio(at)
        self._rims(at)
        self._backdrops(at)

    def shares(self) -> tuple[float, ...]:
        return tuple(lamp.share(lamp.level) for lamp in self.lamps)

    def wishes(self, x: Sequence[float]) -> list[Wish]:
        found = []
        for what, device, by, row in self.rows:
            if what == "even":
                continue  # it decides between levels, and is shown as what it comes to
            off = balancing.missed(row, x)
            wanted = {"face": row.fixed, "ratio": 2.0**row.stops}.get(what, row.stops)
            got = wanted * 2.0**off if what in ("face", "ratio") else wanted + off
            dome = what == "face" and self.dome
            found.append(Wish(what, device, by, wanted, got, off, dome=dome))
        return found

    @property
    def places(self) -> list[int]:
        """In which row each wish stands."""
        return [k for k, (what, _, _, _) in enumerate(self.rows) if what != "even"]

    def spread(self, name: str, x: Sequence[float]) -> float | None:
        """Stops between the brightest and the darkest point across a backdrop."""
        points = [
            total(row.over, x) for what, of, _, row in self.rows if what == "even" and of == name
        ]
        return mark.evenness(points) if points and min(points) > 0 else None

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

    def _read_at_face(self) -> None:
        """What the light on the face is told by: lx on the face, or what a dome reads there.

        An aperture goes by what the meter reads; lux that are wanted are those on the face.
        """
        self.dome = self.profile.picture.receptor == "dome" and self.wants.lux is None
        self.read = tuple(lamp.dome for lamp in self.lamps) if self.dome else self.face

    def _aperture(self) -> float | None:
        """The f-number that 1 lx on the meter asks for; it goes with the square root of the light.

        From the same place as `light` has it, whatever lens and meter are given.
        """
        if self.profile.picture.receptor == "dome" and not self.dome:
            return None
        missing: list[str] = []
        one = Whole(1000.0, None, None, None, None, dome=1000.0)
        made = exposure_of(self.profile, one, missing)
        if made is None:
            if self.wants.aperture is not None:
                picture = self.profile.picture
                given = {"shutter": picture.shutter, "ISO": picture.iso}
                absent = [name for name, value in given.items() if value is None]
                raise CannotBalance(
                    f"an aperture is wanted, and no {' and no '.join(absent)} is given",
                    "add it to 'picture:', or want the light on the face in lux",
                )
            return None
        return made.aperture / math.sqrt(1000.0)

    def _face_and_ratio(self, at: Sequence[float]) -> None:
        none = [0.0] * len(self.lamps)
        lux, by = self.wants.lux, self.by("lux")
        if self.wants.aperture is not None and self.aperture_of is not None:
            lux, by = (self.wants.aperture / self.aperture_of) ** 2, self.by("aperture")
        self.read_now = total(self.read, at)
        self._add("face", None, by, self.read, none, lux or self.read_now, 0.0)
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
        elif (a := total(key, at)) >= DARK and (b := total(fill, at)) >= DARK:
            self._add("ratio", None, "as it is", key, fill, 0.0, math.log2(a / b))

    def _rims(self, at: Sequence[float]) -> None:
        key = self.role("key")
        key_now = total(key, at)
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
        coloured = [n for n in lit if getattr(self.presets.get(n), "colour", None) is not None]
        lit = [n for n in lit if n not in coloured]
        if self.wants.backdrop is not None and not lit:
            what = "a backdrop is wanted against the face, and "
            if coloured:
                raise CannotBalance(
                    f"{what}{coloured[0]} is coloured in the look '{self.look}', and its figures"
                    " hold for its white",
                    "leave it out",
                )
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
            middle, across = points[0], points[1:]
            now, subject = total(middle, at), total(grey, at)
            if self.wants.backdrop is not None:
                by, stops = self.by("backdrop"), self.wants.backdrop
                self._add("backdrop", name, by, middle, grey, 0.0, stops)
                if sum(lamp.role == "wash" and name in lamp.behind for lamp in self.lamps) > 1:
                    mean = [sum(column) / len(across) for column in zip(*across, strict=True)]
                    for point in across:
                        self._add("even", name, by, point, mean, 0.0, 0.0, 1.0 / len(across))
            elif now > 0:
                stops = math.log2(now / subject)
                self._add("backdrop", name, "as it is", middle, grey, 0.0, stops)


def total(a: Sequence[float], x: Sequence[float]) -> float:
    return sum(i * j for i, j in zip(a, x, strict=True))

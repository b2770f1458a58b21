"""What must not change a figure, and what must change all of them alike: over random sets.

A set turned left to right, moved as a whole, written in feet and inches, one of its lights taken as
two of half the output, all its light doubled. None of it restates a formula: a slip of sign, side,
unit or sum shows, whichever figure it is in. What is new in a reading is compared without a word here.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import fields, is_dataclass, replace
from fractions import Fraction

import pytest
from hypothesis import Phase, given, settings
from hypothesis import strategies as st

from studiobridge.craft.space import feet_and_inches
from studiobridge.figures.backdrops import Backdrop
from studiobridge.figures.framing import seen_on
from studiobridge.figures.light import light_of
from studiobridge.figures.room import room_of
from studiobridge.profile.build import read_profile_text
from studiobridge.profile.model import Device, Place, SetProfile
from tests.outside.rendered.rooms import look_of, random_set

seeds = st.integers(0, 10**6)
# a seed is not made simpler by being smaller, and each try costs
few = settings(max_examples=6, phases=(Phase.explicit, Phase.generate))
Flat = dict[str, object]


def flat(thing: object, name: str = "") -> Iterator[tuple[str, object]]:
    """Every figure in a reading, by the way to it."""
    if is_dataclass(thing):
        for part in fields(thing):
            yield from flat(getattr(thing, part.name), f"{name}.{part.name}")
    elif isinstance(thing, (tuple, list)):
        for i, part in enumerate(thing):
            yield from flat(part, f"{name}[{getattr(part, 'device', i)}]")
    elif isinstance(thing, dict):
        for key, part in thing.items():
            yield from flat(part, f"{name}[{key}]")
    else:
        yield name, thing


def all_of(profile: SetProfile) -> Flat:
    """The light, the framing and what is seen of each backdrop: no places, they are what is put in."""
    found = dict(flat(light_of(profile, "day", look_of(profile)), "light"))
    found.update(flat(room_of(profile).framing, "framing"))
    for device in profile.devices.values():
        if device.kind == "backdrop":
            found.update(flat(seen_on(profile, device), f"seen[{device.name}]"))
    return found


def placed(profile: SetProfile, moved: Callable[[Place], Place]) -> SetProfile:
    """The same set with everything that has a place somewhere else, the mark too."""
    devices = {
        n: replace(d, place=moved(d.place)) if d.place else d for n, d in profile.devices.items()
    }
    assert profile.room.mark is not None
    room = replace(profile.room, mark=moved(profile.room.mark))
    return replace(profile, devices=devices, room=room)


def same(one: Flat, other: Flat, rel: float = 1e-7) -> None:
    assert one.keys() == other.keys()
    wrong = {
        k: (one[k], other[k])
        for k in one
        if not (
            other[k] == pytest.approx(one[k], rel=rel, abs=1e-7)
            if isinstance(one[k], float)
            else other[k] == one[k]
        )
    }
    assert not wrong


def test_the_random_sets_have_what_is_compared() -> None:
    """Face, ratio, white, lens, backdrop, spill and what the picture shows are all in there."""
    found = all_of(random_set(1))
    numbers = [k for k, v in found.items() if isinstance(v, float)]
    for part in (
        "whole.lux",
        "whole.ratio",
        "whole.cct",
        "exposure.aperture",
        "seen[cloth].covered",
    ):
        assert any(part in k for k in numbers), part
    assert any("spill" in k and v for k, v in all_of(random_set(2)).items())


# ---- left to right ---------------------------------------------------------------------------


def mirrored(profile: SetProfile) -> SetProfile:
    return placed(profile, lambda p: replace(p, across=-p.across))


SWAPPED = {"left": "right", "right": "left", "top": "top", "bottom": "bottom"}


def turned_back(of: Backdrop) -> Backdrop:
    """A backdrop's figures in a mirror: rows run the other way, and right of its middle is left."""
    spots = of.field and tuple(
        sorted((replace(s, across=-s.across) for s in of.field), key=lambda s: (s.up, s.across))
    )
    return replace(of, field=spots, points=of.points and of.points[::-1], where=None)


@few
@given(seeds)
def test_turned_left_to_right_every_figure_is_turned(seed: int) -> None:
    one = random_set(seed)
    other = mirrored(one)
    here, there = light_of(one, "day", look_of(one)), light_of(other, "day", look_of(other))
    # a near face is summed over points of it: to a thousandth
    as_before = replace(
        there,
        fixtures=tuple(replace(f, side=SWAPPED.get(f.side, f.side)) for f in there.fixtures),
        backdrops=tuple(turned_back(b) for b in there.backdrops),
    )
    plain = replace(here, backdrops=tuple(replace(b, where=None) for b in here.backdrops))
    same(dict(flat(plain, "light")), dict(flat(as_before, "light")), rel=1e-3)
    for device in one.devices.values():
        if device.kind != "backdrop":
            continue
        seen, there_seen = seen_on(one, device), seen_on(other, other.devices[device.name])
        assert seen is not None and there_seen is not None
        assert there_seen.covered == pytest.approx(seen.covered, abs=1e-9)
        for points, across in ((seen.corners, there_seen.corners), (seen.part, there_seen.part)):
            assert rounded(points) == rounded((-x, z) for x, z in across)
        lacking = {x.edge: (x.share, x.by) for x in seen.lacks}
        assert {
            SWAPPED[x.edge]: pytest.approx((x.share, x.by)) for x in there_seen.lacks
        } == lacking
    bearings = {s.device: s.bearing for s in room_of(one).standing}
    for s in room_of(other).standing:
        if s.bearing is not None:
            assert s.bearing == pytest.approx(-(bearings[s.device] or 0.0), abs=1e-6)


@pytest.mark.parametrize("seed", [4, 5, 17, 31, 52, 59])
def test_turned_left_to_right_the_farthest_spot_is_on_the_other_side(seed: int) -> None:
    one = random_set(seed)
    other = mirrored(one)
    here, there = (light_of(p, "day", look_of(p)).backdrops[0] for p in (one, other))
    assert here.where is not None and there.where is not None
    assert here.where.split() == [SWAPPED.get(w, w) for w in there.where.split()]


def rounded(points: object) -> set[tuple[float, float]]:
    return {(round(x, 6) + 0.0, round(z, 6) + 0.0) for x, z in points}  # type: ignore[attr-defined]


# ---- moved as a whole ------------------------------------------------------------------------


@few
@given(seeds, st.floats(-2, 2), st.floats(0, 2), st.floats(0, 1))
def test_moved_as_a_whole_nothing_changes(seed: int, x: float, y: float, z: float) -> None:
    profile = random_set(seed)
    moved = placed(
        profile,
        lambda p: Place(p.from_back + y, p.across + x, p.height + z, p.aim),
    )
    one, other = (
        # what lies on the floor is not the same any more when the floor stays
        {k: v for k, v in all_of(p).items() if not k.endswith(".floor")}
        for p in (profile, moved)
    )
    same(one, other, rel=1e-6)


# ---- as two, and doubled ---------------------------------------------------------------------


def of_output(device: Device, share: float) -> Device:
    output = device.output and replace(device.output, lux=device.output.lux * share)
    glow = None if device.glow is None else device.glow * share
    return replace(device, output=output, glow=glow)


def without_fixtures(found: Flat) -> Flat:
    """Without what is told of each fixture, and which two whites are the farthest apart.

    Nor how sure it is: two lamps that are off by chance are surer together than one.
    """
    each = ("fixtures", "whites_apart", ".sure.", "missing", "banding")
    return {k: v for k, v in found.items() if not any(word in k for word in each)}


@few
@given(seeds, st.sampled_from(["key", "fill", "rim"]), st.floats(0.1, 0.9))
def test_one_light_as_two_of_a_part_each_is_the_same(seed: int, name: str, part: float) -> None:
    profile = random_set(seed)
    devices, presets = dict(profile.devices), look_of(profile)
    device = devices[name]
    devices[name] = of_output(device, part)
    devices["twin"] = replace(of_output(device, 1.0 - part), name="twin")
    presets["twin"] = presets[name]
    look = replace(profile.looks["day"], presets=presets)
    two = replace(profile, devices=devices, looks={"day": look})
    one, both = all_of(profile), all_of(two)
    same(without_fixtures(one), without_fixtures(both))


@few
@given(seeds)
def test_twice_the_light_is_one_stop_everywhere(seed: int) -> None:
    profile = random_set(seed)
    devices = {n: of_output(d, 2.0) for n, d in profile.devices.items()}
    bright = replace(profile, devices=devices)
    a, b = (light_of(p, "day", look_of(p)) for p in (profile, bright))
    assert a.whole and b.whole and a.exposure and b.exposure
    assert b.whole.lux == pytest.approx(2 * a.whole.lux)
    assert b.whole.ratio == pytest.approx(a.whole.ratio)
    assert (b.whole.cct, b.whole.duv) == pytest.approx((a.whole.cct, a.whole.duv))
    assert 2 * math.log2(b.exposure.aperture / a.exposure.aperture) == pytest.approx(1.0)
    assert a.exposure.over is not None
    assert b.exposure.over == pytest.approx(a.exposure.over + 1.0)
    for one, other in zip(a.backdrops, b.backdrops, strict=True):
        assert (other.spread is None) == (one.spread is None)
        if one.spread is not None:
            assert other.spread == pytest.approx(one.spread, abs=1e-9)
        if one.against_grey is not None:
            assert other.against_grey == pytest.approx(one.against_grey, abs=1e-9)
        if one.incident is not None:
            assert other.incident == pytest.approx(one.incident, abs=1e-9)
        if one.spill is not None:
            assert other.spill == pytest.approx(2 * one.spill)
    for x, y in zip(a.fixtures, b.fixtures, strict=True):
        assert (y.lux, y.at_full) == pytest.approx((2 * x.lux, 2 * x.at_full))


# ---- in feet and inches ----------------------------------------------------------------------

SIXTEENTH = Fraction(254, 160000)  # m: 1 in is 25.4 mm, by definition


def in_metres(length: Fraction) -> str:
    return f"{float(length):.7f} m"  # a sixteenth of an inch has seven decimals: exact


def in_feet(length: Fraction) -> str:
    return feet_and_inches(length, Fraction(1, 16))


def written(seed: int, length: Callable[[Fraction], str]) -> str:
    """The random set as a person writes it, every place on a sixteenth of an inch."""
    profile = random_set(seed)

    def exact(value: float) -> str:
        return length(round(Fraction(value) / SIXTEENTH) * SIXTEENTH)

    def place(of: Place) -> str:
        aim = f", aim: {of.aim}" if of.aim else ""
        where = f"from_back: {exact(of.from_back)}, across: {exact(of.across)}"
        return f"{{{where}, height: {exact(of.height)}{aim}}}"

    lines = [
        "format: 1",
        "set: bench",
        "mains: {voltage: 230 V, frequency: 50 Hz, circuits: {wall: {breaker: 10 A, curve: B}}}",
    ]
    lines.append("devices:")
    for d in profile.devices.values():
        assert d.place is not None
        parts = [f"kind: {d.kind}", f"place: {place(d.place)}", "fed_by: wall", "draws: 20 W"]
        if d.kind != "camera":
            parts.append("proof: hand")
        if d.size is not None:
            parts.append(f"size: {{width: {exact(d.size[0])}, height: {exact(d.size[1])}}}")
        if d.output is not None:
            parts.append(f"output: {d.output.lux:.1f} lx at {exact(d.output.at)}")
            parts += [f"beam: {d.beam:.2f} deg", f"role: {d.role}"]
        if d.glow is not None:
            parts.append(f"glow: {d.glow:.2f} cd/m²")
        if d.reflects is not None:
            parts.append(f"reflects: {100 * d.reflects:.1f} %")
        lines.append(f"  {d.name}: {{{', '.join(parts)}}}")
    room = profile.room
    assert room.mark and room.width and room.height and room.depth
    lines.append(
        f"room: {{depth: {exact(float(room.depth))}, width: {exact(room.width)}, "
        f"height: {exact(room.height)}, mark: {place(replace(room.mark, aim=None))}}}"
    )
    lines.append(
        "picture: {camera: camera, focal: 24 mm, sensor: 36 x 24 mm, shutter: 1/50 s, iso: 400, "
        "aperture: f/4, white: 4300 K}"
    )
    lines.append("looks:\n  day:")
    for name, preset in look_of(profile).items():
        cct = "" if preset.cct is None else f", cct: {preset.cct:.0f} K"
        lines.append(f"    {name}: {{level: {preset.level:.1f} %{cct}}}")
    return "\n".join(lines) + "\n"


@few
@given(st.integers(0, 500))
def test_the_same_places_in_feet_and_inches_give_the_same(seed: int) -> None:
    metric, feet = (
        read_profile_text(written(seed, length)).profile for length in (in_metres, in_feet)
    )
    assert " ft " in written(seed, in_feet) and "/16 in" in written(seed, in_feet)
    found = all_of(metric)
    assert found["light.whole.lux"] and found["seen[cloth].covered"] is not None
    same(found, all_of(feet), rel=1e-9)

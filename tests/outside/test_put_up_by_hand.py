"""How a set is put up, worked out backwards by other means: points from their tapes, aims followed to
where they lead, a meter's readings integrated, a lens that was asked for rendered."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest

from studiobridge.figures.balance import balance
from studiobridge.figures.fitting import fit_of
from studiobridge.figures.setup import setup_of
from studiobridge.profile.model import SetProfile, Wants
from tests.outside.rendered import patches, pictures
from tests.outside.rendered.rooms import examples, look_of, random_set
from tests.outside.rendered.scenes import Vector, scene_of, vector

SETS = {**examples(), **{f"random-{s}": random_set(s) for s in (0, 3, 7)}}


def crossing(left: float, right: float, width: float) -> Vector:
    """Where two circles about the ends of the back wall cross, out in the room."""
    across = (left**2 - right**2) / (2.0 * width)
    return np.array([across, math.sqrt(max(0.0, left**2 - (across + width / 2.0) ** 2))])


@pytest.mark.parametrize("name", SETS)
def test_two_tapes_meet_where_each_thing_stands(name: str) -> None:
    """And a slip of both by half of what they are read to moves it by no more than is said, and by
    nearly that where it is worst."""
    profile = SETS[name]
    found = setup_of(profile, None, look_of(profile))
    width = profile.room.width
    assert width and len(found.spots) > 3
    read = 0.0254 / 16 if profile.feet else 0.0025
    for spot in found.spots:
        assert spot.tapes is not None
        here = np.array([spot.place.across, spot.place.from_back])
        left, right = spot.tapes.left, spot.tapes.right
        assert crossing(left, right, width) == pytest.approx(here, abs=1e-6)
        if spot.tapes.angle > 160.0:
            continue  # nearly on the wall: the circles hardly cross
        moved = max(
            float(np.linalg.norm(crossing(left + a * read, right + b * read, width) - here))
            for a, b in itertools.product((-1, 1), repeat=2)
        )
        assert 0.85 * spot.tapes.off < moved < 1.15 * spot.tapes.off


@pytest.mark.parametrize("name", SETS)
def test_an_aim_leads_to_what_it_is_aimed_at(name: str) -> None:
    """From straight at the back wall: turned about the upright, then tilted, then so far ahead."""
    profile = SETS[name]
    aims = [s for s in setup_of(profile, None, look_of(profile)).spots if s.aim is not None]
    assert aims
    for spot in aims:
        assert spot.aim is not None
        turn, tilt = math.radians(spot.aim.turn), math.radians(spot.aim.tilt)
        # left as the camera sees it is a smaller `across`
        level = np.array([math.sin(turn), -math.cos(turn), 0.0])
        ahead = math.cos(tilt) * level + np.array([0.0, 0.0, math.sin(tilt)])
        aim = spot.place.aim
        assert aim is not None
        target = profile.room.mark if aim == "mark" else profile.devices[aim].place
        assert target is not None
        there = vector(spot.place) + spot.aim.distance * ahead
        assert there == pytest.approx(vector(target), abs=1e-6)
        assert spot.aim.height == pytest.approx(target.height)


@pytest.mark.parametrize("name", SETS)
def test_a_meter_reads_what_is_integrated(name: str) -> None:
    """Flat: the plane that faces the camera. Dome: every spot of half a sphere gathers as a plane of
    its own does, and the sphere is read as a flat one of its width: (1 / pi) of the sum."""
    profile = SETS[name]
    scene = scene_of(profile, look_of(profile))
    panels = {p.name: p for p in scene.panels}
    checks = setup_of(profile, None, look_of(profile)).checks
    assert checks
    spots = patches.half_sphere(scene.facing)
    for check in checks:
        flat = sum(patches.at_mark(scene, panels[n]) for n in check.on)
        here = np.broadcast_to(scene.mark, spots.shape)
        dome = sum(2.0 * patches.of_panel(panels[n], here, spots, 12).mean() for n in check.on)
        assert check.flat == pytest.approx(flat, rel=0.01), check.on
        assert check.dome == pytest.approx(dome, rel=0.01), check.on


@pytest.mark.parametrize("name", examples())
def test_a_look_solved_backwards_is_had_when_integrated(name: str) -> None:
    """Two to one at the mark, from area lights as near as they stand: within what a step is worth."""
    profile = SETS[name]
    solved = balance(profile, profile.default_look, Wants(ratio=2.0), {}, {})
    # a rim may give way to the face: by whole percents, and on a dome it is in what the face reads
    assert not [limit for limit in solved.limits if limit.wish.what in ("face", "ratio")]
    presets = {s.device: s.now for s in solved.settings}
    scene = scene_of(profile, presets)
    roles = {"key": 0.0, "fill": 0.0}
    for panel in scene.panels:
        role = profile.devices[panel.name].role
        if role in roles:
            roles[role] += patches.at_mark(scene, panel)
    assert math.log2(roles["key"] / roles["fill"]) == pytest.approx(1.0, abs=0.05)


def stood_at(profile: SetProfile, distance: float, focal: float) -> SetProfile:
    """The camera so far from the mark, along its own line out from the wall, with another lens."""
    scene = scene_of(profile, look_of(profile))
    assert scene.camera is not None
    aside = scene.camera - scene.mark
    out = math.sqrt(distance**2 - aside[0] ** 2 - aside[2] ** 2)
    name = next(d.name for d in profile.devices.values() if d.kind == "camera")
    camera = profile.devices[name]
    assert camera.place is not None
    place = replace(camera.place, from_back=float(scene.mark[1] + out))
    devices = {**profile.devices, name: replace(camera, place=place)}
    return replace(profile, devices=devices, picture=replace(profile.picture, focal=focal))


@pytest.mark.skipif(not pictures.here(), reason=pictures.WHY_NOT)
@pytest.mark.parametrize("name", [n for n, p in examples().items() if p.room.chain])
def test_what_a_lens_would_show_is_what_is_rendered(name: str) -> None:
    """Rows of `room --fit` in which nothing is given up: the backdrop's share of the picture."""
    profile = SETS[name]
    reading = fit_of(profile, lenses=(16.0, 24.0, 50.0), without=())
    held = 0
    for row in reading.rows:
        if row.covered is None or reading.backdrop is None:
            continue
        cloth = profile.devices[reading.backdrop]
        assert cloth.place is not None and cloth.size is not None
        seen = stood_at(profile, row.distance, row.focal)
        share = pictures.share_seen(seen, vector(cloth.place), cloth.size)
        assert row.covered == pytest.approx(share, abs=2e-3), row.focal
        held += 1
    assert held or reading.backdrop is None

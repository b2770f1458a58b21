"""Whatever stands wherever it may stand is drawn and listed: no crash, no number that is none."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ElementTree
from dataclasses import replace
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.figures.light import light_of
from studiobridge.figures.setup import setup_of
from studiobridge.profile.model import Picture, Place, Preset, Room, SetProfile
from studiobridge.shown.floor import floor
from studiobridge.shown.setup import strike, up
from studiobridge.shown.side import side
from tests.figures.sets import CAMERA, FILL, KEY, PLUG, small
from tests.figures.test_setup import CLOTH, GLASS

# on the mark, above it, on the camera, in a corner, on the floor: places that meet are likely
lengths = st.sampled_from([0.0, 0.01, 1.0, 1.5, 2.0, 4.0, 40.0])
sides = st.sampled_from([-2.0, -0.01, 0.0, 0.5, 2.0])
aims = st.sampled_from(["mark", "camera", "cloth", None])
places = st.builds(Place, lengths, sides, lengths, aims)


@st.composite
def sets(draw: st.DrawFn) -> SetProfile:
    devices = [PLUG]
    for device in (KEY, FILL, CLOTH, GLASS, CAMERA):
        place = draw(st.none() | places)
        # what aims at something is checked when a profile is read: it has a place
        devices.append(replace(device, place=place))
    placed = {d.name for d in devices if d.place is not None}
    devices = [
        replace(d, place=replace(d.place, aim=None))
        if d.place is not None and d.place.aim not in placed | {"mark", None}
        else d
        for d in devices
    ]
    mark = draw(st.none() | st.builds(Place, lengths, sides, lengths))
    room = Room(draw(st.none() | st.just(Fraction(40))), draw(st.none() | st.just(4.0)), None, mark)
    picture = draw(st.sampled_from([Picture(), Picture(focal=24.0, sensor=(36.0, 24.0))]))
    presets = {"key": Preset(draw(st.sampled_from([0.0, 50.0])), 4000.0)}
    return small(*devices, presets=presets, room=room, picture=picture, feet=draw(st.booleans()))


@settings(max_examples=25, deadline=None)
@given(sets())
def test_it_is_drawn_and_listed(profile: SetProfile) -> None:
    presets = profile.looks["day"].presets
    for drawn in (floor(profile, presets), side(profile, presets)):
        ElementTree.fromstring(drawn)
        assert not re.search(r"\b(nan|inf)\b", drawn)
    light = light_of(profile, "day", presets)
    made = setup_of(profile, "day", presets, light)
    said = [
        text for s in [*up(profile, made, light), *strike(profile, made)] for _, text in s.lines
    ]
    assert all(text and not re.search(r"\b(nan|inf)\b", text) for text in said)
    # whatever has a place is put up once and taken down once
    placed = [d.name for d in profile.devices.values() if d.place is not None]
    assert sorted(s.device for s in made.spots if s.device != "mark") == sorted(placed)

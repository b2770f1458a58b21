"""The tight room solved backwards, against the room gone through the other way round."""

from __future__ import annotations

import math
from dataclasses import replace
from fractions import Fraction
from itertools import combinations
from pathlib import Path
from types import MappingProxyType

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from studiobridge.craft.space import metres
from studiobridge.figures.fitting import fit_of
from studiobridge.figures.framing import framing, seen_on
from studiobridge.figures.light import light_of
from studiobridge.figures.room import room_of
from studiobridge.figures.shadow import farther
from studiobridge.figures.stations import as_if, stations_of
from studiobridge.profile import read_profile
from studiobridge.profile.model import Picture, Place, Room, SetProfile, Variation
from tests.figures.sets import CAMERA, KEY, PLUG, small

# Everything in one line, so that distances are along the room. On 36 x 24 mm a half-length of
# 1.10 m high asks for 1.10 x 24 / 24 = 1.10 m with 24 mm, and 16 mm for 0.73 m (similar triangles;
# a lens that is focused so near shows a few percent less).
LENS = Picture(camera="camera", focal=24.0, sensor=(36.0, 24.0), aperture=4.0, fits="half-length")
CLOTH = replace(
    KEY, name="cloth", kind="backdrop", place=Place(0.2, 0.0, 1.5), output=None, size=(3.0, 2.2)
)
CHAIN = {"frame": "0.2", "stool": "0.8", "table": "0.6", "gap": "0.4", "throw": "1.0", "rig": "0.5"}
STATIONS = {"cloth": "frame", "mark": "stool", "camera": "throw"}


def tight(
    chain: dict[str, Fraction] | None = None,
    *variations: tuple[str, dict[str, object]],
    depth: Fraction | None = Fraction(4),
    picture: Picture = LENS,
) -> SetProfile:
    chain = chain or {name: Fraction(text) for name, text in CHAIN.items()}
    room = Room(
        depth,
        9.0,
        3.0,
        Place(1.0, 0.0, 1.5),
        MappingProxyType(chain),
        tuple(
            Variation(n, "", MappingProxyType({k: Fraction(d) for k, d in v.items()}))  # type: ignore[call-overload]
            for n, v in variations
        ),
        MappingProxyType(STATIONS),
    )
    camera = replace(CAMERA, place=Place(3.0, 0.0, 1.5, "mark"))
    nothing_lit = {"looks": {}, "default_look": None}
    made = small(PLUG, camera, CLOTH, room=room, picture=picture, **nothing_lit)
    return as_if(made, STATIONS, {})  # every place is where the chain says


def test_a_lens_that_asks_for_more_than_stands_between() -> None:
    """1.10 m less the table and the gap of 1 m: the throw is 10 cm instead of 1 m, so 2.6 m in all."""
    found = fit_of(tight(), [24.0])
    assert found.answer is not None
    assert float(found.answer.throw) == pytest.approx(0.10, abs=0.04)
    assert found.answer.depth == Fraction("2.5") + found.answer.throw
    assert found.answer.left == 4 - found.answer.depth
    assert found.answer.distance == pytest.approx(1.10, abs=0.04)
    assert found.answer.works
    assert (found.throw_link, found.throw_now) == ("throw", 1)


def test_what_the_lens_asks_for_anyway_is_not_saved_between() -> None:
    """With 50 mm (2.29 m) no gap saves nothing: the throw is longer by as much. A small rig does."""
    room = tight(None, ("no-gap", {"gap": 0}), ("small-rig", {"rig": "0.3"}))
    found = fit_of(room, [50.0])
    assert found.answer is not None
    assert found.answer.without == ("small-rig",)
    assert found.idle == ("no-gap",)
    plain, shortest = found.rows
    assert plain.without == ()
    assert plain.depth - shortest.depth == Fraction("0.2")
    # with 16 mm (0.73 m) it saves what the lens does not need: 1 m stands between, 0.6 m is the least
    wide = fit_of(room, [16.0])
    assert wide.answer is not None
    assert wide.answer.without == ("no-gap", "small-rig")
    asked = Fraction("0.6") + wide.answer.throw
    assert float(asked) == pytest.approx(0.73, abs=0.04)
    assert wide.rows[0].depth - wide.answer.depth == Fraction("0.2") + 1 - asked


def test_the_room_of_the_answer_is_the_room_read_the_other_way() -> None:
    """Written into the profile, the answer's chain and lens show what it says, and a centimetre
    less does not."""
    made = tight(None, ("no-gap", {"gap": 0}))
    row = fit_of(made, [28.0], without=["no-gap"]).answer
    assert row is not None and row.throw is not None
    links = {"gap": Fraction(0), "throw": row.throw}
    there = as_if(made, STATIONS, links, 28.0)
    seen = room_of(there)
    assert seen.budget is not None and seen.framing is not None
    assert (seen.budget.total, seen.budget.left) == (row.depth, row.left)
    assert seen.framing.distance == pytest.approx(row.distance)
    assert {f.framing: f.fits for f in seen.framing.fits}["half-length"]
    cloth = seen_on(there, there.devices["cloth"])
    assert cloth is not None
    assert cloth.covered == row.covered
    nearer = as_if(made, STATIONS, {**links, "throw": row.throw - Fraction(1, 100)}, 28.0)
    again = framing(nearer, [])
    assert again is not None
    assert not {f.framing: f.fits for f in again.fits}["half-length"]


def test_what_is_sharp_is_the_handbooks() -> None:
    """24 mm at f/4 on 36 x 24 mm: the circle is 0.0288 mm, hyperfocal 24²/(4 x 0.0288) = 4.99 m;
    focused at s, from s H / (H + s) to s H / (H - s), to f / s."""
    sharp = fit_of(tight(), [24.0]).rows[0].sharp
    assert sharp is not None
    assert sharp.circle == pytest.approx(0.02884, abs=1e-5)
    assert sharp.hyperfocal == pytest.approx(5.02, abs=0.01)
    s, away = sharp.focus, sharp.hyperfocal
    assert s == pytest.approx(1.10, abs=0.04)
    assert sharp.near == pytest.approx(s * away / (away + s), rel=0.02)
    assert sharp.far == pytest.approx(s * away / (away - s), rel=0.02)
    assert sharp.head
    # the cloth 0.8 m behind is beyond that, and sharp by its own focus and opening
    assert sharp.blur is not None and sharp.blur > 1
    assert sharp.both is not None
    assert sharp.both[0] == pytest.approx(2 * s * (s + 0.8) / (2 * s + 0.8))
    # by the lens equation: the cone from an opening of f / N, cut where the sensor is
    focus, stop = sharp.both
    sensor = 1 / (1 / 24 - 1 / (focus * 1000))
    for away in (s, s + 0.8):
        spot = 24 / stop * abs(1 - sensor * (1 / 24 - 1 / (away * 1000)))
        assert spot == pytest.approx(sharp.circle)
    open_wide = replace(LENS, focal=50.0, aperture=1.4, transmission=0.8)
    shallow = fit_of(tight(picture=open_wide), [50.0], ["head-and-shoulders"]).rows[0].sharp
    assert shallow is not None
    assert shallow.t_stop == pytest.approx(1.4 / math.sqrt(0.8))
    assert not shallow.head
    assert fit_of(tight(picture=replace(LENS, aperture=None)), [24.0]).rows[0].sharp is None


def test_nearer_than_four_feet_a_face_is_said_to_be_near() -> None:
    found = {row.focal: row.near_a_face for row in fit_of(tight(), [24.0, 28.0]).rows}
    assert found == {24.0: True, 28.0: False}


def test_a_room_that_has_not_the_depth_and_a_cloth_that_is_too_small() -> None:
    short = fit_of(tight(depth=Fraction(2)), [50.0]).answer
    assert short is not None
    assert short.hinders == ("depth",)
    assert not short.works
    small_cloth = tight()
    devices = {**small_cloth.devices, "cloth": replace(CLOTH, size=(1.0, 1.0))}
    found = fit_of(replace(small_cloth, devices=MappingProxyType(devices)), [16.0, 50.0])
    wide, long = found.rows
    assert wide.covered is not None and long.covered is not None
    assert wide.hinders == ("backdrop",)
    assert wide.covered < long.covered < 1
    # none fills it: the answer is what does so most
    assert found.answer == long


def test_what_is_missing_is_said_and_the_rest_is_answered() -> None:
    made = tight()
    no_depth = fit_of(tight(depth=None), [24.0])
    assert no_depth.answer is not None
    assert no_depth.answer.left is None
    assert "no depth given for the room: what is left is not known" in no_depth.missing
    bare = replace(
        made, room=replace(made.room, chain=MappingProxyType({}), stations=MappingProxyType({}))
    )
    no_chain = fit_of(bare, [24.0])
    assert no_chain.answer is not None
    assert (no_chain.answer.depth, no_chain.answer.works) == (None, False)
    assert no_chain.rows[0].distance == pytest.approx(1.10, abs=0.04)
    assert no_chain.rows[0].covered == 1
    assert any("no chain given in the room" in text for text in no_chain.missing)
    blind = fit_of(replace(made, picture=replace(LENS, sensor=None)))
    assert (blind.rows, blind.missing) == (
        (),
        ("no sensor size given: nothing is solved for a lens",),
    )
    on_it = MappingProxyType({n: link for n, link in STATIONS.items() if n != "cloth"})
    no_cloth = replace(
        made,
        devices=MappingProxyType({n: d for n, d in made.devices.items() if n != "cloth"}),
        room=replace(made.room, stations=on_it),
    )
    found = fit_of(no_cloth, [24.0])
    assert found.rows[0].covered is None
    assert found.answer is not None and found.answer.works
    assert any("no backdrop behind the mark" in text for text in found.missing)


def test_links_are_known_by_where_they_end_where_nobody_said() -> None:
    made = tight()
    unsaid = replace(made, room=replace(made.room, stations=MappingProxyType({})))
    assert stations_of(unsaid) == STATIONS
    assert fit_of(unsaid, [24.0]).answer == fit_of(made, [24.0]).answer
    off = replace(unsaid, room=replace(unsaid.room, mark=Place(1.2, 0.0, 1.5)))
    found = fit_of(off, [24.0])
    assert found.answer is not None
    assert found.answer.depth is None
    assert any("no link of the chain ends at the mark" in text for text in found.missing)


LINKS = st.sampled_from(list(CHAIN))
DEPTHS = st.integers(0, 12).map(lambda n: Fraction(n, 10))


@settings(max_examples=60)
@given(
    st.fixed_dictionaries(dict.fromkeys(CHAIN, DEPTHS)),
    st.lists(st.dictionaries(LINKS, DEPTHS, min_size=1, max_size=3), max_size=5),
    st.sampled_from([16.0, 24.0, 50.0]),
)
def test_it_is_what_going_through_every_choice_finds(
    chain: dict[str, Fraction], varied: list[dict[str, Fraction]], focal: float
) -> None:
    assume(chain["stool"] > 0)
    chain = {name: chain[name] for name in CHAIN}  # drawn in any order
    made = tight(chain, *((f"v{i}", v) for i, v in enumerate(varied)))  # type: ignore[arg-type]
    found = fit_of(made, [focal])
    assert found.answer is not None
    gap = fit_of(tight({**chain, "table": Fraction(0), "gap": Fraction(0)}), [focal]).rows[0].throw
    own = {f"v{i}": {k: d for k, d in v.items() if k != "throw"} for i, v in enumerate(varied)}
    depths: dict[frozenset[str], Fraction] = {}
    for size in range(len(own) + 1):
        for some in combinations([n for n, links in own.items() if links], size):
            keys = [key for name in some for key in own[name]]
            if len(set(keys)) == len(keys):
                now = {**chain, **{k: d for name in some for k, d in own[name].items()}}
                between = now["table"] + now["gap"]
                depths[frozenset(some)] = (
                    now["frame"] + now["stool"] + now["rig"] + max(gap, between)
                )
    # worth saying is what is shorter than everything that gives up less
    worth = {
        some: depth
        for some, depth in depths.items()
        if all(depths[less] > depth for less in depths if less < some)
    }
    listed = {frozenset(row.without): row.depth for row in found.combined or found.rows}
    if not found.more:
        assert listed == worth
    assert min(listed.values()) == min(worth.values())
    assert [row.depth for row in found.combined] == sorted(row.depth for row in found.combined)


@settings(max_examples=20)
@given(st.integers(8, 60), st.integers(0, 40), st.sampled_from([16.0, 24.0, 35.0]))
def test_feet_change_nothing(stool: int, gap: int, focal: float) -> None:
    """The same lengths in inches and in metres: 1 in is 25.4 mm exactly."""
    inches = {"frame": 7, "stool": stool, "table": 24, "gap": gap, "throw": 20, "rig": 19}
    in_feet = {name: metres(n // 12, n % 12) for name, n in inches.items()}
    in_metres = {name: Fraction(n * 254, 10000) for name, n in inches.items()}
    one, other = fit_of(tight(in_feet), [focal]), fit_of(tight(in_metres), [focal])
    assert one == other
    assert one.answer is not None


def test_twenty_variations_take_no_time_and_say_that_there_are_more() -> None:
    chain = {"frame": Fraction(1, 5), "stool": Fraction(1)}
    chain |= {f"between-{i}": Fraction(1, 5) for i in range(10)}
    chain |= {"throw": Fraction(1)} | {f"behind-{i}": Fraction(1, 5) for i in range(10)}
    some = [(f"a-{i}", {f"between-{i}": Fraction(1, 10)}) for i in range(10)]
    some += [(f"b-{i}", {f"behind-{i}": Fraction(1, 10)}) for i in range(10)]
    found = fit_of(tight(chain, *some), [24.0])  # type: ignore[arg-type]
    assert found.more
    assert found.answer is not None
    # 2 m between and 1.10 m asked for: nine tenths of a metre may go, and all behind
    assert found.answer.depth == pytest.approx(1.2 + 1.1 + 1.0, abs=0.04)
    assert found.combined[-1].without == ()


def test_less_of_the_chain_is_a_lens_that_is_nearer() -> None:
    """The room's own lens with each combination: 24 mm from 2 m shows a half-length, which it does
    from 1.12 m on (24 mm (1 + 1.10 / 0.024)); with 1 m of throw less it is 1 m away and does not."""
    made = tight(None, ("no-throw", {"throw": 0}), ("small-rig", {"rig": "0.3"}))
    found = {shown.names: (shown.distance, shown.fits) for shown in room_of(made).shown}
    assert found == {
        ("no-throw", "small-rig"): (pytest.approx(1.0), False),
        ("no-throw",): (pytest.approx(1.0), False),
        ("small-rig",): (pytest.approx(2.0), True),
    }
    assert room_of(tight(picture=replace(LENS, fits=None))).shown == ()


def test_from_how_far_a_keyed_screen_leaves_the_shoulders_clean() -> None:
    """Two stops under the key, common practice: where it says so, the light reckoned there is just
    that, and nearer it is more."""
    read = read_profile(Path(__file__).parents[2] / "config" / "green-cloth.yaml").profile
    cloth = read.devices["cloth"]
    assert cloth.glow is not None and cloth.place is not None and read.room.mark is not None

    def spilled(profile: SetProfile) -> float:
        presets = profile.looks[profile.default_look or ""].presets
        (keyed,) = light_of(profile, profile.default_look, presets).keying
        return next(p.value for p in keyed.points if p.about == "spill")

    bright = replace(cloth, glow=cloth.glow * 3)
    loud = replace(read, devices=MappingProxyType({**read.devices, "cloth": bright}))
    spill = fit_of(loud, [45.0]).spill
    assert spill is not None and spill.clear_from is not None
    assert spill.stops > -2
    by = spill.clear_from - (read.room.mark.from_back - cloth.place.from_back)
    before = [d for d in loud.devices.values() if d.place and d.place.from_back > 1.7]
    assert spilled(farther(loud, before, by)) == pytest.approx(-2.0, abs=0.02)
    assert spilled(farther(loud, before, by - 0.2)) > -2.0
    quiet = fit_of(read, [45.0]).spill
    assert quiet is not None
    assert (quiet.keyed, quiet.clear_from) == (True, None)
    assert quiet.stops == pytest.approx(spilled(read), abs=0.05)

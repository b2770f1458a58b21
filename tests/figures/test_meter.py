"""What a light sensor should read, by hand; and what may be concluded from what it reads."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.craft.chroma import of_hs
from studiobridge.craft.light import Dimmer
from studiobridge.figures import meter
from studiobridge.figures.face import Face
from studiobridge.profile.model import Device, Output, Place, Preset, Room, SetProfile
from tests.control.play import profile
from tests.figures.light_room import Truth


def one_lamp(receptor: str = "flat", **lamp: object) -> SetProfile:
    """The sensor at (0, 1, 1) looks out of the room; a lamp of 800 lx at 1 m."""
    figures: dict[str, object] = {
        "place": Place(3.0, 0.0, 1.0, "cell"),
        "output": Output(800.0, 1.0),
        "beam": 90.0,
    }
    made = profile(
        Device("key", "light", **{**figures, **lamp}),  # type: ignore[arg-type]
        Device(
            "cell",
            "sensor",
            hears=frozenset({"lux"}),
            place=Place(1.0, 0.0, 1.0, "rig"),
            receptor=receptor,  # type: ignore[arg-type]
        ),
        Device("rig", "camera", place=Place(4.0, 0.0, 1.0)),
    )
    return replace(made, room=Room(mark=Place(0.5, 0.0, 1.5)))


def lux(made: SetProfile, level: float = 100.0, name: str = "key") -> float:
    whole = Face(made, sensor=made.devices["cell"]).whole({name: Preset(level, 4000.0)})
    assert whole is not None
    return whole.lux


def test_inverse_square_and_cosine_at_its_own_place() -> None:
    # straight ahead at 2 m: 800 / 4; not what the mark gets, which is 2.55 m away
    assert lux(one_lamp()) == pytest.approx(200.0)
    assert lux(one_lamp(), 25.0) == pytest.approx(50.0)
    # 2 m out and 2 m across: 800 / 8, at 45 degrees
    side = one_lamp(place=Place(3.0, 2.0, 1.0, "cell"))
    assert lux(side) == pytest.approx(100.0 * math.cos(math.radians(45)))


def test_a_dome_sees_half_the_room() -> None:
    """A half sphere shows (1 + cos) / 2 of its disc: all of it ahead, half from the side."""
    assert lux(one_lamp("dome")) == pytest.approx(200.0)
    side = one_lamp("dome", place=Place(1.0, 2.0, 1.0, "cell"))
    assert lux(side) == pytest.approx(100.0)
    assert lux(one_lamp(place=Place(1.0, 2.0, 1.0, "cell"))) == pytest.approx(0.0, abs=1e-9)
    behind = one_lamp("dome", place=Place(0.2, 0.0, 1.0, "cell"))
    assert lux(behind) == pytest.approx(0.0, abs=1e-9)


def test_facing_a_backdrop_that_glows() -> None:
    """A sheet of 2 by 2 m at 1 m: E = pi L F, F = 4 / (2 pi) * 2 * (1/√2) * atan(1/√2), the
    configuration factor of Howell's catalogue (B-3, from memory)."""
    sheet = Device("sheet", "backdrop", place=Place(0.0, 0.0, 1.0), size=(2.0, 2.0), glow=100.0)
    made = one_lamp()
    cell = replace(made.devices["cell"], place=Place(1.0, 0.0, 1.0, "sheet"))
    made = replace(made, devices={**made.devices, "sheet": sheet, "cell": cell})
    part = 4 / (2 * math.pi) * 2 * (1 / math.sqrt(2)) * math.atan(1 / math.sqrt(2))
    assert lux(made, name="sheet") == pytest.approx(math.pi * 100 * part)
    assert lux(made) == pytest.approx(0.0, abs=1e-9)  # the lamp is behind it
    looks_away = {**made.devices, "cell": one_lamp().devices["cell"]}
    assert lux(replace(made, devices=looks_away), name="sheet") == pytest.approx(0.0, abs=1e-9)


def test_what_is_missing_has_its_name() -> None:
    made = one_lamp(output=None)
    face = Face(made, sensor=made.devices["cell"])
    assert face.whole({"key": Preset(50.0, None)}) is None
    assert face.sentences({"key": Preset(50.0, None)}) == ("no output given for key",)
    cell = replace(made.devices["cell"], place=Place(1.0, 0.0, 1.0))
    blind = replace(made, devices={**made.devices, "cell": cell})
    assert meter.sensors(blind) == ()
    assert [d.name for d in meter.sensors(made)] == ["cell"]


# ---- a change, by hand --------------------------------------------------------------------


def pair(far: float = 3.0) -> SetProfile:
    """Two lamps of the same make, the second `far` m out of the wall."""
    made = one_lamp()
    other = replace(made.devices["key"], name="fill", place=Place(far, 0.0, 1.0, "cell"))
    return replace(made, devices={**made.devices, "fill": other})


def stood(dark: float | None = 0.0, read: float = 400.0) -> meter.Stand:
    return meter.Stand(read, {"key": Preset(100.0), "fill": Preset(100.0)}, dark)


def face(made: SetProfile) -> Face:
    return Face(made, sensor=made.devices["cell"])


def test_what_a_report_explains_is_explained() -> None:
    """200 + 200 lx; key reports half: 300 lx is what it should be, and 0 stop is left."""
    now = {"key": Preset(50.0), "fill": Preset(100.0)}
    change = meter.moved(face(pair()), stood(), now, 300.0)
    assert change is not None
    assert change.stops == pytest.approx(0.0)
    assert not change.sure
    # read twice as bright by a sensor that is wrong by a factor: the same
    change = meter.moved(face(pair()), stood(read=800.0), now, 600.0)
    assert change is not None
    assert change.stops == pytest.approx(0.0)
    # and with 40 lx of daylight all the time: 40 + 360 was read, 40 + 180 + 90 is
    change = meter.moved(face(pair()), stood(dark=40.0), now, 40.0 + 180.0 + 90.0)
    assert change is not None
    assert change.stops == pytest.approx(0.0)


def test_what_no_report_explains_is_told_in_stops() -> None:
    change = meter.moved(face(pair()), stood(), stood().values, 300.0)
    assert change is not None
    assert change.stops == pytest.approx(math.log2(0.75))
    assert change.sure


def test_the_one_that_can_have_done_it_is_named_with_a_band_that_holds_it() -> None:
    """fill is proven; 100 of key's 200 lx are gone: half its light, and the band holds 50 %."""
    found, before = face(pair()), stood()
    change = meter.moved(found, before, before.values, 300.0)
    assert change is not None
    suspects = meter.suspects(found, before, change, ["key"])
    assert suspects == meter.Suspects(("key",), "key")
    band = meter.band(found, "key", 100.0, before, change, ["key"])
    assert band is not None
    low, high = band
    assert 0.0 < low < 50.0 < high < 90.0


@pytest.mark.parametrize(
    ("mute", "read", "dark", "could"),
    [
        (["key", "fill"], 300.0, 0.0, ("key", "fill")),  # either could
        (["key"], 300.0, None, ("key",)),  # nobody knows how much daylight there was
        (["key"], 300.0, 30.0, ("key",)),  # there was enough of it
        (["key"], 520.0, 0.0, ("key",)),  # light was added: it may be daylight
        ([], 300.0, 0.0, ()),
        (["key"], 398.0, 0.0, ()),  # no more than a sensor does by itself
    ],
)
def test_where_more_than_one_thing_explains_it_nothing_is_named(
    mute: list[str], read: float, dark: float | None, could: tuple[str, ...]
) -> None:
    found, before = face(pair()), stood(dark)
    change = meter.moved(found, before, before.values, read)
    assert change is not None
    assert meter.suspects(found, before, change, mute) == meter.Suspects(could, None)


def test_how_sure_a_change_is_by_hand() -> None:
    """Two readings that repeat to 2 %; half of key's 200 lx may be off by a third (its figures)
    and by three tenths (what the walls send back): 14 + 100 * 0.65."""
    now = {"key": Preset(50.0), "fill": Preset(100.0)}
    change = meter.moved(face(pair()), stood(), now, 300.0)
    assert change is not None
    assert change.error == pytest.approx(0.02 * 700 + 100 * (0.35 + 0.3))


def test_what_a_lamp_gave_may_be_less_than_its_share_of_a_bright_reading() -> None:
    """Twice the figures may be a bright sensor, or what the walls send back of the other lamp: 200
    of 800 lx less may be all that key ever gave."""
    found, before = face(pair()), stood(read=800.0)
    change = meter.moved(found, before, before.values, 600.0)
    assert change is not None
    band = meter.band(found, "key", 100.0, before, change, ["key"])
    assert band is not None
    assert band[0] == 0.0


def test_a_lamp_without_figures_may_always_have_done_it() -> None:
    made = pair()
    lamp = replace(made.devices["key"], name="lamp", output=None)
    made = replace(made, devices={**made.devices, "lamp": lamp})
    before = stood()
    change = meter.moved(face(made), before, before.values, 300.0)
    assert change is not None
    assert meter.suspects(face(made), before, change, ["key", "lamp"]).named is None


def test_figures_that_are_not_of_this_set_say_nothing() -> None:
    for read in (100.0, 1100.0, 0.0, math.nan):
        assert meter.moved(face(pair()), stood(read=read), stood().values, 300.0) is None


@given(
    numbers=st.lists(st.floats(), min_size=4, max_size=4),
    dark=st.none() | st.floats(),
)
def test_nonsense_is_no_evidence(numbers: list[float], dark: float | None) -> None:
    found = face(pair())
    read, then, level, other = numbers
    before = meter.Stand(then, {"key": Preset(100.0), "fill": Preset(other)}, dark)
    change = meter.moved(found, before, {"key": Preset(level), "fill": Preset(100.0)}, read)
    if change is not None:
        assert math.isfinite(change.stops)
        assert math.isfinite(change.lux)
        meter.suspects(found, before, change, ["key"])
        band = meter.band(found, "key", 100.0, before, change, ["key"])
        assert band is None or 0.0 <= band[0] <= band[1] <= 100.0


@pytest.mark.parametrize("curve", ["linear", "square", "logarithmic"])
@pytest.mark.parametrize("level", [1.0, 30.0, 64.0, 100.0])
def test_a_share_leads_back_to_its_level(curve: str, level: float) -> None:
    dimmer = Dimmer(curve)  # type: ignore[arg-type]
    assert meter.level_of(dimmer, dimmer.output(level)) == pytest.approx(level, abs=0.01)


# ---- thousands of turns in rooms of known light --------------------------------------------

TURNS = 4000


def turn(seed: int) -> tuple[str, str]:
    """One room, one thing that happens in it, and what is made of the reading afterwards."""
    room = Truth(seed)
    dice, found, before = room.dice, room.face(), room.believed()
    dark = room.reads(lamps=False) if dice.random() < 0.9 else None
    room.daylight *= dice.uniform(0.5, 2.0)
    stand = meter.Stand(room.reads(), before, dark)
    mute = [name for name, lamp in room.lamps.items() if lamp.mute]
    what = dice.choice(["one", "one", "one", "two", "told", "both", "day", "nothing"])
    turned: set[str] = set()
    if what in ("one", "two", "both") and mute:
        turned = set(dice.sample(mute, min(len(mute), 2 if what == "two" else 1)))
    if what in ("told", "both"):
        turned |= {n for n in room.lamps if n not in mute and dice.random() < 0.5}
    for name in sorted(turned):
        room.lamps[name].level = dice.choice([0.0, dice.uniform(0, 100), dice.uniform(0, 100)])
    room.daylight *= dice.uniform(0.2, 3.0) if what == "day" else dice.uniform(0.8, 1.25)
    change = meter.moved(found, stand, room.believed(), room.reads())
    if change is None or abs(change.stops) <= 0.25 or not change.sure:
        return what, "quiet"
    suspects = meter.suspects(found, stand, change, mute)
    if suspects.named is None:
        missed = turned & set(mute) and not turned & set(suspects.could)
        return what, "not among those it could be" if missed else "several could"
    lamp = room.lamps[suspects.named]
    if lamp.name not in turned:
        return what, "wrong"
    band = meter.band(found, lamp.name, lamp.ticked, stand, change, mute)
    if band is None:
        return what, "named"
    return what, "named" if band[0] - 1e-6 <= lamp.level <= band[1] + 1e-6 else "outside its band"


def test_the_wrong_lamp_is_all_but_never_named() -> None:
    count = Counter(turn(seed)[1] for seed in range(TURNS))
    assert count["named"] > 150, count
    named = count["named"] + count["wrong"] + count["outside its band"]
    assert count["wrong"] < 0.005 * named, count
    assert count["outside its band"] < 0.005 * named, count


# ---- coloured lights ----------------------------------------------------------------------


def test_a_coloured_lamp_that_went_out_is_not_held_to_the_figures_of_its_white() -> None:
    """A blue of sRGB gives 7 % of its white's luminance (IEC 61966-2-1): 14 of 200 lx are all of
    it, and a band reckoned from the white would hold it at nine tenths."""
    found = face(pair())
    values = {"key": Preset(100.0, None, of_hs(240, 1.0)), "fill": Preset(100.0, 4000.0)}
    before = meter.Stand(214.0, values, 0.0)
    change = meter.moved(found, before, values, 200.0)
    assert change is not None
    assert meter.suspects(found, before, change, ["key"]).named is None
    assert meter.band(found, "key", 100.0, before, change, ["key"]) is None


def test_a_key_that_reports_less_beside_a_coloured_lamp_leaves_nothing_to_put_down() -> None:
    """Fill is blue and gives 14 of its 200 lx, rim 100 of the figures' 100: key's half, 100 lx, is
    gone and said so. By the white of fill the reading (314) is 0.63 of its figures, and 37 lx of
    the 100 would be left for rim."""
    made = pair()
    rim = replace(made.devices["key"], name="rim", output=Output(400.0, 1.0))
    made = replace(made, devices={**made.devices, "rim": rim})
    blue = Preset(100.0, None, of_hs(240, 1.0))
    values = {"key": Preset(100.0), "fill": blue, "rim": Preset(100.0)}
    before = meter.Stand(314.0, values, 0.0)
    change = meter.moved(face(made), before, {**values, "key": Preset(50.0)}, 214.0)
    assert change is None or not change.sure


def test_a_look_with_a_coloured_light_is_not_predicted_and_says_why() -> None:
    made = pair()
    blue = Preset(100.0, None, of_hs(240, 1.0))
    (found,) = meter.predicted(made, {"key": Preset(100.0, 4000.0), "fill": blue})
    assert found.lux is None
    assert "fill is coloured" in found.missing[0]

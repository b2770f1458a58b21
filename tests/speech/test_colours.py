"""A colour survives its speech at both ends, in every way a dialect can spell it."""

from __future__ import annotations

import json

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.craft.chroma import (
    Colour,
    ColourGrid,
    ColourSteps,
    apart,
    fits,
    of_hs,
    white_at,
    why_none,
)
from studiobridge.profile.model import SetProfile
from studiobridge.profile.said import Described, Report, Said, Unreadable
from studiobridge.speech import FarEnd, Speech
from studiobridge.speech.message import Message
from tests import coloured

PROFILES = {way: coloured.profile(way) for way in coloured.WAYS}
HOMIE = coloured.profile("homie5")
IN_SRGB = st.builds(of_hs, st.floats(0, 360), st.floats(0, 1))
ANY = st.tuples(st.floats(0, 1), st.floats(0.001, 1)).filter(lambda p: why_none(*p) is None)


def steps(out: list[Said] | list[Described]) -> ColourSteps:
    (found,) = [h.grid for h in out if isinstance(h, Described) and h.point == "colour"]
    assert isinstance(found, ColourSteps)
    return found


def heard(speech: Speech, messages: list[Message]) -> list[Said]:
    return [said for message in messages for said in speech.hear(message, 0.0)]


def values(out: list[Said]) -> dict[str, object]:
    assert not [said for said in out if isinstance(said, Unreadable)], out
    return {said.point: said.value for said in out if isinstance(said, Report)}


def there_and_back(made: SetProfile, speech: Speech, colour: Colour) -> tuple[Colour, Colour]:
    """What the cloth holds when it is told this colour, and what is heard of it then."""
    end = FarEnd(made, "cloth")
    (told,) = [t for m in speech.tell("cloth", [("colour", colour)], 0.0) if (t := end.told(m))]
    held = dict(told.values)["colour"]
    assert isinstance(held, Colour)
    back = values(heard(speech, end.report({"colour": held, "level": 50.0}, ["colour"])))["colour"]
    assert isinstance(back, Colour)
    return held, back


@pytest.mark.parametrize("way", list(coloured.WAYS))
@settings(max_examples=60, deadline=None)
@given(colour=IN_SRGB)
def test_every_way_of_spelling_it(way: str, colour: Colour) -> None:
    made = PROFILES[way]
    speech = Speech(made)
    held, back = there_and_back(made, speech, colour)
    assert steps(speech.described(0.0)).same(colour, back)
    # what a device holds it says of itself without losing more
    assert apart(held, back) < 1e-4


@settings(max_examples=100, deadline=None)
@given(place=ANY)
def test_x_and_y_carry_every_colour_of_light(place: tuple[float, float]) -> None:
    colour = Colour(*place)
    _, back = there_and_back(PROFILES["x-and-y"], Speech(PROFILES["x-and-y"]), colour)
    assert (back.x, back.y) == pytest.approx(place, abs=1e-5)


def test_by_hand() -> None:
    """Hue 120, saturation 90 % in bytes of 254: 84.67 and 228.6, told as 85 and 229."""
    speech = Speech(PROFILES["hue-in-bytes"])
    (message,) = speech.tell("cloth", [("level", 75.0), ("colour", of_hs(120, 0.9))], 0.0)
    assert message.topic == "wall/cloth/do"
    assert json.loads(message.payload) == {"dim": 191, "mode": "dyed", "h": 85, "s": 229}
    (message,) = Speech(PROFILES["red-green-blue"]).tell("cloth", [("colour", of_hs(60, 1.0))], 0.0)
    assert message.payload == b"255,255,0"
    (message,) = Speech(PROFILES["rgb-in-json"]).tell("cloth", [("colour", of_hs(240, 1.0))], 0.25)
    assert json.loads(message.payload) == {"mix": {"r": 0, "g": 0, "b": 255}}
    (message,) = Speech(PROFILES["hue-in-degrees"]).tell("cloth", [("colour", of_hs(30, 0.5))], 0.0)
    assert message.payload == b"30 50"
    # 120 of 360 degrees is a third of 254 past 1; 90 % is 90 past -0.5, in halves of a number
    made = PROFILES["in-spans-of-its-own"]
    (message,) = Speech(made).tell("cloth", [("colour", of_hs(120, 0.9))], 0.0)
    assert message.payload == b"dye=86/89.5;"
    assert steps(Speech(made).described(0.0)).told == ColourGrid("hs", (1 / 254, 0.0))


@settings(max_examples=60, deadline=None)
@given(colour=IN_SRGB, other=IN_SRGB)
def test_a_colour_a_step_away_is_another_one(colour: Colour, other: Colour) -> None:
    """The steps of a device forgive its own rounding and nothing more: two bytes, in u', v'."""
    found = steps(Speech(PROFILES["hue-in-bytes"]).described(0.0))
    if found.same(colour, other):
        assert apart(colour, other) < 0.012


def test_a_colour_beyond_what_is_spelled_is_never_the_same_as_its_edge() -> None:
    found = steps(Speech(PROFILES["hue-in-bytes"]).described(0.0))
    pure = Colour(0.17, 0.70)
    assert not fits(pure, "hs")
    assert found.told is not None
    edge = found.told.nearest(pure)  # what it would hold and report if it were told this
    assert apart(pure, edge) > 0.005
    assert not found.same(pure, edge)


# ---- white or coloured -----------------------------------------------------------------------


def said_of(way: str, topic: str, payload: str) -> list[Said]:
    return Speech(PROFILES[way]).hear(Message(topic, payload.encode()), 0.0)


def test_while_it_is_white_nothing_is_heard_of_its_colour_and_the_other_way_round() -> None:
    both = '"k": 4300, "dye": {"h": 85, "s": 254}, "dim": 128'
    white = values(said_of("hue-in-bytes", "wall/cloth/is", f'{{"mode": "plain", {both}}}'))
    assert set(white) == {"level", "cct"}
    assert white["cct"] == 4300.0
    dyed = values(said_of("hue-in-bytes", "wall/cloth/is", f'{{"mode": "dyed", {both}}}'))
    assert set(dyed) == {"level", "colour"}
    # a message that does not say which it is says nothing of either
    assert set(values(said_of("hue-in-bytes", "wall/cloth/is", f"{{{both}}}"))) == {"level"}


def test_a_mode_nobody_named_is_said() -> None:
    out = said_of("hue-in-bytes", "wall/cloth/is", '{"mode": "rainbow", "dye": {"h": 1, "s": 2}}')
    (said,) = out
    assert isinstance(said, Unreadable)
    assert said.why == "mode is 'rainbow', which nothing in its dialect is about"


def test_told_white_it_is_told_so_in_its_own_mode() -> None:
    (message,) = Speech(PROFILES["hue-in-bytes"]).tell("cloth", [("cct", 4300.0)], 0.0)
    assert json.loads(message.payload) == {"mode": "plain", "k": 4300}


# ---- nonsense --------------------------------------------------------------------------------

RAW = ["-1", "NaN", "Infinity", "1e400", '"green"', "true", "[]", "{}", "256", '""', '"1_0"']


@pytest.mark.parametrize("raw", RAW)
@pytest.mark.parametrize("part", ["r", "g", "b"])
def test_a_part_that_is_none_is_unreadable(raw: str, part: str) -> None:
    parts = {"r": "10", "g": "20", "b": "30"} | {part: raw}
    document = ", ".join(f'"{name}": {value}' for name, value in parts.items())
    (said,) = said_of("rgb-in-json", "wall/cloth/is", f'{{"mix": {{{document}}}}}')
    assert isinstance(said, Unreadable)


@pytest.mark.parametrize(
    ("way", "topic", "payload"),
    [
        ("x-and-y", "is", '{"xy": [0.0, 0.0]}'),
        ("x-and-y", "is", '{"xy": [0.9, 0.9]}'),
        ("x-and-y", "is", '{"xy": [0.1, 0.86]}'),
        ("x-and-y", "is", '{"xy": [0.3]}'),
        ("hue-in-fractions", "is", '{"dye": [0.3, 1.5]}'),
        ("hue-in-bytes", "is", '{"mode": "dyed", "dye": {"h": 85}}'),
        ("hue-in-degrees", "hue/have", "120"),
        ("hue-in-degrees", "hue/have", "120 "),
        ("hue-in-degrees", "hue/have", "361 100"),
        ("in-spans-of-its-own", "dyed", "dye=256/50;"),
        ("in-spans-of-its-own", "dyed", "dye=0/50;"),
        ("in-spans-of-its-own", "dyed", "dye=9/-1;"),
        ("in-spans-of-its-own", "dyed", "9/50;"),
        ("in-spans-of-its-own", "dyed", "dye=9/50"),
        ("in-spans-of-its-own", "dyed", "dye=9;"),
        ("in-spans-of-its-own", "dyed", "die=9/50;"),
        ("red-green-blue", "rgb/have", "1,2"),
        ("red-green-blue", "rgb/have", "1,2,3,4"),
        ("red-green-blue", "rgb/have", ",,"),
        ("red-green-blue", "rgb/have", "#20ff40"),
        ("red-green-blue", "rgb/have", "nan,1,1"),
    ],
)
def test_what_is_no_colour_is_unreadable(way: str, topic: str, payload: str) -> None:
    (said,) = said_of(way, f"wall/cloth/{topic}", payload)
    assert isinstance(said, Unreadable)
    assert said.device == "cloth"


@pytest.mark.parametrize(
    ("way", "topic", "payload"),
    [
        ("red-green-blue", "rgb/have", "0,0,0"),
        ("rgb-in-json", "is", '{"mix": {"r": 0, "g": 0, "b": 0}}'),
        ("rgb-in-json", "is", '{"mix": null}'),
        ("rgb-in-json", "is", '{"mix": {"r": null, "g": null, "b": null}}'),
        ("rgb-in-json", "is", "{}"),
    ],
)
def test_black_says_nothing_of_the_colour(way: str, topic: str, payload: str) -> None:
    assert said_of(way, f"wall/cloth/{topic}", payload) == []


@settings(max_examples=150, deadline=None)
@given(
    way=st.sampled_from(list(coloured.WAYS)),
    payload=st.one_of(
        st.binary(max_size=40),
        st.text(max_size=40).map(str.encode),
        st.recursive(
            st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
            lambda part: (
                st.lists(part, max_size=3)
                | st.dictionaries(st.sampled_from(["dye", "mix", "xy", "mode", "h", "r"]), part)
            ),
            max_leaves=8,
        ).map(lambda document: json.dumps(document).encode()),
    ),
)
def test_nothing_that_comes_in_raises(way: str, payload: bytes) -> None:
    speech = Speech(PROFILES[way])
    for topic, _ in speech.subscriptions():
        for said in speech.hear(Message(topic, payload), 0.0):
            if isinstance(said, Report) and said.point == "colour":
                assert isinstance(said.value, Colour)
    for topic, _ in FarEnd(PROFILES[way], "cloth").subscriptions():
        FarEnd(PROFILES[way], "cloth").told(Message(topic, payload))


# ---- Homie 5 ---------------------------------------------------------------------------------
# homieiot/convention, convention.md, version 5, "Color": formats rgb, hsv, xyz; payloads
# "rgb,100,100,100", "hsv,300,50,75", "xyz,0.25,0.34"; no blanks; where color only is encoded, the
# v of hsv is ignored and of rgb only the relations count.


def homie(format_: str) -> tuple[Speech, list[Said]]:
    speech = Speech(HOMIE)
    level = {"datatype": "integer", "format": "0:100", "unit": "%", "settable": True}
    properties = {
        "level": level,
        "cct": {"datatype": "integer", "unit": "K", "settable": True},
        "color": {"datatype": "color", "format": format_, "settable": True},
    }
    document = {
        "homie": "5.0",
        "version": 1,
        "name": "Cloth",
        "nodes": {"light": {"name": "Light", "properties": properties}},
    }
    message = Message("homie/5/cloth/$description", json.dumps(document).encode(), retain=True)
    return speech, speech.hear(message, 0.0)


def homie_says(speech: Speech, payload: str) -> list[Said]:
    return speech.hear(Message("homie/5/cloth/light/color", payload.encode()), 0.0)


@pytest.mark.parametrize(
    ("format_", "payload"),
    [
        ("rgb", b"rgb,0,255,0"),
        ("hsv", b"hsv,120,100,100"),
        ("xyz", b"xyz,0.3,0.6"),
        ("hsv,rgb", b"hsv,120,100,100"),
        ("rgb,hsv,xyz", b"xyz,0.3,0.6"),
    ],
)
def test_homie_is_told_in_a_format_it_has(format_: str, payload: bytes) -> None:
    """xyz where it has it, for it alone leaves the brightness to the level."""
    speech, _ = homie(format_)
    (message,) = speech.tell("cloth", [("colour", Colour(0.3, 0.6))], None)
    assert (message.topic, message.payload) == ("homie/5/cloth/light/color/set", payload)
    assert not message.retain


def test_homie_is_heard_in_any_format_of_its_own() -> None:
    speech, _ = homie("rgb,hsv,xyz")
    for payload, wanted in [
        ("rgb,100,100,100", Colour(0.3127, 0.3290)),
        ("rgb,0,12.5,0", Colour(0.30, 0.60)),
        ("hsv,300,50,75", of_hs(300, 0.5)),
        ("hsv,300,50,75.5", of_hs(300, 0.5)),
        ("xyz,0.25,0.34", Colour(0.25, 0.34)),
    ]:
        found = values(homie_says(speech, payload))["colour"]
        assert isinstance(found, Colour)
        assert apart(found, wanted) < 1e-9, payload


@pytest.mark.parametrize("payload", ["rgb,0,0,0", "hsv,0,0,0", "hsv,120,100,0"])
def test_a_dark_homie_light_says_nothing_of_its_colour(payload: str) -> None:
    speech, _ = homie("rgb,hsv")
    assert homie_says(speech, payload) == []


@pytest.mark.parametrize(
    "payload",
    [
        "",
        "green",
        "rgb,1,2",
        "rgb,256,0,0",
        "rgb, 1,2,3",
        "hsv,361,5,5",
        "hsv,1,2",
        "hsv,1,2,101",
        "hsv,1,2,nan",
        "xyz,0.3,0.6",
        "rgb,1,2,3,4",
        "RGB,1,2,3",
        "hsv,1,101,5",
    ],
)
def test_what_the_convention_does_not_allow_is_unreadable(payload: str) -> None:
    speech, _ = homie("rgb,hsv")
    (said,) = homie_says(speech, payload)
    assert isinstance(said, Unreadable), payload


@pytest.mark.parametrize("format_", ["", "cmyk", "rgb,rgb", "rgb, hsv", "RGB", ","])
def test_a_format_the_convention_does_not_have_is_unreadable(format_: str) -> None:
    _, out = homie(format_)
    assert [said for said in out if isinstance(said, Unreadable)]


@settings(max_examples=60, deadline=None)
@given(colour=IN_SRGB)
def test_a_simulated_homie_device_and_the_bridge_understand_each_other(colour: Colour) -> None:
    end, speech = FarEnd(HOMIE, "cloth"), Speech(HOMIE)
    out = heard(speech, end.hello({"level": 50.0, "cct": 4300.0, "colour": white_at(4300)}))
    assert not [said for said in out if isinstance(said, Unreadable)]
    found = steps([said for said in out if isinstance(said, Described)])
    (told,) = [t for m in speech.tell("cloth", [("colour", colour)], None) if (t := end.told(m))]
    back = values(heard(speech, end.report(dict(told.values), ["colour"])))["colour"]
    assert isinstance(back, Colour)
    assert found.same(colour, back)

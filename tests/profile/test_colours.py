"""A colour in a profile: its forms, what is refused with its place, and how `keep` writes it."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.craft.chroma import Colour, apart, fits, of_hs
from studiobridge.profile import ProfileError, keep_presets, read_profile, read_profile_text
from studiobridge.profile.keep import CannotKeep
from studiobridge.profile.model import Preset
from tests import coloured


def colour_of(written: str, way: str = "x-and-y") -> Colour:
    made = coloured.profile(way, f"{{level: 75 %, colour: {written}}}")
    found = made.looks["green"].presets["cloth"].colour
    assert found is not None
    return found


def problems(text: str) -> list[str]:
    with pytest.raises(ProfileError) as caught:
        read_profile_text(text, "dye.yaml")
    return [str(problem) for problem in caught.value.problems]


def refused(written: str) -> str:
    text = coloured.text("x-and-y", f"{{level: 75 %, {written}}}").split("  white:")[0]
    (found,) = problems(text)
    line = text[: text.index("  green:")].count("\n") + 1
    assert found.startswith(f"dye.yaml:{line}:"), found
    return found


@pytest.mark.parametrize(
    ("written", "x", "y"),
    [
        # sRGB's green, blue and white by IEC 61966-2-1
        ("{hue: 120 deg, saturation: 100 %}", 0.30, 0.60),
        ("{hue: 240 deg, saturation: 100 %}", 0.15, 0.06),
        ("{hue: 77 deg, saturation: 0 %}", 0.3127, 0.3290),
        ("{hue: 360 deg, saturation: 100 %}", 0.64, 0.33),
        ('{rgb: "#00ff00"}', 0.30, 0.60),
        ('{rgb: "#0000ff"}', 0.15, 0.06),
        ('{rgb: "#000040"}', 0.15, 0.06),
        ("{x: 0.21, y: 0.71}", 0.21, 0.71),
        ("{xy: [0.21, 0.71]}", 0.21, 0.71),
    ],
)
def test_every_form(written: str, x: float, y: float) -> None:
    found = colour_of(written)
    assert (found.x, found.y) == pytest.approx((x, y), abs=1e-9)


@pytest.mark.parametrize(
    ("written", "says"),
    [
        ("colour: green", "'green' is not a colour"),
        ("colour: {}", "a colour is not made of nothing"),
        ("colour: {hue: 120 deg}", "has a saturation too"),
        ("colour: {hue: 120, saturation: 100 %}", "'120' has no unit"),
        ("colour: {hue: 400 deg, saturation: 100 %}", "outside 0 to 360"),
        ("colour: {hue: 120 deg, saturation: 101 %}", "outside 0 to 100"),
        ("colour: {hue: 120 deg, saturation: 9 %, x: 0.3}", "a colour is not made of"),
        ('colour: {rgb: "#20ff4"}', "'#20ff4' is not a colour"),
        ("colour: {rgb: 12}", "'12' is not a colour"),
        ('colour: {rgb: "#000000"}', "black is no colour"),
        ("colour: {x: 0.3, y: 0}", "is no chromaticity"),
        ("colour: {x: 0.3, y: -0.1}", "is no chromaticity"),
        ("colour: {x: 0.7, y: 0.7}", "is no chromaticity"),
        ("colour: {x: .nan, y: 0.3}", "x"),
        ("colour: {x: .inf, y: 0.3}", "x"),
        ("colour: {x: 1e309, y: 0.3}", "x"),
        ("colour: {x: on, y: 0.3}", "x is"),
        ("colour: {x: 0.0, y: 0.1}", "outside the colours of the spectrum"),
        ("colour: {x: 0.1, y: 0.86}", "outside the colours of the spectrum"),
        ("colour: {xy: 0.3}", "'0.3' is not x and y"),
        ("colour: {xy: [0.3, 0.3, 0.4]}", "is not x and y"),
    ],
)
def test_what_is_no_colour_is_refused_with_its_place(written: str, says: str) -> None:
    assert says in refused(written)


def test_white_and_coloured_at_once_is_refused() -> None:
    text = coloured.text("hue-in-bytes", "{level: 75 %, cct: 4300 K, colour: {xy: [0.3, 0.6]}}")
    (found,) = problems(text)
    assert "white and coloured at once" in found


def test_black_is_dark_and_not_coloured() -> None:
    text = coloured.text("x-and-y", "{level: 0 %, colour: {x: 0.3, y: 0.6}}").split("  white:")[0]
    (found,) = problems(text)
    assert "black has no colour" in found


def test_white_and_coloured_take_each_others_place_in_a_look_made_from_another() -> None:
    text = coloured.text() + (
        "  dyed: {from: white, cloth: {colour: {xy: [0.3, 0.6]}}}\n"
        "  plain: {from: green, cloth: {cct: 5000 K}}\n"
        "  dark: {from: green, cloth: {level: 0 %}}\n"
    )
    looks = read_profile_text(text, "dye.yaml").profile.looks
    assert looks["dyed"].presets["cloth"] == Preset(60.0, None, Colour(0.3, 0.6))
    assert looks["plain"].presets["cloth"] == Preset(75.0, 5000.0, None)
    assert looks["dark"].presets["cloth"] == Preset(0.0, None, None)


def test_a_colour_its_dialect_cannot_spell_is_refused() -> None:
    """x 0.17, y 0.70 is greener than sRGB's green: hue and saturation cannot say it."""
    text = coloured.text("hue-in-bytes", "{level: 75 %, colour: {x: 0.17, y: 0.70}}")
    (found,) = problems(text)
    assert "purer than 'cloth' can be told" in found


def test_a_fixture_without_a_colour_cannot_be_told_one() -> None:
    text = coloured.text("x-and-y").replace(
        "speaks: dyer, at: wall/cloth", "speaks: relay, at: w/c"
    )
    assert any("cannot be told a colour" in found for found in problems(text))


def test_a_light_set_by_hand_can_be_coloured() -> None:
    text = coloured.text("x-and-y").replace("speaks: dyer, at: wall/cloth, ", "")
    made = read_profile_text(text, "dye.yaml").profile
    assert made.devices["cloth"].hand_set
    assert made.looks["green"].presets["cloth"].colour == of_hs(120, 0.9)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('h: "{hue}", s: "{saturation}"', 'h: "{hue}"', "hue make no colour"),
        ('h: "{hue}", s: "{saturation}"', "h: 3", "the colour has no place"),
        ('s: "{saturation}"', 's: "{saturation}", v: "{value}"', "a colour is no single value"),
        ('s: "{saturation}"', 's: "{saturation}", in: "{fade}"', "{fade} has no unit"),
        ("fields: {hue: dye.h, saturation: dye.s}", "fields: {hue: dye.h}", "hue make no colour"),
        ("fields: {hue: dye.h, saturation: dye.s}, ", "", "by fields or by a pattern"),
        (
            "spans: {hue: 0..254, saturation: 0..254}, where",
            "spans: {x: 0..1}, where",
            "no place for x",
        ),
    ],
)
def test_a_dialect_that_spells_a_colour_wrongly_is_refused(old: str, new: str, says: str) -> None:
    text = coloured.text()
    assert text.count(old) == 1, old
    found = problems(text.replace(old, new))
    assert any(says in problem for problem in found), found
    assert all(problem.startswith("dye.yaml:") for problem in found)


@pytest.mark.parametrize(
    ("white", "either"),
    [("{mode: plain}", True), ("{mode: dyed}", False), ("{other: plain}", False)],
)
def test_white_or_coloured_where_one_field_says_which(white: str, either: bool) -> None:
    text = coloured.text().replace("where: {mode: plain}", f"where: {white}")
    assert read_profile_text(text, "dye.yaml").profile.devices["cloth"].either is either


def test_a_fixture_that_does_not_say_whether_it_is_white_or_coloured_is_doubted() -> None:
    text = coloured.text()
    for where in (", where: {mode: dyed}", ", where: {mode: plain}"):
        assert text.count(where) == 1
        text = text.replace(where, "")
    (doubt,) = read_profile_text(text, "dye.yaml").warnings
    assert "it does not say whether it is white or coloured" in str(doubt)
    line = text[: text.index("    colour:")].count("\n") + 1
    assert str(doubt).startswith(f"dye.yaml:{line}:5:")
    assert read_profile_text(coloured.text(), "dye.yaml").warnings == ()


@pytest.mark.parametrize("written", ["green", "0", "-0.1", "2", ".nan", "0.01 stop", "on"])
def test_a_tolerance_of_colour_is_a_plain_number(written: str) -> None:
    text = coloured.text() + f"tolerance: {{colour: {written}}}\n"
    (found,) = problems(text)
    assert "Δu′v′" in found


def test_the_tolerance_of_a_device_goes_before_that_of_the_set() -> None:
    text = coloured.text() + "tolerance: {colour: 0.02}\n"
    assert read_profile_text(text, "d").profile.devices["cloth"].tolerance.colour == 0.02
    text = text.replace("boots_in: 2 s", "boots_in: 2 s, tolerance: {colour: 0.008}")
    assert read_profile_text(text, "d").profile.devices["cloth"].tolerance.colour == 0.008


# ---- keep ------------------------------------------------------------------------------------

FORMS = {
    "hue": "{hue: 120 deg, saturation: 90 %}  # cloth dye",
    "rgb": '{rgb: "#20ff40"}  # cloth dye',
    "xy": "{x: 0.30, y: 0.60}  # cloth dye",
    "list": "{xy: [ 0.30,0.60 ]}  # cloth dye",
}


def written(form: str) -> str:
    head, _, tail = coloured.text("x-and-y").partition("  green: ")
    tail = tail.split("\n", 1)[1].split("  white:")[0]
    return f"{head}  green:\n    cloth:\n      level: 75 %\n      colour: {FORMS[form]}\n{tail}"


@pytest.mark.parametrize("form", list(FORMS))
@settings(max_examples=25, deadline=None)
@given(hue=st.floats(0, 360), saturation=st.floats(0.05, 1.0))
def test_keep_writes_a_colour_in_the_files_own_form(
    tmp_path_factory: pytest.TempPathFactory, form: str, hue: float, saturation: float
) -> None:
    path = tmp_path_factory.mktemp("keep") / "dye.yaml"
    path.write_text(written(form), encoding="utf-8")
    colour = of_hs(hue, saturation)
    keep_presets(path, "green", {"cloth": Preset(75.0, None, colour)})
    kept = read_profile(path).profile.looks["green"].presets["cloth"]
    assert kept.level == 75.0
    assert kept.colour is not None
    assert apart(kept.colour, colour) < 0.004
    before, after = written(form).split("\n"), path.read_text(encoding="utf-8").split("\n")
    assert len(before) == len(after)
    changed = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
    assert len(changed) <= 1
    for old, new in changed:
        # the same keys, the same brackets, the comment where it was
        assert new.split(":")[:2] == old.split(":")[:2]
        assert new.endswith("  # cloth dye")
        assert new.count("[") == old.count("[")
        assert new.count('"') == old.count('"')


def test_keep_by_hand(tmp_path: Path) -> None:
    """sRGB's blue is hue 240, saturation 100 %, #0000ff and x 0.15, y 0.06."""
    blue = Preset(75.0, None, Colour(0.15, 0.06))
    for form, says in [
        ("hue", "colour: {hue: 240 deg, saturation: 100 %}  # cloth dye"),
        ("rgb", 'colour: {rgb: "#0000ff"}  # cloth dye'),
        ("xy", "colour: {x: 0.1500, y: 0.0600}  # cloth dye"),
        ("list", "colour: {xy: [ 0.1500,0.0600 ]}  # cloth dye"),
    ]:
        path = tmp_path / f"{form}.yaml"
        path.write_text(written(form), encoding="utf-8")
        keep_presets(path, "green", {"cloth": blue})
        assert says in path.read_text(encoding="utf-8")


def test_keep_writes_an_inherited_colour_as_x_and_y(tmp_path: Path) -> None:
    path = tmp_path / "dye.yaml"
    dusk = "  dusk: {from: green, cloth: {level: 30 %}}  # later\n"
    path.write_text(coloured.text() + dusk, encoding="utf-8")
    keep_presets(path, "dusk", {"cloth": Preset(30.0, None, Colour(0.3, 0.5))})
    text = path.read_text(encoding="utf-8")
    assert "cloth: {level: 30 %, colour: {x: 0.3000, y: 0.5000}}}  # later" in text
    looks = read_profile(path).profile.looks
    assert looks["green"].presets["cloth"].colour == of_hs(120, 0.9)


def test_keep_refuses_what_the_files_form_cannot_say(tmp_path: Path) -> None:
    pure = Colour(0.17, 0.70)
    assert not fits(pure, "rgb")
    path = tmp_path / "dye.yaml"
    path.write_text(written("hue"), encoding="utf-8")
    with pytest.raises(CannotKeep, match="too pure a colour for hue and saturation"):
        keep_presets(path, "green", {"cloth": Preset(75.0, None, pure)})
    assert path.read_text(encoding="utf-8") == written("hue")


@pytest.mark.parametrize(
    ("presets", "doubted"),
    [
        (
            "a: {key: {level: 30 %, cct: 4300 K}}, b: {key: {level: 30 %, colour: {x: 0.3, y: 0.6}}}",
            True,
        ),
        ("a: {key: {level: 30 %, cct: 4300 K}}", False),
        ("a: {key: {level: 30 %, colour: {x: 0.3, y: 0.6}}}", False),
    ],
)
def test_by_the_convention_too_one_that_can_be_both_does_not_say_which(
    presets: str, doubted: bool
) -> None:
    text = (
        "format: 1\nset: kiln-shelf\nmains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}\n"
        "devices:\n  key: {kind: light, fed_by: wall, speaks: homie5, at: key/light}\n"
        f"looks: {{{presets}}}\n"
    )
    found = [str(w) for w in read_profile_text(text, "dye.yaml").warnings]
    said = [text for text in found if "can be white or coloured and does not say which" in text]
    assert bool(said) is doubted
    assert all(text.startswith("dye.yaml:5:3: 'key'") for text in said)

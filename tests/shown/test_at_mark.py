"""The face at the mark: by reports, with what is asked, after a step; and never one for the other."""

from __future__ import annotations

import math
from typing import Any

import pytest

from studiobridge.figures.face import Face
from studiobridge.profile import read_profile
from studiobridge.shown.at_mark import AtMark, as_asked, as_is, briefly, lines, wanted
from tests.panel.studio import CONFIG

PROFILE = read_profile(CONFIG / "wheel-corner.yaml").profile
LOOK = PROFILE.looks["lesson"].presets


def views(**changed: dict[str, Any]) -> dict[str, dict[str, Any]]:
    found = {}
    for name, preset in LOOK.items():
        said = {"level": preset.level, "cct": preset.cct, "colour": None}
        speaks = PROFILE.devices[name].speaks is not None
        found[name] = {
            "preset": said,
            "heard": "answers" if speaks else None,
            "online": True,
            "switch": True,
            **said,
            **changed.get(name, {}),
        }
    return found


def adjusting(**more: Any) -> dict[str, Any]:
    one = {"device": "key", "level": None, "cct": None, "under_way": True, **more}
    return {"adjusting": [one]}


def test_as_it_is_takes_reports_and_names_what_cannot_speak() -> None:
    stands = as_is(PROFILE, views(key={"level": 50.0}), {})
    assert stands.values["key"].level == 50.0
    assert set(stands.by_look) == {"rim", "edge-left", "edge-right"}


def test_what_is_asked_is_on_top_and_never_in_what_is() -> None:
    state = adjusting(level=70.0)
    stands = as_is(PROFILE, views(), state)
    asked = as_asked(stands, state)
    assert stands.values["key"].level == LOOK["key"].level
    assert asked is not None
    assert asked["key"].level == 70.0
    assert as_asked(stands, adjusting(level=70.0, under_way=False)) is None


def test_a_lamp_that_has_not_said_its_level_leaves_no_figures_and_says_so() -> None:
    seen = views(key={"level": None})
    reads = AtMark(PROFILE).reads(as_is(PROFILE, seen, {}), wanted(seen), "now")
    assert lines(reads) == []
    assert reads.missing == ("key has not said its level",)


def test_figures_are_those_of_the_face_and_change_as_it_does() -> None:
    seen = views(key={"level": LOOK["key"].level / 2})  # type: ignore[operator]
    look = wanted(seen)
    reads = AtMark(PROFILE).reads(as_is(PROFILE, seen, {}), look, "now")
    now = {**LOOK, "key": look["key"].__class__(LOOK["key"].level / 2, LOOK["key"].cct)}  # type: ignore[operator]
    face = Face(PROFILE)
    assert reads.against_look == pytest.approx(face.change(LOOK, now).face)  # type: ignore[union-attr]
    assert reads.ratio == pytest.approx(face.whole(now).ratio)  # type: ignore[union-attr]
    said = {name: against for name, _, against in lines(reads)}
    assert "stop below the look" in said["face"]
    assert briefly(reads, "level").startswith("then f/")


@pytest.mark.parametrize(
    "nonsense",
    [
        {"level": float("nan")},
        {"level": 1e300, "cct": -5},
        {"level": "64", "cct": [1]},
        {"level": True, "colour": {"x": "a"}},
        {"preset": "64 %"},
        {"preset": {"level": {}, "cct": None}},
    ],
)
def test_nonsense_in_a_view_never_ends_the_page(nonsense: dict[str, Any]) -> None:
    seen = views(key=nonsense)
    state: dict[str, Any] = {"adjusting": [{"device": "key", "level": "x", "under_way": 7}, 3]}
    stands = as_is(PROFILE, seen, state)
    reads = AtMark(PROFILE).reads(stands, wanted(seen), "now")
    as_asked(stands, state)
    assert all(isinstance(text, str) for row in lines(reads) for text in row)


def test_the_same_is_not_reckoned_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    figures, look = AtMark(PROFILE), dict(LOOK)
    first = figures.reads(look, look)
    monkeypatch.setattr(AtMark, "_reads", lambda *args, **more: pytest.fail("reckoned again"))
    assert figures.reads(dict(look), dict(look)) is first


def moved(level: tuple[float, float], **more: Any) -> dict[str, Any]:
    """A dial that its watts say is not at its preset any more."""
    low, high = level
    entry = {"device": "edge-left", "point": "level", "band": [low, high], "by": "watts", **more}
    gauged = {"level": {"low": low, "high": high, "by": "watts"}}
    return {"level": None, "cct": None, "drift": [entry], "gauged": gauged}


def test_a_dial_that_moved_is_reckoned_where_it_stands_and_not_at_its_preset() -> None:
    seen = views(rim=moved((4.0, 4.0)))
    look = wanted(seen)
    stands = as_is(PROFILE, seen, {})
    assert stands.values["rim"].level == 4.0
    assert "rim" not in stands.by_look
    assert stands.moved == {"rim": "4.0 % by its watts"}
    was = as_is(PROFILE, views(rim=moved((LOOK["rim"].level,) * 2)), {})  # type: ignore[arg-type]
    assert was.values["rim"].level == LOOK["rim"].level
    assert stands.values != was.values
    assert AtMark(PROFILE).reads(stands, look, "now").wide is None


BROAD = (20.0, 60.0)


def dial_key(band: tuple[float, float]) -> dict[str, dict[str, Any]]:
    """The key itself as a lamp that cannot speak: what it does to the face is a great deal."""
    return views(key={"heard": None, **moved(band)})


def test_figures_say_how_far_they_may_be_off_because_of_a_dial_that_moved() -> None:
    seen, figures, face = dial_key(BROAD), AtMark(PROFILE), Face(PROFILE)
    look = wanted(seen)
    stands = as_is(PROFILE, seen, {})
    reads = figures.reads(stands, look, "now")
    ends = [face.whole({**stands.values, "key": stands.spans["key"][end]}) for end in (0, 1)]
    middle = face.whole(stands.values)
    assert middle is not None
    far = max(abs(math.log2(end.lux / middle.lux)) for end in ends if end is not None)
    assert reads.wide is not None
    assert reads.wide[0] == pytest.approx(far)
    assert far > 0.2
    said = {name: (value, against) for name, value, against in lines(reads)}
    assert f"± {far:.2f} stop" in said["face"][1]
    assert reads.sure is not None
    narrow = lines(figures.reads(as_is(PROFILE, dial_key((40.0, 40.0)), {}), look, "narrow"))
    assert said["key to fill"][0] != {name: value for name, value, _ in narrow}["key to fill"]
    assert briefly(reads, "level").startswith("then about ")


def test_a_lamp_that_moved_and_nobody_knows_how_far_leaves_no_figures() -> None:
    perhaps = {"device": "rim or edge-left", "point": "level", "perhaps": ["rim", "edge-left"]}
    silent = {"device": "rim", "point": "level", "band": None}
    for entry in (perhaps, silent):
        seen = views(rim={"level": None, "cct": None, "drift": [entry], "gauged": None})
        stands = as_is(PROFILE, seen, {})
        assert stands.unknown == ("rim moved, and nobody knows how far",)
        assert "rim" not in stands.values
        assert lines(AtMark(PROFILE).reads(stands, wanted(seen), "now")) == []


def test_a_dial_that_is_dark_by_its_watts_gives_nothing() -> None:
    entry = {"device": "rim", "point": "switch", "reported": False, "band": [0, 0], "by": "watts"}
    seen = views(rim={"level": None, "cct": None, "switch": None, "drift": [entry]})
    stands = as_is(PROFILE, seen, {})
    assert stands.values["rim"].level == 0.0
    assert stands.moved == {"rim": "off by its watts"}


def test_a_key_that_may_be_dark_leaves_face_and_ratio_unsaid() -> None:
    seen = views(**{name: {"level": 0.0} for name in LOOK if name != "key"})
    seen["key"] = dial_key((0.0, 30.0))["key"]
    reads = AtMark(PROFILE).reads(as_is(PROFILE, seen, {}), wanted(seen), "now")
    assert reads.aperture is None
    assert reads.against_look is None
    assert "the face is not known: key moved" in reads.missing


@pytest.mark.parametrize("band", [["x", 3], [5, 1], [float("nan"), 2], 7, None, [1]])
def test_a_band_that_is_none_is_no_knowledge(band: object) -> None:
    entry = {"device": "rim", "point": "level", "band": band, "by": "watts"}
    seen = views(rim={"level": None, "cct": None, "drift": [entry], "gauged": {"level": band}})
    assert as_is(PROFILE, seen, {}).unknown == ("rim moved, and nobody knows how far",)


def test_what_is_asked_on_top_of_a_dial_that_moved_keeps_its_band() -> None:
    seen = views(rim=moved((4.0, 40.0)))
    stands = as_is(PROFILE, seen, {})
    asked = as_asked(stands, adjusting(level=70.0))
    assert asked is not None
    will = stands.with_values(asked)
    assert set(will.spans) == {"rim"}
    assert {corner["key"].level for corner in will.corners()} == {70.0}
    assert {corner["rim"].level for corner in will.corners()} == {4.0, 40.0}

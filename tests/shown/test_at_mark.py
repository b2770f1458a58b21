"""The face at the mark: by reports, with what is asked, after a step; and never one for the other."""

from __future__ import annotations

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

"""The chain and the places are one truth: where they say two things, `check` says so."""

from __future__ import annotations

from pathlib import Path

import pytest

from studiobridge.cli.doubts import about_picture
from studiobridge.figures.stations import apart
from studiobridge.profile import ProfileError, read_profile, read_profile_text

CONFIG = Path(__file__).parents[2] / "config"
CORNER = (CONFIG / "wheel-corner.yaml").read_text(encoding="utf-8")
TABLE = (CONFIG / "two-person-table.yaml").read_text(encoding="utf-8")


def doubts(text: str, *swaps: tuple[str, str]) -> list[str]:
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new, 1)
    found = [str(p) for p in about_picture(read_profile_text(text, "set.yaml"))]
    return [line for line in found if "the chain puts" in line]


@pytest.mark.parametrize("path", sorted(CONFIG.glob("*.yaml")), ids=lambda p: p.stem)
def test_the_examples_say_one_thing(path: Path) -> None:
    if "settings" not in path.name:
        assert apart(read_profile(path).profile) == ()


def test_a_mark_that_stands_elsewhere_than_the_chain_says() -> None:
    """18 + 70 cm is 88 cm."""
    (said,) = doubts(CORNER, ("mark: {from_back: 88 cm", "mark: {from_back: 95 cm"))
    assert "the chain puts the mark 0.88 m from the back wall, and its place says 0.95 m" in said
    assert "room: stations:" in said
    line = CORNER.splitlines().index(
        next(x for x in CORNER.splitlines() if "mark: {from_back" in x)
    )
    assert said.startswith(f"set.yaml:{line + 1}:")


def test_a_chain_that_was_changed_and_left_the_places_as_they_were() -> None:
    """The mark and the lens: 10 cm less behind the stool moves both."""
    said = doubts(CORNER, ("stool: 70 cm", "stool: 60 cm"))
    assert len(said) == 2
    assert "the mark 0.78 m" in said[0]
    assert "'camera' 2.25 m from the back wall, and its place says 2.35 m" in said[1]


def test_a_cloth_on_a_thicker_frame() -> None:
    said = doubts(CORNER, ("cloth-and-frame: 18 cm", "cloth-and-frame: 24 cm"))
    assert any("'cloth' 0.24 m" in text for text in said)


def test_in_feet_it_is_said_in_feet_and_a_centimetre_is_no_matter() -> None:
    """14 in + 2 ft 10 in is 4 ft; 1/4 in is 6 mm, 1 in is 25 mm."""
    (said,) = doubts(TABLE, ("mark: {from_back: 4 ft,", "mark: {from_back: 4 ft 1 in,"))
    assert "puts the mark 4 ft from the back wall, and its place says 4 ft 1 in" in said
    assert doubts(TABLE, ("mark: {from_back: 4 ft,", "mark: {from_back: 4 ft 1/4 in,")) == []


@pytest.mark.parametrize(
    ("stations", "said"),
    [
        ("{mark: stol}", "the chain has no link 'stol'; did you mean 'stool'?"),
        ("{lamp: stool}", "there is no 'lamp' that could stand there"),
        ("{kee: stool}", "did you mean 'key'?"),
        ("{desk-strip: stool}", "'desk-strip' has no place to compare with the chain"),
    ],
)
def test_a_station_of_nothing_is_refused(stations: str, said: str) -> None:
    line = next(x for x in CORNER.splitlines() if "stations:" in x)
    text = CORNER.replace(line, f"  stations: {stations}")
    with pytest.raises(ProfileError) as refused:
        read_profile_text(text, "set.yaml")
    (problem,) = refused.value.problems
    assert said in str(problem)


def test_a_mark_that_nobody_gave_is_at_no_station() -> None:
    line = next(x for x in CORNER.splitlines() if x.startswith("  mark:"))
    text = CORNER.replace(line, "").replace(", aim: mark}", ", aim: cloth}")
    with pytest.raises(ProfileError) as refused:
        read_profile_text(text, "set.yaml")
    assert any("there is no 'mark' in the room" in str(p) for p in refused.value.problems)

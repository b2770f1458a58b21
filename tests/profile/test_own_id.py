"""`homie: yes`: a set's own Homie id is nobody else's."""

from __future__ import annotations

import pytest

from studiobridge.profile import ProfileError, read_profile_text

HEAD = """format: 1
set: shelf
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}
dialects:
  relay:
    switch:
      tell: {topic: "{at}/in", words: {on: "1", off: "0"}}
      hear: {topic: "{at}/out", words: {on: "1", off: "0"}}
devices:
"""
PLUG = "  plug: {kind: plug, fed_by: wall, speaks: relay, at: shelf/plug}\n"
LIGHT = "  lamp: {kind: light, fed_by: wall, speaks: homie5, at: AT, draws: 5 W}\n"
LOOKS = "looks: {day: {lamp: {level: 50 %}}}\n"


def lamp(at: str) -> str:
    return HEAD + LIGHT.replace("AT", at) + LOOKS


def test_off_as_it_comes_and_yes_where_it_says_so() -> None:
    assert not read_profile_text(lamp("shelf/light")).profile.homie
    reading = read_profile_text(lamp("panel/light") + "homie: yes\n")
    assert reading.profile.homie and reading.warnings == ()


@pytest.mark.parametrize(
    ("text", "line", "what"),
    [
        (lamp("shelf/light") + "homie: yes\n", 10, "the Homie id 'shelf' is that of 'lamp'"),
        (lamp("panel/studiobridge"), 10, "the node 'studiobridge' is that of a set"),
        (
            HEAD + PLUG.replace("shelf/plug", "homie/5/shelf/p") + "homie: yes\n",
            10,
            "below the set's own 'homie/5/shelf'",
        ),
        (
            lamp("panel/light")
            + "switches: {door: {topic: homie/5/shelf/a/b, words: {a: up}}}\nhomie: yes\n",
            12,
            "'homie/5/shelf/a/b' is below the set's own",
        ),
        (
            lamp("panel/light").replace("day:", "none:") + "homie: yes\n",
            11,
            "in no look says 'none'",
        ),
    ],
)
def test_a_collision_is_refused_with_its_place(text: str, line: int, what: str) -> None:
    with pytest.raises(ProfileError) as caught:
        read_profile_text(text, "shelf.yaml")
    (problem,) = caught.value.problems
    assert what in str(problem) and problem.line == line


def test_a_set_without_looks_is_doubted() -> None:
    (doubt,) = read_profile_text(HEAD + PLUG + "homie: yes\n").warnings
    assert "no looks" in str(doubt)

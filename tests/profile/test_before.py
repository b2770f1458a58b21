"""`before:`, `after:` and `timer:` in a profile: what they may say, and what is wrong with it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from studiobridge.cli.doubts import about_before
from studiobridge.profile.build import read_profile_text
from studiobridge.profile.items import item_id
from studiobridge.profile.text import ProfileError

CORNER = (Path(__file__).parents[2] / "config" / "wheel-corner.yaml").read_text(encoding="utf-8")
BARE = CORNER.split("# Before it rolls")[0]
# a clip that says how full it is, and a camera that says how long its card lasts
CLIP = """
  clip: {kind: audio, fed_by: battery, speaks: clip-words, essential: no, warn: {battery: 30 %}}
"""
WORDS = """
  clip-words:
    battery: {hear: {topic: clip/charge}}
"""


def read(more: str, clip: str = ""):  # type: ignore[no-untyped-def]
    text = BARE
    if clip:
        text = text.replace("\ndevices:\n", f"{WORDS}\ndevices:{clip}", 1)
    return read_profile_text(text + more, "corner.yaml")


def wrong(more: str) -> list[tuple[int, int, str, str]]:
    lines = BARE.count("\n")
    with pytest.raises(ProfileError) as error:
        read(more)
    return [(p.line - lines, p.column, p.what, p.todo) for p in error.value.problems]


def doubts(more: str, clip: str = "") -> list[str]:
    return [f"{p.what}; {p.todo}" for p in about_before(read(more, clip))]


def test_lines_are_measured_where_they_can_be_and_ticked_where_not() -> None:
    found = read("""
before:
  - everything proven
  - Warm
  - {even: cloth, within: 0.8 stop}
  - {card: camera, lasts: 1.5 h}
  - off: [wall-plug, prompter]
  - off: pc-plug
  - Objektiv geputzt
  - {tick: phone silent, for: take}
after:
  - card emptied
timer: {break_every: 50 min}
""").profile
    assert [(i.id, i.kind, i.device, i.limit, i.lasts) for i in found.before] == [
        ("everything-proven", "proven", "", 0.0, "session"),
        ("warm", "warm", "", 0.0, "session"),
        ("even-cloth", "even", "cloth", 0.8, "session"),
        # this camera cannot say it
        ("card-camera", "tick", "camera", 90.0, "session"),
        ("off-wall-plug", "off", "wall-plug", 0.0, "session"),
        ("off-prompter", "off", "prompter", 0.0, "session"),
        ("off-pc-plug", "off", "pc-plug", 0.0, "session"),
        ("objektiv-geputzt", "tick", "", 0.0, "session"),
        ("phone-silent", "tick", "", 0.0, "take"),
    ]
    assert [i.id for i in found.after] == ["card-emptied"]
    assert found.timer.break_every == 3000.0


def test_an_id_is_made_of_words_and_not_of_a_place() -> None:
    lines = ["  - lens wiped\n", "  - warm\n", "  - {even: cloth}\n"]
    ids = [
        {i.id for i in read("before:\n" + "".join(o)).profile.before} for o in (lines, lines[::-1])
    ]
    assert ids[0] == ids[1] == {"lens-wiped", "warm", "even-cloth"}
    assert item_id("  Lens   WIPED! ") == item_id("lens-wiped") == "lens-wiped"
    assert item_id("Größe, geprüft") == "größe-geprüft"
    assert item_id("линза протёрта") == "линза-протёрта"
    assert item_id("☂ !?") == ""


@pytest.mark.parametrize(
    ("more", "line", "column", "what", "todo"),
    [
        ("before: [{even: cloht}]", 1, 17, "there is no device 'cloht'", "did you mean 'cloth'?"),
        ("before: [{even: key}]", 1, 17, "'key' is a light; a backdrop is even", "name a backdrop"),
        ("before: [{card: camera}]", 1, 17, "it is not said for how long", "add 'lasts: 30 min'"),
        ("before: [{card: camera, lasts: 30}]", 1, 32, "'30' has no unit", ""),
        ("before: [{off: fan}]", 1, 16, "there is no device 'fan'", ""),
        ("before: [{tick: warm, for: take}]", 1, 23, "'warm' is measured", "leave 'for' out"),
        ("before: [{even: cloth, for: take}]", 1, 24, "'for' goes with 'tick'", "leave it out"),
        ("before: [{tick: a, off: fill}]", 1, 10, "a line asks for one thing", "each in a line"),
        ("before: [{}]", 1, 10, "this line asks for nothing", ""),
        ("before: ['!?']", 1, 10, "'!?' has no letter in it", "say what it is"),
        ("before: [lens wiped, Lens wiped]", 1, 22, "stands there already", "say it otherwise"),
        ("before: [[a]]", 1, 10, "is not one text", ""),
        ("before: [quiet]", 1, 10, "nothing here is told quiet", "quiet: yes"),
        ("before: [{tik: lens}]", 1, 11, "unknown key 'tik'", "did you mean 'tick'?"),
        ("before: warm", 1, 9, "'before' is a list", ""),
        ("after: [{off: fill}]", 1, 10, "'off' is of 'before:'", "write a sentence"),
        ("after: [{tick: a, for: take}]", 1, 19, "holds until the set comes up", "leave"),
        ("timer: {break_every: 50}", 1, 22, "'50' has no unit", "write a time"),
        ("timer: {brake_every: 50 min}", 1, 9, "unknown key 'brake_every'", "did you mean"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(
    more: str, line: int, column: int, what: str, todo: str
) -> None:
    found = wrong(more + "\n")
    assert len(found) == 1, found
    assert found[0][:2] == (line, column)
    assert what in found[0][2] and todo in found[0][3], found


def test_the_same_may_not_stand_before_and_after() -> None:
    assert "stands there already" in wrong("before: [lens wiped]\nafter: [Lens wiped]\n")[0][2]


def test_a_list_longer_than_anybody_reads_is_refused() -> None:
    many = "".join(f"  - line {n}\n" for n in range(61))
    assert wrong("before:\n" + many)


@pytest.mark.parametrize(
    ("more", "clip", "said"),
    [
        ("before: [everthing proven]", "", "write 'everything proven' to have it measured"),
        ("before: [{even: cloth, within: 0.3 stop}]", "", "allow more, like 'within: 0.7 stop'"),
        ("before: [{card: camera, lasts: 30 min}]", "", "a person ticks 'card-camera'"),
        ("before: [{off: clip-mic}]", "", "a person ticks 'off-clip-mic'"),
        ("before: [batteries]", "", "no device here says how full its battery is"),
        ("before: [batteries]", CLIP, "clip-mic cannot say how full its battery is"),
        (
            "before: [batteries]",
            CLIP.replace(", warn: {battery: 30 %}", ""),
            "from where clip is low is not said",
        ),
    ],
)
def test_what_can_never_be_measured_is_doubted(more: str, clip: str, said: str) -> None:
    found = doubts(more + "\n", clip)
    assert len(found) == 1 and said in found[0], found


def test_the_example_leaves_no_doubt() -> None:
    assert about_before(read_profile_text(CORNER, "corner.yaml")) == []
    assert doubts("before: [lens wiped, microphone on, warm drinks]\n") == []


def test_what_the_page_says_of_it_can_be_copied() -> None:
    page = (Path(__file__).parents[2] / "config" / "page.md").read_text(encoding="utf-8")
    block = re.search(r"```yaml\n(before:.*?)```", page, re.S)
    assert block is not None
    assert [i.kind for i in read(block[1]).profile.before].count("tick") == 3

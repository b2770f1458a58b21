"""The book of what was met: what is written is read again, and nonsense is refused with its place."""

from __future__ import annotations

from dataclasses import replace
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.meeting import book
from studiobridge.meeting.met import Acquaintance, Ground, Half
from studiobridge.profile import ProfileError, read_profile_text
from tests.meeting.speaking import HEAD

RULES = {
    ("switch", "hear"): [
        {"topic": "{at}/out", "words": {"on": "1", "off": "0"}},
        {"topic": "{at}/is", "field": "on", "where": {"id": "{n}"}},
        {"topic": "{at}/say", "pattern": "{n}={value}", "words": {"on": "an", "off": ["aus", ""]}},
    ],
    ("switch", "tell"): [
        {"topic": "{at}/do", "json": {"out": {"id": 1, "on": "{value}"}}},
        {"topic": "{at}/in", "words": {"on": "yes", "off": "no"}, "qos": 2},
    ],
    ("level", "hear"): [
        {"topic": "{at}/is", "field": ["seg.1", 0, "dim"], "span": "255..0"},
        {"topic": "{at}/dim", "unit": "fraction"},
    ],
    ("level", "tell"): [{"topic": "{at}/set", "payload": "DIM {value}: \"now\" #1", "span": "0..255"}],
    ("watts", "hear"): [{"topic": "{at}/meter", "scale": 0.1}],
    ("cct", "hear"): [{"topic": "{at}/w", "span": "0..255", "of": "2700..6500 K"}],
}  # fmt: skip
texts = st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp", "Zs"]) | st.just(" "))
whys = texts.map(lambda text: " ".join(text.split()) or "?").filter(
    lambda t: len(t) < 200 and t.isprintable()
)
halves = st.sampled_from(sorted(RULES)).flatmap(
    lambda key: st.builds(
        Half,
        st.just(key[0]),
        st.just(key[1]),
        st.sampled_from(RULES[key]),
        st.sampled_from(get_args(Ground)),
        whys,
    )
)
ORDER = ["switch", "level", "cct", "watts"]


@st.composite
def devices(draw: st.DrawFn) -> list[Acquaintance]:
    """Devices of some makes, no two of which speak the same; and one of Homie 5."""
    met: list[Acquaintance] = []
    for make in range(draw(st.integers(0, 3))):
        some = draw(st.lists(halves, max_size=5, unique_by=lambda h: (h.point, h.half)))
        some = [h for h in some if h.half == "tell" or "{n}" not in book.flow(h.rule)]
        some.sort(key=lambda h: (ORDER.index(h.point), h.half == "hear"))
        for one in range(draw(st.integers(1, 3))):
            met.append(
                Acquaintance(
                    f"m{make}-d{one}",
                    f"corner/m{make}/d-{one}",
                    draw(st.sampled_from(["light", "backdrop", None])),
                    tuple(some),
                    {"topic": "{at}/ask", "payload": f"all of {make}?"} if some and make else None,
                    measured=draw(
                        st.sampled_from(
                            [
                                {},
                                {
                                    "boots_in": "2.5 s",
                                    "draws_at": {"0 %": "0.6 W", "100 %": "15 W"},
                                },
                            ]
                        )
                    ),
                    missing=tuple(draw(st.lists(whys, max_size=2))),
                    speaks=f"make-{make}" if some or (make and some) else None,
                )
            )
    if draw(st.booleans()):
        met.append(Acquaintance("panel", "panel/light", "light", homie="panel/light"))
    return met


@settings(max_examples=50, deadline=None)
@given(devices())
def test_what_is_written_is_read_again(met: list[Acquaintance]) -> None:
    text = book.text_of(met)
    assert book.read(text) == met
    assert book.text_of(book.read(text.encode())) == text
    assert max(len(line) for line in text.split("\n")) < 300


RELAY = {"topic": "{at}/out", "words": {"on": "1", "off": "0"}}
METER = {"topic": "{at}/meter", "field": "now.power"}
SWITCH = Half("switch", "hear", RELAY, "seen", "it went from '0' to '1' when it was pressed")
WATTS = Half("watts", "hear", METER, "likely", "its name says watts")


def plug(name: str, *halves: Half, **more: object) -> Acquaintance:
    return replace(Acquaintance(name, f"corner/{name}", "plug", halves), **more)  # type: ignore[arg-type]


def test_devices_of_one_make_share_a_dialect_and_the_best_reason() -> None:
    likely = replace(SWITCH, ground="likely", why="both words were heard")
    text = book.text_of([plug("plug-1", likely, WATTS), plug("plug-2", SWITCH, WATTS)])
    assert text.count("  switch:") == 1
    assert "# seen: it went from '0' to '1' when it was pressed" in text
    assert "plug-2: {kind: plug, speaks: plug-speech, at: corner/plug-2}" in text
    other = book.text_of([plug("plug-1", SWITCH), plug("plug-2", SWITCH, WATTS)])
    assert other.count("  switch:") == 2


def test_the_book_stands_in_a_profile_as_it_is() -> None:
    text = book.text_of(
        [plug("plug-1", SWITCH, WATTS, measured={"fed_by": "wall", "meters": "yes"})]
    )
    tell = 'tell: {topic: "{at}/in", words: {on: "1", off: "0"}}\n      '
    profile = read_profile_text(
        text.replace("met: 1\n", HEAD).replace(
            'hear: {topic: "{at}/out', tell + 'hear: {topic: "{at}/out'
        )
    ).profile
    assert profile.devices["plug-1"].at == "corner/plug-1"
    assert profile.dialects["plug-speech"].hear["watts"].field == "now.power"


@pytest.mark.parametrize(
    ("text", "line", "column", "what"),
    [
        ("", 1, 1, "the file is empty; start with 'met: 1'"),
        ("met: 2\n", 1, 6, "met 2 is not known here; write 'met: 1'"),
        ("devices: {}\n", 1, 1, "'met' is missing; add 'met: 1'"),
        ("met: 1\nset: x\n", 2, 1, "unknown key 'set'"),
        ("met: 1\ndevices:\n  k: {kind: lamp, at: k}\n", 3, 13, "'lamp' is not one of"),
        ("met: 1\ndevices:\n  k: {speaks: make, at: k}\n", 3, 15, "there is no dialect 'make'"),
        ("met: 1\ndevices:\n  k: {boots_in: 3, at: k}\n", 3, 17, "'3' has no unit"),
        ("met: 1\ndevices:\n  K k: {at: k}\n", 3, 3, "'K k' is not a name"),
        (
            "met: 1\ndialects:\n  make:\n    level: {hear: {topic: a/#}}\n",
            4,
            27,
            "no wildcards + or #",
        ),
        (
            "met: 1\ndialects:\n  make:\n    watts: {hear: {topic: a, span: 0..255}}\n",
            4,
            30,
            "'span' does nothing for 'watts'",
        ),
        (
            "met: 1\ndialects:\n  make: {switch: {hear: {topic: '{at}/{n}'}}}\n"
            "devices:\n  p: {kind: plug, speaks: make, at: p}\n",
            5,
            3,
            "has a blank 'n' that 'p' does not fill",
        ),
        (
            "met: 1\ndialects:\n  make: {switch: {hear: {topic: '{at}/out'}}}\n"
            "devices:\n  p: {speaks: make, at: p}\n  q: {speaks: make, at: p}\n",
            6,
            25,
            "both use 'p/out'",
        ),
        ("met: 1\n  dialects: {}\n", 2, 3, "'dialects' stands further in than the line above"),
        ("met: 1\ndevices: [\n", 2, 10, "the [ that opens here is never closed"),
        ("met: 1\nmet: 1\n", 2, 1, "stands here twice"),
    ],
)
def test_nonsense_is_refused_with_its_place(text: str, line: int, column: int, what: str) -> None:
    with pytest.raises(ProfileError) as caught:
        book.read(text, "met.yaml")
    first = caught.value.problems[0]
    assert what in str(first)
    assert str(first).startswith(f"met.yaml:{line}:{column}: ")
    assert "format: 1" not in str(caught.value)


@settings(max_examples=40, deadline=None)
@given(st.text(max_size=200) | st.text("met: 1{}[]-\n diaelcstv&*!|>#\"'", max_size=120))
def test_any_text_is_a_book_or_refused(text: str) -> None:
    try:
        book.read("met: 1\n" + text)
    except ProfileError as error:
        assert error.problems


def test_a_book_written_by_hand_without_our_comments() -> None:
    (one,) = book.read(
        "met: 1\ndialects:\n  make:\n    # my own words\n    switch: {hear: {topic: '{at}/x'}}\n"
        "devices:\n  # missing: turn it to full\n  #   and then to dark\n  p: {speaks: make, at: p}\n"
    )
    half = one.half("switch", "hear")
    assert half is not None
    assert (half.ground, half.why) == ("likely", "it stands in the book")
    assert one.missing == ("turn it to full and then to dark",)
    assert one.kind is None


def test_a_device_met_again_keeps_its_name_and_what_is_better_known() -> None:
    renamed = plug("desk-plug", SWITCH, at="corner/plug-1", measured={"boots_in": "2 s"})
    again = plug("plug-1", replace(SWITCH, ground="shape", why="?"), WATTS, missing=("press it",))
    stranger = plug("desk-plug", WATTS)
    first, second = book.joined([renamed], [again, stranger])
    assert (first.name, first.measured) == ("desk-plug", {"boots_in": "2 s"})
    assert first.halves == (SWITCH, WATTS)
    assert first.missing == ("press it",)
    assert (second.name, second.at) == ("desk-plug-2", "corner/desk-plug")

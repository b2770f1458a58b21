"""A profile from what was met and some answers: it teaches, and it passes `check`."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pytest
from hypothesis import given, reject, settings
from hypothesis import strategies as st

from studiobridge.cli.doubts import about_mains
from studiobridge.control.plan import order_problems
from studiobridge.meeting import book
from studiobridge.meeting.composing import OFFERED, START, Draft, compose
from studiobridge.meeting.drafting import Given, Question, check, flat, mains_of, next_question
from studiobridge.meeting.met import Acquaintance, Ground, Half
from studiobridge.profile import read_profile_text
from studiobridge.profile.model import KINDS, Preset
from studiobridge.profile.text import ProfileError, read_document

CONFIG = Path(__file__).parents[2] / "config"

BOOK = """
met: 1
dialects:
  relay:
    switch:
      # seen: it clicked when asked
      tell: {topic: "{at}/in", words: {on: "1", off: "0"}}
      hear: {topic: "{at}/out", words: {on: "1", off: "0"}}
    ask: {topic: "{at}/report"}
  panel:
    level:
      tell: {topic: "{at}/dim", span: 0..255}
      hear: {topic: "{at}/dimmed", span: 0..255}
    cct:
      tell: {topic: "{at}/white", span: 0..100, of: 370..154 mired}
      hear: {topic: "{at}/whited", span: 0..100, of: 370..154 mired}
devices:
  shelf-plug: {kind: plug, speaks: relay, at: shelf/plug}
  shelf-light: {kind: light, speaks: panel, at: shelf/light, boots_in: 3 s, fade: 1 s, draws: 36 W}
  thing: {speaks: panel, at: shelf/thing}
"""


def answered(
    met: list[Acquaintance],
    said: Mapping[str, str] | None = None,
    zone: str | None = "Europe/Lisbon",
) -> tuple[Given, frozenset[str]]:
    """Everything asked is answered: with what is said, else with what is offered."""
    answers: dict[str, str] = {}
    offered: set[str] = set()
    while True:
        now = Given("shelf-corner", met, zone, None, answers)
        question = next_question(now)
        if question is None:
            return now, frozenset(offered)
        text = (said or {}).get(question.key, "")
        if not text:
            assert question.offered is not None, question
            offered.add(question.key)
        answers[question.key] = check(question, text, now)


def drafted(said: Mapping[str, str] | None = None, **more: object) -> Draft:
    met = book.read(BOOK)
    now, offered = answered(met, said)
    return compose(now, offered, **more)  # type: ignore[arg-type]


def test_a_book_becomes_a_profile_that_runs() -> None:
    draft = drafted({"lamps": "rim", "fed_by.rim": "wall", "draws.rim": "15 W"})
    reading = read_profile_text(draft.text)
    profile = reading.profile
    assert draft.left_out == ()
    assert list(profile.devices) == ["shelf-plug", "shelf-light", "thing", "rim"]
    assert profile.devices["shelf-light"].fed_by == "shelf-plug", "by their names"
    assert profile.devices["shelf-light"].boots_in == 3.0
    assert profile.devices["thing"].kind == "light"
    assert profile.devices["rim"].hand_set
    # 370..154 mired is 2703 to 6494 K
    assert profile.looks["day"].presets["shelf-light"] == Preset(50.0, 4600.0)
    assert profile.looks["day"].presets["rim"] == Preset(50.0)
    assert (profile.voltage, profile.frequency) == (230.0, 50.0)


def test_what_nobody_said_is_marked_and_what_somebody_said_is_not() -> None:
    lines = drafted({"voltage": "230 V", "circuits.wall.breaker": "B16"}).text.splitlines()
    (voltage,) = [line for line in lines if "voltage:" in line]
    (frequency,) = [line for line in lines if "frequency:" in line]
    assert OFFERED not in voltage
    assert OFFERED in frequency
    (wall,) = [line for line in lines if "wall: {breaker" in line]
    assert "breaker: 16 A" in wall
    assert OFFERED in wall, "the curve was taken for granted"
    assert all(START in line for line in lines if "level: 50 %" in line)
    assert any("# inrush:" in line for line in lines)
    assert all(len(line) <= 120 for line in lines)


def test_the_first_look_is_from_what_the_lights_report_where_they_do() -> None:
    draft = drafted(reported={"shelf-light": Preset(33.5, 5200.0)})
    (line,) = [x for x in draft.text.splitlines() if "shelf-light: {level" in x]
    assert "{level: 33.5 %, cct: 5200 K}" in line
    assert START not in line
    assert "as it last reported" in line


def test_sections_stand_in_the_order_of_the_smallest_example() -> None:
    def order(text: str) -> list[str]:
        root = read_document(text, "x").root
        return [key.scalar or "" for key, _ in root.pairs or ()]

    example = order((CONFIG / "one-plug-one-light.yaml").read_text(encoding="utf-8"))
    assert order(drafted().text) == example


def test_without_a_book_plugs_and_lamps_are_placeholders_that_pass() -> None:
    said = {"plugs": "desk-strip", "lamps": "desk-lamp", "voltage": "230 V", "frequency": "50 Hz"}
    now, offered = answered([], said, None)
    draft = compose(now, offered)
    profile = read_profile_text(draft.text).profile
    assert profile.devices["desk-lamp"].fed_by == "desk-strip"
    assert "# speaks:" in draft.text


def test_nothing_at_all_is_no_set() -> None:
    now, offered = answered([])
    with pytest.raises(ValueError, match="name a plug or a light"):
        compose(now, offered)


def test_a_plug_that_was_only_heard_is_no_switch_and_says_so() -> None:
    met = book.read(
        "met: 1\n"
        "dialects: {relay: {switch: {hear: {topic: '{at}/out'}}}}\n"
        "devices: {shelf-plug: {kind: plug, speaks: relay, at: shelf/plug}}\n"
    )
    now, offered = answered(met)
    draft = compose(now, offered)
    assert read_profile_text(draft.text).profile.devices["shelf-plug"].speaks is None
    assert "tells no switch" in draft.left_out[0]
    assert "# speaks: relay" in draft.text


def test_a_figure_that_does_nothing_there_is_a_comment_with_the_reason() -> None:
    met = book.read(BOOK.replace("at: shelf/plug}", "at: shelf/plug, fade: 2 s}"))
    now, offered = answered(met)
    draft = compose(now, offered)
    assert "shelf-plug: 'fade' is left out" in draft.left_out[0]
    assert read_profile_text(draft.text).profile.devices["shelf-plug"].speaks == "relay"


# ---- random books ----------------------------------------------------------------------------

NAMES = st.sampled_from(
    [
        "left",
        "right",
        "plug-1",
        "plug-2",
        "on",
        "no",
        "camera",
        "title",
        "wall",
        "7",
        "a-b",
        "mixer",
    ]
)
RULES: dict[str, list[tuple[str, dict[str, object]]]] = {
    "switch": [
        ("tell", {"topic": "{at}/sw/in", "words": {"on": "1", "off": "0"}}),
        (
            "tell",
            {"topic": "{at}/sw/in", "json": {"do": "{value}"}, "words": {"on": True, "off": False}},
        ),
        ("hear", {"topic": "{at}/sw/out", "words": {"on": ["1", "true"], "off": "0"}}),
        (
            "hear",
            {"topic": "{at}/sw/out", "field": "a.b", "words": {"on": "auf", "off": "zu: '#'"}},
        ),
    ],
    "level": [
        ("tell", {"topic": "{at}/level/in", "span": "0..255"}),
        ("tell", {"topic": "{at}/level/in", "payload": "dim={value}", "unit": "percent"}),
        ("hear", {"topic": "{at}/level/out", "field": "n", "span": "255..0"}),
    ],
    "cct": [
        ("tell", {"topic": "{at}/cct/in", "unit": "kelvin", "span": "2800..6400"}),
        ("tell", {"topic": "{at}/cct/in", "span": "0..100", "of": "2700..6500 K"}),
        ("hear", {"topic": "{at}/cct/out", "unit": "mired"}),
    ],
    "watts": [("hear", {"topic": "{at}/w", "field": "p"})],
    "online": [("hear", {"topic": "{at}/alive", "words": {"yes": "up", "no": "gone"}})],
    "rolling": [("hear", {"topic": "{at}/rec", "words": {"yes": "1", "no": "0"}})],
    "lux": [("hear", {"topic": "{at}/lux"})],
}
WORKS = (RULES["switch"][0], RULES["switch"][2])
MEASURED = st.dictionaries(
    st.sampled_from(
        [
            "boots_in",
            "fade",
            "draws",
            "standby",
            "draws_at",
            "meters",
            "level",
            "cct",
            "comes_back",
            "cools_in",
            "residual",
            "poll",
        ]
    ),
    st.none(),
    max_size=4,
)
FIGURES: dict[str, object] = {
    "boots_in": "3 s",
    "fade": "0.4 s",
    "draws": "36 W",
    "standby": "40 W",
    "meters": "yes",
    "draws_at": {"0 %": "0.6 W", "100 %": "36 W"},
    "level": "60..100 %",
    "cct": "3000..4000 K",
    "comes_back": "full",
    "cools_in": "5 s",
    "residual": "1 W",
    "poll": "5 s",
}
WHY = st.sampled_from(["it clicked", "é: #'\"", "x" * 300, "both words were heard\tthere"])


@st.composite
def books(draw: st.DrawFn) -> list[Acquaintance]:
    met = []
    for n, name in enumerate(draw(st.lists(NAMES, max_size=5, unique=True))):
        kind = draw(st.sampled_from([None, "plug", "plug", "light", "amp", "audio", *KINDS]))
        measured = {key: FIGURES[key] for key in draw(MEASURED)}
        if draw(st.integers(0, 4)) == 0:
            met.append(Acquaintance(name, "", kind, homie=f"panel-{n}/light", measured=measured))
            continue
        halves: list[Half] = []
        if kind == "plug" and draw(st.booleans()):
            halves = [Half("switch", half, rule, "seen", "it clicked") for half, rule in WORKS]  # type: ignore[arg-type]
            met.append(Acquaintance(name, f"gear/{n}", kind, tuple(halves), measured=measured))
            continue
        for point in draw(st.lists(st.sampled_from(sorted(RULES)), unique=True)):
            seen = set()
            for half, rule in draw(st.permutations(RULES[point])):
                if half not in seen and draw(st.booleans()):
                    seen.add(half)
                    ground: Ground = draw(st.sampled_from(["seen", "likely", "shape"]))
                    halves.append(Half(point, half, rule, ground, draw(WHY)))  # type: ignore[arg-type]
        ask = {"topic": "{at}/report"} if draw(st.booleans()) and halves else None
        missing = ("how it is told: press its button",) if draw(st.booleans()) else ()
        met.append(
            Acquaintance(name, f"gear/{n}", kind, tuple(halves), ask, None, measured, missing)
        )
    return met


@settings(max_examples=50, deadline=None)
@given(met=books(), data=st.data())
def test_whatever_was_met_the_draft_passes(met: list[Acquaintance], data: st.DataObject) -> None:
    try:
        met = book.read(book.text_of(met))
    except ProfileError:
        reject()  # what no book can hold is the book's own to refuse
    answers: dict[str, str] = {}
    offered = set()

    def said(question: Question) -> str:
        if question.choices:
            return data.draw(st.sampled_from(question.choices))
        if question.key == "lamps":
            return data.draw(st.sampled_from(["none", "lamp-1", "lamp-1, off"]))
        if question.key == "plugs":
            return data.draw(st.sampled_from(["none", "strip", "strip, null"]))
        if question.key == "circuits":
            return data.draw(st.sampled_from(["main", "main, bench"]))
        if question.key == "room":
            return data.draw(
                st.sampled_from(["none", "3 m x 2 m x 2.4 m", "10 ft, 8 ft, 7 ft 6 in"])
            )
        return question.offered or question.example

    while (question := next_question(now := Given("shelf", met, None, None, answers))) is not None:
        assert question.why.endswith(".")
        try:
            answers[question.key] = check(question, said(question), now)
        except ValueError:
            # a name that a device has already
            answers[question.key] = check(
                question, "strip-b" if question.key == "plugs" else "lamp-b", now
            )
        if data.draw(st.booleans()):
            offered.add(question.key)
    if not now.devices:
        return
    try:
        draft = compose(now, frozenset(offered), source="met.yaml")
    except ValueError as error:
        # every device had a name that no profile takes
        assert "name a plug or a light" in str(error)
        return
    reading = read_profile_text(draft.text)
    profile = reading.profile
    # all that `check` would call an error
    assert order_problems(profile) == ()
    assert about_mains(reading)[0] == []
    # nothing that was met is lost without a word
    for name in now.devices:
        assert name in profile.devices or any(
            text.startswith(f"{name} is left out") for text in draft.left_out
        )
    for one in met:
        if one.name in profile.devices and (one.speaks or one.homie):
            spoken = profile.devices[one.name].speaks is not None
            assert spoken or any(
                t.startswith(f"{one.name} speaks nothing yet") for t in draft.left_out
            )
    assert all(line.isprintable() for line in draft.text.splitlines())


# ---- answers ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("key", "answer", "kept"),
    [
        ("circuits.wall.breaker", "B16", "16 A"),
        ("circuits.wall.breaker", "16", "16 A"),
        ("circuits.wall.breaker", "", "10 A"),
        ("circuits.wall.curve", "c", "C"),
        ("frequency", "60", "60 Hz"),
        ("room", "3 m x 2 m x 2 m", "3 m x 2 m x 2 m"),
    ],
)
def test_an_answer_as_people_give_it(key: str, answer: str, kept: str) -> None:
    now = Given("x", (), "Europe/Lisbon", None, {"voltage": "230 V", "circuits": "wall"})
    assert check(_asked(now, key), answer, now) == kept


@pytest.mark.parametrize(
    ("key", "answer"),
    [
        ("circuits.wall.breaker", "0 A"),
        ("circuits.wall.breaker", "nan"),
        ("circuits.wall.breaker", "16 V"),
        ("circuits.wall.curve", "E"),
        ("circuits", "none"),
        ("circuits", "Wand"),
        ("lamps", "battery"),
        ("lamps", "wall"),
        ("room", "3 m x 2 m"),
        ("room", "-3 m x 2 m x 1 m"),
        ("title", "a\x1b[31m"),
    ],
)
def test_an_answer_that_no_profile_could_hold_is_refused(key: str, answer: str) -> None:
    now = Given("x", (), None, None, {"voltage": "230 V", "circuits": "wall", "lamps": "rim"})
    with pytest.raises(ValueError):
        check(_asked(now, key), answer, now)


def _asked(now: Given, key: str) -> Question:
    from studiobridge.meeting.drafting import questions

    return next(q for q in questions(now) if q.key == key)


def test_mains_are_offered_by_zone_and_not_where_it_does_not_say() -> None:
    assert mains_of("Europe/Lisbon") == ("230 V", "50 Hz")
    assert mains_of("America/New_York") == ("120 V", "60 Hz")
    assert mains_of("Asia/Tokyo") == ("100 V", None)
    assert mains_of("America/Sao_Paulo") == (None, "60 Hz")
    assert mains_of("Etc/UTC") == (None, None)
    assert mains_of(None) == (None, None)
    assert mains_of("Etc/UTC", "GB") == ("230 V", "50 Hz")
    assert mains_of(None, "XX") == (None, None)


def test_an_amp_and_a_source_are_not_offered_one_plug() -> None:
    met = [
        Acquaintance("sound-plug", "a", "plug"),
        Acquaintance("mixer", "b", "audio"),
        Acquaintance("monitors", "c", "amp"),
    ]
    said = {"circuits": "wall", "fed_by.sound-plug": "wall", "fed_by.mixer": "sound-plug"}
    question = _asked(Given("x", met, None, None, said), "fed_by.monitors")
    assert question.choices == ("wall", "battery")
    assert "give the amp one of its own" in question.why


def test_no_circle_of_feeds_can_be_answered() -> None:
    now = Given(
        "x",
        (),
        None,
        None,
        {"circuits": "wall", "plugs": "a, b, c", "fed_by.a": "b", "fed_by.b": "c"},
    )
    assert _asked(now, "fed_by.c").choices == ("wall",)


def test_answers_of_a_file_may_stand_as_they_do_in_a_profile() -> None:
    tree = {"voltage": "230 V", "circuits": {"wall": {"breaker": "16 A"}}, "lamps": ["rim", "hair"]}
    assert flat(tree) == {
        "voltage": "230 V",
        "circuits": "wall",
        "circuits.wall.breaker": "16 A",
        "lamps": "rim, hair",
    }

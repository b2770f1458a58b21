"""The tell half, with twenty odd devices and any number of others: what it learns, and its laws."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from studiobridge.meeting.first_meeting import MOST_ANSWERS, Meeting
from studiobridge.meeting.followed import Heard
from studiobridge.meeting.met import Half
from studiobridge.meeting.outs import Ask
from studiobridge.meeting.telling import MOST, candidates
from studiobridge.speech.message import Message
from tests.meeting.gear import Gear, World
from tests.meeting.known import TrueHearing, acquaintance
from tests.meeting.oddities import ODD, sisters, twenty
from tests.meeting.twenty import Row, measure, meet, table

# `World` itself raises where a message is sent without a yes to a question that showed it, is to
# be kept, has no end, or comes after the end.


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    return measure()


def test_eighteen_of_twenty_are_controlled_and_confirmed(rows: list[Row]) -> None:
    assert sum(row.good for row in rows) >= 18, "\n" + table(rows)


def test_no_device_takes_more_than_six_answers_and_all_are_left_as_found(rows: list[Row]) -> None:
    assert [row.name for row in rows if row.answers > MOST_ANSWERS or not row.as_found] == []


def test_no_other_device_is_moved(rows: list[Row]) -> None:
    assert [(row.name, row.others_moved) for row in rows if row.others_moved] == []


def test_what_is_not_learned_is_said_and_what_to_do(rows: list[Row]) -> None:
    for row in rows:
        if row.good:
            assert row.missing == (), row.name
        else:
            assert any("plug that meters" in why or "by hand" in why for why in row.missing)
    (terse,) = [row for row in rows if row.name == "terse"]
    assert any("'changed'" in why and "never how it stands" in why for why in terse.missing)


def says_no(ask: Ask) -> str:
    return "n" if ask.key in ("tell", "ask", "eyes") else ""


@pytest.mark.parametrize("name", ODD)
def test_with_every_answer_no_nothing_at_all_is_published(name: str) -> None:
    gear = twenty()
    person = World(list(gear.values()), gear[name], Meeting())
    person.says = lambda ask: says_no(ask) if ask.key != "name" else person.person(ask)
    person.run()
    assert person.sent == []
    assert gear[name].true == (person._started or gear[name].true)


LIARS = {
    "says it and does nothing": {"deaf": True},
    "acknowledges elsewhere and does nothing": {"silent_deaf": True},
    "does it and reports the opposite": {"opposite": True},
    "turns over whatever it is told": {"toggles": True},
}


@pytest.mark.parametrize("lie", LIARS)
@pytest.mark.parametrize("name", ["relay", "panel", "busy", "both"])
def test_a_liar_is_never_seen_to_follow(lie: str, name: str) -> None:
    plain = twenty()[name]
    liar = Gear(name, plain.text, dict(plain.first), noise=plain.noise, **LIARS[lie])  # type: ignore[arg-type]
    world = World([liar], liar, Meeting(hearing=TrueHearing(liar)))
    who = world.run()
    assert who is not None
    assert world.sent, "nothing was tried"
    told = [h.point for h in who.halves if h.half == "tell" and h.ground == "seen"]
    # of one that turns over, the level is honest
    assert told == [] or (lie.startswith("turns") and "switch" not in told)
    assert any("switch" in why or "saw" in why or "opposite" in why for why in who.missing)


def test_a_late_answer_to_one_candidate_is_not_taken_for_the_next() -> None:
    """It is told on 'put', the ninth or so that is tried, and answers 4.2 s late."""
    text = twenty()["slow"].text.replace('"{at}/set"', '"{at}/state/cmd"')
    slow = Gear("slow", text, late=4.2)
    world = World([slow], slow, Meeting(hearing=TrueHearing(slow)))
    who = world.run()
    assert who is not None
    told = [h for h in who.halves if h.half == "tell" and h.ground == "seen"]
    assert all(h.rule["topic"] == "{at}/state/cmd" for h in told)


def test_when_something_else_moves_it_nothing_more_is_sent() -> None:
    relay = twenty()["relay"]
    world = World([relay], relay, Meeting(hearing=TrueHearing(relay)))
    touched: list[int] = []

    def somebody() -> None:  # in the pause after the first message was followed
        if len(world.sent) == 1 and not touched:
            for _, message in relay.hand("on"):
                world.publish(message)
            touched.append(len(world.sent))
        elif not world.ended:
            world.after(0.1, somebody)

    world.after(10.0, somebody)
    who = world.run()
    assert touched == [1]
    assert who is not None
    assert len(world.sent) == 1
    assert relay.true["switch"] is True
    assert "something else moves it" in who.missing[0]


def test_what_a_phone_was_overheard_to_say_is_told_in_its_form() -> None:
    """A counter goes along and is left out; what never changes stays; the scale is its own."""
    gear = twenty()["panel"]
    who = acquaintance(gear)
    log = [
        Heard(0.0, Message("corner/panel/is", b'{"lit": true, "light": {"dim": 0, "warmth": 250}}'))
    ]
    for n, (percent, raw) in enumerate([(20, 51), (80, 204), (40, 102)], 1):
        told = b'{"seq": %d, "to": "panel", "pct": %d}' % (n * 7, percent)
        heard = b'{"lit": true, "light": {"dim": %d, "warmth": 250}}' % raw
        log += [
            Heard(n * 10.0, Message("phone/out", told)),
            Heard(n * 10.2, Message("corner/panel/is", heard)),
        ]
    first = candidates(who, "level", log)[0].half
    assert first.ground == "overheard"
    assert first.rule == {"topic": "phone/out", "json": {"pct": "{value}", "to": "panel"}}


def test_nothing_is_guessed_where_another_device_is_told_or_says_how_it_stands() -> None:
    who = acquaintance(twenty()["relay"])
    likely = [c.half.rule["topic"] for c in candidates(who, "switch")]
    assert "{at}/relay/in" in likely and "{at}/relay/out/set" in likely
    kept = [Heard(0.0, Message("bench/relay/relay/out/set", b"1", retain=True))]
    theirs = {"bench/relay/relay/in"}
    left = [c.half.rule["topic"] for c in candidates(who, "switch", kept, (), theirs)]
    assert left and not {"{at}/relay/in", "{at}/relay/out/set"} & set(left)


def test_one_of_the_same_make_is_told_in_its_own_place() -> None:
    """The book knows a neighbour that is heard in the same way; it is not the neighbour's topic."""
    text = twenty()["drehlicht"].text
    neighbour = acquaintance(Gear("drehlicht", text))
    for topic, good in (("ecke/drehlicht/befehl", False), ("{at}/befehl", True)):
        half = Half(
            "switch", "tell", {"topic": topic, "words": {"on": "an", "off": "aus"}}, "seen", ""
        )
        book = replace(neighbour, halves=(*neighbour.halves, half))
        who = replace(neighbour, name="zweites", at="ecke/zweites")
        found = [c.half.rule["topic"] for c in candidates(who, "switch", (), [book])]
        assert (topic == found[0]) is good, found


# ---- any device, any person ---------------------------------------------------------------------

WORDS = [("on", "off"), ("1", "0"), ("AN", "AUS"), ("open", "shut")]
SPANS = ["", ", span: 0..255", ", span: 1..254", ", span: 1000..0", ", unit: fraction"]
ENDS = [
    ("{at}/state", "{at}/set"),
    ("{at}/out", "{at}/in"),
    ("{at}", "{at}/cmd"),
    ("{at}/report", "do/{at}/report"),
    ("{at}/q", "{at}/nobody/guesses/this"),
]


@st.composite
def gears(draw: st.DrawFn) -> Gear:
    """A device of any of these shapes and manners; honest or not."""
    hear, tell = draw(st.sampled_from(ENDS))
    on, off = draw(st.sampled_from(WORDS))
    words = f'words: {{on: "{on}", off: "{off}"}}'
    span, told_span = draw(st.sampled_from(SPANS)), draw(st.sampled_from(SPANS))
    told_span = draw(st.sampled_from([span, span, told_span]))
    dims, document = draw(st.booleans()), draw(st.booleans())
    first = {"switch": draw(st.booleans())}
    if document:
        rules = [
            f'switch: {{tell: {{topic: "{tell}", json: {{go: "{{value}}"}}, {words}}}, hear: {{topic: "{hear}", field: go, {words}}}}}'
        ]
        level = f'level: {{tell: {{topic: "{tell}", json: {{dim: "{{value}}"}}{told_span}}}, hear: {{topic: "{hear}", field: dim{span}}}}}'
    else:
        rules = [
            f'switch: {{tell: {{topic: "{tell}", {words}}}, hear: {{topic: "{hear}", {words}}}}}'
        ]
        level = f'level: {{tell: {{topic: "{tell}/dim"{told_span}}}, hear: {{topic: "{hear}/dim"{span}}}}}'
    if dims:
        rules.append(level)
        first |= {"level": float(draw(st.sampled_from([0, 30, 60, 100])))}  # type: ignore[dict-item]
        if document and draw(st.booleans()) and told_span == span:
            rules.append("together: yes")
    lines = "\n".join(f"    {rule}" for rule in rules)
    text = f"dialects:\n  d:\n{lines}\ndevices:\n  odd: {{kind: {'light' if dims else 'plug'}, fed_by: wall, speaks: d, at: some/odd}}\n"
    lie = draw(st.sampled_from([{}, {}, {}, *LIARS.values()]))
    late = draw(st.sampled_from([0.05, 0.4, 1.5, 5.0]))
    by_app = draw(st.booleans())
    return Gear("odd", text, first, late=late, by_app=by_app, **lie)  # type: ignore[arg-type]


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    gear=gears(),
    answers=st.lists(st.sampled_from(["y", "y", "y", "n", "maybe", "", None]), max_size=4),
    stops_at=st.none() | st.floats(10.0, 60.0),
    lost=st.booleans(),
)
def test_whatever_the_device_and_whoever_answers(
    gear: Gear, answers: list[str | None], stops_at: float | None, lost: bool
) -> None:
    """`World` holds that nothing leaves without a yes to it; here is what may be concluded."""
    left = list(answers)
    world = World([gear], gear, Meeting(hearing=TrueHearing(gear)), stops_at=stops_at, lost=lost)

    def person(ask: Ask) -> str | None:
        if ask.key in ("tell", "ask") and left:
            return left.pop(0)
        return world.person(ask)

    world.says = person
    who = world.run()
    assert world.talk.answers <= MOST_ANSWERS
    if who is None:
        assert world.sent == []
        return
    seen = [h for h in who.halves if h.half == "tell" and h.ground == "seen"]
    honest = not (gear.deaf or gear.silent_deaf or gear.opposite or gear.toggles)
    if not honest:
        assert "switch" not in [h.point for h in seen]
    for half in seen:  # where it is told is where the device listens
        assert str(half.rule["topic"]).replace("{at}", "some/odd") in gear.topics
    said = " ".join(who.missing)
    if honest and not (lost and stops_at is not None) and gear.late < 3.0:
        assert world.as_found or "turn it back by hand" in said, world.trace


@given(gear=gears())
@settings(max_examples=8, deadline=None)
def test_candidates_are_few_and_none_could_be_heard_as_a_report(gear: Gear) -> None:
    who = acquaintance(gear)
    for point in ("switch", "level"):
        found = candidates(who, point)  # type: ignore[arg-type]
        assert len(found) <= MOST
        hears = {h.rule["topic"] for h in who.halves if h.half == "hear" and "field" not in h.rule}
        assert hears.isdisjoint(c.half.rule["topic"] for c in found)


def test_a_table_row_is_what_happened() -> None:
    """The figures of the table are counted from outside the conversation."""
    row, world = meet("relay", alone=True)
    assert row.sent == len(world.sent) == 3
    assert row.answers == len(world.questions)
    assert sisters()

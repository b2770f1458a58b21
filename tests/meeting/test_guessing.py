"""What hearing makes of gear: the same values as its own dialect, and nothing that was not heard."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings

from studiobridge.meeting import book
from studiobridge.meeting.met import Acquaintance
from studiobridge.profile import read_profile_text
from studiobridge.profile.model import SetProfile
from studiobridge.profile.said import Report
from studiobridge.speech import Speech
from studiobridge.speech.message import Message
from tests.meeting.speaking import HEAD, Evening, Make, makes


def profile_of(one: Acquaintance) -> SetProfile:
    """A set whose one device is as it was met, by the text of the book."""
    # a sensor may hear anything, and is told nothing
    as_sensor = replace(one, kind="sensor", measured={"fed_by": "wall"})
    return read_profile_text(book.text_of([as_sensor]).replace("met: 1\n", HEAD)).profile


def values(profile: SetProfile, messages: list[Message]) -> list[tuple[str, object]]:
    """Every value these messages say, in their order; numbers as far as a payload has them."""
    speech, found = Speech(profile), []
    for message in messages:
        for said in speech.hear(message, 0.0):
            assert isinstance(said, Report), said
            value = said.value
            number = isinstance(value, float) and not isinstance(value, bool)
            found.append((said.point, round(value, 3) if number else value))  # type: ignore[call-overload]
    return found


def met(evening: Evening) -> Acquaintance:
    found = [one for one in evening.hearing.acquaintances() if one.at == evening.make.at]
    assert len(found) == 1, [one.at for one in evening.hearing.acquaintances()]
    return found[0]


@settings(max_examples=60, deadline=None)
@given(makes())
def test_a_make_nobody_described_is_heard_as_its_own_dialect_hears_it(make: Make) -> None:
    evening = Evening(make)
    evening.play()
    one = met(evening)
    assert {half.point for half in one.halves} == set(make.points), one
    hear = {half.point: half for half in one.halves}
    assert hear["switch"].ground == "seen", hear["switch"]
    if "level" in make.points:
        assert hear["level"].ground == "seen", hear["level"]
        assert one.kind == "light"
    else:
        assert one.kind == "plug"
    mine = values(profile_of(one), evening.said)
    assert mine == values(make.profile, evening.said)

"""What a lamp draws, as written in a profile: its table, its ends, its meter's step."""

from __future__ import annotations

import pytest

from studiobridge.profile import ProfileError
from studiobridge.profile.build import read_profile_text

HEAD = """format: 1
set: shelf
mains: {circuits: {wall: {breaker: 10 A}}}
devices:
"""


def device(text: str) -> str:
    return f"{HEAD}  rim: {{fed_by: wall, {text}}}\n"


def test_a_table_says_what_a_lamp_draws_dark_and_at_full() -> None:
    text = device("kind: light, draws_at: {0 %: 0.6 W, 30 %: 5.1 W, 100 %: 15 W}")
    rim = read_profile_text(text).profile.devices["rim"]
    assert rim.draws_at == ((0.0, 0.6), (30.0, 5.1), (100.0, 15.0))
    assert (rim.draws, rim.standby) == (15.0, 0.6)


def test_without_a_table_what_is_written_stands() -> None:
    rim = read_profile_text(device("kind: light, draws: 15 W, standby: 0.4 W")).profile.devices
    assert (rim["rim"].draws, rim["rim"].standby, rim["rim"].draws_at) == (15.0, 0.4, ())
    bare = read_profile_text(device("kind: light, draws: 15 W")).profile.devices["rim"]
    assert bare.standby is None and bare.meter_step is None


@pytest.mark.parametrize(
    ("text", "place", "what"),
    [
        (
            "kind: light, draws_at: {0 %: 0.6 W}",
            "5:46",
            "what a lamp draws by level is a table of two points or more",
        ),
        (
            "kind: light, draws_at: {0 %: 6 W, 30 %: 5.1 W, 100 %: 15 W}",
            "5:46",
            "what it draws rises with its level",
        ),
        (
            "kind: light, draws_at: {0 %: 0.6 W, 50 %: 5 W, 30 %: 6 W, 100 %: 15 W}",
            "5:46",
            "50 %: 5 W is followed by 30 %: 6 W",
        ),
        (
            "kind: light, draws_at: {10 %: 2 W, 100 %: 15 W}",
            "5:46",
            "measured from dark to full",
        ),
        ("kind: light, draws_at: {0 %: 0.6 W, 90 %: 14 W}", "5:46", "measured from dark to full"),
        ("kind: light, draws_at: {0 %: 0.6 W, 100 %: 15}", "5:46", "'15' has no unit"),
        ("kind: light, draws_at: 15 W", "5:46", "write it like {0 %: 0.6 W"),
        (
            "kind: light, draws: 20 W, draws_at: {0 %: 0.6 W, 100 %: 15 W}",
            "5:49",
            "its table ends at 15 W and it draws 20 W at full",
        ),
        (
            "kind: light, standby: 3 W, draws_at: {0 %: 0.6 W, 100 %: 15 W}",
            "5:50",
            "its table begins at 0.6 W and it draws 3 W when dark",
        ),
        ("kind: light, draws: 2 W, standby: 3 W", "5:57", "when dark it draws 3 W, more than"),
        ("kind: amp, draws_at: {0 %: 0.6 W, 100 %: 15 W}", "5:34", "'rim' is no light"),
        ("kind: light, meter_step: 0.1 W", "5:36", "'rim' has no meter"),
        ("kind: light, standby: nan W", "5:45", "'nan W' is not a power in watts"),
        ("kind: plug, meters: yes, meter_step: 0 W", "5:60", "outside 0.001 to 100 W"),
    ],
)
def test_what_cannot_be_is_said_with_its_place(text: str, place: str, what: str) -> None:
    with pytest.raises(ProfileError) as found:
        read_profile_text(device(text), "shelf.yaml")
    said = [str(problem) for problem in found.value.problems]
    assert any(what in line for line in said), said
    assert any(line.startswith(f"shelf.yaml:{place}: ") for line in said), said

"""What a fixture that only listens is sent, and takes from it."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from studiobridge.profile.model import Slots, Span
from studiobridge.speech.slots import WHOLE, put, read

FINE = Slots(1, 25, 1, 2, 3, 4, Span(2700, 6500), {6: 0, 7: 255})
COARSE = Slots(1, 510, 2, cct=3, cct_span=Span(2700, 6500))


def frame_of(slots: Slots, level: float, cct: float | None, dark: bool = False) -> list[int]:
    frame = [9] * WHOLE
    put(slots, level, cct, frame, dark)
    return frame


def test_slots_by_hand() -> None:
    # half of 65535 is 32767.5: 0x8000; 4600 K is half way from 2700 to 6500: 0x8000
    frame = frame_of(FINE, 50, 4600)
    assert frame[24:31] == [0x80, 0, 0x80, 0, 0, 0, 255]
    assert frame[23] == 9 and frame[31] == 9, "the neighbours' slots are not touched"
    assert frame_of(FINE, 100, 6500)[24:28] == [255, 255, 255, 255]
    # half of 255 is 127.5, and halves go up: 128
    assert frame_of(COARSE, 50, 2700)[508:] == [9, 0, 128, 0]


def test_halves_go_up_whichever_number_is_even() -> None:
    """30 % of 255 is 76.5, 70 % is 178.5; of 65535 they are 19660.5 and 45874.5."""
    assert [frame_of(COARSE, level, None)[510] for level in (30, 50, 70)] == [77, 128, 179]
    fine = [frame_of(FINE, level, None)[24:26] for level in (30, 50, 70)]
    assert [high * 256 + low for high, low in fine] == [19661, 32768, 45875]


def test_a_dark_fixture_has_every_slot_at_nothing_and_so_have_those_it_keeps() -> None:
    assert frame_of(FINE, 50, 4600, dark=True)[24:31] == [0] * 7


def test_a_level_is_a_straight_line_whatever_its_light_is() -> None:
    found = [frame_of(COARSE, level, None)[510] for level in (0, 20, 40, 60, 80, 100)]
    assert found == [0, 51, 102, 153, 204, 255]


@given(st.floats(0, 100), st.floats(2700, 6500))
def test_what_is_put_is_read_within_half_a_step(level: float, cct: float) -> None:
    got, white = read(FINE, frame_of(FINE, level, cct))
    assert abs(got - level) <= 50 / 65535 + 1e-9
    assert white is not None and abs(white - cct) <= 1900 / 65535 + 1e-9
    got, white = read(COARSE, frame_of(COARSE, level, cct))
    assert abs(got - level) <= 50 / 255 + 1e-9
    assert white is not None and abs(white - cct) <= 1900 / 255 + 1e-9


@given(st.floats(-1e9, 1e9), st.floats(1, 1e9))
def test_nothing_leaves_its_slot(level: float, cct: float) -> None:
    for slots in (FINE, COARSE):
        assert all(0 <= value <= 255 for value in frame_of(slots, level, cct))


def test_a_short_frame_counts_as_dark() -> None:
    assert read(FINE, [255] * 24) == (0.0, 2700.0)

"""Measuring gear that is not as its profile says: what comes out against what it was made with."""

from __future__ import annotations

import itertools

import pytest

from studiobridge.meeting.conclusions import conclusions, meter_step
from studiobridge.meeting.measuring import Measuring, Over, Try, Wait
from studiobridge.meeting.subject import subject_of, why_not
from studiobridge.profile import read_profile_text
from tests.meeting.turns import one
from tests.meeting.virtual import Bench, figures, text

# What the gear is: its boot and answer scatter below these (rehearsal/devices.py).
TABLE = {0.0: 0.6, 20.0: 5.0, 60.0: 20.0, 100.0: 40.0}
DRAWS = "draws_at: {0 %: 0.6 W, 20 %: 5 W, 60 %: 20 W, 100 %: 40 W}"
GEAR = f", boots_in: 7 s, answers_in: 0.4 s, comes_back: last, {DRAWS}"


def truly(level: float) -> float:
    """Watts of that gear, reckoned here."""
    points = sorted(TABLE.items())
    for (a, less), (b, more) in itertools.pairwise(points):
        if level <= b:
            return less + (more - less) * (level - a) / (b - a)
    raise AssertionError(level)


@pytest.mark.parametrize(("seed", "how"), [(1, "last"), (2, "full"), (3, "preset"), (4, "dark")])
def test_what_is_measured_is_what_the_gear_is(seed: int, how: str) -> None:
    bench = Bench(text(GEAR.replace("last", how)), text(), seed=seed)
    found = bench.all()
    said = figures(found)
    boots, answers = float(said["boots_in"][:-2]), float(said["answers_in"][:-2])
    assert 0.85 * 7 <= boots <= 1.02 * 7 + 0.3  # its scatter, the round trip, and a tenth up
    assert 0.3 <= answers <= 0.5
    assert said["comes_back"] == how
    (table,) = [line.table for line in found.lines if line.key == "draws_at"]
    assert (table[0][0], table[-1][0]) == (0.0, 100.0)
    for level, watts in table:
        assert watts == pytest.approx(truly(level), abs=0.15)
    assert bench.laws.breaches == []
    assert bench.room.harms == []
    assert any(text.startswith("inrush:") for text in found.unsure)
    # and what it proposes is what a profile takes
    lines = "".join(f", {line.key}: {line.text}" for line in found.lines)
    assert read_profile_text(text(lines)).profile.devices["key"].draws_at == table


@pytest.mark.parametrize("seed", [0, 12])
def test_gear_made_up_by_dice_and_meters_that_err(seed: int) -> None:
    """More of them: python -m tests.meeting.turns"""
    errors, wrong, proposed = one(seed)
    assert wrong == []
    assert errors
    assert proposed == 4


def test_it_is_left_as_it_was_found() -> None:
    bench = Bench(text(GEAR), text())
    bench.ask("up")
    bench.run(30.0)
    key = bench.room.devices["key"]
    assert bench.core.controller.state == "ready"
    bench.all()
    bench.run(5.0)
    assert key.live
    assert key.level == pytest.approx(60.0, abs=0.5)
    assert bench.core.controller.state == "ready"


def test_a_plug_is_measured_by_its_own_answers() -> None:
    bench = Bench(text(GEAR, plug=", answers_in: 0.9 s"), text(), name="lamp-plug")
    said = figures(bench.all())
    assert set(said) == {"answers_in"}
    assert 0.6 <= float(said["answers_in"][:-2]) <= 1.0
    assert bench.room.devices["lamp-plug"].switch is False  # as it was


# ---- what is not sure is not proposed -------------------------------------------------------------


def unsure(bench: Bench, key: str) -> str:
    found = bench.all()
    assert key not in figures(found)
    (why,) = [text for text in found.unsure if text.startswith(f"{key}:")]
    return why


def test_a_meter_too_coarse_for_a_table_says_so() -> None:
    bench = Bench(text(GEAR), text())
    bench.room.devices["lamp-plug"].meter_step = 2.0
    why = unsure(bench, "draws_at")
    assert "tells 2 W apart" in why


def test_a_meter_of_whole_watts_on_a_lamp_of_forty_still_makes_a_table() -> None:
    bench = Bench(text(GEAR), text())
    bench.room.devices["lamp-plug"].meter_step = 1.0
    (table,) = [line.table for line in bench.all().lines if line.key == "draws_at"]
    for level, watts in table:
        assert watts == pytest.approx(truly(level), abs=0.51)


def test_a_slow_meter_is_waited_for() -> None:
    bench = Bench(text(GEAR), text())
    plug = bench.room.devices["lamp-plug"]
    plug.meter_every = 9.7
    (table,) = [line.table for line in bench.all().lines if line.key == "draws_at"]
    for level, watts in table:
        assert watts == pytest.approx(truly(level), abs=0.15)


def test_a_lamp_that_still_warms_up_gets_no_table() -> None:
    bench = Bench(text(GEAR), text())
    key = bench.room.devices["key"]
    while not isinstance(bench.wish, Over):
        key.age = 1.0 - 0.1 * min(1.0, bench.now / 400.0)  # ten percent in some minutes
        bench.step()
    found = conclusions(bench.measuring.subject, bench.measuring.measured, bench.wish)
    assert "draws_at" not in figures(found)
    assert any("still warming up" in text for text in found.unsure)


RIM = "  rim: {kind: light, fed_by: lamp-plug, speaks: panel, at: rim, draws: 12 W}\n"


def test_another_lamp_on_the_same_meter_is_not_taken_for_this_one() -> None:
    bench = Bench(text(GEAR, more=RIM), text(more=RIM))
    why = unsure(bench, "draws_at")
    assert "meters rim too" in why


def test_another_lamp_behind_a_plug_that_is_off_takes_nothing() -> None:
    more = "  rim-plug: {kind: plug, fed_by: lamp-plug, speaks: relay, at: rimp}\n"
    more += RIM.replace("fed_by: lamp-plug", "fed_by: rim-plug")
    bench = Bench(text(GEAR, more=more), text(more=more))
    (table,) = [line.table for line in bench.all().lines if line.key == "draws_at"]
    assert table[-1][1] == pytest.approx(40.0, abs=0.15)


def test_no_meter_no_watts_and_no_plug_no_boot() -> None:
    bare = text(GEAR.replace(f", {DRAWS}", "")).replace(", meters: yes", "")
    bare = bare.replace('    watts: {hear: {topic: "say/{at}/watts"}}\n', "")
    found = Bench(bare, bare).all()
    assert any("no plug above it has a meter" in text for text in found.unsure)
    assert {"boots_in", "answers_in", "comes_back"} == set(figures(found))
    straight = bare.replace("fed_by: lamp-plug", "fed_by: wall")
    subject = subject_of(read_profile_text(straight).profile, "key")
    assert subject.plug is None
    assert any("no plug that can be told switches its mains" in text for text in subject.without)


def test_levels_that_come_in_coarse_steps_are_said() -> None:
    # 50 steps from dark to full: 2 % each, and the dialect's span says nothing of that
    coarse = Bench(text(GEAR), text())
    end = coarse.room.devices["key"]
    clamp = end._clamp
    end._clamp = lambda level: round(clamp(level) / 2.0) * 2.0  # type: ignore[method-assign]
    found = coarse.all()
    assert any("steps of about 2 %" in text for text in found.comments), found


def test_what_a_meter_tells_apart_is_learned_from_what_it_said() -> None:
    assert meter_step([0.0, 1.5, 4.0, 7.5]) == 0.5
    assert meter_step([0.0, 3.0, 8.0]) == 1.0
    assert meter_step([0.12, 3.4, 8.07]) == 0.01
    assert meter_step([3.0, 3.0]) == 0.01  # two words prove no step


# ---- never ----------------------------------------------------------------------------------------

NEVER = """\
  pc: {kind: computer, fed_by: lamp-plug, draws: 60 W}
  eye: {kind: camera, fed_by: lamp-plug}
  amp: {kind: amp, fed_by: amp-plug}
  amp-plug: {kind: plug, fed_by: wall, speaks: relay, at: amp}
  hub: {kind: network, fed_by: hub-plug}
  hub-plug: {kind: plug, fed_by: wall, speaks: relay, at: hub, stays_on: yes}
  dial: {kind: light, fed_by: amp-plug, proof: hand}
"""


def test_what_is_never_measured_and_why() -> None:
    profile = read_profile_text(text(more=NEVER)).profile
    for name, why in (
        ("pc", "is a computer"),
        ("eye", "is a camera"),
        ("amp", "is an amp"),
        ("hub", "is a network"),
        ("hub-plug", "stays on"),
        ("dial", "speaks nothing"),
    ):
        assert why in str(why_not(profile, name)), name
    assert why_not(profile, "key") is None
    # and its plug keeps its mains, for what else hangs there
    subject = subject_of(profile, "key")
    assert subject.plug is None
    assert any("also feeds pc, which is a computer" in text for text in subject.without)


def test_a_lamp_that_cools_gets_its_time_every_time() -> None:
    fan = GEAR + ", cools_in: 12 s"
    bench = Bench(text(fan), text(", cools_in: 12 s"))
    found = bench.all()
    assert bench.wish == Over(None, "all of it")
    assert bench.room.harms == []
    assert bench.laws.breaches == []
    assert "boots_in" in figures(found)


# ---- what goes wrong in the middle ----------------------------------------------------------------


def until(bench: Bench, tells: int) -> None:
    while bench.tells < tells and not isinstance(bench.wish, Over):
        bench.step()


def ended(bench: Bench) -> Over:
    found = bench.all()
    assert isinstance(bench.wish, Over)
    assert bench.wish.why is not None
    assert found.lines == ()  # half of it is nothing
    return bench.wish


def test_a_lockout_in_the_middle_ends_it_before_anything_more_is_told() -> None:
    bench = Bench(text(GEAR), text())
    until(bench, 6)
    bench.ask("lockout", targets=["key"], by="Ana", why="a bulb")
    bench.run(0.5)
    over = ended(bench)
    assert "locked out by Ana" in str(over.why)
    assert "of 6 times off and on" in over.did
    bench.put_back()
    assert bench.laws.breaches == []


def test_a_camera_that_rolls_ends_it() -> None:
    eye = """\
  eye-plug: {kind: plug, fed_by: wall, speaks: relay, at: eyep}
  eye: {kind: camera, fed_by: eye-plug}
"""
    bench = Bench(text(GEAR, more=eye), text(more=eye))
    until(bench, 6)
    bench.ask("rolling_on", targets=["eye"])
    bench.run(0.5)
    assert "eye is rolling" in str(ended(bench).why)
    assert bench.laws.breaches == []


def test_a_device_that_falls_mute_ends_it_and_it_is_put_back() -> None:
    bench = Bench(text(GEAR), text())
    until(bench, 20)
    bench.room.devices["key"].deaf = True
    assert "did not confirm" in str(ended(bench).why)
    bench.room.devices["key"].deaf = False
    bench.put_back()
    assert bench.room.devices["lamp-plug"].switch is False


def test_a_device_that_lies_about_its_level_ends_it() -> None:
    bench = Bench(text(GEAR), text())
    until(bench, 20)
    bench.room.devices["key"].rejects = frozenset({"level"})
    assert "reports" in str(ended(bench).why)


def test_a_bridge_that_is_killed_in_the_middle_ends_it() -> None:
    bench = Bench(text(GEAR), text())
    until(bench, 7)
    bench.kill_bridge()
    assert "does not answer" in str(ended(bench).why)
    bench.start_bridge()
    bench.run(10.0)
    bench.put_back()
    assert bench.room.devices["lamp-plug"].switch is False
    assert bench.laws.breaches == []


def test_a_link_that_is_lost_in_the_middle_of_a_try_ends_it() -> None:
    bench = Bench(text(GEAR), text())
    until(bench, 6)
    bench.room.devices["lamp-plug"].late = 1.0
    while not isinstance(bench.wish, Try) or bench.wish.value is None:
        bench.step()
    asked = bench.wish
    bench.waiting = bench.ask("try", targets=[asked.device], value=asked.value)
    bench.run(0.3)
    bench.lose_link(4.0)
    bench.run(15.0)
    assert isinstance(bench.wish, Over)
    assert "the link was lost" in str(bench.wish.why)


def test_a_clock_that_steps_changes_no_figure() -> None:
    bench = Bench(text(GEAR), text(), seed=2)
    until(bench, 5)
    bench.jumped += 3600.0
    until(bench, 9)
    bench.jumped -= 86400.0
    assert figures(bench.all()) == figures(Bench(text(GEAR), text(), seed=2).all())


def test_what_the_broker_kept_is_no_first_word_and_no_watts() -> None:
    subject = subject_of(read_profile_text(text()).profile, "key")
    measuring = Measuring(subject)
    wish = measuring.begin(0.0)
    assert wish == Try("lamp-plug", None)
    measuring.heard(0.1, "lamp-plug", "switch", False, True)
    wish = measuring.answered(0.2, 0, "", {})
    assert isinstance(wish, Wait)
    over = measuring.due(wish.until)
    assert isinstance(over, Over)  # it has only been heard as kept
    assert "has not said whether it is on" in str(over.why)
    assert measuring.back() == []


def test_what_a_person_ends_names_what_would_put_it_back() -> None:
    bench = Bench(text(GEAR), text())
    bench.ask("up")
    bench.run(30.0)
    until(bench, 2)
    bench.measuring.stop(bench.now, "it was ended by hand")
    assert bench.measuring.back()[0] == Try("lamp-plug", "on")
    assert bench.measuring.back()[1].device == "key"
    assert float(str(bench.measuring.back()[1].value)[:-2]) == pytest.approx(60.0, abs=0.5)


@pytest.mark.parametrize("what", ["plug", "level"])
def test_what_somebody_else_changes_meanwhile_ends_it(what: str) -> None:
    """A hand, or a second measurement: what is metered then is of something else."""
    bench = Bench(text(GEAR), text())
    while "its watts at 25" not in bench.measuring.did or not isinstance(bench.wish, Wait):
        bench.step()
    if what == "plug":
        bench.gear(bench.room.touch("lamp-plug", bench.now, switch=False))
    else:
        bench.gear(bench.room.touch("key", bench.now, level=88.0))
    assert "somebody else changed" in str(ended(bench).why)


def test_a_lamp_that_never_speaks_gets_its_table_and_no_boot() -> None:
    def mute(said: str) -> str:
        heard = '      hear: {topic: "say/{at}", field: dim, span: 0..255}\n'
        here = '    online: {hear: {topic: "say/{at}/here", words: {yes: "1", no: "0"}}}\n'
        return said.replace(heard, "").replace(here, "").replace("at: key", "at: key, proof: none")

    found = Bench(mute(text(GEAR)), mute(text())).all()
    assert set(figures(found)) == {"draws_at"}
    (table,) = [line.table for line in found.lines]
    for level, watts in table:
        assert watts == pytest.approx(truly(level), abs=0.15)
    assert any("never speaks" in text for text in found.unsure)

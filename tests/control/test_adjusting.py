"""One light by small steps: what a step comes to, which gates it meets, what it leaves, and when."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import pytest

from studiobridge.control.adjusting import HOLDS, LATE
from studiobridge.control.effects import Answer, Memory, RequestNote, StepNote
from studiobridge.control.events import Described, Noted, Request, Saved
from studiobridge.control.views import device_view, state_view
from studiobridge.craft.grid import Grid, mired
from studiobridge.profile.model import Circuit, Preset, SetProfile
from tests.control.play import Play, fixture, on_plug, plug, profile

UP, DOWN = ("level", 0.1), ("level", -0.1)
WARMER, COOLER = ("cct", 5.0), ("cct", -5.0)


def shelf(**more: object) -> SetProfile:
    made = profile(
        plug("lamp-plug"),
        plug("desk-plug"),
        fixture("key", "lamp-plug", boots_in=0.0, cct_range=(2700.0, 6500.0), restores=3),
        fixture("edge", "lamp-plug", boots_in=0.0),
        on_plug("strip", "light", "lamp-plug", hand_set=True),
        on_plug(
            "camera",
            "camera",
            "desk-plug",
            speaks="c",
            can_ask=True,
            hears=frozenset({"online", "rolling"}),
            closes_in=4.0,
        ),
        looks={
            "day": {
                "key": Preset(50.0, 4300.0),
                "edge": Preset(30.0, None),
                "strip": Preset(40.0),
            },
            "dusk": {"key": Preset(50.0, 3200.0), "edge": Preset(10.0)},
        },
    )
    return replace(made, **more)  # type: ignore[arg-type]


def ready(made: SetProfile | None = None, grids: bool = False) -> Play:
    play = Play(made or shelf())
    if grids:
        one_percent = Grid(0.0, 100.0, 1.0, "percent")
        play.give(Described(0.0, "key", "level", True, True, one_percent))
        play.give(Described(0.0, "key", "cct", True, True, Grid(150.0, 400.0, 10.0, "mired")))
    play.link_up()
    play.ask("up")
    play.run(60.0)
    play.ask("set_by_hand")
    assert play.state == "ready", play.controller.why
    play.forget()
    return play


def press(play: Play, step: tuple[str, float] = UP, device: str = "key", **more: object) -> None:
    play.ask("adjust", targets=(device,), step=step, **more)


def adjusting(play: Play) -> list[dict[str, object]]:
    return state_view(play.controller, play.now, lambda at: at)["adjusting"]  # type: ignore[return-value]


def levels(play: Play, device: str = "key") -> list[float]:
    return [dict(values)["level"] for _, _, values in play.tells(device)]  # type: ignore[misc]


def last(play: Play) -> Answer:
    return play.answers()[-1]


# ---- what a step comes to ----------------------------------------------------------------------


def test_a_step_is_a_tenth_of_a_stop_more_light_told_at_once_and_confirmed() -> None:
    play = ready()
    press(play)
    play.run(1.0)
    assert levels(play) == [pytest.approx(50.0 * 2**0.1)]
    assert last(play).code == 0
    assert "confirmed by its own report" in last(play).text
    phases = [e.phase for _, e in play.effects if isinstance(e, StepNote)]
    assert phases == ["intended", "sent", "confirmed"]
    assert play.runs() == [("adjust", "begun"), ("adjust", "done")]


def test_white_goes_in_mired_and_positive_is_warmer() -> None:
    play = ready()
    press(play, WARMER)
    play.run(1.0)
    (told,) = [dict(values)["cct"] for _, _, values in play.tells("key")]
    assert mired(told) - mired(4300.0) == pytest.approx(5.0)  # type: ignore[arg-type]
    press(play, COOLER)
    play.run(1.0)
    assert dict(play.tells("key")[-1][2])["cct"] == pytest.approx(4300.0)


def test_a_step_goes_by_the_dimmer_of_the_light() -> None:
    from studiobridge.craft.light import Dimmer

    made = shelf()
    key = replace(made.devices["key"], dimmer=Dimmer("square"))
    play = ready(replace(made, devices={**made.devices, "key": key}))
    press(play)
    play.run(1.0)
    # a square dimmer: light goes with the square of the level, so a tenth of a stop is half as far
    assert levels(play) == [pytest.approx(50.0 * 2**0.05)]


def test_a_step_too_small_for_the_grid_is_one_step_of_the_grid() -> None:
    play = ready(grids=True)
    for step, goal in ((("level", 0.02), 51.0), (("level", -0.02), 50.0)):
        press(play, step)
        play.run(1.0)
        assert levels(play)[-1] == pytest.approx(goal)
    # 4300 K is 232.6 mired, on this light 230 or 240: warmer is 240 (5 more are nearest to that),
    # cooler from there is 230
    for step, goal in ((WARMER, 240.0), (COOLER, 230.0), (COOLER, 220.0)):
        press(play, step)
        play.run(1.0)
        assert mired(dict(play.tells("key")[-1][2])["cct"]) == pytest.approx(goal)  # type: ignore[arg-type]


def test_at_its_end_it_says_so_and_tells_nothing() -> None:
    play = ready()
    for _ in range(12):
        press(play)
        play.run(1.0)
    assert max(levels(play)) == 100.0
    assert len(levels(play)) == 10  # a stop from 50 to 100 %
    assert adjusting(play)[0]["at_end"] == {"level": "the most"}
    assert (last(play).code, last(play).text) == (1, "key is at its end: 100 % is the most it can")
    press(play, ("cct", 20.0))
    for _ in range(20):
        play.run(1.0)
        press(play, ("cct", 20.0))
    assert last(play).text == "key is at its end: 2700 K is the warmest it can"
    assert mired(2700.0) - mired(4300.0) < 20 * 20


def test_a_step_never_puts_a_light_out() -> None:
    play = ready()
    for _ in range(60):
        press(play, ("level", -1 / 3))
        play.run(1.0)
    assert 0.0 < min(levels(play)) <= 0.2
    assert "is the least it can" in last(play).text


def test_the_second_step_goes_from_what_was_asked_and_not_from_a_report_on_its_way() -> None:
    play = ready()
    press(play)
    press(play)
    press(play)
    play.run(3.0)
    assert levels(play)[-1] == pytest.approx(50.0 * 2**0.3)


def test_after_a_hand_was_there_a_step_goes_from_what_the_light_reports() -> None:
    play = ready()
    press(play)
    play.run(3.0)
    play.report("key", "level", 20.0)
    press(play)
    play.run(3.0)
    assert levels(play)[-1] == pytest.approx(20.0 * 2**0.1)


def test_a_report_within_tolerance_of_where_it_was_confirms_no_step() -> None:
    play = ready()
    play.obedient = False
    press(play)
    play.run(0.1)
    play.report("key", "level", 50.0)  # it did nothing, and is asked: within 0.1 stop of both
    play.run(20.0)
    assert last(play).code == 1
    assert "was told 53.59 % and reports 50 %" in last(play).text
    assert adjusting(play)[0]["why"] == "key was told 53.59 % and reports 50 %"
    # and the next step goes from there
    play.obedient = True
    press(play)
    play.run(2.0)
    assert levels(play)[-1] == pytest.approx(50.0 * 2**0.1)


@pytest.mark.parametrize(
    ("step", "targets", "says"),
    [
        (None, ("key",), "by how much"),
        (("level", 0.0), ("key",), "at most 1/3 stop"),
        (("level", 0.5), ("key",), "at most 1/3 stop"),
        (("level", math.nan), ("key",), "at most 1/3 stop"),
        (("cct", -math.inf), ("key",), "at most 20 mired"),
        (("cct", 21.0), ("key",), "at most 20 mired"),
        (("switch", 0.1), ("key",), "at most"),
        (UP, (), "one light"),
        (UP, ("key", "edge"), "one light"),
        (UP, ("wall",), "one light"),
        (UP, ("camera",), "no light"),
        (UP, ("strip",), "set by hand"),
        (("cct", 5.0), ("edge",), "says no white of edge"),
    ],
)
def test_nonsense_is_refused_and_nothing_is_told(
    step: tuple[str, float] | None, targets: tuple[str, ...], says: str
) -> None:
    play = ready()
    play.ask("adjust", targets=targets, step=step)
    play.run(5.0)
    assert last(play).code in (1, 2)
    assert says in last(play).text
    assert (play.tells(), play.state, adjusting(play)) == ([], "ready", [])


# ---- gates -------------------------------------------------------------------------------------


def test_never_while_a_camera_rolls_or_closes_its_file_and_nothing_forces_it() -> None:
    play = ready()
    play.report("camera", "rolling", True)
    press(play, force=True)
    assert last(play).text == "camera is rolling: nothing is changed now"
    play.report("camera", "rolling", False)
    play.run(1.0)
    press(play, force=True)
    assert "closing its file" in last(play).text
    assert play.tells() == []
    play.run(4.0)
    press(play)
    play.run(1.0)
    assert len(play.tells()) == 1


def test_a_camera_that_begins_to_roll_ends_it_and_what_waits_is_not_told() -> None:
    play = ready()
    play.writes = False
    press(play)
    press(play)
    play.report("camera", "rolling", True)
    note = next(e for _, e in play.effects if isinstance(e, StepNote))
    play.give(Noted(play.now, note.run, note.n))
    play.run(30.0)
    assert play.tells("key") == []
    assert [a.code for a in play.answers()] == [1, 1]
    assert adjusting(play) == []


def test_never_during_another_run_nor_in_a_set_that_is_not_up() -> None:
    play = Play(shelf())
    play.link_up()
    press(play)
    assert "the set is dark" in last(play).text
    play.ask("up")
    press(play)
    assert "the set is rising" in last(play).text
    play.run(60.0)
    play.ask("set_by_hand")
    play.report("edge", "level", 60.0)
    play.run(5.0)
    play.ask("restore")
    press(play)
    assert "'restore' is under way" in last(play).text


def test_what_is_locked_out_is_not_changed() -> None:
    play = ready()
    play.ask("lockout", targets=("key",), by="Ana", why="a bulb")
    press(play)
    assert "locked out by Ana" in last(play).text
    assert play.tells() == []


def test_a_lockout_between_the_press_and_the_disk_stops_it() -> None:
    play = ready()
    play.writes = False
    press(play)
    play.ask("lockout", targets=("lamp-plug",), by="Ana", why="a cable")
    note = next(e for _, e in play.effects if isinstance(e, StepNote))
    play.give(Noted(play.now, note.run, note.n))
    play.run(10.0)
    assert play.tells("key") == []
    assert last(play).code == 1


def test_a_circuit_that_is_full_stops_a_step_up() -> None:
    # 80 % of 10 A at 230 V are 1840 VA; at 40 % both take less, a third of a stop up they do not
    made = profile(
        plug("lamp-plug"),
        fixture("key", "lamp-plug", boots_in=0.0, draws=1500.0, inrush=0.0),
        fixture("edge", "lamp-plug", boots_in=0.0, draws=800.0, inrush=0.0),
        looks={"day": {"key": Preset(40.0, 4300.0), "edge": Preset(100.0, 4300.0)}},
    )
    made = replace(made, circuits={"wall": Circuit("wall", 10.0, "B", 0.5)})
    play = ready(made)
    press(play, ("level", 1 / 3))
    play.run(1.0)
    assert (last(play).code, "asked for" in last(play).text) == (1, True)
    assert play.tells() == []
    assert play.state == "ready"  # nothing was told: nothing is otherwise


def test_a_light_that_went_out_meanwhile_is_not_switched_on_by_a_step() -> None:
    play = ready()
    play.writes = False
    press(play)
    play.report("key", "switch", False)
    note = next(e for _, e in play.effects if isinstance(e, StepNote))
    play.give(Noted(play.now, note.run, note.n))
    play.run(10.0)
    assert play.tells("key") == []
    assert "switches nothing on" in last(play).text
    press(play)
    assert "is not on" in last(play).text


def test_an_old_report_is_nothing_to_step_from() -> None:
    play = ready()
    play.deaf.add("key")
    play.link_down()
    play.run(1.0)
    play.link_up()
    press(play)
    play.run(10.0)
    assert play.tells("key") == []
    assert last(play).code == 1


@pytest.mark.parametrize("how", ["retained", "expired"])
def test_a_press_that_was_kept_or_comes_late_asks_for_nothing(how: str) -> None:
    play = ready()
    press(play, **{how: True})
    play.run(5.0)
    assert (play.tells(), play.state) == ([], "ready")


# ---- quick presses -----------------------------------------------------------------------------


def test_quick_presses_add_up_and_one_value_is_on_its_way() -> None:
    play = ready()
    play.delay = 0.6
    for _ in range(4):
        press(play)
        play.run(0.05)
    assert len(levels(play)) == 1
    play.run(5.0)
    # the first, and all the others in one
    assert levels(play) == [pytest.approx(50 * 2**0.1), pytest.approx(50 * 2**0.4)]
    assert [a.code for a in play.answers()] == [0, 0, 0, 0]
    assert len({a.request_id for a in play.answers()}) == 4


def test_presses_there_and_back_while_one_is_on_its_way_cost_one_more() -> None:
    play = ready()
    play.delay = 0.6
    for step in (UP, UP, DOWN, DOWN):
        press(play, step)
    play.run(5.0)
    assert levels(play) == [pytest.approx(50 * 2**0.1), pytest.approx(50.0)]
    play.run(10.0)
    assert play.state == "ready"


def test_held_down_a_light_is_told_no_faster_than_it_may() -> None:
    play = ready()
    play.delay = 0.01
    for n in range(80):  # up and down in turns, as fast as a finger does it
        press(play, UP if n % 2 == 0 else DOWN)
        play.run(0.05)
    times = [at for at, _, _ in play.tells("key")]
    assert len(times) > 5
    assert min(b - a for a, b in itertools.pairwise(times)) >= 0.25 - 1e-6


def test_more_than_a_tenth_of_the_light_at_once_waits_for_longer() -> None:
    play = ready()
    play.delay = 0.01
    for n in range(24):
        press(play, ("level", 0.3 if n % 2 == 0 else -0.3))
        play.run(0.1)
    times = [at for at, _, _ in play.tells("key")]
    assert len(times) > 2
    assert min(b - a for a, b in itertools.pairwise(times)) >= 0.5 - 1e-6


def test_a_mute_device_is_told_once_and_nothing_runs_ahead_of_it() -> None:
    play = ready()
    play.deaf.add("key")
    for _ in range(30):
        press(play, DOWN)
        play.run(0.02)
    assert len(levels(play)) == 1
    refused = [a for a in play.answers() if "has not confirmed" in a.text]
    assert len(refused) == 20  # a stop ahead of what is known, and no further
    play.run(60.0)
    assert len(levels(play)) <= 2
    assert all(a.code == 1 for a in play.answers())
    assert play.state == "adrift"  # nobody knows how it stands
    press(play)
    assert "has not said" in last(play).text


def test_a_press_that_waited_too_long_is_not_told() -> None:
    made = shelf()
    slow = replace(made.devices["key"], answers_in=LATE + 1.0)
    play = ready(replace(made, devices={**made.devices, "key": slow}))
    play.deaf.add("key")
    press(play)
    play.run(0.1)
    press(play)
    play.run(60.0)
    assert len(levels(play)) == 1
    assert "press again" in last(play).text


def test_two_people_at_the_same_light_add_up_and_both_are_answered() -> None:
    play = ready()
    press(play, by="Ana")
    press(play, by="Ben")
    assert adjusting(play)[0]["by"] == "Ben"
    play.run(3.0)
    assert levels(play)[-1] == pytest.approx(50 * 2**0.2)
    assert [a.code for a in play.answers()] == [0, 0]


def test_two_lights_take_turns() -> None:
    play = ready()
    play.delay = 0.4
    press(play)
    press(play, device="edge")
    play.run(0.05)
    press(play, WARMER)
    play.run(5.0)
    assert [name for _, name, _ in play.tells()] == ["key", "edge", "key"]
    assert [one["device"] for one in adjusting(play)] == ["key", "edge"]
    assert [a.code for a in play.answers()] == [0, 0, 0]


# ---- what it means for the set -----------------------------------------------------------------


def test_one_step_within_tolerance_is_honestly_not_ready() -> None:
    play = ready(grids=True)
    press(play, ("level", 0.05))  # 52 %: half its tolerance
    play.run(30.0)
    assert "ready" not in play.states()
    assert play.state == "adrift"
    assert [(d.device, d.point) for d in play.drifts("opened")] == [("key", "level")]
    assert ("restore", "begun") not in play.runs()  # though its profile restores three times
    assert device_view(play.controller, "key", play.now, lambda at: at)["adjusting"] is True


def test_a_preset_in_the_middle_of_two_steps_is_one_of_them() -> None:
    made = shelf()
    day = {**made.looks["day"].presets, "key": Preset(50.5, 4300.0)}
    look = replace(made.looks["day"], presets=day)
    play = ready(replace(made, looks={**made.looks, "day": look}), grids=True)
    play.report("key", "level", 50.0)
    press(play, ("level", 0.02))
    play.run(30.0)
    assert levels(play) == [51.0]
    assert play.state == "adrift"


def test_stepped_back_to_its_preset_it_is_ready_again_by_proof_alone() -> None:
    play = ready()
    press(play)
    play.run(5.0)
    press(play, DOWN)
    play.run(5.0)
    assert play.states() == ["adrift", "ready"]


def test_back_as_it_was_is_a_restore_of_it_also_within_tolerance_and_at_once() -> None:
    play = ready()
    press(play, ("level", 0.05))
    play.run(0.3)  # no drift is open yet
    play.ask("restore", targets=("key",))
    play.run(5.0)
    assert levels(play)[-1] == pytest.approx(50.0)
    assert (play.state, adjusting(play)) == ("ready", [])


def test_a_step_on_its_way_is_turned_around_by_a_restore() -> None:
    play = ready()
    play.delay = 0.5
    press(play)
    press(play)
    play.ask("restore", targets=("key",))
    play.run(5.0)
    assert [a.code for a in play.answers()] == [1, 1, 0]
    assert play.state == "ready"


def test_keep_it_so_writes_what_it_reports_and_the_set_is_ready() -> None:
    play = ready()
    press(play)
    play.run(5.0)
    play.ask("keep", id="k", targets=("key",))
    (save,) = play.saves()
    assert save.presets == {"key": Preset(53.6, 4300.0)}
    play.give(Saved(play.now, "k", None))
    play.run(5.0)
    assert (play.state, adjusting(play)) == ("ready", [])


def test_a_light_that_walks_there_is_not_kept_on_its_way() -> None:
    """Its first reports confirm the step, for they are nearer to it than to where it came from."""
    play = ready()
    press(play)
    play.run(5.0)
    play.obedient = False
    press(play, DOWN)
    play.run(0.5)
    play.report("key", "level", 51.4)
    assert play.runs()[-1] == ("adjust", "done")
    play.ask("keep", targets=("key",))
    play.ask("save_look", look="so", targets=("key",))
    assert play.saves() == []
    kept, saved = play.answers()[-2:]
    assert kept.code == saved.code == 1
    assert kept.text == "key is still on its way to what it was told; ask again"
    assert "key" in saved.text and "still being set" in str(saved.text) + str(saved.detail)
    play.report("key", "level", 50.0)
    play.ask("keep", targets=("key",))
    (save,) = play.saves()
    assert save.presets == {"key": Preset(50.0, 4300.0)}


def test_a_light_that_stays_short_of_a_step_is_kept_as_it_stands() -> None:
    play = ready()
    play.obedient = False
    press(play)
    play.run(0.5)
    play.report("key", "level", 53.0)
    play.run(5.0)
    play.ask("keep", targets=("key",))
    (save,) = play.saves()
    assert save.presets == {"key": Preset(53.0, 4300.0)}


def test_a_keep_that_could_not_be_written_leaves_it_being_adjusted() -> None:
    play = ready()
    press(play)
    play.run(5.0)
    play.ask("keep", id="k", targets=("key",))
    play.give(Saved(play.now, "k", "the file is read-only"))
    play.run(5.0)
    assert (play.state, len(adjusting(play))) == ("adrift", 1)


@pytest.mark.parametrize(("what", "more"), [("down", {}), ("up", {"look": "dusk"}), ("up", {})])
def test_a_run_of_the_whole_set_ends_it(what: str, more: dict[str, object]) -> None:
    play = ready()
    press(play, ("level", 0.05))
    play.run(3.0)
    play.ask(what, **more)
    play.run(90.0)
    assert adjusting(play) == []
    assert play.state == ("dark" if what == "down" else "ready")
    if what == "up":
        assert levels(play)[-1] == pytest.approx(50.0)


def test_after_a_minute_without_a_press_it_is_plain_drift_and_still_not_ready() -> None:
    play = ready()
    press(play, ("level", 0.05))
    play.run(HOLDS - 1.0)
    assert len(adjusting(play)) == 1
    play.run(2.0)
    assert adjusting(play) == []
    assert play.state == "adrift"
    play.run(300.0)
    assert play.state == "adrift"
    assert ("restore", "begun") not in play.runs()
    play.ask("restore")
    play.run(5.0)
    assert play.state == "ready"


def test_after_a_lost_link_it_is_drift_by_tolerance_and_nothing_waits() -> None:
    play = ready()
    play.delay = 0.5
    press(play, ("level", 0.3))
    press(play, ("level", 0.3))
    play.link_down()
    assert adjusting(play) == []
    play.run(1.0)
    play.link_up()
    play.report("key", "level", levels(play)[0])  # it did as it was told
    play.run(5.0)
    assert (len(levels(play)), play.state) == (1, "adrift")
    assert len(play.answers()) == 2
    assert all(a.code != 0 for a in play.answers())


def test_a_restart_in_the_middle_leaves_drift_and_tells_nothing() -> None:
    memory = Memory(
        state="ready", look="day", session=1, next_session=2, next_run=3, next_drift=1, run="adjust"
    )
    play = Play(shelf(), memory)
    for name in ("lamp-plug", "desk-plug"):
        play.on[name] = True
        play.later(0.1, name, "switch", True)
        play.later(0.1, name, "online", True)
    for point, value in (("online", True), ("switch", True), ("level", 50.0), ("cct", 4300.0)):
        play.later(0.2, "key", point, value)
    for point, value in (("online", True), ("switch", True), ("level", 36.0)):
        play.later(0.2, "edge", point, value)
    play.later(0.2, "camera", "online", True)
    play.link_up()
    play.run(10.0)
    assert (play.state, play.tells(), adjusting(play)) == ("adrift", [], [])


def test_somebody_tries_it_meanwhile_and_the_adjusting_is_over() -> None:
    play = ready()
    press(play)
    play.run(3.0)
    play.ask("try", targets=("key",), wish=("level", 20.0))
    play.run(5.0)
    assert adjusting(play) == []
    play.ask("restore")
    play.run(5.0)
    assert play.state == "ready"


def test_the_state_says_who_adjusts_what_since_when_and_what_it_was() -> None:
    play = ready()
    press(play, by="Ana")
    assert adjusting(play) == [
        {
            "device": "key",
            "by": "Ana",
            "since": "1970-01-01T00:01:05.100Z",
            "until": "1970-01-01T00:02:05.100Z",
            "level": pytest.approx(53.589),
            "cct": None,
            "was": {"level": 50.0, "cct": 4300.0, "colour": None},
            "under_way": True,
            "why": "",
            "at_end": None,
        }
    ]
    play.run(1.0)
    assert adjusting(play)[0]["under_way"] is False


def test_a_light_that_only_listens_is_told_and_never_called_confirmed() -> None:
    made = profile(
        plug("lamp-plug"),
        fixture(
            "key", "lamp-plug", boots_in=0.0, hears=frozenset(), can_ask=False, essential=False
        ),
        looks={"day": {"key": Preset(50.0, 4300.0)}},
    )
    key = replace(made.devices["key"], tells=frozenset({"level", "cct"}))
    play = ready(replace(made, devices={**made.devices, "key": key}))
    press(play)
    play.run(3.0)
    assert last(play).code == 0
    assert "nothing confirms it" in last(play).text
    assert play.state == "adrift"
    press(play)
    play.run(3.0)
    assert levels(play)[-1] == pytest.approx(50 * 2**0.2)


def test_a_repeated_press_is_answered_and_not_repeated() -> None:
    play = ready()
    request = Request(play.now, "same", "adjust", targets=("key",), step=UP)
    play.give(request)
    play.run(1.0)
    play.give(replace(request, at=play.now))
    play.run(1.0)
    assert len(levels(play)) == 1
    notes = [e.phase for _, e in play.effects if isinstance(e, RequestNote)]
    assert notes == ["taken", "done"]


def test_a_press_that_waits_is_refused_when_others_are_put_back_and_nothing_spins() -> None:
    made = shelf()
    edge = replace(made.devices["edge"], restores=3)
    play = ready(replace(made, devices={**made.devices, "edge": edge}))
    play.deaf.add("key")
    press(play)
    press(play)
    # by its profile edge is put back when the step of key is over; a camera holds that up for long
    play.report("edge", "level", 80.0)
    play.run(2.5)
    play.report("camera", "rolling", True)
    play.run(200.0)
    play.report("camera", "rolling", False)
    play.run(30.0)
    assert all(a.code == 1 for a in play.answers())
    assert len(play.answers()) == 2
    assert adjusting(play) == []


def test_what_was_stepped_before_stays_so_when_a_press_after_it_is_refused() -> None:
    play = ready(grids=True)
    play.delay = 0.5
    press(play, ("level", 0.02))  # 51 %: within its tolerance
    press(play, ("level", 0.02))
    play.ask("lockout", targets=("key",), by="Ana", why="a bulb")
    play.run(30.0)
    assert [a.code for a in play.answers()] == [0, 0, 1]
    assert levels(play) == [51.0]
    assert play.state == "adrift"

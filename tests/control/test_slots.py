"""Fixtures that only listen: told, never proven, dark by a lockout, not sent, fought by nobody."""

from __future__ import annotations

from dataclasses import replace

from studiobridge.control import views
from studiobridge.control.effects import Lockout, Memory
from studiobridge.control.events import Gauge, LinkUp, Rival, Unsent
from studiobridge.profile.model import Device, Preset, SetProfile, Slots
from tests.control.play import Play, on_plug, plug, profile

NAMES = ("hair", "wall-wash")


def listener(name: str, first: int, **more: object) -> Device:
    figures: dict[str, object] = {
        "speaks": "e131",
        "tells": frozenset({"level"}),
        "slots": Slots(1, first, 1),
        "proof": "none",
        "knows_fade": True,
        "boots_in": 2.0,
        "fade": 3.0,
        "draws": 30.0,
    }
    return on_plug(name, "light", "lamp-plug", **{**figures, **more})  # type: ignore[arg-type]


def a_set() -> SetProfile:
    """A light on slots behind a plug, one straight on its circuit, a camera on battery."""
    wash = replace(listener("wall-wash", 10), fed_by="wall", feeds=())
    return profile(
        plug("lamp-plug"),
        listener("hair", 1),
        wash,
        Device("camera", "camera", battery=True, closes_in=2.0),
        looks={"day": {"hair": Preset(60.0), "wall-wash": Preset(30.0)}},
    )


def up() -> Play:
    play = Play(a_set())
    play.link_up()
    play.ask("rolling_off", targets=("camera",))
    play.run(3)
    play.ask("up")
    play.run(30)
    assert play.state == "ready"
    return play


def view(play: Play, name: str = "hair") -> dict[str, object]:
    return views.device_view(play.controller, name, play.now, lambda at: at)


def test_a_run_up_tells_them_once_with_their_fade_and_ends_when_it_is_over() -> None:
    play = up()
    assert [values for _, _, values in play.tells("hair")] == [(("level", 60.0),)]
    assert ("hair", "set") in play.steps("waited out")
    assert ("hair", "set") not in play.steps("confirmed")
    told = play.tells("hair")[0][0]
    assert told >= 2.0, "it boots first"
    (answer,) = [a for a in play.answers() if "ready" in a.text]
    assert "only told or left to a hand, not proven: hair, wall-wash" in answer.text
    assert view(play)["by"] == "told" and view(play)["confirmed"] is False


def test_before_anything_is_asked_nothing_is_told_and_they_are_as_nobody_wants_them() -> None:
    memory = Memory(state="ready", look="day", session=1, next_session=2)
    play = Play(a_set(), memory)
    play.on["lamp-plug"] = True
    play.link_up()
    play.run(60)
    assert play.tells() == []
    assert play.state == "adrift"
    assert "nothing was sent to hair since the bridge started" in play.controller.why
    assert view(play)["by"] is None
    play.ask("up")
    play.run(30)
    assert play.state == "ready"


def test_a_lockout_ends_ready_for_its_slots_go_to_0() -> None:
    play = up()
    play.ask("lockout", targets=("hair",), by="Ana", why="bulb")
    assert play.state == "adrift"
    assert play.controller.why == "hair is held at 0 since it was locked out"
    assert view(play)["by"] is None
    play.forget()
    play.ask("release", targets=("hair",), by="Ana")
    play.run(60)
    assert play.tells("hair") == [] and play.state == "adrift", "released, and still dark"
    play.ask("up")
    play.run(30)
    assert [values for _, _, values in play.tells("hair")] == [(("level", 60.0),)]
    assert play.state == "ready" and view(play)["by"] == "told"


def test_what_is_locked_out_is_not_told_and_a_run_down_finds_it_dark() -> None:
    play = up()
    play.ask("lockout", targets=("hair",), by="Ana", why="bulb")
    play.forget()
    play.ask("up")
    play.run(30)
    assert play.tells("hair") == []
    play.ask("down", yes=True)
    play.run(30)
    assert play.tells("hair") == []
    assert ("hair", "fade out") in play.steps("waited out")
    assert play.state == "dark"


def test_a_run_down_fades_them_out_before_their_power_goes() -> None:
    play = up()
    play.forget()
    play.ask("down", yes=True)
    play.run(30)
    assert [values for _, _, values in play.tells("hair")] == [(("level", 0.0),)]
    (off,) = play.tells("lamp-plug")
    assert off[0] >= play.tells("hair")[0][0] + 3.0
    assert play.state == "dark"


def test_a_cut_puts_their_slots_to_0_at_once_also_where_no_plug_is() -> None:
    play = up()
    play.forget()
    play.ask("cut", yes=True)
    play.run(5)
    for name in NAMES:
        ((at, _, values),) = play.tells(name)
        assert values == (("level", 0.0),)
        assert at == play.tells("lamp-plug")[0][0]
    fades = [
        e.fade for _, e in play.effects if getattr(e, "device", "") in NAMES and hasattr(e, "fade")
    ]
    assert fades == [None, None]


def test_a_cut_is_not_kept_from_its_end_by_one_that_is_locked_out() -> None:
    play = up()
    play.ask("lockout", targets=("wall-wash",), by="Ana", why="bulb")
    play.ask("cut", yes=True)
    play.run(5)
    assert play.state == "dark"


def test_while_a_camera_rolls_they_are_not_told() -> None:
    play = up()
    play.ask("rolling_on", targets=("camera",))
    play.forget()
    play.ask("up", look="day")
    play.ask("restore", targets=("hair",))
    play.run(30)
    assert play.tells() == []


# ---- frames that do not leave ----------------------------------------------------------------


def test_frames_that_do_not_leave_end_ready_and_are_said_once() -> None:
    play = up()
    play.forget()
    play.give(Unsent(play.now, NAMES, "universe 1 is not sent: 10.0.0.7: no way there"))
    assert play.state == "adrift"
    assert "10.0.0.7: no way there" in play.controller.why
    assert view(play)["by"] is None
    play.give(Unsent(play.now + 1, NAMES, "universe 1 is not sent: 10.0.0.7: no way there"))
    faults = [e for _, e in play.effects if type(e).__name__ == "FaultNote"]
    assert len(faults) == 1
    play.now += 2
    play.give(Unsent(play.now, NAMES, None))
    assert play.state == "ready" and view(play)["by"] == "told"


def test_put_back_is_not_said_of_what_was_only_told_again() -> None:
    play = up()
    play.forget()
    play.ask("restore", targets=("hair",))
    play.run(10)
    (answer,) = play.answers()
    assert answer.text == "told again, nothing confirms it: hair"


def test_a_step_whose_frames_do_not_leave_fails_and_the_rest_comes_up() -> None:
    play = Play(a_set())
    play.link_up()
    play.ask("up")
    play.run(3)
    play.give(Unsent(play.now, NAMES, "universe 1 is not sent: no way there"))
    play.run(30)
    assert ("hair", "set") in play.steps("failed")
    assert ("lamp-plug", "power on") in play.steps("confirmed")
    assert play.state == "stalled" and "no way there" in play.controller.why


def test_one_that_is_not_essential_costs_nothing_but_itself() -> None:
    made = a_set()
    devices = {n: replace(d, essential=n not in NAMES) for n, d in made.devices.items()}
    play = Play(replace(made, devices=devices))
    play.link_up()
    play.ask("up")
    play.run(3)
    play.give(Unsent(play.now, NAMES, "universe 1 is not sent: no way there"))
    play.run(30)
    assert play.state == "ready"


def test_one_that_holds_through_a_restart_is_proven_by_its_watts() -> None:
    made = a_set()
    devices = {**made.devices, "hair": replace(made.devices["hair"], proof="watts")}
    devices["wall-wash"] = replace(devices["wall-wash"], essential=False)
    devices["lamp-plug"] = replace(
        devices["lamp-plug"], hears=frozenset({"switch", "online", "watts"})
    )
    memory = Memory(state="ready", look="day", session=1, next_session=2)
    play = Play(replace(made, devices=devices), memory)
    play.on["lamp-plug"] = True
    play.link_up()
    play.run(5)
    assert play.state == "adrift" and "nothing was sent to hair" in play.controller.why
    play.report("lamp-plug", "watts", 18.0)
    play.run(5)
    play.give(Gauge(play.now, "hair", "level", 59.0, 61.0, "watts"))
    assert play.state == "ready", play.controller.why
    assert view(play)["by"] == "watts"
    assert play.tells() == []


# ---- somebody else sends too -----------------------------------------------------------------


def test_somebody_else_who_sends_is_said_and_nothing_is_done_about_it() -> None:
    play = up()
    play.forget()
    play.give(Rival(play.now, NAMES, "another source ('desk') sends on universe 1"))
    state = views.state_view(play.controller, play.now, lambda at: at)
    assert state["contested"] == ["hair", "wall-wash"]
    assert play.state == "ready"
    (fault,) = [e for _, e in play.effects if type(e).__name__ == "FaultNote"]
    assert "another source ('desk')" in fault.text  # type: ignore[attr-defined]
    play.run(120)
    assert play.tells() == []
    play.give(Rival(play.now, NAMES, None))
    state = views.state_view(play.controller, play.now, lambda at: at)
    assert state["contested"] == []


def test_a_lockout_from_before_the_restart_is_known_before_anything_is_told() -> None:
    memory = Memory(lockouts=(Lockout("hair", "Ana", "bulb", 0.0),))
    play = Play(a_set(), memory)
    play.link_up()
    play.ask("up", force=True)
    play.run(30)
    assert play.tells("hair") == []
    assert len(play.tells("wall-wash")) == 1


def test_a_link_that_came_back_leaves_told_what_was_told() -> None:
    play = up()
    play.link_down()
    play.now += 3
    play.give(LinkUp(play.now))
    play.run(10)
    assert play.state == "ready"
    assert view(play)["confirmed"] is False


def test_a_fade_that_stood_still_for_a_camera_takes_so_much_longer_before_it_cools() -> None:
    """Law 6: a file that is closed in the middle of a fade out holds the fade, and the power."""
    made = a_set()
    hair = replace(made.devices["hair"], fade=10.0, cools_in=8.0)
    play = Play(replace(made, devices={**made.devices, "hair": hair}), deaf={*NAMES})
    play.link_up()
    play.ask("rolling_off", targets=("camera",))
    play.run(3)
    play.ask("up")
    play.run(40)
    play.ask("rolling_off", targets=("camera",))
    play.run(3)
    play.forget()
    play.ask("down")
    play.run(1)
    ((told, _, _),) = play.tells("hair")
    play.ask("rolling_on", targets=("camera",))
    play.run(20)
    play.ask("rolling_off", targets=("camera",))
    play.run(60)
    assert play.state == "dark"
    (off,) = [at for at, _, values in play.tells("lamp-plug") if values == (("switch", False),)]
    # it fades for one second, stands still for 22, fades for nine more, and cools for eight
    assert off >= told + 40.0

"""What is shown is never ahead of what is known: ready, confirmed, off, silent, cut."""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from studiobridge.control import views
from studiobridge.control.controller import Controller
from studiobridge.control.effects import Announce, Ask, Memory, RunNote, Tell
from studiobridge.control.events import Due, LinkUp, Report, Request
from studiobridge.profile.model import Preset, SetProfile
from tests.control.play import Play, corner, fixture, on_plug, plug, profile

METERED = frozenset({"switch", "watts", "online"})


def brought_up(made: SetProfile | None = None, **more: object) -> Play:
    play = Play(made or corner(), **more)  # type: ignore[arg-type]
    play.link_up()
    play.ask("up")
    play.run(40)
    assert play.state == "ready", play.controller.why
    play.forget()
    return play


def state(play: Play) -> dict[str, object]:
    return views.state_view(play.controller, play.now, lambda t: t)


def device(play: Play, name: str) -> dict[str, object]:
    return views.device_view(play.controller, name, play.now, lambda t: t)


def changed(made: SetProfile, name: str, **more: object) -> SetProfile:
    return replace(made, devices={**made.devices, name: replace(made.devices[name], **more)})  # type: ignore[arg-type]


# ---- ready ---------------------------------------------------------------------------------


def test_ready_is_not_said_while_lamps_are_dark_after_a_plug_was_put_back() -> None:
    play = brought_up()
    play.report("lamp-plug", "switch", False)
    play.on["lamp-plug"] = False
    play.run(5)
    assert play.state == "adrift"
    play.ask("restore")
    seen = []
    for _ in range(300):
        play.run(0.1)
        proven = all(device(play, name)["confirmed"] for name in ("key", "fill"))
        seen.append((play.state == "ready", proven))
    assert (True, False) not in seen
    assert seen[-1] == (True, True)


def test_a_plug_put_back_by_hand_is_not_ready_before_its_lamps_are_heard() -> None:
    play = brought_up()
    play.report("lamp-plug", "switch", False)
    play.run(5)
    play.deaf |= {"key", "fill"}
    play.report("lamp-plug", "switch", True)  # pressed on again: the drift of the plug closes
    play.run(1)
    assert play.state == "adrift"
    assert not device(play, "key")["confirmed"]
    play.deaf.clear()
    play.run(30)  # nobody asks for anything: the set asks by itself
    assert play.state == "ready"
    assert device(play, "key")["confirmed"]


def test_after_a_restart_a_light_that_says_only_that_it_is_there_is_not_ready() -> None:
    memory = Memory(state="ready", look="day", session=3, next_session=4, next_run=9)
    made = profile(plug("p"), fixture("key", "p"), looks={"day": {"key": Preset(64.0, 4300.0)}})
    play = Play(made, memory, obedient=False)
    play.give(LinkUp(0.0))
    play.report("p", "switch", True)
    play.report("key", "online", True)
    assert play.state == "adrift"
    for point, value in (("switch", True), ("level", 64.0), ("cct", 4300.0)):
        play.report("key", point, value)
    assert play.state == "ready"


def test_a_lamp_not_heard_after_a_restart_is_asked_again_until_it_speaks() -> None:
    memory = Memory(state="ready", look="day", session=3, next_session=4, next_run=9)
    made = profile(
        plug("p"),
        fixture("key", "p"),
        fixture("fill", "p"),
        looks={"day": {"key": Preset(64.0, 4300.0), "fill": Preset(32.0, 4300.0)}},
    )
    play = Play(made, memory, obedient=False)
    play.give(LinkUp(0.0))
    play.report("p", "switch", True)
    for point, value in (("switch", True), ("level", 32.0), ("cct", 4300.0)):
        play.report("fill", point, value)
    play.run(60)
    shown = state(play)
    assert play.state == "adrift"
    assert [entry["device"] for entry in shown["silent"]] == ["key"]  # type: ignore[attr-defined]
    assert shown["drifting"] == []  # it did not move: nobody knows
    assert device(play, "fill")["confirmed"]
    asked = [at for at, e in play.effects if type(e).__name__ == "Ask" and e.device == "key"]  # type: ignore[attr-defined]
    assert len([at for at in asked if at > 5]) >= 3
    for point, value in (("switch", True), ("level", 64.0), ("cct", 4300.0)):
        play.report("key", point, value)
    assert play.state == "ready"
    assert state(play)["silent"] == []


def test_a_light_that_was_put_back_and_does_not_answer_is_not_ready() -> None:
    play = brought_up()
    play.report("key", "level", 66.0)  # within its tolerance, and asked for all the same
    play.deaf.add("key")
    play.report("key", "cct", 6000.0)
    play.ask("restore")
    play.run(40)
    assert play.state == "adrift"
    play.deaf.clear()
    for point, value in (("switch", True), ("level", 64.0), ("cct", 4300.0)):
        play.report("key", point, value)
    play.run(3)
    assert play.state == "ready"


def test_drift_ends_ready_while_something_else_is_being_put_back() -> None:
    play = brought_up()
    play.report("key", "cct", 6000.0)
    play.deaf.add("key")
    play.ask("restore", targets=("key",))
    play.report("fill", "level", 90.0)
    play.run(4)
    assert play.controller.run is not None
    assert play.state == "adrift"


def test_a_set_is_not_ready_while_a_camera_holds_up_that_something_is_put_back() -> None:
    play = brought_up()
    play.report("lamp-plug", "switch", False)
    play.on["lamp-plug"] = False
    play.ask("restore")
    play.run(1)
    play.report("camera", "rolling", True)
    play.run(60)
    assert play.controller.run is not None
    assert play.state == "adrift"
    play.report("camera", "rolling", False)
    play.run(60)
    assert play.state == "ready"


# ---- confirmed -----------------------------------------------------------------------------


def test_a_light_that_failed_its_preset_is_not_shown_as_confirmed() -> None:
    play = Play(corner(), deaf={"key"})
    play.link_up()
    play.ask("up")
    for _ in range(60):
        play.run(1)
        if "key" in dict(play.controller.desk.busy):
            # it speaks, and does not do as told
            play.give(Report(play.now, "key", "switch", True))
            play.give(Report(play.now, "key", "level", 5.0))
    assert play.state == "stalled"
    shown = device(play, "key")
    assert shown["confirmed"] is False
    assert shown["by"] in (None, "told")


def test_the_evidence_is_shown_with_what_is_confirmed() -> None:
    made = corner()
    rim = on_plug("rim", "light", "lamp-plug", hand_set=True)
    day = replace(made.looks["day"], presets={**made.looks["day"].presets, "rim": Preset(30.0)})
    play = brought_up(replace(made, devices={**made.devices, "rim": rim}, looks={"day": day}))
    assert (device(play, "key")["by"], device(play, "key")["confirmed"]) == ("report", True)
    assert (device(play, "rim")["by"], device(play, "rim")["confirmed"]) == (None, False)
    assert state(play)["only_told"] == ["rim"]
    play.ask("set_by_hand", by="Ana")
    assert (device(play, "rim")["by"], device(play, "rim")["confirmed"]) == ("hand", True)
    assert state(play)["only_told"] == []


def test_a_time_that_is_over_is_no_confirmation() -> None:
    made = corner()
    camera = on_plug("camera", "camera", "desk-plug", boots_in=3.0)
    play = Play(replace(made, devices={**made.devices, "camera": camera}))
    play.link_up()
    play.ask("up")
    play.run(60)
    assert ("camera", "boots") in play.steps("waited out")
    assert ("camera", "boots") not in play.steps("confirmed")


def test_state_and_drift_are_views_of_one_moment() -> None:
    play = brought_up()
    play.report("key", "level", 90.0)
    play.run(5)
    play.forget()
    play.report("key", "level", 100.0)
    shown = [e for _, e in play.effects if isinstance(e, Announce) and e.drift]
    assert shown
    assert all(announce.state for announce in shown)


def test_who_was_sought_when_the_run_down_began_is_not_sought_after_it() -> None:
    made = profile(plug("p"), fixture("key", "p"), fixture("spare", "mains"))
    play = brought_up(made)
    play.deaf |= {"key", "spare"}
    play.link_down()
    play.link_up()
    play.forget()
    play.run(30)
    assert any(isinstance(e, Ask) and e.device == "spare" for _, e in play.effects)
    play.ask("down")
    play.run(60)
    play.forget()
    play.run(120)
    assert not any(isinstance(e, Ask) and e.device == "spare" for _, e in play.effects)


# ---- what is left on -----------------------------------------------------------------------


def test_a_plug_switched_on_by_hand_while_the_set_is_dark_is_named() -> None:
    made = profile(plug("p", hears=METERED), fixture("key", "p"))
    play = Play(made)
    play.link_up()
    assert play.state == "dark"
    play.forget()
    play.run(3)
    play.report("p", "switch", True)
    play.report("p", "watts", 60.0)
    assert any(isinstance(e, Announce) and e.state for _, e in play.effects)
    (left,) = state(play)["still_on"]  # type: ignore[misc]
    assert (left["device"], left["watts"], left["by"]) == ("p", 60.0, "report")
    assert left["since"] == views.iso(play.now, lambda t: t)


def test_a_plug_whose_contact_welded_is_named_by_its_watts() -> None:
    play = brought_up(profile(plug("p", hears=METERED), on_plug("strip", "light", "p")))
    play.run(1)
    play.ask("down")
    play.run(1)
    play.report("p", "watts", 58.0)
    play.run(60)
    assert play.state == "stalled"
    (left,) = state(play)["still_on"]  # type: ignore[misc]
    assert (left["device"], left["by"]) == ("p", "watts")
    assert "58 W still flow" in str(left["why"])


# ---- cut -----------------------------------------------------------------------------------


def test_a_cut_that_worked_ends_dark_and_says_it_was_cut() -> None:
    play = brought_up(meters_itself=True)
    # lights answer nothing any more: their mains went with the plug
    play.deaf |= {"key", "fill"}
    play.ask("cut", yes=True)
    play.run(30)
    answer = play.answers()[-1]
    assert (answer.code, play.state) == (0, "dark"), answer.text
    assert state(play)["cut"] is True
    assert "cut in" in answer.text
    play.deaf.clear()
    play.ask("up")
    play.run(40)
    assert state(play)["cut"] is False


# ---- a fault in the middle -----------------------------------------------------------------


def test_what_a_failed_event_wanted_is_thrown_away(monkeypatch: pytest.MonkeyPatch) -> None:
    play = brought_up()
    play.report("key", "level", 90.0)
    play.run(5)

    def broken(self: Controller, event: Request) -> None:
        self.gates.tell(event.at, "key", (("level", 64.0),))
        raise ZeroDivisionError

    monkeypatch.setitem(play.controller._handlers, Request, broken.__get__(play.controller))  # type: ignore[arg-type]
    with pytest.raises(ZeroDivisionError):
        play.controller.handle(Request(play.now, "x", "restore"))
    later = play.controller.handle(Due(play.now + 60.0, "judge key"))
    assert not [e for e in later if isinstance(e, Tell)]
    assert play.controller.failed


# ---- what speaks only when asked -------------------------------------------------------------


def test_what_speaks_only_when_asked_is_asked_as_soon_as_it_may_have_booted() -> None:
    quiet = on_plug(
        "panel", "display", "p", speaks="w", can_ask=True, boots_in=2.0, tells=frozenset()
    )
    play = Play(profile(plug("p"), replace(quiet, hears=frozenset({"online"}))), delay=0.05)
    play._boot = lambda switch: None  # type: ignore[method-assign]
    play.link_up()
    play.booted.add("panel")
    began = play.now
    play.ask("up")
    play.run(10)
    ready = next(at for at, e in play.effects if isinstance(e, RunNote) and e.phase == "done")
    assert ready - began < 2.0 + 0.05 + 0.05 + 0.1


def test_what_cannot_be_asked_is_not_told_again_sooner_for_it() -> None:
    play = Play(profile(plug("p", can_ask=False)), obedient=False)
    play.link_up()
    play.ask("up")
    play.run(30)
    times = [at for at, _, _ in play.tells("p")]
    assert len(times) == play.profile.patience.tries
    assert min(b - a for a, b in itertools.pairwise(times)) >= play.profile.patience.reply


def test_what_cannot_be_asked_and_does_not_answer_has_its_plug_asked() -> None:
    """Somebody spoke on its plug's topic: the plug is off, and nobody knows."""
    looks = {"day": {"key": Preset(64.0, 4300.0)}}
    play = Play(profile(plug("p"), fixture("key", "p", can_ask=False), looks=looks), obedient=False)
    play.link_up()
    play.report("p", "switch", True)
    play.forget()
    play.ask("up")
    play.run(60)
    asked = [e.device for _, e in play.effects if type(e).__name__ == "Ask"]  # type: ignore[attr-defined]
    assert "p" in asked


def test_a_message_is_believed_whole_before_anything_is_judged() -> None:
    """Reports that cross on the speaks: "on" of one message and the level of the one before."""
    looks = {"day": {"key": Preset(99.0, 3200.0)}}
    play = Play(profile(plug("p"), fixture("key", "p", fade=0.0), looks=looks))
    play.link_up()
    play.ask("up")
    play.run(4.06)  # told to come on low
    play.deaf.add("key")
    for switch, level in ((True, 1.0), (False, 99.0), (True, 1.0)):
        play.run(0.1)
        for point, value in (("switch", switch), ("level", level), ("cct", 3200.0)):
            report = Report(play.now, "key", point, value)  # type: ignore[arg-type]
            for effect in play.controller.handle(report, more=point != "cct"):
                play.effects.append((play.now, effect))
    assert ("level", 99.0) in play.tells("key")[-1][2]
    assert play.state == "rising"

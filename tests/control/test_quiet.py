"""Told quiet: what is off during takes only, and always comes back (law 16)."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from studiobridge.control.effects import FaultNote, Lockout, MadeQuiet, Memory, QuietNote
from studiobridge.control.events import LinkUp, QuietNoted
from studiobridge.control.views import state_view
from studiobridge.profile.model import Circuit, Preset, ToldQuiet
from tests.control.play import Play, fixture, on_plug, plug, profile

MINUTE = 60.0


class Quietly(Play):
    """The disk takes at once what is intended with gear told quiet, unless `writes` is off."""

    fridge_disk: bool = True

    def give(self, event):
        done = super().give(event)
        for effect in list(done):
            if isinstance(effect, QuietNote) and effect.phase == "intended" and self.writes:
                done += self.give(
                    QuietNoted(self.now, effect.device, effect.action, self.fridge_disk)
                )
        return done

    def quiet(self):
        return state_view(self.controller, self.now, lambda at: 1.8e9 + at)["quiet"]

    def notes(self, device="fridge"):
        return [
            (e.action, e.phase)
            for _, e in self.effects
            if isinstance(e, QuietNote) and e.device == device
        ]

    def switched(self, name="fridge"):
        """When it was told on or off: (time, value)."""
        return [(round(at, 2), dict(values)["switch"]) for at, _, values in self.tells(name)]


def told(when="asked", lasts=40 * MINUTE, rests=3 * MINUTE):
    return ToldQuiet(when, lasts, rests)


def snug(quiet=None, **more):
    figures = {"quiet": quiet or told(), "essential": False, "stays_on": True, "inrush": 8.0}
    return profile(
        plug("lamp-plug"),
        plug("desk-plug"),
        plug("fridge", "kitchen", **{**figures, **more}),
        fixture("key", "lamp-plug"),
        on_plug(
            "camera",
            "camera",
            "desk-plug",
            speaks="c",
            can_ask=True,
            hears=frozenset({"online", "rolling"}),
            closes_in=4.0,
        ),
        looks={"day": {"key": Preset(64.0, 4300.0)}},
    )


def play(made=None, memory=None, on=True):
    it = Quietly(made or snug(), memory)
    it.on["fridge"] = on
    it.link_up()
    it.run(1.0)
    return it


def last(it):
    return it.answers()[-1]


def roll(it, rolling):
    it.report("camera", "rolling", rolling)


def up(it):
    it.ask("up")
    it.run(60.0)
    assert it.state == "ready"
    it.forget()


# ---- off and back ----------------------------------------------------------------------------


def test_it_goes_off_when_asked_and_comes_back_by_itself_when_its_time_is_over():
    it = play()
    began = it.now
    it.ask("quiet_on", by="Ana")
    it.run(1.0)
    assert [v for _, v in it.switched()] == [False]
    assert last(it).code == 0 and "comes back by itself in 40 min" in last(it).text
    (shown,) = it.quiet()
    assert shown["device"] == "fridge" and shown["state"] == "quiet" and shown["by"] == "Ana"
    it.run(39 * MINUTE)
    assert [v for _, v in it.switched()] == [False]
    it.run(MINUTE)
    _, on = it.switched()
    assert on[1] is True and began + 40 * MINUTE <= on[0] <= began + 40 * MINUTE + 1
    assert it.quiet() == []
    assert it.notes() == [
        ("off", "intended"),
        ("off", "sent"),
        ("off", "confirmed"),
        ("on", "intended"),
        ("on", "sent"),
        ("on", "over"),
    ]


def test_nothing_is_told_before_it_is_on_disk_and_nothing_at_all_without_the_disk():
    it = play()
    it.writes = False
    it.ask("quiet_on")
    it.run(0.5)
    assert it.switched() == []
    it.give(QuietNoted(it.now, "fridge", "off", False))
    it.run(60.0)
    assert it.switched() == [] and it.quiet() == []
    assert last(it).code == 1 and "would not know" in last(it).text


def test_a_disk_that_hangs_keeps_nothing_from_coming_back():
    it = play()
    it.ask("quiet_on")
    it.run(20 * MINUTE)
    it.fridge_disk = False
    it.ask("quiet_off")
    it.run(1.0)
    assert [v for _, v in it.switched()] == [False, True] and it.quiet() == []


def test_who_asks_for_less_gets_less_and_for_more_than_the_profile_is_refused():
    it = play()
    it.ask("quiet_on", lasts=41 * MINUTE)
    assert last(it).code == 2 and "40 min at most" in last(it).text and it.switched() == []
    it.ask("quiet_on", lasts=10 * MINUTE)
    it.run(10 * MINUTE + 5)
    assert [v for _, v in it.switched()] == [False, True]


def test_asked_again_its_time_begins_anew_and_is_no_longer_in_all_than_it_may_be():
    it = play()
    began = it.now
    it.ask("quiet_on", lasts=10 * MINUTE)
    it.run(9 * MINUTE)
    it.ask("quiet_on", lasts=39 * MINUTE)
    it.run(60 * MINUTE)
    (_, back) = it.switched()
    assert back[0] == pytest.approx(began + 40 * MINUTE, abs=1.0)


def test_asked_for_it_comes_back_after_its_rest_and_says_so():
    it = play()
    it.ask("quiet_on")
    it.run(30.0)
    off_at = it.switched()[0][0]
    it.ask("quiet_off", by="Ana")
    assert last(it).code == 0 and "comes back in 2 min 30 s: it rests" in last(it).text
    (shown,) = it.quiet()
    assert shown["state"] == "waits" and "rests" in shown["why"]
    it.run(149.0)
    assert len(it.switched()) == 1
    it.run(3.0)
    assert it.switched()[1][0] == pytest.approx(off_at + 180.0, abs=1.0)


def test_what_is_off_stays_off_and_what_says_nothing_is_not_told():
    it = play(on=False)
    it.ask("quiet_on")
    assert last(it).code == 1 and "off already" in last(it).text
    it.run(60 * MINUTE)
    assert it.switched() == []
    mute = Quietly(snug())
    mute.deaf.add("fridge")
    mute.link_up()
    mute.ask("quiet_on")
    assert last(mute).code == 1 and "does not say that it is on" in last(mute).text
    mute.run(60 * MINUTE)
    assert mute.switched() == []


def test_other_gear_is_refused_by_name_and_so_is_a_set_without_any():
    it = play()
    it.ask("quiet_on", targets=("key",))
    assert last(it).code == 2 and "these are: fridge" in last(it).text
    bare = play(profile(plug("lamp-plug")))
    bare.ask("quiet_on")
    assert last(bare).code == 2 and "`quiet: yes`" in last(bare).text


def test_what_a_plug_feeds_is_quiet_by_its_plug():
    made = profile(
        plug("box", essential=False, stays_on=True),
        on_plug("cells", "charger", "box", quiet=told(), essential=False, stays_on=True),
    )
    it = Quietly(made)
    it.on["box"] = True
    it.link_up()
    it.ask("quiet_on", targets=("box",))
    it.run(1.0)
    assert it.switched("box")[0][1] is False and it.quiet()[0]["device"] == "cells"


# ---- while it rolls --------------------------------------------------------------------------


def test_it_goes_off_when_it_rolls_and_comes_back_after_the_take():
    it = play(snug(told("rolling", rests=0.0)))
    up(it)
    roll(it, True)
    it.run(1.0)
    assert it.switched()[0][1] is False and it.quiet()[0]["why"] == "until the take ends"
    it.run(5 * MINUTE)
    roll(it, False)
    stopped = it.now
    it.run(14.0)
    assert len(it.switched()) == 1
    it.run(3.0)
    assert it.switched()[1] == (pytest.approx(stopped + 15.0, abs=1.0), True)


def test_the_next_take_at_once_leaves_it_off():
    it = play(snug(told("rolling", rests=0.0)))
    up(it)
    for _ in range(3):
        roll(it, True)
        it.run(MINUTE)
        roll(it, False)
        it.run(5.0)
    assert [v for _, v in it.switched()] == [False]


def test_a_take_longer_than_its_limit_ends_its_quiet_and_not_the_take():
    it = play(snug(told("rolling")))
    up(it)
    began = it.now
    roll(it, True)
    it.run(41 * MINUTE)
    assert it.switched()[1] == (pytest.approx(began + 40 * MINUTE, abs=1.0), True)
    it.run(30 * MINUTE)
    assert len(it.switched()) == 2  # not again in the same take
    assert it.state == "ready"


def test_asked_only_it_is_not_touched_when_it_rolls():
    it = play()
    up(it)
    roll(it, True)
    it.run(5 * MINUTE)
    assert it.switched() == []


def test_switched_on_by_a_hand_in_the_middle_it_is_believed_and_not_fought():
    it = play(snug(told("rolling")))
    up(it)
    roll(it, True)
    it.run(MINUTE)
    it.report("fridge", "switch", True)
    it.on["fridge"] = True
    it.run(10.0)
    assert it.quiet() == [] and [v for _, v in it.switched()] == [False]
    it.run(5 * MINUTE)
    roll(it, False)
    it.run(60 * MINUTE)
    assert [v for _, v in it.switched()] == [False]


def test_a_report_from_before_that_comes_twice_ends_nothing():
    it = play()
    it.ask("quiet_on")
    it.run(30.0)
    it.obedient = False
    it.report("fridge", "switch", True)
    it.run(0.1)
    it.report("fridge", "switch", False)  # it was asked at once, and says so
    it.run(10.0)
    it.obedient = True
    assert it.quiet()[0]["state"] == "quiet"
    it.run(40 * MINUTE)
    assert [v for _, v in it.switched()] == [False, True]


# ---- what is in the way ----------------------------------------------------------------------


def test_locked_out_it_is_kept_off_and_said_and_comes_back_after_a_moment_to_step_back():
    it = play()
    it.ask("quiet_on")
    it.run(10.0)
    it.ask("lockout", targets=("fridge",), by="Ana", why="its fan")
    it.run(50 * MINUTE)
    assert [v for _, v in it.switched()] == [False]
    (shown,) = it.quiet()
    assert shown["state"] == "kept off" and "locked out by Ana: its fan" in shown["why"]
    it.ask("quiet_off")
    assert last(it).code == 1 and "kept off by the lockout" in last(it).text
    assert "made quiet 50 min ago" in last(it).text
    it.ask("release", targets=("fridge",))
    assert "fridge comes back on in 10 s" in last(it).text
    it.run(9.0)
    assert len(it.switched()) == 1
    it.run(3.0)
    assert it.switched()[1][1] is True


def test_a_lockout_of_its_circuit_keeps_it_off_as_well():
    it = play()
    it.ask("quiet_on")
    it.run(10.0)
    it.ask("lockout", targets=("kitchen",), by="Ana", why="a socket")
    it.run(50 * MINUTE)
    assert len(it.switched()) == 1 and it.quiet()[0]["state"] == "kept off"


def test_locked_out_before_it_is_not_told_at_all():
    it = play()
    it.ask("lockout", targets=("fridge",), by="Ana", why="its fan")
    it.ask("quiet_on")
    assert last(it).code == 1 and "locked out by Ana" in last(it).text and it.switched() == []


def test_it_waits_while_its_circuit_cannot_bear_it_and_says_so():
    made = snug()
    devices = dict(made.devices)
    devices["fridge"] = replace(devices["fridge"], draws=200.0)
    devices["oven"] = plug("oven", "kitchen", draws=1900.0)
    circuits = {**made.circuits, "kitchen": Circuit("kitchen", 10.0, "B", 0.5)}
    it = Quietly(replace(made, devices=devices, circuits=circuits))
    it.on.update(fridge=True, oven=False)
    it.link_up()
    it.ask("quiet_on")
    it.run(20 * MINUTE)
    it.report("oven", "switch", True)  # somebody switches it on by hand
    it.on["oven"] = True
    it.run(21 * MINUTE)
    assert len(it.switched()) == 1
    (shown,) = it.quiet()
    assert shown["state"] == "waits" and "circuit kitchen would be asked for" in shown["why"]
    it.report("oven", "switch", False)
    it.on["oven"] = False
    it.run(5.0)
    assert it.switched()[1][1] is True


def test_the_set_leaves_it_its_share_of_the_circuit():
    """What comes back by itself is not kept off by what was brought up meanwhile."""
    made = snug()
    devices = {**made.devices, "fridge": replace(made.devices["fridge"], draws=1000.0)}
    devices["heater"] = plug("heater", "kitchen", draws=1000.0, essential=False)
    circuits = {**made.circuits, "kitchen": Circuit("kitchen", 10.0, "B", 0.5)}
    it = Quietly(replace(made, devices=devices, circuits=circuits))
    it.on.update(fridge=True)
    it.link_up()
    it.ask("quiet_on")
    it.run(10.0)
    it.ask("up")
    it.run(60.0)
    assert it.switched("heater") == []
    assert any("circuit kitchen would be asked" in a.text for a in it.answers())
    it.run(40 * MINUTE)
    assert it.switched()[1][1] is True


def test_on_one_circuit_one_is_switched_on_at_a_time_its_own_and_the_sets():
    made = snug(told(rests=0.0), answers_in=2.0)
    devices = {**made.devices, "ice": replace(made.devices["fridge"], name="ice")}
    devices["pump"] = plug("pump", "kitchen", inrush=8.0, answers_in=2.0)
    it = Quietly(replace(made, devices=devices), delay=1.0)
    it.on.update(fridge=True, ice=True)
    it.link_up()
    it.run(2.0)
    it.ask("quiet_on")
    it.run(60.0)
    it.ask("up")
    it.ask("quiet_off")
    it.run(60.0)
    on = sorted(t for n in ("fridge", "ice", "pump") for t, v in it.switched(n) if v)
    assert len(on) == 3
    assert all(b - a >= 1.0 + 0.5 - 1e-6 for a, b in pairwise(on))


def kitchen_with_pumps():
    """A fridge that is quiet, and two pumps of the set on its circuit that answer after a second."""
    made = snug(told(rests=0.0), answers_in=2.0)
    devices = dict(made.devices)
    for name in ("pump-1", "pump-2"):
        devices[name] = plug(name, "kitchen", inrush=8.0, answers_in=2.0)
    it = Quietly(replace(made, devices=devices), delay=1.0)
    it.on.update(fridge=True)
    it.link_up()
    it.run(2.0)
    it.ask("quiet_on")
    it.run(60.0)
    return it


def apart(it):
    on = sorted(t for n in ("fridge", "pump-1", "pump-2") for t, v in it.switched(n) if v)
    assert len(on) == 3
    return all(b - a >= 1.0 + 0.5 - 1e-6 for a, b in pairwise(on))


def test_the_set_waits_for_what_is_coming_back_on_the_same_circuit():
    it = kitchen_with_pumps()
    it.ask("quiet_off")
    it.run(0.2)
    it.ask("up")
    it.run(60.0)
    assert apart(it)


@pytest.mark.parametrize("after", [0.3, 0.9, 1.2, 1.4])
def test_what_comes_back_between_two_turns_of_a_run_takes_one_and_is_taken_for_one(after):
    it = kitchen_with_pumps()
    it.ask("up")
    it.run(after)
    it.ask("quiet_off")
    it.run(60.0)
    assert apart(it)


def test_deaf_on_its_way_back_it_is_told_again_until_it_answers_and_that_is_said():
    it = play()
    it.ask("quiet_on")
    it.run(39 * MINUTE)
    it.deaf.add("fridge")
    it.run(5 * MINUTE)
    (shown,) = it.quiet()
    assert shown["state"] == "still off" and "look at it" in shown["why"]
    assert ("on", "failed") in it.notes()
    it.deaf.clear()
    it.run(2 * MINUTE)
    assert it.quiet() == [] and it.notes()[-1] == ("on", "over")


def test_one_that_answers_off_each_time_is_not_fought_for_ever_and_comes_when_asked():
    it = play()
    it.ask("quiet_on")
    it.run(39 * MINUTE)
    it.obedient = False
    for _ in range(200):
        it.run(3.0)
        it.report("fridge", "switch", False)
    count = len(it.switched())
    for _ in range(200):
        it.run(3.0)
        it.report("fridge", "switch", False)
    assert len(it.switched()) == count  # a person, or its own fuse, wants it off
    assert it.quiet()[0]["state"] == "still off"
    it.obedient = True
    it.ask("quiet_off")
    it.run(10.0)
    assert it.quiet() == []


def test_told_off_in_vain_it_is_unsure_and_comes_back_all_the_same():
    it = play()
    it.deaf.add("fridge")
    it.ask("quiet_on")
    it.run(60.0)
    assert last(it).code == 1 and it.quiet()[0]["state"] == "unsure"
    it.deaf.clear()
    it.on["fridge"] = False  # it heard it after all
    it.run(40 * MINUTE)
    assert it.switched()[-1][1] is True and it.quiet() == []


# ---- whatever the set does -------------------------------------------------------------------


def test_it_is_no_part_of_bringing_up_and_taking_down():
    it = play(on=False)
    up(it)
    it.ask("down", everything=True)
    it.run(60.0)
    assert it.state == "dark" and it.switched() == []
    lit = play()
    up(lit)
    lit.ask("down", everything=True)
    lit.run(60.0)
    assert lit.state == "dark" and lit.switched() == []


def test_off_for_a_take_it_is_neither_drift_nor_in_the_way_of_ready():
    it = play()
    it.ask("quiet_on")
    it.run(5.0)
    up(it)
    it.run(60.0)
    assert it.state == "ready" and it.drifts("opened") == []


def test_the_set_goes_down_and_it_comes_back_in_the_dark():
    it = play()
    up(it)
    it.ask("quiet_on")
    it.run(60.0)
    it.ask("down")
    it.run(60.0)
    assert it.state == "dark"
    it.run(40 * MINUTE)
    assert [v for _, v in it.switched()] == [False, True]


def test_a_lost_link_makes_it_late_and_no_more():
    it = play()
    it.ask("quiet_on")
    it.run(30 * MINUTE)
    it.link_down()
    it.run(30 * MINUTE)
    assert len(it.switched()) == 1
    it.give(LinkUp(it.now))
    it.run(30.0)
    assert it.switched()[1][1] is True and it.quiet() == []
    (over,) = [e for _, e in it.effects if isinstance(e, QuietNote) and e.phase == "over"]
    assert "later than meant: the link to the broker was lost" in over.text


def test_the_link_lost_before_it_was_told_nothing_is_owed():
    it = play()
    it.writes = False
    it.ask("quiet_on")
    it.link_down()
    assert it.notes()[-1] == ("on", "over") and last(it).code == 3
    it.give(LinkUp(it.now))
    it.run(60 * MINUTE)
    assert it.switched() == []


def test_a_cut_takes_it_off_and_only_a_person_brings_it_back():
    it = play()
    up(it)
    it.ask("cut", yes=True, by="Ana")
    it.run(60.0)
    (shown,) = it.quiet()
    assert shown["state"] == "cut" and shown["back_at"] is None
    it.run(3 * 60 * MINUTE)
    assert [v for _, v in it.switched()] == [False]
    said = [e.text for _, e in it.effects if isinstance(e, QuietNote) and e.phase == "failed"]
    assert 10 <= len(said) <= 13 and "is still off: a cut took it off" in said[0]
    it.ask("up")
    it.run(60.0)
    assert it.state == "ready" and it.quiet()[0]["state"] == "cut"
    it.ask("quiet_off")
    it.run(10.0)
    assert it.switched()[-1][1] is True and it.quiet() == []


def test_quiet_at_a_cut_it_does_not_come_back_by_itself_any_more():
    it = play()
    it.ask("quiet_on")
    it.run(60.0)
    it.ask("cut", yes=True)
    it.run(60 * MINUTE)
    assert True not in [v for _, v in it.switched()]
    it.ask("quiet_on")
    assert last(it).code == 1 and "cut" in last(it).text


def test_off_before_a_cut_it_is_not_owed_after_it():
    it = play(on=False)
    it.ask("cut", yes=True)
    it.run(60.0)
    assert it.quiet() == []


# ---- the bridge starts again -----------------------------------------------------------------


def after_a_crash(left, off_for=600.0, on=False, deaf=False, memory=None, cut=False, made=None):
    was = MadeQuiet("fridge", -off_for, left, cut, False, "Ana")
    it = Quietly(made or snug(), replace(memory or Memory(), quiet=(was,)))
    it.on["fridge"] = on
    if deaf:
        it.deaf.add("fridge")
    it.link_up()
    return it


def test_after_a_crash_the_time_counts_on():
    it = after_a_crash(left=300.0)
    it.run(280.0)
    assert it.switched() == [] and it.quiet()[0]["state"] == "quiet"
    it.run(20.0)
    assert it.switched()[0] == (pytest.approx(300.0, abs=3.0), True)
    assert it.quiet() == [] and it.state == "dark"


def test_its_time_over_before_the_bridge_was_back_it_comes_at_once_after_listening():
    it = after_a_crash(left=-1000.0, made=snug(told(rests=0.0)))
    it.run(10.0)
    assert it.switched()[0][1] is True and it.quiet() == []


def test_after_a_crash_it_rests_as_long_as_it_has_to():
    """By its own time: a clock that was set meanwhile may make seconds of rest a day."""
    it = after_a_crash(left=0.0, off_for=86400.0)
    it.run(170.0)
    assert it.switched() == []
    it.run(20.0)
    assert it.switched()[0][1] is True


def test_never_longer_than_its_profile_whatever_the_record_says():
    it = after_a_crash(left=10 * 3600.0)
    it.run(41 * MINUTE)
    assert it.switched()[0][1] is True


def test_switched_on_while_the_bridge_was_away_it_is_left_as_it_is():
    it = after_a_crash(left=300.0, on=True)
    it.run(15.0)
    assert it.quiet() == [] and it.switched() == []


def test_a_word_heard_while_the_last_command_may_be_on_its_way_ends_nothing():
    """Told off, and killed: the bridge that starts at once hears `on` a moment before it goes."""
    it = Quietly(snug(), Memory(quiet=(MadeQuiet("fridge", 0.0, 600.0, False, False, "Ana"),)))
    it.on["fridge"] = True
    it.give(LinkUp(it.now))
    it.report("fridge", "switch", True)
    it.run(0.5)
    it.on["fridge"] = False
    it.report("fridge", "switch", False)
    it.run(30.0)
    assert it.quiet()[0]["state"] == "quiet"
    it.run(600.0)
    assert it.switched()[-1][1] is True


def test_locked_out_before_the_crash_it_is_kept_off_after_it():
    memory = Memory(lockouts=(Lockout("fridge", "Ana", "its fan", 0.0),))
    it = after_a_crash(left=-10.0, memory=memory)
    it.run(60 * MINUTE)
    assert it.switched() == [] and it.quiet()[0]["state"] == "kept off"


def test_a_cut_before_the_crash_is_still_a_cut():
    it = after_a_crash(left=-10.0, cut=True)
    it.run(60 * MINUTE)
    assert it.switched() == [] and it.quiet()[0]["state"] == "cut"


def faults(it):
    return [e.text for _, e in it.effects if isinstance(e, FaultNote)]


def test_no_profile_knows_it_any_more_and_that_is_said_and_not_forgotten():
    """A fridge that was renamed, or taken out of the profile, while it was off: by hand, then."""
    it = after_a_crash(left=10.0, made=profile(plug("lamp-plug")))
    it.run(60.0)
    (shown,) = it.quiet()
    assert (shown["device"], shown["state"], shown["back_at"]) == ("fridge", "still off", None)
    assert "switch it on by hand" in shown["why"]
    (said,) = faults(it)
    assert said.startswith("fridge is still off: ") and "by Ana" in said
    assert it.notes() == [("on", "failed")]


def test_its_plug_is_told_quiet_no_more_and_it_is_owed_until_it_says_that_it_is_on():
    was = MadeQuiet("fridge", -600.0, 10.0, False, False, "Ana")
    it = Quietly(profile(plug("lamp-plug"), plug("fridge")), Memory(quiet=(was,)))
    it.link_up()
    it.run(60.0)
    assert it.switched() == [] and it.quiet()[0]["state"] == "still off"
    it.report("fridge", "switch", True)
    it.run(1.0)
    assert it.quiet() == []
    assert it.notes()[-1] == ("on", "over")


def test_what_one_profile_forgot_the_next_brings_back():
    it = after_a_crash(left=10.0, made=profile(plug("lamp-plug")))
    it.run(5.0)
    (note,) = [e for _, e in it.effects if isinstance(e, QuietNote)]
    again = after_a_crash(note.left, note.off_for, made=snug(told(rests=0.0)))
    again.run(30.0)
    assert again.switched()[-1][1] is True and again.quiet() == []

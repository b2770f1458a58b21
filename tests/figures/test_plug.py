"""Who draws what of a plug's watts, and what cannot be told."""

from __future__ import annotations

import math
import random

import pytest

from studiobridge.figures.meters import load, metered, will_do
from studiobridge.figures.plug import (
    QUIET,
    Change,
    Known,
    Mains,
    PlugAccount,
    Sample,
    Stands,
    Turning,
)
from studiobridge.figures.watts import Band, curve_of, from_rating, from_table
from studiobridge.profile.build import read_profile_text
from studiobridge.profile.model import Device
from tests.figures.turns import a_lamp, play

RIM = from_table(((0.0, 0.6), (30.0, 5.1), (100.0, 15.0)))
EDGE = from_table(((0.0, 0.5), (50.0, 4.8), (100.0, 9.0)))


class Watched:
    """An account and a clock: a sample every two seconds."""

    def __init__(self, account: PlugAccount) -> None:
        self.account = account
        self.now = 0.0
        self.changes: list[Change] = []

    def hears(self, *watts: float) -> Watched:
        for each in watts:
            self.now += 2.0
            self._heard(self.account.hear(Sample(self.now, each)))
        return self

    def rests_at(self, watts: float) -> Watched:
        return self.hears(*(watts,) * 4)

    def is_told(self, event: Stands | Turning | Known | Mains) -> Watched:
        self._heard(self.account.hear(event))
        return self

    def _heard(self, change: Change | None) -> None:
        if change is not None:
            self.changes.append(change)

    def levels(self, lamp: str = "rim") -> Band | None:
        return self.account.estimate(lamp, self.now).levels

    def why(self, lamp: str = "rim") -> str:
        return self.account.estimate(lamp, self.now).why

    def stands(self, **levels: float) -> Watched:
        for lamp, level in levels.items():
            name = lamp.replace("_", "-")
            self.is_told(Stands(self.now, name, Band(level - 1.0, level + 1.0)))
        self.now += 2.0
        return self


def alone() -> Watched:
    return Watched(PlugAccount({"rim": RIM}, step=0.1))


def three() -> Watched:
    lamps = {"rim": RIM, "edge-left": EDGE, "edge-right": EDGE}
    return Watched(PlugAccount(lamps, step=0.1)).stands(rim=30, edge_left=50, edge_right=50)


# ---- one lamp ------------------------------------------------------------------------------


def test_one_lamp_alone_is_told_by_its_watts() -> None:
    levels = alone().rests_at(5.1).levels()
    assert levels is not None and levels.holds(30.0)
    assert levels.width < 8.0 and not levels.holds(40.0) and not levels.holds(24.0)


def test_a_sample_of_the_way_says_nothing_and_two_that_agree_do() -> None:
    plug = alone().rests_at(5.1).hears(9.0)
    assert plug.levels() is None and "changing: 9 W" in plug.why()
    assert plug.hears(12.0).levels() is None
    levels = plug.hears(12.0).levels()
    assert levels is not None and levels.holds(78.8)  # 5.1 + 9.9 · 0.697 W by its table


def test_a_sample_delivered_twice_is_one_sample() -> None:
    plug = alone()
    for at in (10.0, 10.0, 10.1):
        plug.account.hear(Sample(at, 9.0))
    assert plug.account.estimate("rim", 10.1).levels is None


def test_a_meter_faster_than_any_dial_settles_too() -> None:
    plug = alone()
    for n in range(6):
        plug.account.hear(Sample(n * 0.15, 5.1))
    assert plug.account.estimate("rim", 0.75).levels is not None


def test_a_dial_turned_too_slowly_for_two_samples_to_differ_is_seen_all_the_same() -> None:
    plug = alone().rests_at(5.1)
    watts = 5.1
    while watts < 9.0:
        watts += 0.04
        plug.hears(round(watts, 1))
    levels = plug.rests_at(9.0).levels()
    assert levels is not None and levels.holds(57.6) and not levels.holds(45.0)


@pytest.mark.parametrize("nonsense", [math.nan, math.inf, -math.inf, -40.0, 1e9])
def test_what_is_no_watts_says_nothing(nonsense: float) -> None:
    plug = alone().rests_at(5.1)
    before = plug.levels()
    plug.hears(nonsense, nonsense, nonsense)
    assert plug.levels() == before and plug.changes == []


def test_what_the_broker_kept_says_nothing() -> None:
    plug = alone()
    for at in (1.0, 3.0, 5.0):
        plug.account.hear(Sample(at, 5.1, kept=True))
    assert plug.account.estimate("rim", 5.0).levels is None


def test_an_older_sample_says_nothing() -> None:
    plug = alone().rests_at(5.1)
    plug.account.hear(Sample(plug.now - 5.0, 15.0))
    levels = plug.levels()
    assert levels is not None and levels.holds(30.0)


def test_a_meter_that_fell_silent_is_no_news() -> None:
    plug = alone().rests_at(5.1)
    plug.now += QUIET - 1.0
    assert plug.levels() is not None
    plug.now += 2.0
    assert plug.levels() is None and "silent for 31 s" in plug.why()


def test_a_meter_that_says_nothing_below_two_watts_leaves_the_bottom_open() -> None:
    said = alone().rests_at(0.0).account.estimate("rim", 8.0)
    assert said.levels is not None and said.levels.low == 0.0 and said.levels.high > 8.0
    assert said.lit is None


def test_lit_and_dark_are_told_where_the_level_hardly_is() -> None:
    lamp = Watched(PlugAccount({"lamp": from_rating(20.0, None)}, step=0.1))
    said = lamp.rests_at(11.0).account.estimate("lamp", lamp.now)
    assert said.lit is True and said.levels is not None and said.levels.width > 20.0
    assert alone().rests_at(0.6).account.estimate("rim", 8.0).lit is False


def test_the_step_of_a_meter_is_the_coarsest_that_fits_what_it_said() -> None:
    plug = Watched(PlugAccount({"rim": RIM}))
    assert plug.hears(5.0, 6.0).account.step == 1.0
    coarse = plug.rests_at(5.0).levels()
    assert plug.hears(5.5).account.step == 0.5
    assert plug.hears(5.1).account.step == 0.1
    fine = plug.rests_at(5.0).levels()
    assert coarse is not None and fine is not None and coarse.width > fine.width + 5.0


def test_a_word_makes_a_small_change_visible() -> None:
    """Age and gauge weigh on all a lamp draws, and on a change only by their share of it."""
    by_watts = alone().rests_at(10.0).levels()
    plug = alone().stands(rim=64.6).rests_at(10.0)
    said = plug.account.estimate("rim", plug.now)
    assert by_watts is not None and said.levels is not None and said.word
    assert said.levels.width < 0.8 * by_watts.width and said.levels.holds(64.6)
    moved = plug.rests_at(10.6).levels()
    assert moved is not None and moved.holds(68.9) and not moved.holds(64.6)


def test_against_a_word_the_watts_are_believed() -> None:
    plug = alone().stands(rim=30).rests_at(12.0)
    said = plug.account.estimate("rim", plug.now)
    assert said.levels is not None and said.levels.holds(78.8) and not said.levels.holds(30.0)
    assert not said.word


def test_a_word_given_before_a_slow_meter_caught_up_is_not_of_the_reading_before() -> None:
    plug = alone().rests_at(5.1).stands(rim=80).rests_at(12.2)
    levels = plug.levels()
    assert levels is not None and levels.holds(80.0) and plug.changes == []


# ---- several lamps -------------------------------------------------------------------------


def test_several_lamps_of_which_nothing_is_known_cannot_be_told() -> None:
    plug = Watched(PlugAccount({"rim": RIM, "edge-left": EDGE, "edge-right": EDGE}, step=0.1))
    plug.rests_at(14.7)
    assert plug.levels() is None and plug.levels("edge-left") is None
    assert plug.why("edge-left") == "the watts of its plug leave everything open"


def test_a_change_only_one_lamp_can_explain_is_put_down_to_it() -> None:
    plug = three().rests_at(14.7).rests_at(22.7)
    assert [change.lamps for change in plug.changes] == [("rim",)]
    levels, edge = plug.levels(), plug.levels("edge-left")
    assert levels is not None and levels.holds(86.6) and not levels.holds(60.0)
    assert edge is not None and edge.holds(50.0) and edge.width < 20.0


def test_a_change_two_could_have_made_names_both_and_moves_neither_for_certain() -> None:
    plug = three().rests_at(14.7).rests_at(18.0)
    assert plug.changes[0].lamps == ("rim", "edge-left", "edge-right")
    assert plug.why("rim") == (
        "rim, edge-left or edge-right changed by +3.3 W; the watts do not say which"
    )
    levels = plug.levels()
    assert levels is not None and levels.holds(30.0) and levels.holds(53.3)


def test_a_dial_turned_and_turned_back_is_no_change_though_the_lamp_is_a_little_warmer() -> None:
    """The meter's step and what a lamp wanders by itself: 0.1 W and 1 % of 14.7 W."""
    plug = three().rests_at(14.7).hears(20.0).rests_at(14.9)
    assert plug.changes == []
    levels = plug.levels()
    assert levels is not None and levels.holds(30.0)


def test_a_doubt_ends_with_a_new_word() -> None:
    plug = three().rests_at(14.7).rests_at(18.0)
    plug.stands(rim=53, edge_left=50, edge_right=50).rests_at(18.0)
    levels = plug.levels()
    assert plug.why() == "" and levels is not None and levels.width < 12.0


def test_a_change_nobody_alone_can_explain_names_nobody() -> None:
    plug = three().rests_at(14.7).rests_at(2.0)
    assert [change.lamps for change in plug.changes] == [()]
    assert "no one lamp alone explains" in plug.why()


def test_a_hand_on_a_dial_says_whose_change_it_is() -> None:
    plug = three().rests_at(14.7).is_told(Turning(10.0, frozenset({"edge-left"})))
    plug.rests_at(16.7)
    levels, other = plug.levels("edge-left"), plug.levels("edge-right")
    assert plug.changes[0].lamps == ("edge-left",)
    assert levels is not None and levels.holds(73.8) and not levels.holds(55.0)
    assert other is not None and other.holds(50.0) and not other.holds(73.8)


def test_a_hand_on_the_wrong_dial_is_seen_where_the_right_one_cannot_have_done_it() -> None:
    plug = three().rests_at(14.7).is_told(Turning(10.0, frozenset({"edge-left"})))
    assert plug.rests_at(22.7).changes[0].lamps == ("rim",)


def test_lamps_changed_at_once_are_one_sum() -> None:
    plug = three().rests_at(14.7).is_told(Turning(10.0, frozenset({"rim", "edge-left"})))
    plug.rests_at(20.0)
    assert plug.changes[0].lamps == ("rim", "edge-left")
    levels, still = plug.levels("rim"), plug.levels("edge-right")
    assert levels is not None and levels.width > 40.0
    assert still is not None and still.holds(50.0) and still.width < 20.0


def test_the_same_dial_turned_again_and_again_stays_as_well_known() -> None:
    plug = three().rests_at(14.7)
    for watts in (22.7, 14.7) * 10:
        plug.is_told(Turning(plug.now, frozenset({"rim"}))).rests_at(watts)
    levels = plug.levels()
    assert levels is not None and levels.holds(30.0) and levels.width < 12.0


# ---- what else hangs on the plug -----------------------------------------------------------


def with_panel() -> Watched:
    return Watched(PlugAccount({"rim": RIM}, loads=("panel",), step=0.1))


def test_what_is_known_is_taken_off_with_its_band() -> None:
    plug = with_panel().is_told(Known(0.0, "panel", Band(19.5, 20.5))).rests_at(30.0)
    levels = plug.levels()
    assert levels is not None and levels.holds(64.6) and levels.width > 14.0


def test_a_load_of_which_nothing_is_known_leaves_nothing_to_tell() -> None:
    plug = with_panel().rests_at(30.0)
    assert plug.levels() is None and plug.why() == "what panel on the same plug draws is not known"


def test_a_load_that_switches_is_not_put_down_to_the_lamp() -> None:
    plug = with_panel().is_told(Known(0.0, "panel", Band(19.5, 20.5))).rests_at(30.0)
    before = plug.levels()
    plug.is_told(Known(plug.now, "panel", Band(0.0, 0.5))).rests_at(10.0)
    assert plug.changes == [] and before is not None
    levels = plug.levels()
    assert levels is not None and levels.meets(before) is not None and levels.holds(64.6)


def test_samples_just_after_a_load_switched_may_be_of_before() -> None:
    plug = with_panel().is_told(Known(0.0, "panel", Band(19.5, 20.5))).rests_at(30.0)
    at = plug.now
    plug.is_told(Known(at, "panel", Band(0.0, 0.5)))
    for after in (0.2, 0.8):
        plug.account.hear(Sample(at + after, 30.0))
    said = plug.account.estimate("rim", at + 0.8)
    assert said.levels is None and "changing" in said.why


def test_a_reading_of_before_a_load_switched_is_not_taken_for_one_after() -> None:
    plug = with_panel().is_told(Known(0.0, "panel", Band(19.5, 20.5))).rests_at(30.0)
    plug.is_told(Known(plug.now + 1.9, "panel", Band(0.0, 0.5))).hears(30.0)
    assert plug.levels() is None
    plug.rests_at(10.0)
    assert plug.changes == []


def test_a_load_that_comes_and_goes_as_it_likes_hides_what_is_smaller() -> None:
    plug = with_panel().is_told(Known(0.0, "panel", Band(0.0, 6.0), steady=False))
    plug.rests_at(12.0).rests_at(14.0)
    assert plug.changes == []


def test_a_stranger_on_the_plug_is_said_and_all_is_as_before_when_it_is_gone() -> None:
    plug = three().rests_at(14.7)
    before = plug.levels()
    plug.rests_at(814.0)
    assert plug.levels() is None and "more than all that hangs on it can" in plug.why()
    assert plug.rests_at(14.7).levels() == before


# ---- mains ---------------------------------------------------------------------------------


def test_when_its_mains_come_nothing_is_known_of_where_a_lamp_stands() -> None:
    plug = three().rests_at(14.7)
    plug.is_told(Mains(plug.now, False)).hears(14.7)
    said = plug.account.estimate("rim", plug.now)
    assert (said.levels, said.lit, said.why) == (None, False, "its plug is off")
    plug.is_told(Mains(plug.now, True)).rests_at(14.7)
    assert plug.levels() is None and plug.changes == []


def test_one_lamp_alone_is_told_again_as_soon_as_its_mains_are_back() -> None:
    plug = alone().rests_at(5.1)
    plug.is_told(Mains(plug.now, False)).hears(0.0, 0.0)
    levels = plug.is_told(Mains(plug.now, True)).rests_at(5.1).levels()
    assert levels is not None and levels.holds(30.0)


# ---- what a lamp draws ---------------------------------------------------------------------


def test_a_table_is_met_at_its_points_and_rises_between_them() -> None:
    for level, watts in ((0.0, 0.6), (30.0, 5.1), (100.0, 15.0)):
        assert RIM.usually(level) == pytest.approx(watts)
        assert RIM.watts(Band(level, level)).holds(watts)
    for edge in (RIM.least, RIM.usual, RIM.most):
        assert list(edge) == sorted(edge)


def test_a_table_holds_the_lamp_it_was_read_off_as_it_has_aged() -> None:
    dice = random.Random(3)
    for n in range(300):
        lamp = a_lamp(dice, f"lamp-{n}", measured=1.0)
        if lamp.table is None:
            continue
        curve = from_table(lamp.table)
        for level in (0.0, 5.0, 20.0, 30.0, 60.0, 75.0, 90.0, 100.0):
            assert curve.watts(Band(level, level)).holds(lamp.new(level) * lamp.age), lamp


def test_from_where_it_stood_and_what_its_watts_changed_by_follows_where_it_stands() -> None:
    dice = random.Random(5)
    for n in range(300):
        lamp = a_lamp(dice, f"lamp-{n}", measured=1.0)
        if lamp.table is None or lamp.power > 1.0:
            continue
        before, after = dice.uniform(5.0, 100.0), dice.uniform(5.0, 100.0)
        by = (lamp.new(after) - lamp.new(before)) * lamp.age
        found = from_table(lamp.table).moved(Band(before, before), Band(by, by))
        error = 0.1 / (lamp.full / 100.0)  # a table is written in tenths of a watt
        assert found.low - error <= after <= found.high + error, (lamp, before, after, found)


def test_a_rating_alone_holds_every_driver_it_may_be_of() -> None:
    """0.3 to 1.5 W when dark, a little more than its share when dimmed: common practice."""
    dice = random.Random(7)
    for n in range(300):
        lamp = a_lamp(dice, f"lamp-{n}", measured=1.0)
        if lamp.power > 1.0:
            continue
        rated = from_rating(lamp.rating, None)
        for level in (0.0, 5.0, 25.0, 50.0, 80.0, 100.0):
            assert rated.watts(Band(level, level)).holds(lamp.new(level) * lamp.age), lamp


def test_a_bent_table_is_wider_where_it_bends() -> None:
    """x² measured at five points: the true curve runs below the straight lines between them."""
    points = tuple((x, 0.5 + 60.0 * (x / 100.0) ** 2) for x in (0.0, 10.0, 30.0, 50.0, 75.0, 100.0))
    bent = from_table(points)
    for level in range(101):
        assert bent.watts(Band(level, level)).holds(0.5 + 60.0 * (level / 100.0) ** 2), level


def test_a_device_of_which_no_watts_are_given_has_no_curve() -> None:
    assert curve_of(Device("lamp", "light")) is None
    rated = curve_of(Device("lamp", "light", draws=15.0, standby=0.6))
    measured = curve_of(Device("lamp", "light", draws_at=((0.0, 0.6), (30.0, 5.1), (100.0, 15.0))))
    assert rated is not None and measured is not None
    for level in (0.0, 10.0, 50.0, 100.0):
        at = Band(level, level)
        assert measured.watts(at).width < rated.watts(at).width


# ---- a hand on a dial ----------------------------------------------------------------------


def test_a_hand_is_given_the_reading_it_is_to_bring_about() -> None:
    plug = alone().rests_at(8.0).hears(6.5)
    aim = plug.account.aim("rim", 30.0, Band(28.0, 32.0), plug.now)
    assert aim is not None and (aim.watts, aim.was, aim.settled) == (6.5, 8.0, False)
    assert aim.target == pytest.approx(5.1) and aim.why == ""
    # two percent either way is less than the watts can prove: all that may do is right
    assert aim.low == pytest.approx(4.8) and aim.high == pytest.approx(5.1 + 2 * 9.9 / 70)
    assert (aim.dark, aim.full) == (pytest.approx(0.6), pytest.approx(15.0))


def test_where_the_watts_can_prove_it_a_hand_is_brought_to_where_they_do() -> None:
    plug = alone().rests_at(8.0)
    wide = Band(24.0, 37.0)
    aim = plug.account.aim("rim", 30.0, wide, plug.now)
    assert aim is not None and aim.low is not None and aim.high is not None
    assert RIM.usually(24.0) < aim.low < 5.1 < aim.high < RIM.usually(37.0)
    for watts in (aim.low, aim.high):
        levels = alone().rests_at(round(watts, 1)).levels()
        assert levels is not None and levels.low > 23.0 and levels.high < 38.0


def test_beside_known_loads_and_other_lamps_the_target_is_the_plug_s_reading() -> None:
    plug = with_panel().is_told(Known(0.0, "panel", Band(19.0, 21.0))).rests_at(30.0)
    aim = plug.account.aim("rim", 30.0, Band(28.0, 32.0), plug.now)
    assert aim is not None and aim.target == pytest.approx(25.1)
    several = three().rests_at(14.7)
    aim = several.account.aim("rim", 50.0, Band(48.0, 52.0), several.now)
    assert aim is not None and aim.target == pytest.approx(14.7 + 2.83, abs=0.1)


def test_a_hand_is_not_guided_where_the_watts_do_not_tell_its_lamp_from_others() -> None:
    lamps = {"rim": RIM, "edge-left": EDGE}
    plug = Watched(PlugAccount(lamps, step=0.1)).rests_at(9.9)
    aim = plug.account.aim("rim", 30.0, Band(28.0, 32.0), plug.now)
    assert aim is not None and aim.target is None and "say once how all of them stand" in aim.why
    quiet = plug.account.aim("rim", 30.0, Band(28.0, 32.0), plug.now + 60.0)
    assert quiet is not None and quiet.target is None and "silent for 60 s" in quiet.why
    assert with_panel().account.aim("rim", 30.0, Band(28.0, 32.0), 0.0) is None


def test_the_levels_that_will_do_are_those_within_tolerance() -> None:
    """0.1 stop either way on a straight dimmer: 30 % · 2^±0.1 is 27.99 to 32.15 %."""
    lamp = Device("lamp", "light", draws=15.0)
    found = will_do(lamp, 30.0)
    assert (found.low, found.high) == (
        pytest.approx(27.99, abs=0.01),
        pytest.approx(32.15, abs=0.01),
    )
    assert will_do(lamp, 0.0) == Band(0.0, 0.0)
    assert will_do(lamp, 100.0).high == 100.0


# ---- whose meter ---------------------------------------------------------------------------


SET = """
format: 1
set: shelf
mains: {circuits: {wall: {breaker: 10 A}}}
dialects:
  box:
    switch:
      tell: {topic: "{at}/in", words: {on: "1", off: "0"}}
      hear: {topic: "{at}/out", words: {on: "1", off: "0"}}
    watts: {hear: {topic: "{at}/meter"}}
  panel:
    level:
      tell: {topic: "{at}/to"}
      hear: {topic: "{at}/is"}
devices:
  outer: {kind: plug, fed_by: wall, speaks: box, at: a, meters: yes, meter_step: 0.5 W}
  strip: {kind: plug, fed_by: outer}
  inner: {kind: plug, fed_by: outer, speaks: box, at: b, meters: yes}
  rim: {kind: light, fed_by: strip, draws_at: {0 %: 0.6 W, 30 %: 5.1 W, 100 %: 15 W}}
  key: {kind: light, fed_by: outer, speaks: panel, at: c, draws: 60 W}
  pc: {kind: computer, fed_by: strip, draws: 80 W, essential: no}
  spot: {kind: light, fed_by: inner, draws: 20 W}
looks: {day: {rim: {level: 30 %}, key: {level: 50 %}, spot: {level: 50 %}}}
"""


def test_each_lamp_is_metered_by_the_nearest_plug_that_meters() -> None:
    found = metered(read_profile_text(SET).profile)
    assert {name: tuple(each.lamps) for name, each in found.items()} == {
        "outer": ("rim",),
        "inner": ("spot",),
    }
    assert found["outer"].loads == ("inner", "key", "pc") and found["inner"].loads == ()
    assert found["outer"].step == 0.5 and found["inner"].step is None
    account = found["inner"].account()
    for at in (2.0, 4.0):
        account.hear(Sample(at, 19.0))
    levels = account.estimate("spot", 4.0).levels
    assert levels is not None and levels.holds(95.0)


def test_what_a_reporting_light_draws_is_known_and_what_a_computer_draws_is_a_guess() -> None:
    devices = read_profile_text(SET).profile.devices
    lit = load(devices["key"], True, Band(50.0, 50.0))
    # 60 W by its rating alone, half way: as low as a dial with a knee has it (41 % of 60 W, less
    # a tenth), as high as a driver that takes a tenth more of full has it (60 %, and a tenth)
    assert lit is not None and lit[1] and lit[0].holds(30.0) and lit[0].width < 20.0
    assert load(devices["pc"], True, None) == (Band(0.0, 88.0), False)
    assert load(devices["pc"], False, None) == (Band(0.0, 0.0), True)
    assert load(Device("box", "audio"), True, None) is None


# ---- whole evenings ------------------------------------------------------------------------


def test_over_many_turns_bands_hold_and_no_wrong_lamp_is_named() -> None:
    tally = play(1500, seed=11)
    bands = tally.within + len(tally.outside)
    assert bands > 3000 and tally.within >= 0.99 * bands, tally.outside[:3]
    assert tally.named_wrong < 0.005 * tally.turns
    assert tally.overlooked == 0
    # neither too bold nor too timid beside the reckoning by trial
    assert tally.compared > 200
    assert tally.bold <= 0.01 * tally.compared
    assert tally.timid <= 0.06 * tally.compared
    assert tally.both_one >= 0.1 * tally.compared


@pytest.mark.parametrize("knee", [0.05, 0.1, 0.15])
def test_a_rating_alone_holds_a_driver_that_does_little_at_the_bottom_of_its_dial(
    knee: float,
) -> None:
    """Up to its knee a quarter of its share, then straight up to all of it (common practice: the
    first 5 to 15 % of many dials do next to nothing)."""
    for level in range(2, 101, 2):
        x = level / 100.0
        share = 0.25 * x if x <= knee else 0.25 * knee + (1 - 0.25 * knee) * (x - knee) / (1 - knee)
        plug = Watched(PlugAccount({"rim": from_rating(60.0, 0.6)}, step=0.1))
        levels = plug.rests_at(round(0.6 + 59.4 * share, 1)).levels()
        assert levels is None or levels.holds(level), level


# ---- gear that behaves otherwise than in turns.py -------------------------------------------


def test_one_lamp_alone_is_not_held_to_a_word_of_before_its_meter_spoke() -> None:
    """Said to stand at 30 %, turned to 33 % (5.5 W by its table) a minute later: 33 is within."""
    plug = alone().stands(rim=30).hears(5.1)
    plug.now += 60.0
    levels = plug.hears(5.5, 5.5).levels()
    assert levels is not None and levels.holds(32.8)


def test_who_changed_is_not_known_where_a_meter_did_not_rest_for_minutes() -> None:
    """Both edges up by 3 W, one after the other, and one sample of each: the sum is only rim's to do
    alone, and rim was not touched."""
    plug = three().rests_at(14.7)
    plug.now += 60.0
    plug.hears(17.7)
    plug.now += 60.0
    plug.rests_at(20.7)
    assert [change.lamps for change in plug.changes] == [()]
    levels = plug.levels("rim")
    assert levels is None or levels.holds(30.0)


def test_a_slow_hand_within_a_minute_is_still_named() -> None:
    plug = three().rests_at(14.7).hears(16.0, 17.5, 19.0).rests_at(23.0)
    assert [change.lamps for change in plug.changes] == [("rim",)]


def test_a_large_lamp_that_is_cold_is_not_taken_for_a_small_one_turned_up() -> None:
    """150 W at full takes 8 % more while cold (common practice: 5 to 10 %): the 12 W are not rim's.

    All of rim's range is 14.4 W; it stands at 30 %, 5.1 W.
    """
    large = from_table(((0.0, 1.0), (50.0, 76.0), (100.0, 150.0)))
    plug = Watched(PlugAccount({"rim": RIM, "large": large}, step=0.1))
    levels = plug.rests_at(5.1 + 1.08 * 150.0).levels()
    assert levels is None or levels.holds(30.0)

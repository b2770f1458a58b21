"""Watts of a plug become what is believed of its lamps: proof, drift, and doubt between two.

The plug meters as switch-on plugs do (common practice): a sample a second here, in tenths of a watt.
"""

from __future__ import annotations

import itertools
from dataclasses import replace

import pytest

from studiobridge.control.gauges import DOUBT_HOLDS
from studiobridge.control.views import device_view, drift_view, state_view
from studiobridge.profile.model import Device, Preset, SetProfile
from tests.control.play import Play, fixture, on_plug, plug, profile

METERED = frozenset({"switch", "watts", "online"})
RIM = ((0.0, 0.6), (10.0, 2.4), (20.0, 4.1), (30.0, 5.8), (50.0, 9.0), (70.0, 12.1), (100.0, 16.9))
EDGE = ((0.0, 0.5), (25.0, 5.2), (50.0, 10.1), (75.0, 14.8), (100.0, 19.6))


def dial(name: str, table: tuple[tuple[float, float], ...] = RIM, **more: object) -> Device:
    figures = {"hand_set": True, "proof": "watts", "draws": table[-1][1], "draws_at": table}
    return on_plug(name, "light", "lamp-plug", **{**figures, **more})


def draws(table: tuple[tuple[float, float], ...], level: float) -> float:
    for (l0, w0), (l1, w1) in itertools.pairwise(table):
        if l0 <= level <= l1:
            return w0 + (w1 - w0) * (level - l0) / (l1 - l0)
    raise AssertionError(level)


class Evening(Play):
    """A set that is up, and a hand at its dials."""

    def meter(self, seconds: float, *levels: tuple[tuple[tuple[float, float], ...], float]) -> None:
        """So long a sample each second, with the lamps of these tables at these levels."""
        watts = round(sum(draws(table, level) for table, level in levels) + self.other, 1)
        for _ in range(int(seconds)):
            self.report("lamp-plug", "watts", watts)
            self.run(1.0)

    other = 0.0

    def shown(self, name: str) -> dict[str, object]:
        return device_view(self.controller, name, self.now, lambda at: at)

    def by(self, name: str) -> object:
        view = self.shown(name)
        return view["by"] if view["confirmed"] else None

    def drifting(self) -> list[dict[str, object]]:
        return drift_view(self.controller, self.now, lambda at: at)


def a_set(*lamps: Device, more: tuple[Device, ...] = (), **presets: float) -> SetProfile:
    looks = {"day": {name: Preset(level) for name, level in presets.items()}}
    made = profile(plug("lamp-plug", hears=METERED, meters=True), *lamps, *more, looks=looks)
    tolerance = replace(lamps[0].tolerance, level=0.25)
    return replace(
        made,
        devices={n: replace(d, tolerance=tolerance) for n, d in made.devices.items()},
    )


def up(*lamps: Device, more: tuple[Device, ...] = (), **presets: float) -> Evening:
    evening = Evening(a_set(*lamps, more=more, **presets))
    evening.link_up()
    evening.ask("up", look="day")
    evening.run(1.0)
    return evening


def test_a_dial_is_proven_by_the_watts_and_ready_comes_with_them() -> None:
    evening = up(dial("rim"), rim=30.0)
    assert evening.state == "rising"
    evening.meter(4, (RIM, 30.0))
    assert evening.state == "ready"
    assert evening.by("rim") == "watts"
    band = evening.shown("rim")["gauged"]["level"]  # type: ignore[index]
    assert band["low"] < 30.0 < band["high"]
    assert band["high"] - band["low"] < 8.0


@pytest.mark.parametrize(("whites", "by"), [(None, "watts"), ((2700.0, 6500.0), None)])
def test_only_a_white_that_can_be_turned_needs_a_word(
    whites: tuple[float, float] | None, by: str | None
) -> None:
    made = a_set(dial("rim", cct_range=whites), rim=30.0)
    look = replace(made.looks["day"], presets={"rim": Preset(30.0, 4300.0)})
    evening = Evening(replace(made, looks={"day": look}))
    evening.link_up()
    evening.ask("up", look="day")
    evening.run(1.0)
    evening.meter(6, (RIM, 30.0))
    assert evening.state == "ready"
    assert evening.by("rim") == by
    told = state_view(evening.controller, evening.now, lambda at: at)["only_told"]
    assert told == ([] if by else ["rim"])


def test_a_hand_on_a_dial_is_shown_each_reading_and_what_it_is_to_become() -> None:
    evening = up(dial("rim"), rim=30.0)
    evening.meter(6, (RIM, 70.0))
    seen = evening.shown("rim")["dial"]
    assert isinstance(seen, dict)
    assert (seen["watts"], seen["target"], seen["settled"]) == (12.1, 5.8, True)
    assert 5.0 < seen["low"] < 5.8 < seen["high"] < 6.8
    evening.meter(1, (RIM, 40.0))
    seen = evening.shown("rim")["dial"]
    assert isinstance(seen, dict)
    assert (seen["watts"], seen["was"], seen["settled"]) == (7.4, 12.1, False)
    evening.link_down()
    evening.link_up()
    assert evening.shown("rim")["dial"] is None  # nothing is metered since


def test_a_dial_at_another_level_is_drift_by_watts_and_its_turning_closes_it() -> None:
    evening = up(dial("rim"), rim=30.0)
    evening.meter(8, (RIM, 70.0))
    assert evening.state == "adrift"
    answer = evening.answers()[-1]
    assert answer.code == 1
    assert "and not ready: rim is at 64 to 76 % by its watts, not at 30 %" in answer.text
    assert answer.text.endswith(": turn it down")
    (entry,) = evening.drifting()
    assert (entry["device"], entry["by"]) == ("rim", "watts")
    low, high = entry["band"]  # type: ignore[misc]
    assert low < 70.0 < high
    assert evening.by("rim") is None
    evening.meter(8, (RIM, 30.0))
    assert (evening.drifting(), evening.state, evening.by("rim")) == ([], "ready", "watts")


def test_while_the_reading_changes_nothing_is_confirmed() -> None:
    evening = up(dial("rim"), rim=30.0)
    evening.meter(8, (RIM, 30.0))
    evening.meter(1, (RIM, 45.0))
    assert evening.by("rim") is None
    assert evening.state == "ready"  # for a moment: what it comes to is not known yet


def test_a_meter_that_falls_silent_proves_nothing_and_ready_ends() -> None:
    evening = up(dial("rim"), rim=30.0)
    evening.meter(8, (RIM, 30.0))
    evening.run(32.0)
    assert evening.by("rim") is None
    evening.run(DOUBT_HOLDS + 1.0)
    assert evening.state == "adrift"
    assert "silent" in evening.controller.why
    evening.meter(4, (RIM, 30.0))
    assert (evening.state, evening.by("rim")) == ("ready", "watts")


def test_what_the_broker_kept_of_the_meter_proves_nothing() -> None:
    evening = up(dial("rim"), rim=30.0)
    for _ in range(6):
        evening.report("lamp-plug", "watts", 5.8, retained=True)
        evening.run(1.0)
    assert evening.by("rim") is None


def two() -> Evening:
    evening = up(
        dial("rim", proof="hand"),
        dial("edge-left", EDGE, proof="hand"),
        rim=30.0,
        **{"edge-left": 50.0},
    )
    evening.meter(6, (RIM, 30.0), (EDGE, 50.0))
    evening.ask("set_by_hand", by="Ana")
    evening.meter(8, (RIM, 30.0), (EDGE, 50.0))
    return evening


def test_two_lamps_on_one_plug_are_told_by_a_persons_word_and_shown_as_by_hand() -> None:
    evening = two()
    assert (evening.state, evening.by("rim"), evening.by("edge-left")) == ("ready", "hand", "hand")


def test_a_change_only_one_lamp_can_explain_is_that_lamps_drift() -> None:
    evening = two()
    # rim has only 5.2 W to lose; edge-left loses 7
    evening.meter(8, (RIM, 30.0), (EDGE, 14.0))
    (entry,) = evening.drifting()
    assert (entry["device"], entry["by"], entry["perhaps"]) == ("edge-left", "watts", None)
    assert evening.by("rim") == "hand"
    assert evening.by("edge-left") is None
    evening.meter(8, (RIM, 30.0), (EDGE, 50.0))
    assert evening.drifting() == []


def test_a_change_that_could_be_two_lamps_is_one_entry_that_names_both() -> None:
    evening = two()
    evening.meter(8, (RIM, 55.0), (EDGE, 50.0))
    (entry,) = evening.drifting()
    assert entry["device"] == "rim or edge-left"
    assert entry["perhaps"] == ["rim", "edge-left"]
    assert evening.state == "adrift"
    for name in ("rim", "edge-left"):
        (of_it,) = evening.shown(name)["drift"]  # type: ignore[misc]
        assert of_it["drift"] == entry["drift"]
        assert evening.by(name) is None
    state = state_view(evening.controller, evening.now, lambda at: at)
    assert state["drifting"] == ["edge-left", "rim"]
    # the watts are back
    evening.meter(8, (RIM, 30.0), (EDGE, 50.0))
    assert (evening.drifting(), evening.state) == ([], "ready")


def test_a_person_who_has_looked_at_both_closes_the_doubt() -> None:
    evening = two()
    evening.meter(8, (RIM, 55.0), (EDGE, 50.0))
    evening.ask("set_by_hand", by="Ana", targets=("rim",))
    assert len(evening.drifting()) == 1
    evening.meter(2, (RIM, 30.0), (EDGE, 72.0))
    evening.ask("set_by_hand", by="Ana")
    assert evening.drifting() == []


def strip(**more: object) -> Device:
    figures = {
        "tells": frozenset({"level"}),
        "hears": frozenset(),
        "can_ask": False,
        "proof": "watts",
        "boots_in": 0.0,
        "fade": 0.0,
        "draws": 16.9,
        "draws_at": RIM,
    }
    return fixture("strip", "lamp-plug", **{**figures, **more})


def test_a_lamp_that_is_told_is_proven_by_watts_metered_after_it_settled() -> None:
    evening = up(strip(), strip=30.0)
    evening.meter(3, (RIM, 30.0))
    # told at once, and what is metered in the settle time may be of before
    assert evening.by("strip") is None
    evening.meter(4, (RIM, 30.0))
    assert (evening.state, evening.by("strip")) == ("ready", "watts")


def test_a_lamp_that_can_be_told_is_told_anew_when_it_may_be_the_one_that_moved() -> None:
    evening = up(strip(proof="hand"), dial("rim", proof="hand"), strip=30.0, rim=30.0)
    evening.meter(6, (RIM, 30.0), (RIM, 30.0))
    evening.ask("set_by_hand", by="Ana")
    evening.meter(8, (RIM, 30.0), (RIM, 30.0))
    evening.meter(8, (RIM, 55.0), (RIM, 30.0))
    assert [entry["perhaps"] for entry in evening.drifting()] == [["strip", "rim"]]
    evening.forget()
    evening.ask("restore")
    evening.meter(10, (RIM, 30.0), (RIM, 30.0))
    assert [values for _, _, values in evening.tells("strip")] == [(("level", 30.0),)]
    evening.ask("set_by_hand", by="Ana", targets=("rim",))
    evening.run(1.0)
    assert (evening.drifting(), evening.state) == ([], "ready")


def test_restore_tells_again_what_moved_and_names_the_dial_it_cannot_turn() -> None:
    evening = up(dial("rim"), rim=30.0)
    evening.meter(8, (RIM, 70.0))
    evening.ask("restore")
    answer = evening.answers()[-1]
    assert answer.code == 1
    assert "turn by hand: rim to 30 %, it is at" in answer.text
    evening = up(strip(), strip=30.0)
    evening.meter(8, (RIM, 30.0))
    evening.meter(8, (RIM, 70.0))
    assert [entry["device"] for entry in evening.drifting()] == ["strip"]
    evening.forget()
    evening.ask("restore")
    evening.meter(10, (RIM, 30.0))
    assert evening.tells("strip")
    assert (evening.drifting(), evening.state) == ([], "ready")


def test_what_was_told_again_is_not_restored_before_the_watts_say_so() -> None:
    evening = up(strip(proof="hand"), strip=30.0)
    evening.meter(8, (RIM, 30.0))
    evening.meter(8, (RIM, 70.0))
    evening.ask("restore")
    evening.meter(4, (RIM, 70.0))
    assert [entry["device"] for entry in evening.drifting()] == ["strip"]
    # it never heard that, and stays where it was
    evening.meter(30, (RIM, 70.0))
    answer = evening.answers()[-1]
    assert (answer.code, "not there yet" in answer.text) == (1, True)
    assert evening.state == "adrift"


def test_a_dial_is_not_put_back_by_itself_nor_called_contested() -> None:
    evening = up(dial("rim", restores=1), rim=30.0)
    evening.meter(8, (RIM, 70.0))
    evening.meter(8, (RIM, 30.0))
    evening.meter(8, (RIM, 70.0))
    assert evening.runs() == [("up", "begun"), ("up", "done")]
    assert state_view(evening.controller, evening.now, lambda at: at)["contested"] == []


def test_the_load_of_a_light_that_reports_is_known_and_not_put_down_to_the_dial() -> None:
    key = fixture(
        "key", "lamp-plug", draws=60.0, draws_at=((0.0, 0.8), (50.0, 29.0), (100.0, 60.0))
    )
    evening = up(dial("rim"), more=(key,), rim=30.0, key=50.0)
    evening.other = 29.0
    evening.run(6.0)
    evening.meter(6, (RIM, 30.0))
    before = evening.shown("rim")["gauged"]
    assert before is not None
    # somebody turns the key at its own panel, and it says so
    evening.report("key", "level", 100.0)
    evening.other = 60.0
    evening.meter(8, (RIM, 30.0))
    assert [entry["device"] for entry in evening.drifting()] == ["key"]


@pytest.mark.parametrize("watts", [float("nan"), float("inf"), -5.0, 1e9])
def test_nonsense_from_a_meter_is_no_proof(watts: float) -> None:
    evening = up(dial("rim"), rim=30.0)
    for _ in range(6):
        evening.report("lamp-plug", "watts", watts)
        evening.run(1.0)
    assert evening.by("rim") is None

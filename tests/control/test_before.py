"""What has to be true before it rolls: never called good by anything but evidence of now."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from studiobridge.control.effects import Announce, BeforeNote, Memory, TakeNote, Tick, TickNote
from studiobridge.control.events import LinkUp, Room
from studiobridge.control.items import ENOUGH_ROOM, FRESH, ROOM_HOLDS
from studiobridge.control.timing import SAID_FOR
from studiobridge.control.views import iso, state_view
from studiobridge.profile.model import Device, Item, SetProfile, Timer, Warn
from tests.control.play import Play, corner, plug

LENS = Item("lens-wiped", "lens wiped")
PHONE = Item("phone-silent", "phone silent", lasts="take")
GB = 1e9


def item(kind: str, device: str = "", limit: float = 0.0) -> Item:
    return Item(f"{kind}-{device}".strip("-"), f"{kind} {device}".strip(), kind, device, limit)  # type: ignore[arg-type]


def asking(*items: Item, **more: Any) -> SetProfile:
    made = corner(before=tuple(items), **more)
    clip = Device(
        "clip",
        "audio",
        battery=True,
        speaks="b",
        essential=False,
        hears=frozenset({"battery", "battery_low", "online"}),
        warn=Warn(battery=30.0),
    )
    camera = replace(made.devices["camera"], hears=frozenset({"online", "rolling", "card"}))
    hears = frozenset({"switch", "watts"})
    cooler = plug("cooler", tells=frozenset(), essential=False, stays_on=True, hears=hears)
    devices = {**made.devices, "camera": camera, "clip": clip, "cooler": cooler}
    return replace(made, devices=devices)


def state(play: Play) -> dict[str, Any]:
    return state_view(play.controller, play.now, lambda at: 1_800_000_000.0 + at)


def line(play: Play) -> str:
    return str(state(play)["before"]["line"])


def good(play: Play) -> object:
    return state(play)["before"]["good"]


def one(play: Play, id_: str) -> dict[str, Any]:
    return next(i for i in state(play)["before"]["items"] if i["item"] == id_)


def up(*items: Item, memory: Memory | None = None, **more: Any) -> Play:
    play = Play(asking(*items, **more), memory, meters_itself=True)
    play.link_up()
    brought_up(play)
    play.forget()
    return play


def notes(play: Play, kind: type) -> list[Any]:
    return [e for _, e in play.effects if isinstance(e, kind)]


def brought_up(play: Play) -> None:
    play.report("clip", "online", True)
    play.report("cooler", "switch", True)
    play.ask("up")
    play.run(60.0)
    assert play.state == "ready", play.controller.why


# ---- the line ----------------------------------------------------------------------------------


def test_a_profile_that_asks_for_nothing_says_nothing() -> None:
    assert state(up())["before"] is None


def test_good_needs_every_line_and_names_the_first_that_is_not() -> None:
    play = up(item("drift"), LENS, item("record"))
    assert line(play) == "not yet: lens wiped (nobody has ticked it)"
    play.ask("tick", items=("lens-wiped",), by="Ada")
    assert good(play) is None
    assert line(play) == "not known: record (its disk has not been looked at)"
    play.give(Room(play.now, 40 * GB))
    assert (good(play), line(play)) == (True, "good to roll")
    play.report("key", "level", 20.0)
    play.run(5.0)
    assert line(play) == "not yet: drift (key moved)"


def test_it_is_not_good_while_the_set_is_dark_comes_up_or_goes_down() -> None:
    play = Play(asking(item("off", "cooler")))
    play.link_up()
    assert line(play) == "not yet: the set is dark"
    play.report("clip", "online", True)
    play.ask("up")
    assert line(play) == "not yet: the set is rising"
    play.run(60.0)
    play.report("cooler", "switch", False)
    assert good(play) is True
    play.ask("down")
    assert line(play) == "not yet: the set is lowering"


def test_without_a_link_nothing_measured_is_known_and_nothing_is_good() -> None:
    play = up(item("proven"), item("drift"), LENS)
    play.ask("tick", items=("lens-wiped",))
    assert good(play) is True
    play.link_down()
    assert (good(play), line(play)) == (None, "not known: no link to the broker")
    assert [i["state"] for i in state(play)["before"]["items"]] == [None, None, True]
    play.give(LinkUp(play.now))
    assert line(play) == "not known: the gear is still being heard from"


# ---- what is measured --------------------------------------------------------------------------


def test_everything_proven_is_neither_silent_nor_told() -> None:
    play = up(item("proven"))
    assert one(play, "proven")["state"] is True
    play.report("key", "online", False)
    assert good(play) is not True
    play.report("key", "online", True)
    play.run(10.0)
    assert good(play) is True
    play.report("key", "cct", 2700.0)
    play.run(5.0)
    assert one(play, "proven")["state"] is False
    assert "key" in one(play, "proven")["evidence"]


def test_who_is_silent_has_not_moved_and_is_not_proven() -> None:
    play = up(item("proven"), item("drift"))
    play.deaf.add("key")
    play.link_down()
    play.link_up()
    play.run(120.0)
    assert play.state == "adrift"
    assert [i["state"] for i in state(play)["before"]["items"]] == [None, None]
    assert line(play).startswith("not known: proven (key")


def test_a_light_that_only_listens_is_not_proven_by_being_told() -> None:
    made = asking(item("proven"))
    mute = replace(made.devices["fill"], hears=frozenset({"online"}), proof="none")
    play = Play(replace(made, devices={**made.devices, "fill": mute}))
    play.link_up()
    brought_up(play)
    assert one(play, "proven")["state"] is None
    assert "fill" in line(play)


def test_warm_is_counted_from_ready_and_from_a_lamps_own_mains() -> None:
    play = up(item("warm"), warm_up=600.0)
    assert line(play) == "not yet: warm (the lamps are warming up)"
    play.run(600.0)
    assert good(play) is True
    since = one(play, "warm")["since"]
    play.run(60.0)
    assert one(play, "warm")["since"] == since
    # its plug was pulled for a moment: the lamp is cold again
    play.report("lamp-plug", "switch", False)
    play.run(30.0)
    play.report("lamp-plug", "switch", True)
    assert one(play, "warm")["state"] is False


def test_a_bridge_that_begins_in_a_session_has_not_seen_the_lamps_shine() -> None:
    memory = Memory("ready", "day", session=4, next_session=5, last_session=4, opened=-9000.0)
    play = Play(asking(item("warm"), warm_up=600.0), memory)
    play.on.update({"lamp-plug": True, "pc-plug": True, "desk-plug": True, "amp-plug": True})
    play.link_up()
    for name in ("key", "fill", "lesson-pc", "camera"):
        play.report(name, "online", True)
    brought_up(play)
    assert one(play, "warm")["state"] is False
    play.run(700.0)
    assert one(play, "warm")["state"] is True


def test_the_warm_up_has_one_end_for_all_who_show_it() -> None:
    """Also where nothing is asked about it, and after a restart in the middle of a session."""
    memory = Memory("ready", "day", session=4, next_session=5, last_session=4, opened=-9000.0)
    play = Play(asking(warm_up=600.0), memory)
    play.on.update({"lamp-plug": True, "pc-plug": True, "desk-plug": True, "amp-plug": True})
    play.link_up()
    for name in ("key", "fill", "lesson-pc", "camera"):
        play.report(name, "online", True)
    brought_up(play)
    shown = state_view(play.controller, play.now, lambda at: at)
    assert shown["timer"]["warm_at"] == iso(play.now + float(shown["warm_in_s"]), lambda at: at)
    before = len(play.effects)
    play.run(float(shown["warm_in_s"]) + 0.1)
    said = [e for _, e in play.effects[before:] if isinstance(e, Announce) and e.state]
    assert said, "it is over, and nobody is told"
    assert state_view(play.controller, play.now, lambda at: at)["warm_in_s"] is None


def test_a_battery_needs_a_fresh_word_above_its_warning() -> None:
    play = up(item("batteries"))
    assert line(play) == "not known: batteries (no fresh word of clip)"
    play.report("clip", "battery", 80.0, retained=True)
    assert good(play) is None, "kept by the broker: nobody knows how old it is"
    play.report("clip", "battery", 80.0)
    assert good(play) is True
    play.run(FRESH + 1.0)
    assert good(play) is None
    play.report("clip", "battery", 30.0)
    assert line(play) == "not yet: batteries (clip low, by the last word)"
    play.report("clip", "battery", 90.0)
    play.report("clip", "battery_low", True)
    assert good(play) is False, "of two words of one battery the worse counts"
    play.report("clip", "battery_low", False)
    play.report("clip", "battery", float("nan"))
    assert good(play) is True, "no number says nothing, and the last word is fresh"
    play.report("clip", "online", False)
    assert good(play) is None


def test_a_card_is_by_its_word_after_the_last_take_and_shrinks_while_it_rolls() -> None:
    play = up(item("card", "camera", 30.0))
    play.report("camera", "card", 50.0)
    assert good(play) is True
    play.report("camera", "rolling", True)
    play.run(19 * 60.0)
    assert good(play) is True
    play.run(60.0 + 5.0)
    assert good(play) is None or good(play) is False
    play.report("camera", "rolling", False)
    assert good(play) is None, "what it said was said before the take"
    play.run(10.0)
    play.report("camera", "card", 29.0)
    assert line(play) == "not yet: card camera (29 min left)"


def test_the_room_of_the_record_is_a_number_that_grows_old() -> None:
    play = up(item("record"))
    for free, known in ((ENOUGH_ROOM, True), (ENOUGH_ROOM - 1, False), (float("nan"), None)):
        play.give(Room(play.now, free))
        assert good(play) is known
    play.give(Room(play.now, None))
    assert good(play) is None
    play.give(Room(play.now, 40 * GB, "the record cannot be written: disk I/O error"))
    assert good(play) is False
    play.give(Room(play.now, 40 * GB))
    play.run(ROOM_HOLDS + 1.0)
    assert good(play) is None, "a disk that hangs says nothing"


def test_off_is_not_what_was_said_before_nor_what_still_draws() -> None:
    play = up(item("off", "cooler"))
    assert line(play) == "not yet: off cooler (it is on)"
    play.report("cooler", "switch", False)
    assert good(play) is True
    play.run(2.0)
    play.report("cooler", "watts", 640.0)
    assert line(play) == "not yet: off cooler (it says off, and 640 W still flow)"
    play.report("cooler", "watts", 0.2)
    assert good(play) is True
    play.deaf.add("cooler")
    play.link_down()
    play.link_up()
    play.report("cooler", "switch", False, retained=True)
    assert good(play) is not True, "nobody knows what was pressed meanwhile"


def test_a_lying_clock_of_the_gear_changes_nothing() -> None:
    play = up(item("drift"))
    play.run(4.0)
    since = one(play, "drift")["since"]
    play.run(100.0)
    assert one(play, "drift")["since"] == since


def test_what_is_not_so_for_another_reason_is_not_so_since_then() -> None:
    play = up(item("drift"))
    play.run(4.0)
    play.ask("down")
    lowering = one(play, "drift")
    assert lowering["evidence"] == "the set is lowering"
    play.run(60.0)
    dark = one(play, "drift")
    assert dark["evidence"] == "the set is dark"
    assert dark["since"] > lowering["since"]


# ---- ticks -------------------------------------------------------------------------------------


def test_a_tick_says_who_and_when_and_the_latest_of_two_stands() -> None:
    play = up(LENS)
    play.ask("tick", items=("Lens wiped",), by="Ada (page)")
    play.run(5.0)
    play.ask("tick", items=("lens-wiped",), by="Bo (page)")
    shown = one(play, "lens-wiped")
    assert (shown["state"], shown["by"]) == (True, "Bo (page)")
    assert [n.by for n in notes(play, TickNote)] == ["Ada (page)", "Bo (page)"]
    play.ask("untick", items=("lens-wiped",), by="Ada (page)")
    assert (one(play, "lens-wiped")["state"], one(play, "lens-wiped")["by"]) == (False, None)


@pytest.mark.parametrize(
    "items",
    [(), ("no-such",), ("lens-wiped", "no-such"), ("drift",), ("",), ("x" * 200,), ("☂\x00",)],
)
def test_what_is_no_tick_is_refused_with_the_list_and_nothing_is_done(items: Any) -> None:
    play = up(LENS, PHONE, item("drift"))
    play.ask("tick", items=items, by="Ada")
    answer = play.answers()[-1]
    assert answer.code == 2
    assert "lens-wiped, phone-silent" in answer.text
    assert notes(play, TickNote) == []
    assert one(play, "lens-wiped")["state"] is False


def test_a_tick_of_a_take_ends_with_it_and_one_of_the_session_does_not() -> None:
    play = up(LENS, PHONE)
    play.ask("tick", items=("lens-wiped", "phone-silent"), by="Ada")
    play.report("camera", "rolling", True)
    assert good(play) is True
    play.report("camera", "rolling", True)
    play.report("camera", "rolling", False)
    assert [i["state"] for i in state(play)["before"]["items"]] == [True, False]
    assert [(n.item, n.phase) for n in notes(play, TickNote)][-1] == ("phone-silent", "over")


def test_ticks_end_with_their_session() -> None:
    play = up(LENS, after=(Item("cards-emptied", "cards emptied"),))
    play.ask("tick", items=("lens-wiped",), by="Ada")
    play.ask("down")
    play.run(120.0)
    assert play.state == "dark"
    assert one(play, "lens-wiped")["state"] is False
    play.ask("tick", items=("lens-wiped",), by="Ada")
    assert play.answers()[-1].code == 1, "it would be held for a session that is over"
    play.ask("tick", items=("cards emptied",), by="Ada")
    assert state(play)["after"]["items"][0]["by"] == "Ada"
    play.ask("up")
    play.run(60.0)
    assert state(play)["after"]["items"][0]["by"] is None
    assert one(play, "lens-wiped")["state"] is False


def test_ticks_outlast_the_bridge_within_their_session_and_no_further() -> None:
    ticks = (Tick("lens-wiped", "Ada", -60.0), Tick("gone-from-the-profile", "Ada", -60.0))
    known = {"next_session": 5, "last_session": 4, "ticks": ticks}
    play = Play(asking(LENS), Memory("ready", "day", session=4, **known))  # type: ignore[arg-type]
    assert one(play, "lens-wiped")["by"] == "Ada"
    play = Play(asking(LENS), Memory("dark", None, session=None, **known))  # type: ignore[arg-type]
    assert one(play, "lens-wiped")["by"] is None


def test_a_tick_from_a_clock_that_was_ahead_is_not_in_the_future() -> None:
    late = Memory(session=4, last_session=4, ticks=(Tick("lens-wiped", "Ada", 9e6),))
    play = Play(asking(LENS), late)
    assert one(play, "lens-wiped")["since"] == "2027-01-15T08:00:00.000Z"


# ---- it rolls ----------------------------------------------------------------------------------


def test_it_rolls_all_the_same_and_what_was_not_so_is_noted() -> None:
    play = up(LENS, item("record"), item("drift"))
    play.report("camera", "rolling", True)
    assert [(n.device, n.missing) for n in notes(play, BeforeNote)] == [
        ("camera", ("lens wiped", "record"))
    ]
    play.report("camera", "rolling", True)
    assert len(notes(play, BeforeNote)) == 1, "once a take"


def test_what_nobody_knows_is_noted_too() -> None:
    play = up(item("record"))
    play.report("camera", "rolling", True)
    assert [n.missing for n in notes(play, BeforeNote)] == [("record",)]


def test_nothing_is_noted_when_it_rolls_while_good() -> None:
    play = up(item("drift"))
    play.report("camera", "rolling", True)
    assert notes(play, BeforeNote) == []


def test_rolling_over_a_restart_is_no_new_take() -> None:
    known = Memory(
        "ready",
        "day",
        session=4,
        last_session=4,
        rolling=frozenset({"camera"}),
        rolling_since={"camera": -90.0},
        takes=(
            TakeNote(-90.0, 3, "begun", None, 0.0, "report", 0.0, ""),
            TakeNote(-90.0, 3, "rolls", "camera", 0.0, "report", 0.0, ""),
        ),
        next_take=4,
        ticks=(Tick("phone-silent", "Ada", -100.0),),
        rolled=frozenset({"camera"}),
    )
    play = Play(asking(PHONE), known)
    play.link_up()
    play.report("camera", "rolling", True)
    assert notes(play, BeforeNote) == []
    assert state(play)["timer"]["take_since"] == "2027-01-15T07:58:30.000Z"
    assert one(play, "phone-silent")["state"] is True
    play.report("camera", "rolling", False)
    assert one(play, "phone-silent")["state"] is False
    assert state(play)["after"]["rolled"] == ["camera"]


# ---- what is counted ---------------------------------------------------------------------------


def test_the_timer_has_moments_and_no_counts() -> None:
    play = up(warm_up=600.0)
    timer = state(play)["timer"]
    assert timer["session_since"] < timer["ready_since"] < timer["warm_at"]
    assert (timer["take_since"], timer["break_since"]) == (None, None)
    play.run(3.0)
    play.report("camera", "rolling", True)
    began = state(play)["timer"]["take_since"]
    play.run(50.0)
    assert state(play)["timer"] == {**timer, "take_since": began}
    play.report("camera", "rolling", False)
    play.ask("down")
    play.run(120.0)
    assert set(state(play)["timer"].values()) == {None}


def test_a_break_is_said_once_and_never_while_it_rolls() -> None:
    play = up(timer=Timer(3000.0))
    play.run(2900.0)
    play.report("camera", "rolling", True)
    play.run(400.0)
    assert state(play)["timer"]["break_since"] is None
    play.report("camera", "rolling", False)
    said = state(play)["timer"]["break_since"]
    assert said is not None
    play.run(SAID_FOR - 1.0)
    assert state(play)["timer"]["break_since"] == said
    play.run(2.0)
    assert state(play)["timer"]["break_since"] is None
    play.run(2900.0)
    assert state(play)["timer"]["break_since"] is None
    play.run(200.0)
    assert state(play)["timer"]["break_since"] is not None
    play.report("camera", "rolling", True)
    assert state(play)["timer"]["break_since"] is None


def test_what_is_looked_at_after_is_of_the_session_that_ended() -> None:
    play = up()
    play.report("camera", "rolling", True)
    play.run(30.0)
    play.report("camera", "rolling", False)
    play.run(10.0)
    play.ask("down")
    play.run(120.0)
    after = state(play)["after"]
    assert (after["session"], after["rolled"]) == (1, ["camera"])
    assert after["closed"] is not None
    play.ask("up")
    play.run(60.0)
    assert (state(play)["after"]["session"], state(play)["after"]["rolled"]) == (2, [])
    assert state(play)["after"]["closed"] is None


# ---- how it is shown ---------------------------------------------------------------------------


def test_it_is_shown_anew_when_time_alone_makes_a_line_untrue() -> None:
    from studiobridge.control.effects import Announce

    play = up(item("batteries"))
    play.report("clip", "battery", 80.0)
    play.run(1.0)
    play.forget()
    play.run(FRESH - 10.0)
    before = [at for at, e in play.effects if isinstance(e, Announce) and e.state]
    play.forget()
    play.run(10.0)
    assert before == []
    assert [e for _, e in play.effects if isinstance(e, Announce) and e.state]


def test_a_long_list_is_looked_at_no_more_often_than_an_eye_needs() -> None:
    many = tuple(Item(f"line-{n}", f"line {n}") for n in range(60))
    play = up(*many)
    calls = 0
    judge = play.controller.requests.before.standings

    def counted(at: float) -> Any:
        nonlocal calls
        calls += 1
        return judge(at)

    play.controller.requests.before.standings = counted  # type: ignore[method-assign]
    for _ in range(1000):
        play.report("key", "level", 64.0)
        play.run(0.001)
    assert calls <= 10
    assert line(play) == "not yet: line 0 (nobody has ticked it)"

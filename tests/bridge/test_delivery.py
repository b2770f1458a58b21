"""What was told and is not known to have arrived (laws 10 and 15): the machine, and the core on it."""

from __future__ import annotations

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from studiobridge.bridge.core import Core, energises
from studiobridge.bridge.delivery import ALLOWANCE, MEASURED, Delivery
from studiobridge.bridge.outs import Out, Publish
from studiobridge.bridge.ownership import SLOWEST, Cut
from studiobridge.control.effects import Tell
from tests.bridge.test_core import CORNER, answers, asked, listening, waited_for

LIFE = 2.0


def measured(trip: float = 0.01) -> Delivery:
    delivery = Delivery()
    delivery.link_up()
    delivery.beat_sent(1, 0.0)
    delivery.beat_back(1, trip)
    return delivery


def told(delivery: Delivery, at: float, token: int = 1, parts: int = 1, sent: bool = True) -> None:
    delivery.told(token, "key", True, at, LIFE, parts)
    if sent:
        for _ in range(parts):
            delivery.sent(token, at)


def test_what_the_broker_does_not_acknowledge_cuts_the_link_within_its_life_and_a_second() -> None:
    delivery = measured()
    told(delivery, 10.0)
    due = delivery.next_due()
    assert due is not None
    assert 10.0 + LIFE < due <= 10.0 + LIFE + 1.0
    assert delivery.overdue(due - 0.01) is None
    why = delivery.overdue(due)
    assert why is not None
    assert "key" in why


def test_every_part_of_a_command_has_to_arrive() -> None:
    delivery = measured()
    told(delivery, 10.0, parts=3)
    assert not delivery.acknowledged(1, 10.01)
    assert not delivery.acknowledged(1, 10.01)
    assert delivery.overdue(13.0) is not None
    assert delivery.acknowledged(1, 10.02)
    assert delivery.next_due() is None
    assert delivery.out(["key"], 10.02) == []


def test_a_beat_that_comes_back_answers_for_what_was_sent_before_it_and_not_for_more() -> None:
    """Commands at QoS 0 have no other acknowledgement."""
    delivery = measured()
    told(delivery, 10.0, token=1)
    delivery.told(2, "key", True, 10.0, LIFE, 1)  # held back: told before the beat, sent after it
    delivery.beat_sent(2, 10.1)
    delivery.sent(2, 10.2)
    told(delivery, 10.3, token=3)
    assert delivery.beat_back(2, 10.4) == [1]
    assert [still.since for still in delivery.out(["key"], 10.4)] == [10.0, 10.3]


def test_a_lost_link_leaves_it_open_for_as_long_as_the_broker_may_still_deliver_it() -> None:
    delivery = measured()
    told(delivery, 10.0)
    told(delivery, 10.0, token=2, sent=False)  # never left
    delivery.link_down(11.0)
    (still,) = delivery.out(["key"], 11.5)
    assert still.lost
    assert not delivery.acknowledged(1, 11.6)  # a word from another connection
    assert delivery.out(["key"], 11.0 + LIFE + ALLOWANCE - 0.01) != []
    assert delivery.out(["key"], 11.0 + LIFE + ALLOWANCE) == []
    assert delivery.next_due() is None


def test_patience_follows_a_slow_link_and_comes_back() -> None:
    delivery = measured(3.0)
    assert delivery.patience(LIFE) == pytest.approx(3.0 + ALLOWANCE)
    assert "3.0 s there and back" in str(delivery.slow(LIFE))
    told(delivery, 10.0)
    assert delivery.overdue(13.5) is None  # it comes after three seconds, as all does here
    assert delivery.acknowledged(1, 13.0)
    for n in range(2, MEASURED + 2):
        delivery.beat_sent(n, 20.0 + n)
        delivery.beat_back(n, 20.02 + n)
    assert delivery.patience(LIFE) == pytest.approx(LIFE + ALLOWANCE)
    assert delivery.slow(LIFE) is None


def test_a_new_connection_is_measured_before_it_is_judged() -> None:
    delivery = measured(0.01)
    delivery.link_down(5.0)
    delivery.link_up()
    delivery.beat_sent(2, 6.0)
    assert delivery.overdue(6.0 + SLOWEST) is None
    assert delivery.overdue(6.0 + SLOWEST + ALLOWANCE) is not None


@given(st.lists(st.floats(0.0, 60.0), max_size=30), st.floats(1.0, 5.0))
@example([], 5.0)  # not measured yet, and a life above the slowest round trip
def test_nothing_is_ever_waited_for_longer_than_the_bound(trips: list[float], life: float) -> None:
    delivery = Delivery()
    delivery.link_up()
    for n, trip in enumerate(trips):
        delivery.beat_sent(n, 100.0 * n)
        delivery.beat_back(n, 100.0 * n + trip)
    assert life <= delivery.patience(life) <= max(life, SLOWEST) + ALLOWANCE


# ---- the core --------------------------------------------------------------------------------


def going_up() -> tuple[Core, list[tuple[str, int]], float]:
    """A core that has just told its first plugs to come on: who was told, with which tokens."""
    core = listening()
    outs = core.beat_sent(1, 9.0) + core.beat_back(1, 9.01)
    outs += asked(core, 10.0, id="u", what="up")
    told: list[tuple[str, int]] = []
    for _ in range(20):
        notes = [out.note for out in outs if hasattr(out, "note") and out.back]
        outs = core.noted(notes, 10.0)
        told += [
            (out.message.topic, out.token) for out in outs if isinstance(out, Publish) and out.token
        ]
        if not notes:
            break
    for _, token in told:
        core.left(token, True, 10.0)
    assert told
    return core, told, 10.0


def locked(core: Core, target: str, at: float) -> str:
    outs = asked(
        core, at, id=f"l-{target}-{at}", what="lockout", targets=[target], by="Ana", why="x"
    )
    (answer,) = answers(core.noted(waited_for(outs), at))
    assert answer["code"] == 0
    return str(answer["text"])


def plug_told(core: Core) -> str:
    return next(still.device for still in core.delivery.out(list(CORNER.devices), core.now))


def test_a_lockout_of_what_was_just_told_on_says_careful_until_the_broker_has_it() -> None:
    core, told, at = going_up()
    plug = plug_told(core)
    text = locked(core, plug, at + 0.4)
    assert text.count("CAREFUL") == 1
    assert text.count(f"{plug} was told on 0.4 s ago") == 1
    assert "treat it as live until it says off" in text
    # what it feeds, and the circuit it hangs on, are covered as well
    fed = CORNER.fed_from(plug)
    circuit = CORNER.devices[plug].circuit
    assert fed and circuit
    assert plug in locked(core, fed[0], at + 0.5)
    assert f"{plug} was told on" in locked(core, circuit, at + 0.6)
    for _, token in told:
        core.acknowledged(token, at + 0.7)
    # the broker has it; the devices themselves have not answered, and that is still said
    text = locked(core, plug, at + 0.8)
    assert "acknowledged" not in text
    assert f"{plug} was told on 0.8 s ago and has not answered" in text


def test_a_lockout_after_the_link_was_lost_still_says_careful() -> None:
    core, _, at = going_up()
    plug = plug_told(core)
    core.link_down(at + 0.2)
    core.link_up(at + 0.4)
    assert "the link was lost before the broker acknowledged it" in locked(core, plug, at + 0.6)


def test_the_core_wants_the_link_cut_when_the_life_is_over() -> None:
    core, told, at = going_up()
    cut: list[Out] = []
    t = at
    while t < at + 4.0 and not cut:
        t += 0.1
        cut = [out for out in core.due("delivery", t) if isinstance(out, Cut)]
    life = max(1.0, CORNER.patience.reply)
    assert life < t - at <= life + 1.0
    for _, token in told:
        core.acknowledged(token, t)
    assert not [out for out in core.due("delivery", t + 1.0) if isinstance(out, Cut)]


def test_what_energises() -> None:
    def tell(*values: tuple[str, object]) -> Tell:
        return Tell("key", values, None, 2.0, 1)  # type: ignore[arg-type]

    assert energises(tell(("switch", True)))
    assert energises(tell(("level", 5.0), ("cct", 4000.0)))
    assert not energises(tell(("switch", False)))
    assert not energises(tell(("level", 0.0)))


def test_what_energises_goes_at_qos_0() -> None:
    """Then no broker keeps it for a device that hangs and comes back with its session."""
    core = listening()
    outs = asked(core, 10.0, id="u", what="up")
    sent: list[Publish] = []
    for _ in range(20):
        notes = [out.note for out in outs if hasattr(out, "note") and out.back]
        outs = core.noted(notes, 10.0)
        sent += [out for out in outs if isinstance(out, Publish) and out.token]
        if not notes:
            break
    assert sent
    assert {out.message.qos for out in sent} == {0}
    assert {out.message.expiry for out in sent} == {max(1.0, CORNER.patience.reply)}

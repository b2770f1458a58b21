"""What happens to a set is said once, on a topic that keeps nothing, for whoever hooks onto it."""

from __future__ import annotations

from collections import Counter

from studiobridge.bridge.saying import AT_ONCE, WHAT, Saying
from studiobridge.control.controller import Controller
from studiobridge.control.effects import DriftNote, Memory, Says
from studiobridge.profile.model import SetProfile
from studiobridge.rehearsal import Trouble
from tests.control.play import corner
from tests.simulate.quiet import QuietEvening, quiet_set


def evening(seed: int = 3) -> QuietEvening:
    it = QuietEvening(quiet_set(seed), seed, Trouble())
    it.gear(it.room.begin(0.0))
    it.run(0.5)
    it.start_bridge()
    it.run(5.0)
    return it


def whats(it: QuietEvening) -> list[str]:
    return [str(m["what"]) for m in it.said]


def up(it: QuietEvening) -> None:
    it.ask("up")
    it.run(90.0)
    it.turn_dials()
    assert it.core.controller.state == "ready"


def light(profile: SetProfile) -> str:
    return next(
        d.name for d in profile.devices.values() if d.fixture and {"level", "switch"} <= d.hears
    )


def a_set() -> QuietEvening:
    """The first made-up set in which a light says how it stands."""
    for seed in range(50):
        if any(
            d.fixture and {"level", "switch"} <= d.hears for d in quiet_set(seed).devices.values()
        ):
            return evening(seed)
    raise AssertionError


def test_an_evening_is_said_each_thing_once() -> None:
    it = a_set()
    up(it)
    name = light(it.profile)
    stood = it.room.devices[name].level
    it.gear(it.room.touch(name, it.now, level=99.0 if stood < 60 else 5.0))
    it.run(30.0)
    it.ask("restore")
    it.run(60.0)
    it.ask("quiet_on", targets=["fridge"])
    it.run(10.0)
    it.ask("quiet_off")
    it.run(250.0)
    it.ask("down")
    it.say_it_stopped()
    it.run(200.0)
    count = Counter(whats(it))
    for what in ("ready", "moved", "put_back", "quiet", "back", "down"):
        assert count[what] == 1, (what, it.said)
    (moved,) = [m for m in it.said if m["what"] == "moved"]
    assert moved["device"] == name and "has moved: its level is" in str(moved["text"])
    assert set(count) <= set(WHAT)


def test_nothing_is_said_again_when_the_link_comes_back_or_the_bridge() -> None:
    it = a_set()
    up(it)
    it.ask("quiet_on", targets=["fridge"])
    it.run(5.0)
    it.said.clear()
    it.lose_link(5.0)
    it.run(30.0)
    it.crash(1.0)
    it.run(40.0)
    assert it.core.controller.state == "ready"
    assert [w for w in whats(it) if w != "back"] == []


def test_what_happens_without_a_link_is_not_said_later() -> None:
    it = a_set()
    up(it)
    it.said.clear()
    it.lose_link(60.0)
    it.run(1.0)
    it.outs(it.core.record_fault("full", it.now))
    it.run(80.0)
    assert it.said == []


def saying() -> Saying:
    return Saying(Controller(corner()), Memory(), lambda at: at, 0.0)


def drift(n: int, phase: str = "opened", at: float = 100.0) -> DriftNote:
    return DriftNote(
        at, n, phase, f"lamp-{n}", "level", 64.0, 20.0, 1.0, None, None,  # type: ignore[arg-type]
        "returned" if phase == "closed" else "",
    )  # fmt: skip


def test_a_crowd_of_changes_is_bounded_and_what_was_dropped_is_counted() -> None:
    it = saying()
    for n in range(100):
        it.happened(drift(n), 100.0)
    assert len(it.take(100.0, True)) == int(AT_ONCE)
    it.happened(drift(500), 110.0)
    (late,) = it.take(110.0, True)
    assert b'"dropped":80' in late.message.payload.replace(b" ", b"")
    assert not late.message.retain and late.message.qos == 1 and late.message.expiry == 60.0


def test_the_same_drift_is_said_once_until_it_is_over() -> None:
    it = saying()
    for phase in ("opened", "worse", "opened", "closed", "closed", "opened"):
        it.happened(drift(1, phase), 100.0)
    said = [m.message.payload for m in it.take(100.0, True)]
    assert [b"moved" in s or b"put_back" in s for s in said] == [True] * 3
    assert b"put_back" in said[1]


def test_others_can_have_something_said() -> None:
    it = saying()
    it.happened(Says(100.0, "break", "a break is due: two hours without one"), 100.0)
    (said,) = it.take(100.0, True)
    assert b'"what":"break"' in said.message.payload

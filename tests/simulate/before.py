"""Evenings from a seed in which everything happens that may make "good to roll" untrue.

The law: the line says good only while every item is proven, by what was said to the bridge and
nothing else. It is reckoned here once more from the reports, ticks and times alone, without a look
at what the controller believes. And nobody is ever stopped: what begins to roll while not good is
in the notes, once, and what was asked for goes on.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field, replace
from typing import Any

from studiobridge.control.effects import BeforeNote, Memory, SessionNote, Tick, TickNote
from studiobridge.control.events import LinkUp, Report, Room
from studiobridge.control.views import state_view
from studiobridge.profile.model import Device, Item, SetProfile, Value, Warn
from tests.control.play import Play, corner, plug

WARM_UP, FRESH, ROOM_HOLDS, ENOUGH = 120.0, 20 * 60.0, 60.0, 200e6
ITEMS = (
    Item("everything-proven", "everything proven", "proven"),
    Item("warm", "warm", "warm"),
    Item("no-drift", "no drift", "drift"),
    Item("batteries", "batteries", "batteries"),
    Item("card-camera", "card", "card", "camera", 30.0),
    Item("off-cooler", "cooler is off", "off", "cooler"),
    Item("record-has-room", "record has room", "record"),
    Item("lens-wiped", "lens wiped"),
    Item("phone-silent", "phone silent", lasts="take"),
)
LEVELS = {"day": {"key": 64.0, "fill": 32.0}, "dusk": {"key": 20.0, "fill": 32.0}}


def made() -> SetProfile:
    found = corner(before=ITEMS, warm_up=WARM_UP)
    clip = Device(
        "clip",
        "audio",
        battery=True,
        speaks="b",
        essential=False,
        hears=frozenset({"battery", "battery_low", "online"}),
        warn=Warn(battery=30.0),
    )
    camera = replace(found.devices["camera"], hears=frozenset({"online", "rolling", "card"}))
    hears = frozenset({"switch", "watts"})
    cooler = plug("cooler", tells=frozenset(), essential=False, stays_on=True, hears=hears)
    return replace(
        found, devices={**found.devices, "camera": camera, "clip": clip, "cooler": cooler}
    )


@dataclass
class Said:
    """All that was said so far, by whom and when: the whole evidence there is."""

    words: dict[tuple[str, str], tuple[Value, float, bool]] = field(default_factory=dict)
    link_at: float | None = None
    mains_at: dict[str, float] = field(default_factory=dict)
    ticks: dict[str, float] = field(default_factory=dict)
    ready_at: float | None = None
    began: float = 0.0
    room: tuple[float, float] | None = None
    rolls: bool = False
    stopped_at: float = float("-inf")


class Evening(Play):
    """Gear that may lie, people who tick and touch, a link that goes, a bridge that restarts."""

    def __init__(self, seed: int) -> None:
        super().__init__(made(), None, meters_itself=True)
        self.dice = random.Random(seed)
        self.said = Said()
        self.goods = 0
        self.rolled_bad = 0
        self.asked = 0

    # ---- everything that is said passes here -------------------------------------------------

    def _give(self, event: Any) -> list[object]:
        said = self.said
        rolled = said.rolls
        if isinstance(event, Report) and said.link_at is not None:
            key = (event.device, event.point)
            # what the broker kept is older than anything that came live over this link
            supply = key[1] in ("battery", "battery_low", "card")
            same = said.words.get(key, (None,))[0] == event.value
            if not event.retained or (not same if supply else self.fresh(*key) is None):
                said.words[key] = (event.value, event.at, event.retained)
            if key[1] == "switch" and not event.retained:
                said.mains_at[key[0]] = event.at
            if key == ("camera", "rolling") and not event.retained:
                said.rolls = bool(event.value)
                if rolled and not said.rolls:
                    said.stopped_at = event.at
                    said.ticks.pop("phone-silent", None)
        elif isinstance(event, Room):
            said.room = None if event.free is None or event.why else (event.free, event.at)
        elif isinstance(event, LinkUp):
            said.link_at = event.at
        good = self._good() if said.rolls and not rolled else None
        done = super()._give(event)
        for effect in done:
            if isinstance(effect, SessionNote):
                if effect.phase == "opened":
                    said.ticks.clear()
                    said.ready_at = None
                elif effect.phase == "ready":
                    said.ready_at = effect.at
                elif effect.phase == "closed":
                    said.ticks.clear()
        notes = [e for e in done if isinstance(e, BeforeNote)]
        if good is not None:
            assert len(notes) == (0 if good else 1), f"{self.now}: rolls while good is {good}"
            self.rolled_bad += bool(notes)
        else:
            assert not notes
        self.look()
        return done

    def _good(self) -> bool:
        return bool(self.view()["good"])

    def view(self) -> dict[str, Any]:
        shown = state_view(self.controller, self.now, lambda at: 1_800_000_000.0 + at)
        return shown["before"]  # type: ignore[return-value]

    # ---- the law -----------------------------------------------------------------------------

    def look(self) -> None:
        shown = self.view()
        states = [item["state"] for item in shown["items"]]
        assert (shown["good"] is True) <= all(state is True for state in states)
        assert shown["line"] == "good to roll" or shown["good"] is not True
        assert shown["line"] != "good to roll" or shown["good"] is True
        for item in shown["items"]:
            if item["state"] is True and (item["kind"] == "tick" or self.said.link_at is not None):
                why = self.why_not(item["item"])
                assert why is None, f"{self.now:.1f}: {item['item']} is called true: {why}"
            elif item["state"] is True:
                raise AssertionError(f"{item['item']} is called true without a link")
        if shown["good"] is True:
            self.goods += 1
            assert self.said.link_at is not None, "good without a link"
            assert self.state in ("ready", "adrift")

    def fresh(self, device: str, point: str) -> tuple[Value, float] | None:
        """The last word, if it is one of now: not kept, and since the link came."""
        word = self.said.words.get((device, point))
        link = self.said.link_at
        if word is None or word[2] or link is None or word[1] < link:
            return None
        return word[0], word[1]

    def why_not(self, item: str) -> str | None:
        said = self.said
        if item in ("lens-wiped", "phone-silent"):
            return None if item in said.ticks else "nobody ticked it"
        if item in ("everything-proven", "no-drift"):
            look = self.controller.look
            for name, level in LEVELS[str(look)].items():
                word = self.fresh(name, "level")
                off = word is None or abs(float(word[0]) - level) > 3.0  # type: ignore[arg-type]
                settles = word is not None and self.now - word[1] < 12.0
                if off and not (item == "no-drift" and settles):
                    return f"{name} said {word}, {look} wants {level}"
            return None
        if item == "warm":
            since = max(
                said.began if said.ready_at is None else said.ready_at,
                said.mains_at.get("first lamp-plug", float("-inf")),
            )
            return None if self.now >= since + WARM_UP - 1e-6 else f"shines since {since}"
        if item == "batteries":
            return self._battery()
        if item == "card-camera":
            word = self.fresh("camera", "card")
            if word is None or self.now - word[1] > FRESH:
                return "no fresh word"
            if word[1] <= said.stopped_at or not float(word[0]) >= 30.0:  # type: ignore[arg-type]
                return f"said {word}, the take ended at {said.stopped_at}"
            return None
        if item == "off-cooler":
            word2 = self.fresh("cooler", "switch")
            if word2 is None or word2[0] is not False:
                return f"it said {word2}"
            return None
        assert item == "record-has-room"
        if said.room is None or self.now - said.room[1] > ROOM_HOLDS or not said.room[0] >= ENOUGH:
            return f"the disk said {said.room}"
        return None

    def _battery(self) -> str | None:
        newest = float("-inf")
        for point in ("battery", "battery_low"):
            word = self.said.words.get(("clip", point))
            if word is None:
                continue
            bad = word[0] is True if point == "battery_low" else float(word[0]) <= 30.0  # type: ignore[arg-type]
            if bad:
                return f"{point} {word[0]}"
            if not word[2]:
                newest = max(newest, word[1])
        return None if self.now - newest <= FRESH else "no fresh word"

    # ---- what happens ------------------------------------------------------------------------

    def play(self, happenings: int) -> None:
        self.link_up()
        self.report("clip", "online", True)
        for _ in range(happenings):
            self.happens()
            self.run(self.dice.choice((0.0, 0.05, 0.5, 3.0, 20.0, 90.0)))

    def happens(self) -> None:
        dice = self.dice
        linked = self.said.link_at is not None
        what = dice.choice(
            (
                *("up", "tick", "tick", "untick", "roll", "touch", "heal", "heal", "battery"),
                *("card", "cooler", "room", "room", "look", "down", "link", "restart"),
                *("nonsense", "mains"),
            )
        )
        if what == "up" or (what == "down" and dice.random() < 0.5):
            self.ask("up")
        elif what == "down" and dice.random() < 0.5:
            self.ask("down")
        elif what == "look":
            self.ask("up", look=dice.choice(("day", "dusk")))
        elif what in ("tick", "untick"):
            names = tuple(dice.sample(("lens-wiped", "phone-silent", "no-drift", "x"), 1))
            if dice.random() < 0.7:
                names = ("lens-wiped", "phone-silent")
            self.ticks(what, names)
        elif what == "link":
            if linked:
                self.said.link_at = None
                self.link_down()
            else:
                self.link_up()
        elif what == "restart":
            self.restart()
        elif what == "room":
            free = dice.choice((40e9, 40e9, 40e9, 1e6, None, float("nan"), float("inf")))
            self.give(Room(self.now, free, dice.choice((None, None, None, "disk full"))))
        elif linked:
            self._gear(what)

    def ticks(self, what: str, names: tuple[str, ...]) -> None:
        self.asked += 1
        # noted by what was answered: a refusal does nothing
        before = dict(self.said.ticks)
        if what == "tick" and self.controller.standing.session.open:
            self.said.ticks.update(dict.fromkeys(names, self.now))
        done = self.ask(what, items=names, by=self.dice.choice(("Ada", "Bo")))
        notes = [e for e in done if isinstance(e, TickNote)]
        self.said.ticks = before
        for note in notes:
            if note.phase == "on":
                self.said.ticks[note.item] = note.at
            else:
                self.said.ticks.pop(note.item, None)
        self.look()

    def _gear(self, what: str) -> None:
        dice = self.dice
        if what == "roll":
            self.report("camera", "rolling", dice.random() < 0.5)
        elif what == "touch":
            self.report(dice.choice(("key", "fill")), "level", dice.choice((5.0, 50.0, 100.0)))
        elif what == "heal":
            if self.state not in ("ready", "adrift", "rising"):
                self.ask("up")
                self.run(40.0)
            for name, level in LEVELS.get(str(self.controller.look), {}).items():
                self.report(name, "level", level)
                self.report(name, "switch", True)
            self.report("clip", "battery", 80.0)
            self.report("clip", "battery_low", False)
            self.report("camera", "rolling", False)
            self.report("camera", "card", 90.0)
            self.report("cooler", "switch", False)
            self.report("cooler", "watts", 0.1)
            self.give(Room(self.now, 40e9))
            if self.controller.standing.session.open:
                self.ticks("tick", ("lens-wiped", "phone-silent"))
            self.run(dice.choice((0.0, 3.0, 130.0)))
            self.give(Room(self.now, 40e9))
            self.run(dice.choice((0.0, 1.0)))
            if dice.random() < 0.3:
                self.report("camera", "rolling", True)
        elif what == "battery":
            value = dice.choice((80.0, 31.0, 30.0, 0.0))
            self.report("clip", "battery", value, retained=dice.random() < 0.3)
            if dice.random() < 0.3:
                self.report("clip", "battery_low", dice.random() < 0.5)
        elif what == "card":
            self.report("camera", "card", dice.choice((90.0, 29.0)), retained=dice.random() < 0.3)
        elif what == "cooler":
            self.report("cooler", "switch", dice.random() < 0.5, retained=dice.random() < 0.3)
            if dice.random() < 0.3:
                self.report("cooler", "watts", dice.choice((0.1, 640.0)))
        elif what == "nonsense":
            device, point = dice.choice(
                (("key", "level"), ("clip", "online"), ("camera", "online"))
            )
            self.report(device, point, 12.0 if point == "level" else False)
        elif what == "mains":
            self.report("lamp-plug", "switch", False)
            self.run(dice.choice((0.5, 5.0)))
            self.report("lamp-plug", "switch", True)
            self.said.mains_at["first lamp-plug"] = self.now

    def restart(self) -> None:
        """Killed and started again with what the record holds; this bridge knows nothing else."""
        from studiobridge.control import Controller

        standing, before = self.controller.standing, self.controller.requests.before
        number = standing.session.number
        memory = Memory(
            state=self.state if self.state != "unheard" else "ready",
            look=self.controller.look,
            session=number,
            next_session=(before.of or 0) + 1,
            last_session=before.of,
            rolling=frozenset({"camera"} if self.said.rolls else ()),
            # what the record has: ticks by the notes of this session
            ticks=tuple(Tick(name, "Ada", at) for name, at in self.said.ticks.items()),
        )
        self.said.link_at = None
        self.said.words.clear()
        self.said.room = None
        self.said.ready_at = None
        self.said.began = self.now
        self._wakes.clear()
        self._queue.clear()
        self.controller = Controller(self.profile, memory, self.now)
        if number is None:
            self.said.ticks.clear()
        self.look()
        self.link_up()

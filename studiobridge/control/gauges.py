"""What meters make of lamps that cannot speak: a band for each, believed and judged.

One account a metering plug (`figures/plug.py`) does the reckoning. This file brings it what it
needs to know, and its answers to belief:

- Samples of the plug's watts, but for what the broker kept.
- What else hangs on the plug, as it reports: a light at its level, a thing that is off. What is
  being changed from here is anywhere in its range until it has settled and said so.
- Lamps told from here are *turning* until they have settled: a change then is put down to them.
  So are those of which somebody says that a hand is on their dial now (`Desk.hands`), as long as it
  is said, and what follows is shown as by hand. Where nothing changes meanwhile nothing follows.
- A person's word where a dial stands. It is a word: what rests on it is shown as by hand.
- The plug's mains. Unless it is surely on, nothing is known of what hangs on it.

While a reading changes nothing is believed of its lamps; so too when the meter falls silent. A set
that was ready stays so for as long as a change usually takes to rest, and no longer.

A change that two lamps could each have made is one entry that names both (drift.py).
"""

from __future__ import annotations

from collections.abc import Collection

from studiobridge.control.beliefs import Beliefs
from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce
from studiobridge.control.evidence import Gauged
from studiobridge.figures.meters import Metered, load, metered, will_do
from studiobridge.figures.plug import (
    ACCURACY,
    DIAL,
    LAGS,
    QUIET,
    RESTS,
    Aim,
    Change,
    Heard,
    Known,
    Mains,
    PlugAccount,
    Sample,
    Stands,
    Turning,
)
from studiobridge.figures.watts import NOTHING, Band
from studiobridge.profile.model import Point, Value, figure

# A set that was ready while a lamp's watts said so stays ready for so long (s) without them: a
# hand that turns a dial and turns it back, and two samples of a slow meter.
DOUBT_HOLDS = 25.0
# Many meters say only what has changed, and once. A reading that does not rest yet is asked for
# again after so long (s), and one that does well before its last sample is old.
ASK_AGAIN, ASK_STILL = 2.0, 12.0
# Another meter's last word on what it feeds is good to its share, and to its coarsest step (W).
OWN_METER_STEP = 1.0


class _Plug:
    """One metering plug: its account, and what is being changed on it from here."""

    def __init__(self, it: Metered, beliefs: Beliefs) -> None:
        self.it = it
        self.account: PlugAccount = it.account()
        self.turning: dict[str, float] = {}
        # lamps with a hand on their dial, by somebody's word, now and since the reading rested
        self.hands: frozenset[str] = frozenset()
        self.handled: frozenset[str] = frozenset()
        self.ask_at = float("-inf")
        # a person's word of one lamp bears on what the sum says of the others
        self.word = False
        line = beliefs.of[it.plug].device.feeds
        between = {
            above for name in (*it.lamps, *it.loads) for above in beliefs.of[name].device.feeds
        }
        self.concerns = frozenset({it.plug, *line, *it.lamps, *it.loads, *between})


class Gauges:
    """All metering plugs of a set that feed lamps which cannot speak."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.beliefs = desk.beliefs
        found = metered(desk.profile)
        self.plugs = {name: _Plug(it, desk.beliefs) for name, it in found.items()}
        self.lamps = {name: frozenset(it.lamps) for name, it in found.items()}
        self._of_lamp = {name: plug for plug in self.plugs.values() for name in plug.it.lamps}
        # lamps of which something else is believed, and changes that came to rest
        self._news: set[str] = set()
        self._changes: list[tuple[str, Change, frozenset[str]]] = []

    def take_news(self) -> tuple[set[str], list[tuple[str, Change, frozenset[str]]]]:
        """Lamps of which something else is believed now, and what came to rest: where, and which
        lamps had been told something meanwhile."""
        news, self._news = self._news, set()
        changes, self._changes = self._changes, []
        return news, changes

    # ---- what comes in -------------------------------------------------------------------

    def metered(self, name: str, watts: Value, kept: bool, at: float) -> None:
        """A plug says what it meters."""
        plug = self.plugs.get(name)
        if plug is None or kept:
            return
        self._settle_known(plug, at)
        self._hear(plug, Sample(at, figure(watts)))
        # a hand on a dial is shown every reading
        self.desk.changed.update(n for n in plug.it.lamps if self.beliefs.of[n].device.hand_set)
        self._say(plug, at)
        self._ask_later(plug, at)

    def stands(self, name: str, level: float | None, at: float) -> None:
        """A person says that this dial stands there."""
        plug = self._of_lamp.get(name)
        if plug is not None and level is not None:
            plug.word = True
            self._hear(plug, Stands(at, name, Band(level - DIAL, level + DIAL)))
            self._say(plug, at)

    def hands(self, at: float) -> None:
        """A hand went to a dial, or let go of one, or has not said so again."""
        desk = self.desk
        over = {by for by, hand in desk.hands.items() if hand.until <= at}
        for by in over:
            desk.changed |= desk.hands.pop(by).dials
        if over:
            desk.emit(Announce(state=True))
        if desk.hands:
            desk.wake("hands", min(hand.until for hand in desk.hands.values()))
        held = frozenset().union(*(hand.dials for hand in desk.hands.values()))
        for plug in self.plugs.values():
            now = held & set(plug.it.lamps)
            if now == plug.hands:
                continue
            # first off the one dial, then on the other: what has come to rest is the first one's
            for hands in (now & plug.hands, now):
                plug.hands = hands
                plug.handled |= hands
                self._settle_known(plug, at)
            self._say(plug, at)

    def follow(self, changed: Collection[str], at: float) -> None:
        """Something else is believed of these devices, or they were told something."""
        for plug in self.plugs.values():
            if plug.concerns.isdisjoint(changed):
                continue
            for name in plug.it.lamps:
                if name in changed and self.beliefs.of[name].quiet_until > at:
                    plug.turning[name] = self.beliefs.of[name].quiet_until + LAGS
            self._settle_known(plug, at)
            self._say(plug, at)
            if plug.ask_at <= at:
                self._ask_later(plug, at)

    def look(self, name: str, at: float) -> None:
        """Time has passed: ask this meter again, and see whether it has fallen silent."""
        plug = self.plugs.get(name)
        if plug is None or not self.desk.listened:
            return
        self._say(plug, at)
        if self.desk.look is not None and self.beliefs.surely_on(name):
            self.desk.ask(at, name)
            self._ask_later(plug, at)

    def _ask_later(self, plug: _Plug, at: float) -> None:
        plug.ask_at = at + (ASK_STILL if self._rests(plug) else ASK_AGAIN)
        last = plug.account.last
        if last is not None and last.at + QUIET >= at:
            plug.ask_at = min(plug.ask_at, last.at + QUIET + 0.1)
        self.desk.wake(f"gauge {plug.it.plug}", plug.ask_at)

    def _rests(self, plug: _Plug) -> bool:
        reading = plug.account.reading
        return reading is not None and reading.count > RESTS

    def look_at_all(self, at: float) -> None:
        """The link came or went: nothing that was heard before counts."""
        for plug in self.plugs.values():
            self._settle_known(plug, at)
            self._say(plug, at)

    def aim(self, name: str, at: float) -> Aim | None:
        """For a hand on this dial: what its plug meters, and is to meter when it is set."""
        plug, preset = self._of_lamp.get(name), self.desk.presets.get(name)
        if plug is None or preset is None or preset.level is None:
            return None
        if not self.beliefs.of[name].device.hand_set or not self.beliefs.surely_on(plug.it.plug):
            return None
        within = will_do(self.beliefs.of[name].device, preset.level)
        return plug.account.aim(name, preset.level, within, at)

    # ---- what is known beside the meter ---------------------------------------------------

    def _settle_known(self, plug: _Plug, at: float) -> None:
        account, beliefs = plug.account, self.beliefs
        name = plug.it.plug
        on = True if beliefs.surely_on(name) else False if beliefs.surely_off(name) else None
        if on is not True:
            plug.word = False
        account.hear(Mains(at, on))
        for other in plug.it.loads:
            found = self._load(other, at)
            if found is None:
                account.forget_load(other, at)
            else:
                account.hear(Known(at, other, *found))
        plug.turning = {lamp: until for lamp, until in plug.turning.items() if until > at}
        self._hear(plug, Turning(at, plug.hands | plug.turning.keys()))

    def _load(self, name: str, at: float) -> tuple[Band, bool] | None:
        """What this draws now, as far as it reports; None where nothing is known."""
        belief = self.beliefs.of[name]
        device = belief.device
        if not self.beliefs.powered(name):
            return NOTHING, True
        if device.kind == "plug":
            # its own sample, of all that hangs on it: it may be older than this plug's
            watts = belief.said("is it there", "watts")
            if watts is None:
                return None
            much = max(0.0, figure(watts))
            error = 2 * ACCURACY * much + OWN_METER_STEP
            return Band(max(0.0, much - error), much + error), False
        off = belief.said("is it so", "switch") is False
        if at < belief.quiet_until:
            most = load(device, True, None)
            return None if most is None else (Band(0.0, most[0].high), False)
        level = belief.said("is it so", "level")
        levels = None if level is None else Band(figure(level), figure(level))
        if "switch" in belief.hears and belief.said("is it so", "switch") is None:
            levels = None
        return load(device, not off, levels)

    # ---- what it comes to ----------------------------------------------------------------

    def _hear(self, plug: _Plug, event: Heard) -> None:
        turned = plug.account.turned
        change = plug.account.hear(event)
        if change is not None:
            by_hand = plug.handled & turned
            plug.word |= bool(by_hand)
            # a lamp that only a hand turned, and no command, may have changed unasked: it is not
            # among those that were told to
            told = turned - (by_hand - plug.turning.keys())
            self._changes.append((plug.it.plug, change, told))
        plug.handled &= plug.account.turned | plug.hands

    def _say(self, plug: _Plug, at: float) -> None:
        """Bring the account's estimates to belief."""
        account = plug.account
        there = self.beliefs.surely_on(plug.it.plug)
        by_hand = bool(plug.handled) and account.change_now(at) is not None
        for name in plug.it.lamps:
            belief = self.beliefs.of[name]
            # a sample of the way there, or of before, says nothing of how it stands
            counts_from = max(belief.quiet_until, belief.epoch_since) + LAGS
            fresh = account.last is not None and account.last.at >= counts_from
            rests = account.reading is not None and account.reading.count >= 2
            if not (there and fresh and rests and self.beliefs.powered(name)):
                if belief.lose_gauge("watts"):
                    self._news.add(name)
                continue
            found = account.estimate(name, at)
            low, high = (0.0, 100.0) if found.levels is None else _ends(found.levels)
            word = found.word or ((plug.word or by_hand) and len(plug.it.lamps) > 1)
            lit = (0.0, 1.0) if found.lit is None else (float(found.lit), float(found.lit))
            bands: tuple[tuple[Point, float, float], ...]
            bands = (("level", low, high), ("switch", *lit))
            for point, least, most in bands:
                unit = "%" if point == "level" else ""
                band = Gauged(least, most, found.at, belief.epoch, "watts", unit, word, found.why)
                if belief.gauge(point, band):
                    self._news.add(name)


def _ends(levels: Band) -> tuple[float, float]:
    return max(0.0, levels.low), min(100.0, levels.high)

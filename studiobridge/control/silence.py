"""Silence: who should speak and does not, and who has to be heard before anything is believed.

- A device that should speak by the clock is silent when asking brought nothing either.
- One that is held and has not spoken since its mains or the link came is asked, again and again,
  until it does. Nobody has to ask for that, and a set becomes ready by itself when all is heard.
- One that nobody can ask and of which the broker kept a word is not silent: it speaks when it
  changes. It proves nothing either, and what it takes to hear it is said (`Proofs.why_unheard`).
- In a dark set, too, whoever was not heard while listening is asked until it speaks: a plug that
  nobody heard may be on.

`quiet` and `seek` say True when a device has just been given up on: it is judged then.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping

from studiobridge.control.desk import Desk
from studiobridge.profile.model import Point, Value

# What was not heard is asked again after so long (s), then after twice as long each time, but
# never less often than every SEEK_LONGEST.
SEEK_FIRST = 2.0
SEEK_LONGEST = 30.0


class Silence:
    """Watches over those in `wanted`: the devices that are held."""

    def __init__(self, desk: Desk, wanted: Mapping[str, Mapping[Point, Value]]) -> None:
        self.desk = desk
        self.beliefs = desk.beliefs
        self.wanted = wanted
        # who is being sought, and how long until they are asked again
        self._sought: dict[str, float] = {}

    def hold(self, name: str, at: float) -> None:
        """This device is held from now on."""
        device = self.beliefs.of[name].device
        if not self.beliefs.of[name].hears:
            return  # it never speaks: there is no silence to notice
        if device.poll is not None and device.can_ask:
            self.desk.wake(f"poll {name}", at + device.poll)
        silent_after = self._silent_after(name)
        if silent_after is not None:
            self.desk.wake(f"quiet {name}", at + silent_after)
        if not self.beliefs.of[name].spoke:
            self.seek_soon((name,), at)

    def let_go(self) -> None:
        self._sought.clear()

    def _silent_after(self, name: str) -> float | None:
        device = self.desk.profile.devices[name]
        if device.silent_after is not None:
            return device.silent_after
        return 3 * device.poll if device.poll is not None and device.can_ask else None

    def quiet(self, name: str, at: float) -> bool:
        """Has this device, which should speak by the clock, been silent for too long?"""
        silent_after = self._silent_after(name)
        if name not in self.wanted or silent_after is None:
            return False
        belief = self.beliefs.of[name]
        last = max(belief.spoke_at, belief.mains_since)
        if not self.beliefs.powered(name) or at - last < silent_after:
            self.desk.wake(f"quiet {name}", max(last + silent_after, at + 1.0))
            return False
        if belief.device.can_ask and belief.asked_at < last + silent_after:
            self.desk.ask(at, name)
            reply = self.desk.profile.patience.reply
            self.desk.wake(f"quiet {name}", at + belief.device.answers_in + reply)
            return False
        self.desk.wake(f"quiet {name}", at + silent_after)
        return self.give_up_on(name, at)

    def seek_soon(self, names: Collection[str], at: float) -> None:
        """These are held and not heard: ask, unless that is under way."""
        for name in names:
            if name not in self._sought and self.beliefs.powered(name):
                self._sought[name] = SEEK_FIRST / 2
                self.desk.wake(f"seek {name}", at)

    def seek(self, name: str, at: float) -> bool:
        """A held device has not spoken since its mains or the link came: ask until it does."""
        if name not in self._sought:
            return False  # let go of since it was to be asked again: a run-down began
        belief = self.beliefs.of[name]
        points = self.wanted.get(name)
        unproven = not belief.spoke and bool(belief.hears)
        if points is not None:
            preset = self.desk.presets.get(name)
            unproven = self.beliefs.why_unproven(name, points, False, preset) is not None
        if not unproven or not self.beliefs.powered(name):
            self._sought.pop(name, None)
            return False
        device = belief.device
        booted = max(belief.epoch_since, belief.mains_since + 1.5 * device.boots_in + 1.0)
        answered = booted + device.answers_in + self.desk.profile.patience.reply
        if at < booted:
            self.desk.wake(f"seek {name}", booted)
            return False
        # what is silent may have no mains, whatever its plug said last
        for asked in (name, *self.desk.feeds.line[name][:1]):
            self.desk.ask(at, asked)
        if at < answered:
            self.desk.wake(f"seek {name}", answered)
            return False
        again = min(2 * self._sought.get(name, SEEK_FIRST / 2), SEEK_LONGEST)
        self._sought[name] = again
        self.desk.wake(f"seek {name}", at + again)
        # what a dark set does not need may well be off: it is asked, and not called silent
        missed = name in self.wanted or name in self.desk.feeds.switches
        missed = missed and not belief.spoke and not self.beliefs.only_kept(name)
        return missed and self.give_up_on(name, at)

    def give_up_on(self, name: str, at: float) -> bool:
        """It should have been heard by now, and was not. True when that is new."""
        belief = self.beliefs.of[name]
        if belief.silent_since is not None or not belief.hears:
            return False
        belief.silent_since = at
        self.desk.changed.add(name)
        return True

    def poll(self, name: str, at: float) -> None:
        belief = self.beliefs.of[name]
        if name not in self.wanted or belief.device.poll is None:
            return
        self.desk.ask(at, name)
        self.desk.wake(f"poll {name}", at + belief.device.poll)

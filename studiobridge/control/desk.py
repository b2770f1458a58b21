"""What the parts of the controller share: the profile, what is believed, what is to be done.

Nothing is decided here. Effects are put on the desk in order and collected once an event.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal

from studiobridge.control.beliefs import Beliefs
from studiobridge.control.effects import Ask, Effect, Lockout, Wake
from studiobridge.control.feeds import Feeds
from studiobridge.profile.model import Point, Preset, SetProfile, Value

# A hand that says which dial it turns is on it for so long (s), unless it says so again.
HAND_HOLDS = 30.0

# Of a device: it speaks; it spoke once and does not now; it has not since the bridge started.
Hearing = Literal["answers", "silent", "never heard"]


@dataclass(frozen=True, slots=True)
class Attempt:
    """What was tried with a device in vain: told, so many times, and waited for since then."""

    device: str
    times: int
    points: Sequence[Point]
    since: float


@dataclass(frozen=True, slots=True)
class Tried:
    """The same on the device's own topics, for a person; empty where nobody knows them.

    `misspelt`: it speaks, in words that are not those of its dialect.
    """

    text: str = ""
    misspelt: bool = False


@dataclass(frozen=True, slots=True)
class Hand:
    """Somebody says which dials are being turned now. It is over by itself."""

    dials: frozenset[str]
    until: float


class Desk:
    """Shared state of one controller.

    `tried` puts an attempt into words with topics in them: this room knows none.
    """

    def __init__(
        self, profile: SetProfile, tried: Callable[[Attempt], Tried] = lambda attempt: Tried()
    ) -> None:
        self.profile = profile
        self.tried = tried
        self.feeds = Feeds(profile)
        self.beliefs = Beliefs(profile, self.feeds)
        self.looks: dict[str, dict[str, Preset]] = {
            name: dict(look.presets) for name, look in profile.looks.items()
        }
        self.look: str | None = None
        self.link = False
        # every device was heard from or given up on since the link came up
        self.listened = False
        # may drift open now? On the way up and down a device may well differ from what is wanted
        self.drift_opens = False
        self.lockouts: dict[str, Lockout] = {}
        # devices with a step under way: they are being changed, and nothing of them is drift
        self.busy: dict[str, int] = {}
        self.cameras = tuple(d.name for d in profile.devices.values() if d.kind == "camera")
        # when the next device of a circuit may be switched on (s), by circuit
        self.free_at: dict[str, float] = {}
        self.changed: set[str] = set()
        # who says that a hand is on a dial now, and on which
        self.hands: dict[str, Hand] = {}
        # what the device being tried is told, for what its circuit is asked for
        self.trying: dict[str, Preset] = {}
        # left as they were tried: nobody puts these back unasked
        self.tried_out: set[str] = set()
        # off during a take only, and coming back: its share of the circuit is kept for it
        self.coming_back: set[str] = set()
        # devices that have spoken since the bridge started
        self.heard: set[str] = set()
        self._out: list[Effect] = []

    def emit(self, effect: Effect) -> None:
        self._out.append(effect)

    def collect(self) -> list[Effect]:
        out, self._out = self._out, []
        return out

    def wake(self, name: str, at: float | None) -> None:
        self.emit(Wake(name, at))

    def ask(self, at: float, name: str) -> None:
        """Ask a device for a report, where it can be asked."""
        belief = self.beliefs.of[name]
        if belief.device.can_ask:
            belief.asked_at = at
            self.emit(Ask(name))

    def turned_by(self, name: str, at: float) -> str | None:
        """Who says that this dial is being turned now."""
        for by, hand in self.hands.items():
            if name in hand.dials and at < hand.until:
                return by
        return None

    def hearing(self, name: str, at: float) -> Hearing | None:
        """Does this device speak now; None where nothing of it could ever be heard.

        One that was told or asked something after its last word, and has not said anything in the
        time it has for that, is silent: that it spoke before proves nothing of now.
        """
        belief = self.beliefs.of[name]
        if belief.device.speaks is None or not belief.hears:
            return None
        if name not in self.heard:
            return "never heard"
        life = self.profile.patience.reply + belief.device.answers_in
        called = belief.called_at
        unanswered = belief.spoke_at < called <= at - life
        if not belief.spoke or belief.gone or belief.silent_since is not None or unanswered:
            return "silent"
        return "answers"

    @property
    def presets(self) -> dict[str, Preset]:
        """The presets of the look in force."""
        return self.looks.get(self.look, {}) if self.look is not None else {}

    def wanted_of(self, name: str) -> dict[Point, Value]:
        """What the look in force asks of this device: what it should report when all is well."""
        belief = self.beliefs.of[name]
        device = belief.device
        points: dict[Point, Value] = {}
        if name in self.feeds.quiet_gear:
            # told quiet: it is off during takes, else as a hand leaves it, and no drift of the look
            return points
        preset = self.presets.get(name)
        if device.hand_set and preset is not None:
            dial: tuple[tuple[Point, Value | None], ...]
            # no range of whites in the profile: it has only one, and no dial for it
            white = None if device.cct_range is None else preset.cct
            dial = (("level", preset.level), ("cct", white))
            points.update({point: value for point, value in dial if value is not None})
        if device.proof == "watts" and not device.fixture:
            points["switch"] = True
        if device.speaks is None:
            return points
        if "online" in belief.hears:
            points["online"] = True
        if device.fixture and preset is not None:
            points.update(belief.points_of(preset))
        if "switch" in belief.tells and (not device.fixture or preset is not None):
            points["switch"] = True
        return points

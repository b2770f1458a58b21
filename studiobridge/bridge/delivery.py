"""What was told and is not known to have arrived (laws 10 and 15).

An expiry binds the broker. Until the broker has a command, it lies in some buffer where no
expiry counts, and can leave it a minute later. So a command the broker has not acknowledged
within its life ends the link: reset, nothing flushed; it can never arrive late.

| where it is  | since                        | goes on when                                   |
|--------------|------------------------------|------------------------------------------------|
| told         | the controller said so       | the link took it: sent. Else never told        |
| sent         | the link took it             | the broker acknowledged every part             |
| acknowledged | PUBACK, or a later beat back | from here its expiry counts; the gear answers  |
| overdue      | its life, and `ALLOWANCE`    | the link is cut: lost                          |
| lost         | the link went down           | its life and the patience are over: expired    |

(That it is intended stands on the disk before the controller tells it: law 9.)

A command at QoS 0 has no PUBACK. A beat that comes back answers for everything sent before it,
whatever its QoS: a connection keeps its order. So a 3.1.1 broker, where commands go at QoS 0,
is held to the same bound by the beat alone.

How long is patience? A link may be slower than its commands live: it is measured by what comes
back, and patience follows the longest of the last `MEASURED` round trips, or it would be cut
for ever. A link that turns slow is cut once; the next connection is measured before
anything is told. The bound: a command can lie between here and the broker for `max(life, round
trip) + ALLOWANCE`, and no round trip above `SLOWEST` is waited for.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Collection
from dataclasses import dataclass

from studiobridge.bridge.ownership import SLOWEST

# The cut comes so long (s) after the life is over: within the second that law 10 gives.
ALLOWANCE = 0.8
# A beat is asked for no later than a command would be (s).
BEAT_LIFE = 2.0
# Round trips remembered: some seconds of beats, so that one hiccup is soon forgotten.
MEASURED = 8


@dataclass(frozen=True, slots=True)
class StillOut:
    """A command that is not known to have arrived, and since when (s)."""

    device: str
    on: bool
    since: float
    lost: bool  # the link it was sent over is gone: it may or may not have arrived


@dataclass(slots=True)
class _Told:
    device: str
    on: bool
    at: float
    life: float
    parts: int
    sent_at: float | None = None  # when its last part left
    lost: bool = False
    gone_at: float = 0.0


class Delivery:
    """Every command of one set between the controller and the broker."""

    def __init__(self) -> None:
        self._told: dict[int, _Told] = {}
        self._beats: dict[int, float] = {}
        self._trips: deque[float] = deque(maxlen=MEASURED)

    # ---- what happens --------------------------------------------------------------------------

    def told(self, token: int, device: str, on: bool, at: float, life: float, parts: int) -> None:
        """A command of so many messages, good for `life` s. `on`: it energises something."""
        if parts:
            self._told[token] = _Told(device, on, at, life, parts)

    def sent(self, token: int, at: float) -> None:
        """The link took a part of it."""
        told = self._told.get(token)
        if told is not None:
            told.sent_at = at

    def not_sent(self, token: int) -> None:
        """The link did not take it: it never left, and never will."""
        self._told.pop(token, None)

    def acknowledged(self, token: int, at: float) -> bool:
        """The broker has one part of it. True when it has them all."""
        told = self._told.get(token)
        if told is None or told.lost:
            return False
        if told.sent_at is not None:
            self._trips.append(min(at - told.sent_at, SLOWEST))
        told.parts -= 1
        if told.parts:
            return False
        del self._told[token]
        return True

    def beat_sent(self, n: int, at: float) -> None:
        self._beats[n] = at

    def beat_back(self, n: int, at: float) -> list[int]:
        """A beat came back: the broker has all that was sent before it. Returns their tokens."""
        sent = self._beats.pop(n, None)
        if sent is None:
            return []
        self._trips.append(min(at - sent, SLOWEST))
        for older in [other for other in self._beats if other < n]:
            del self._beats[older]
        arrived = [
            token
            for token, told in self._told.items()
            if not told.lost and told.sent_at is not None and told.sent_at < sent
        ]
        for token in arrived:
            del self._told[token]
        return arrived

    def link_up(self) -> None:
        """A new connection: nothing is known of how fast it is."""
        self._beats.clear()
        self._trips.clear()

    def link_down(self, at: float) -> None:
        """What was out may have arrived just before, and then lives on in the broker."""
        # what had not left yet never will
        self._told = {n: told for n, told in self._told.items() if told.sent_at is not None}
        for told in self._told.values():
            if not told.lost:
                told.lost = True
                told.gone_at = at + told.life + ALLOWANCE
        self._beats.clear()

    # ---- what follows --------------------------------------------------------------------------

    @property
    def round_trip(self) -> float | None:
        """The longest of the last round trips (s); None before the first on this connection."""
        return max(self._trips) if self._trips else None

    def patience(self, life: float) -> float:
        """How long (s) to wait for the broker before the link is cut."""
        trip = SLOWEST if self.round_trip is None else self.round_trip
        return max(life, trip) + ALLOWANCE

    def next_due(self) -> float | None:
        """When the oldest of all that is out will be overdue."""
        dues = [t.at + self.patience(t.life) for t in self._told.values() if not t.lost]
        if self._beats:
            dues.append(min(self._beats.values()) + self.patience(BEAT_LIFE))
        return min(dues, default=None)

    def overdue(self, at: float) -> str | None:
        """Why the link has to be cut now; None while it need not."""
        for told in self._told.values():
            if not told.lost and at >= told.at + self.patience(told.life) - 1e-9:
                waited = at - told.at
                return (
                    f"the broker did not acknowledge a command to {told.device} in {waited:.1f} s"
                )
        if self._beats:
            waited = at - min(self._beats.values())
            if waited >= self.patience(BEAT_LIFE) - 1e-9:
                return f"nothing came back from the broker in {waited:.1f} s"
        return None

    def out(self, devices: Collection[str], at: float) -> list[StillOut]:
        """What of these is not known to have arrived, oldest first."""
        self._told = {
            token: told for token, told in self._told.items() if not told.lost or at < told.gone_at
        }
        found = [
            StillOut(told.device, told.on, told.at, told.lost)
            for told in self._told.values()
            if told.device in devices
        ]
        return sorted(found, key=lambda still: still.since)

    def slow(self, life: float) -> str | None:
        """What to say of a link that takes longer than a command lives; None when it does not."""
        trip = self.round_trip
        if trip is None or trip <= life:
            return None
        return (
            f"the way to the broker is slow: {trip:.1f} s there and back, and a command lives"
            f" {life:.1f} s; waiting that much longer before it is given up"
        )

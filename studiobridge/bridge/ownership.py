"""Who runs the set: one bridge, of all that think they do (law 13).

The rules, played over two retained topics. `alive` says who runs the set, with a last will that
says nobody does. `beat` carries, every `BEAT_EVERY`, the number of the ownership (its epoch),
which bridge it is, and that bridge's wall clock. It has no will, so the epoch outlives them all.

1. A bridge listens before it says a word: to what the broker kept, and for another's beat.
   A live beat of another: it stands down. None for as long as the other may still tell
   something: it takes over, with an epoch one higher than any it has read.
2. It runs the set when its own first beat has come back. Whatever the broker had from others
   came before that, for a connection keeps its order.
3. Of two, the lower stands down: the one with the lower epoch, and of one epoch the one whose
   name sorts lower. Both work out the same, so it is always the same one, whoever reads first.
4. A beat is also a lease. A command is told only while a beat came back that was sent no longer
   than `HOLDS` ago (and the round trip of the link, where that is long). Each beat says how long
   its bridge may go on without, and who wants to take over waits longer than that.
5. A bridge whose own clock shows that it stood still (stopped, suspended, a blocked loop) tells
   nothing: it cuts its link, and comes back through rule 1 like everybody else.
6. Who has stood down says nothing any more, ever.
7. `alive` is put right once a beat at the most, whoever wrote what there.

| stage     | entered by            | says | tells | left by                                     |
|-----------|-----------------------|------|-------|---------------------------------------------|
| apart     | no link, or cut       | no   | no    | subscribed: listening                       |
| listening | subscribed            | no   | no    | another's beat: down. time over: claiming   |
| claiming  | nobody else beats     | beat | no    | own beat back: running. a higher one: down  |
| running   | own beat came back    | beat | yes   | a higher one: down. lost, stood still: apart |
| down      | a higher one was read | no   | no    | never                                       |

Sans-I/O, like the controller: told what happens and when, says what to do. Times are seconds
of one clock that also counts while the machine is suspended.
"""

from __future__ import annotations

import json
import math
from dataclasses import dataclass
from typing import Literal

Stage = Literal["apart", "listening", "claiming", "running", "down"]

# A beat so often (s): three in a row have to be missing before anybody is taken for gone, and that
# has to be noticed within two seconds or a little more.
BEAT_EVERY = 0.8
# Without a beat for so long (s), who looks on says that the bridge is silent.
SILENT_AFTER = 2.0
# What was told rests on a beat sent no longer ago than this (s), with the round trip on top.
HOLDS = 1.6
# A loop that is late by so much (s) has stood still.
STOPPED_AFTER = 1.6
# Who takes over waits so much longer (s) than the other's beat says it may still tell something.
MARGIN = 0.9
# How long (s) to listen where the broker kept no beat at all, where the one who beat has said
# goodbye (longer than a beat: the goodbye may be a late will), and before coming back.
LISTEN_NEW = 0.5
LISTEN_AFTER_GOODBYE = 1.0
LISTEN_AGAIN = 1.0
# No round trip is reckoned with beyond this (s): see delivery. The link waits as long for a first
# word of the broker, and its keep-alive is a little longer.
SLOWEST = 4.0
# Numbers from outside stay in the range where JSON readers agree (2**53).
MOST = 2**53
# No bridge gets here by counting. A stranger's beat above it is passed over: the number after the
# last one cannot be sent, and the set could never be run again.
HIGHEST_HEARD = MOST // 2


def _object(payload: bytes) -> dict[str, object] | None:
    if len(payload) > 1024:
        return None
    try:
        said = json.loads(payload) if payload else {}
    except (ValueError, RecursionError):
        return None
    return said if isinstance(said, dict) else None


@dataclass(frozen=True, slots=True)
class Alive:
    """A message on the alive topic."""

    alive: bool
    bridge: str

    @staticmethod
    def read(payload: bytes) -> Alive | None:
        """None for anything that is not such a message."""
        said = _object(payload)
        if said is None:
            return None
        alive, bridge = said.get("alive", False), said.get("bridge", "")
        if not isinstance(alive, bool) or not isinstance(bridge, str):
            return None
        return Alive(alive, bridge[:64])

    def payload(self) -> bytes:
        return json.dumps({"alive": self.alive, "bridge": self.bridge}).encode()


@dataclass(frozen=True, slots=True)
class Beat:
    """A message on the beat topic.

    `at` is the bridge's wall clock (seconds since 1970). `holds`: for so long (s) after sending it
    this beat allows its bridge to tell something.
    """

    bridge: str
    epoch: int
    n: int
    at: float
    holds: float

    @staticmethod
    def read(payload: bytes) -> Beat | None:
        """None for anything that is not such a message."""
        said = _object(payload)
        if said is None:
            return None
        bridge = said.get("bridge")
        if not isinstance(bridge, str) or not bridge:
            return None
        numbers = [said.get(key) for key in ("epoch", "n", "at", "holds")]
        for number in numbers:
            if isinstance(number, bool) or not isinstance(number, (int, float)):
                return None
            if not 0 <= number < MOST or not math.isfinite(number):
                return None
        epoch, n, at, holds = numbers
        if not isinstance(epoch, int) or not isinstance(n, int):
            return None
        assert isinstance(at, (int, float)) and isinstance(holds, (int, float))
        return Beat(bridge[:64], epoch, n, float(at), min(float(holds), HOLDS + SLOWEST))

    def payload(self) -> bytes:
        said = {
            "bridge": self.bridge,
            "epoch": self.epoch,
            "n": self.n,
            "at": round(self.at, 3),
            "holds": round(self.holds, 3),
        }
        return json.dumps(said).encode()


# ---- what is to be done ------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class SendBeat:
    """Publish a beat with this number (the wall clock is the caller's to read)."""

    n: int


@dataclass(frozen=True, slots=True)
class SendAlive:
    """Publish that this bridge runs the set."""


@dataclass(frozen=True, slots=True)
class Run:
    """The set is ours: listen to everything. `took_over`: from a bridge that fell silent."""

    took_over: str | None


@dataclass(frozen=True, slots=True)
class Cut:
    """Cut the link at once, so that nothing of ours that still lies somewhere leaves any more."""

    why: str


@dataclass(frozen=True, slots=True)
class StandDown:
    """End. Another runs the set."""

    why: str


Do = SendBeat | SendAlive | Run | Cut | StandDown


class Ownership:
    """One bridge's part in who runs one set."""

    def __init__(self, bridge: str) -> None:
        self.bridge = bridge
        self.stage: Stage = "apart"
        self.epoch = 0  # ours, once there is one
        self.round_trip = 0.0
        self._highest = 0
        self._kept: Beat | None = None
        self._goodbye: str | None = None
        self._took_over: str | None = None
        self._until = 0.0
        self._ticked = 0.0
        self._n = 0
        self._sent: dict[int, float] = {}
        self._proved: float | None = None  # when the newest of our beats that came back was sent
        self._alive_wrong = False
        self._alive_said = 0.0

    # ---- what happens ----------------------------------------------------------------------

    def subscribed(self, at: float) -> list[Do]:
        """The link is up, and the broker has taken the subscriptions to both topics."""
        if self.stage == "down":
            return []
        self.stage = "listening"
        self._ticked = at
        self._kept = None
        self._goodbye = None
        self._sent.clear()
        self._proved = None
        self._until = at + (LISTEN_AGAIN if self.epoch else LISTEN_NEW)
        return []

    def link_lost(self) -> None:
        if self.stage != "down":
            self.stage = "apart"
        self._proved = None

    def beat_heard(self, beat: Beat, retained: bool, at: float) -> list[Do]:
        """A beat was read, ours or another's."""
        if self.stage == "down":
            return []
        if beat.bridge == self.bridge:
            return self._own_back(beat, at)
        if beat.epoch > HIGHEST_HEARD:
            return []
        self._highest = max(self._highest, beat.epoch)
        if self.epoch:
            if (beat.epoch, beat.bridge) > (self.epoch, self.bridge):
                return self._down(f"{beat.bridge}, epoch {beat.epoch} over {self.epoch}")
            return self._stood_still(at)
        if self.stage == "listening":
            if not retained:
                return self._down(beat.bridge)
            self._kept = beat
            self._wait(at)
        return []

    def alive_heard(self, said: Alive, at: float) -> list[Do]:
        """Something was read on the alive topic."""
        if self.stage == "listening" and not self.epoch:
            self._goodbye = None if said.alive else said.bridge
            self._wait(at)
        elif not said.alive or said.bridge != self.bridge:
            self._alive_wrong = True
            return self._put_right(at)
        return []

    def tick(self, at: float) -> list[Do]:
        """Time goes by: to be called at `next_tick`, and as much later as the loop comes to it."""
        if self.stage in ("apart", "down"):
            return []
        still = self._stood_still(at)
        if still:
            return still
        self._ticked = at
        if self.stage == "listening":
            if at < self._until:
                return []
            self.stage = "claiming"
            if not self.epoch:
                self.epoch = max(self._highest, 0) + 1
                self._took_over = self._kept.bridge if self._kept is not None else None
                if self._kept is not None and self._kept.bridge == self._goodbye:
                    self._took_over = None
        self._n += 1
        self._sent[self._n] = at
        dos: list[Do] = [SendBeat(self._n)]
        dos.extend(self._put_right(at))
        return dos

    def next_tick(self) -> float | None:
        """When `tick` is due; None while there is nothing to wait for."""
        if self.stage in ("apart", "down"):
            return None
        after = self._ticked + BEAT_EVERY
        return min(after, self._until) if self.stage == "listening" else after

    # ---- what may be ---------------------------------------------------------------------------

    def may_tell(self, at: float) -> bool:
        """May a command leave now (rules 4 and 5)?"""
        until = self.may_until
        return until is not None and at <= until

    @property
    def may_until(self) -> float | None:
        """Until when it may tell something, if nothing comes in before; None when it may not."""
        if self.stage != "running" or self._proved is None:
            return None
        return min(self._ticked + STOPPED_AFTER, self._proved + self.holds)

    def stood_still(self, at: float) -> list[Do]:
        """To be asked before anything that came in is believed: it may have lain there."""
        return self._stood_still(at) if self.stage != "down" else []

    @property
    def holds(self) -> float:
        """For so long (s) after it was sent a beat of ours lets us tell something."""
        return HOLDS + self.round_trip

    # ---- within --------------------------------------------------------------------------------

    def _wait(self, at: float) -> None:
        """How long to listen, by what the broker kept."""
        if self._kept is None:
            return
        if self._kept.bridge == self._goodbye:
            self._until = at + LISTEN_AFTER_GOODBYE
        else:
            self._until = at + self._kept.holds + MARGIN

    def _put_right(self, at: float) -> list[Do]:
        """Say again that we run the set, where somebody wrote otherwise; once a beat at most."""
        if self.stage != "running" or not self._alive_wrong:
            return []
        if at - self._alive_said < BEAT_EVERY:
            return []
        self._alive_wrong = False
        self._alive_said = at
        return [SendAlive()]

    def _own_back(self, beat: Beat, at: float) -> list[Do]:
        sent = self._sent.pop(beat.n, None)
        if sent is None or beat.epoch != self.epoch or self.stage not in ("claiming", "running"):
            return []
        for n in [n for n in self._sent if n < beat.n]:
            del self._sent[n]
        still = self._stood_still(at)
        if still:
            return still
        self._proved = sent
        self.round_trip = min(at - sent, SLOWEST)
        if self.stage == "running":
            return []
        self.stage = "running"
        self._alive_wrong = False
        self._alive_said = at
        took_over, self._took_over = self._took_over, None
        return [SendAlive(), Run(took_over)]

    def _stood_still(self, at: float) -> list[Do]:
        late = at - self._ticked
        if self.stage == "apart" or late <= STOPPED_AFTER:
            return []
        self.stage = "apart"
        self._proved = None
        return [Cut(f"this bridge stood still for {late:.1f} s")]

    def _down(self, who: str) -> list[Do]:
        self.stage = "down"
        return [StandDown(who)]

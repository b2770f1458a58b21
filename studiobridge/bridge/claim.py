"""One bridge a set: who may run it.

The rules, played over the retained alive topic `{"alive": bool, "bridge": instance}`, whose
last will says false:

- Nobody alive there (nothing kept, or false): publish a claim.
- Somebody else alive: ask (`ping`). An answer means another runs the set: stand down. None
  within the time means its will was lost: publish a claim.
- Claims cross: the broker puts the messages of one topic in one order, the same for all. The
  first claim after a not-alive state stands; whoever reads another's first stands down.
- A bridge that runs and reads another's claim publishes its own again, unless it has been away
  from the broker since it last read its own: then the other took over and it stands down
  without touching anything.

Sans-I/O, like the controller: told what happens, says what to do.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Literal

Do = Literal["ask", "claim", "run", "stand down", "wait"]

# How long (s) to wait for what the broker kept, for an answer, and for crossing claims.
LISTEN = 0.5
ANSWER_WITHIN = 2.0
SETTLE = 0.3


@dataclass(frozen=True, slots=True)
class Alive:
    """A message on the alive topic."""

    alive: bool
    bridge: str

    @staticmethod
    def read(payload: bytes) -> Alive | None:
        """None for anything that is not such a message."""
        try:
            said = json.loads(payload) if payload else {}
        except (ValueError, RecursionError):
            return None
        if not isinstance(said, dict):
            return None
        alive, bridge = said.get("alive", False), said.get("bridge", "")
        if not isinstance(alive, bool) or not isinstance(bridge, str):
            return None
        return Alive(alive, bridge[:64])

    def payload(self) -> bytes:
        return json.dumps({"alive": self.alive, "bridge": self.bridge}).encode()


class Claim:
    """The claim of one instance on one set."""

    def __init__(self, instance: str) -> None:
        self.instance = instance
        self.stage: Literal["listening", "asking", "claimed", "running", "down"] = "listening"
        self.other: str | None = None
        self._mine_stands = False
        self._away = False

    def heard(self, said: Alive) -> Do:
        """Something was read on the alive topic."""
        if self.stage == "down":
            return "wait"
        if not said.alive:
            if self.stage == "running" and said.bridge == self.instance:
                return "claim"  # our own will, late, from a connection that broke
            if self.stage in ("listening", "asking"):
                self.other = None
            return "wait"
        if said.bridge == self.instance:
            self._away = False
            if self.stage in ("claimed", "running"):
                self._mine_stands = True
            return "wait"
        self.other = said.bridge
        if self.stage == "claimed" and not self._mine_stands:
            return self._down()
        if self.stage == "running":
            return self._down() if self._away else "claim"
        return "wait"

    def listened(self) -> Do:
        """The time for what the broker kept is over."""
        if self.stage != "listening":
            return "wait"
        if self.other is not None:
            self.stage = "asking"
            return "ask"
        self.stage = "claimed"
        return "claim"

    def answered(self) -> Do:
        """The other one answered: it is alive."""
        return self._down() if self.stage == "asking" else "wait"

    def unanswered(self) -> Do:
        """Nobody answered in time: take over."""
        if self.stage != "asking":
            return "wait"
        self.stage = "claimed"
        return "claim"

    def settled(self) -> Do:
        """The time for crossing claims is over."""
        if self.stage != "claimed":
            return "wait"
        self.stage = "running"
        return "run"

    def link_lost(self) -> None:
        self._away = True

    def _down(self) -> Do:
        self.stage = "down"
        return "stand down"

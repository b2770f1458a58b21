"""What the sets on a broker forbid to whoever tells gear beside them: a lockout, a rolling camera.

Gear that nobody has described may stand in any of them, so what binds one set binds here. It is
read from what each bridge shows of its set (`studiobridge/<set>/state`); a set whose bridge went
away while somebody worked there goes on forbidding it, for nobody has said that they are done.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from studiobridge.speech.encode import CannotRead, json_of, shown
from studiobridge.speech.message import Message

# The topics to subscribe to.
FILTER = "studiobridge/+/state"
# A broker with more sets than this has somebody on it who makes them up.
MOST_SETS = 300


@dataclass(slots=True)
class Sets:
    """The sets on this broker, as they say they stand."""

    _states: dict[str, dict[str, object]] = field(default_factory=dict)
    _too_many: bool = False

    def hear(self, message: Message) -> bool:
        """Take in how a set stands; False where this message does not say that of any."""
        parts = message.topic.split("/")
        if len(parts) != 3 or parts[0] != "studiobridge" or parts[2] != "state":
            return False
        try:
            said = json_of(message.payload) if message.payload else {}
        except CannotRead:
            return True
        if isinstance(said, dict):
            if parts[1] in self._states or len(self._states) < MOST_SETS:
                self._states[parts[1]] = said
            else:
                self._too_many = True
        return True

    def why_not(self) -> str:
        """Why nothing may be told now; "" where it may."""
        for name, state in self._states.items():
            if state.get("lockouts"):
                return (
                    f"somebody works on the set {shown(name)} (a lockout is in force there), and"
                    " this device may be in it: nothing is told"
                )
            if state.get("rolling"):
                return f"a camera rolls on the set {shown(name)}: nothing is told"
        if self._too_many:
            return (
                f"more than {MOST_SETS} sets are on this broker, and not all of them were read: a"
                " lockout may be among them, so nothing is told"
            )
        return ""

    def not_dark(self) -> list[str]:
        """The sets that are up, or on their way."""
        return [n for n, s in self._states.items() if s.get("state") not in (None, "dark")]

"""The states of a set and every way from one to another.

The rules:

- `unheard` is where the bridge starts, and where it falls back to whenever the link is lost:
  nothing is claimed about a set that cannot be heard.
- Only a request leads to `rising`. A restart, a report, a timer never does (law 8).
- `ready` is entered from `rising` when every essential device has confirmed (law 7), from
  `adrift` when the last drift closes, and from `unheard` when a set that was up is found as wanted.
- A run-down may begin anywhere, and only a run-down or a cut leads to `dark`; the bridge also
  finds itself in `dark` after listening when no session was open.
- A run-down that waits for a take to end and has told nothing may be taken back. It is `adrift`
  then, and `ready` by the same way as ever.
- `stalled` means: a run could not get there, or was cut short by a restart. Nothing is
  switched off in panic; the next request starts from what is true.
- A pair that is not in the table cannot happen. Asking for one is a fault of the program,
  and `step` says so.
"""

from __future__ import annotations

from typing import Literal

State = Literal["unheard", "dark", "rising", "ready", "adrift", "lowering", "stalled"]
STATES: tuple[State, ...] = (
    "unheard",
    "dark",
    "rising",
    "ready",
    "adrift",
    "lowering",
    "stalled",
)

Turn = Literal[
    "link lost",
    "heard: nothing was up",
    "heard: holding",
    "heard: drifting",
    "heard: cut short",
    "run-up begins",
    "run-down begins",
    "all confirmed",
    "confirmed, drifting",
    "did not get there",
    "all off",
    "taken back",
    "drift opens",
    "last drift closes",
]

TABLE: dict[State, dict[Turn, State]] = {
    "unheard": {
        "link lost": "unheard",
        "heard: nothing was up": "dark",
        "heard: holding": "ready",
        "heard: drifting": "adrift",
        "heard: cut short": "stalled",
        "run-up begins": "rising",
        "run-down begins": "lowering",
    },
    "dark": {
        "link lost": "unheard",
        "run-up begins": "rising",
        "run-down begins": "lowering",
    },
    "rising": {
        "link lost": "unheard",
        "run-up begins": "rising",
        "run-down begins": "lowering",
        "all confirmed": "ready",
        "confirmed, drifting": "adrift",
        "did not get there": "stalled",
    },
    "ready": {
        "link lost": "unheard",
        "run-up begins": "rising",
        "run-down begins": "lowering",
        "drift opens": "adrift",
    },
    "adrift": {
        "link lost": "unheard",
        "run-up begins": "rising",
        "run-down begins": "lowering",
        "last drift closes": "ready",
    },
    "lowering": {
        "link lost": "unheard",
        "run-up begins": "rising",
        "run-down begins": "lowering",
        "did not get there": "stalled",
        "all off": "dark",
        "taken back": "adrift",
    },
    "stalled": {
        "link lost": "unheard",
        "run-up begins": "rising",
        "run-down begins": "lowering",
    },
}


class ImpossibleTurn(RuntimeError):
    """The controller tried a transition that is not in the table."""


def step(state: State, turn: Turn) -> State:
    """The state after this turn. Raises ImpossibleTurn where the table has none."""
    after = TABLE[state].get(turn)
    if after is None:
        raise ImpossibleTurn(f"no way from {state!r} by {turn!r}")
    return after

"""A hand on a dial is guided by the watts of its plug: the sentence, and the bar with its mark.

What comes in is what a set shows of a device (`dial` in its view): whoever may write there may
write nonsense, so every number is looked at first.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from studiobridge.shown import words

# How far from its mark a dial is, as a share of its whole way: a little, some, or much.
A_LITTLE, SOME = 0.12, 0.4
# Changes smaller than this share of the reading are not worth a "up from".
SAME = 0.02


@dataclass(frozen=True, slots=True)
class Guide:
    """What to say and draw while a dial is turned.

    `now`, `mark`, `low` and `high`: where on the way from dark to full (0-1) the lamp is, where it
    should be, and from where to where it is right; None where the watts cannot tell. `there`: it is
    right and rests. `way`: "more", "less", or empty.
    """

    device: str
    text: str
    there: bool
    way: str = ""
    now: float | None = None
    mark: float | None = None
    low: float | None = None
    high: float | None = None


def guide(device: str, dial: object) -> Guide | None:
    """What to say of a dial; None where its set shows no watts for it."""
    if not isinstance(dial, Mapping):
        return None
    watts = words.number(dial.get("watts"))
    if watts is None:
        return None
    name = words.clean(device, 40)
    said = f"{name}: {_watts(watts)} W"
    was = words.number(dial.get("was"))
    if was is not None and abs(watts - was) > SAME * max(abs(watts), abs(was)):
        said += f", {'up' if watts > was else 'down'} from {_watts(was)}"
    ends = [words.number(dial.get(key)) for key in ("dark", "low", "target", "high", "full")]
    if any(end is None for end in ends):
        why = words.clean(dial.get("why") or "the watts do not tell where it stands", 160)
        return Guide(device, f"{said}: {why}", False)
    dark, low, target, high, full = (float(end) for end in ends if end is not None)
    if not (dark < full and low <= target <= high):
        return Guide(device, f"{said}: the watts do not tell where it stands", False)
    way = full - dark
    at = [min(1.0, max(0.0, (value - dark) / way)) for value in (watts, target, low, high)]
    settled = dial.get("settled") is True
    if low <= watts <= high:
        text = f"{said}: there" if settled else f"{said}: hold it …"
        return Guide(device, text, settled, "", *at)
    off = abs(watts - target) / way
    much = "a little " if off <= A_LITTLE else "" if off <= SOME else "much "
    turn = "less" if watts > target else "more"
    return Guide(device, f"{said}: {much}{turn}{'' if settled else ' …'}", False, turn, *at)


def bar(shown: Guide, columns: int) -> str:
    """`▕███████┃░     ▏`: how far it is turned up, the mark, and around it where it will do."""
    cells = max(10, columns - 2)
    if shown.now is None or shown.mark is None or shown.low is None or shown.high is None:
        return "▕" + "·" * cells + "▏"
    filled = round(shown.now * cells)
    mark = min(cells - 1, int(shown.mark * cells))
    right = range(int(shown.low * cells), int(shown.high * cells) + 1)
    drawn = ["█" if i < filled else "░" if i in right else " " for i in range(cells)]
    drawn[mark] = "┃"
    return "▕" + "".join(drawn) + "▏"


def as_json(shown: Guide, dial: Mapping[str, Any]) -> dict[str, object]:
    """One line of `by-hand --watch --json`."""
    keys = ("watts", "was", "target", "low", "high", "settled")
    numbers = {key: dial.get(key) for key in keys}
    return {"device": shown.device, "says": shown.text, "there": shown.there, **numbers}


def _watts(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.3g}"

"""What is known of a camera: since when nobody knows, and how good a beginning or an end is.

The rules stand at the head of takes.py.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable

from studiobridge.control.desk import Desk
from studiobridge.control.evidence import NEVER
from studiobridge.control.rolling import ASKED_AGAIN, SAMPLE_HOLDS, WORD_HOLDS
from studiobridge.control.standing import Rolled

# That a device has gone is known late (s): its broker waits 1.5 times its keep-alive (MQTT 3.1.1,
# 3.1.2.10), and 60 s is a common one.
GONE_LATE = 90.0
# A meter that was silent for less than this (s) left no hole: it was asked again meanwhile, and
# two samples were missed at most.
METER_HOLE = 2.5 * SAMPLE_HOLDS

# On what it is known (`by` of a TakeNote), how far it may be off, and why or who.
Evidence = tuple[str, float | None, str]
# A camera of which nobody knew whether it rolled: for how long (s), and why.
Hole = tuple[str, float, str]
AWAY = "the link to the broker was away"
ANEW = "the bridge began anew"
METER = "its meter said nothing"


class KnownRolling:
    """Told of each event; says what is known of each camera."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        self.beliefs = desk.beliefs
        # since when it is not known of a camera whether it rolls, and why
        self._unsure: dict[str, tuple[float, str]] = dict.fromkeys(desk.cameras, (NEVER, ANEW))

    def begins_anew(self, cameras: Iterable[str], seen: float) -> None:
        """These rolled when the bridge before was last seen; what came then is not known."""
        self._unsure.update(dict.fromkeys(cameras, (seen, ANEW)))

    def look(self, at: float, rolling: Collection[str]) -> list[Hole]:
        """Since when it is not known of each camera whether it rolls; holes that have closed.

        `rolling`: cameras that count as rolling, in the take under way.
        """
        holes: list[Hole] = []
        for name in self.desk.cameras:
            why = self._why_unsure(name, at)
            was = self._unsure.get(name)
            if why is not None:
                if was is None:
                    self._unsure[name] = (min(at, self._last_known(name, at)), why)
                continue
            rolls = self.beliefs.of[name].rolls
            if was is None or rolls != (name in rolling):
                continue  # it has started or stopped: the take is told, by what is known of it
            del self._unsure[name]
            since, reason = was
            short = reason == METER and at - since < METER_HOLE
            if rolls and not short:
                holes.append((name, max(0.0, at - since), reason))
        return holes

    def known(self, camera: str) -> None:
        """What was not known of it has been said with its beginning or end."""
        self._unsure.pop(camera, None)

    def _why_unsure(self, name: str, at: float) -> str | None:
        """Why nobody can know now whether it rolls; None where somebody can."""
        belief = self.beliefs.of[name]
        since, reason = self._unsure.get(name, (NEVER, ""))
        if not self.desk.link or not self.desk.listened:
            return reason or AWAY
        if belief.rolls_by == "watts" and belief.rolling.word is None:
            fresh = belief.rolling.sample_at + SAMPLE_HOLDS >= at - 1e-6
            return None if fresh else reason or METER
        if belief.rolls_by != "report":
            return None
        if belief.gone or belief.silent_since is not None:
            return reason or ("it was gone" if belief.gone else "it said nothing")
        if belief.rolls and not self.beliefs.powered(name):
            return reason or "its plug went off"
        word = belief.last.get("rolling")
        if not reason or word is None:
            return reason or None
        # what the broker kept says how it is now only where the camera itself was never away
        own = not word.kept or reason in (AWAY, ANEW)
        heard = word.epoch == belief.epoch and word.at >= since and own
        return None if heard else reason

    def _last_known(self, name: str, at: float) -> float:
        """The last moment at which it was known whether it rolls."""
        belief = self.beliefs.of[name]
        if belief.rolls_by == "watts" and belief.rolling.sample_at > NEVER:
            return belief.rolling.sample_at
        if self.desk.link and belief.gone:
            return max(belief.alive_at, at - GONE_LATE)
        if self.desk.link and belief.silent_since is not None and belief.spoke_at > NEVER:
            return belief.spoke_at
        return at

    def evidence(self, one: Rolled, began: float | None) -> Evidence:
        """How good this beginning or end is; `began`: of the take under way."""
        belief = self.beliefs.of[one.camera]
        if one.said:
            return "hand", _word_off(one, began), one.source
        since, why = self._unsure.get(one.camera, (NEVER, ""))
        if why and why != METER:
            return "inferred", None if since == NEVER else max(0.0, one.at - since), why
        if not one.source:
            return "inferred", None, ANEW
        if one.source == "watts":
            other = belief.rolling.low_at if one.rolls else belief.rolling.high_at
            off = None if other == NEVER else max(0.0, one.at - other)
            return "watts", off, METER if off is None or off >= METER_HOLE else ""
        if belief.rolls_by != "report":
            return "inferred", 0.0, "its plug went off: a battery may carry it on"
        return "report", 0.0, ""


def _word_off(one: Rolled, began: float | None) -> float:
    """A person's word comes about when it is so; of a long take nobody asked for half of it."""
    if one.rolls or began is None:
        return WORD_HOLDS
    # many cameras end a clip of themselves, and a word is all that is known
    return max(WORD_HOLDS, one.at - began - ASKED_AGAIN)

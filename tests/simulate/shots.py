"""Evenings in which cameras roll and somebody looks at the picture: and tells the truth, or lies.

Beside the laws of takes and of pictures, by the times that the witness stamps:

- What a take shows of the picture is a look that was really said; its age is that of its frame when
  the take began, and no more than a look holds. A frame from before the take is nothing of it but
  what it began with, and one in it has its own second.
- It is of a set that stood: taken after its lights were told anything, and after the link came.
- What the state compares with the last good take is of now, or it says that there is none.
- By a witness that tells the truth no white has moved in a take in which none did.
"""

from __future__ import annotations

import json
import math
import random
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from studiobridge.bridge.outs import Out, Write
from studiobridge.control.effects import TakeNote
from studiobridge.profile.sighting import Band, SeenFraming, SeenWhite, Sighting
from tests.simulate.evening import WALL
from tests.simulate.pictures import Watched
from tests.simulate.takes import Filmed

# A take's times are rounded, and a note leaves a moment after what it is of.
SLACK = 0.05
# So long (s) after the clock was put, or a bridge began anew, nobody knows when a look was.
UNSURE = 30.0


@dataclass(frozen=True, slots=True)
class Look:
    """One look as it was sent: when its frame was taken by its stamp (virtual s), None: no clock."""

    stamped: float | None
    lie: str


class Shot(Watched, Filmed):
    """Takes with a witness: each of its looks has a number in it by which it is known again."""

    def __init__(self, *more: object) -> None:
        super().__init__(*more)  # type: ignore[arg-type]
        self.shots = random.Random(f"shots {self.seed}")
        self.sent: dict[int, list[Look]] = {}
        self.number = 0
        self.mired = 0.0
        self.mired_at: list[float] = []
        self.compared = 0
        self.kept = 0
        self._began: dict[int, float] = {}
        self._honest_at: dict[int, bool] = {}

    # ---- what happens --------------------------------------------------------------------

    def others_act(self, act: int) -> None:
        dice = random.Random(f"shots {self.seed} {act}")
        for _ in range(dice.choice([0, 1, 2])):
            camera = dice.choice(self.cameras)
            for rolls in (True, False):
                self.gear(self.room.roll(camera, self.now, rolls))
                self.run(dice.choice([0.5, 3.0, 12.0, 30.0]))
            self.ask("mark", mark=dice.choice(["good", "good", "again"]))
        super().others_act(act)

    # ---- what is looked at -----------------------------------------------------------------

    def with_more(self, sighting: Sighting) -> Sighting:
        dice = self.shots
        self.number += 1
        if dice.random() < 0.04:
            self.mired += dice.choice([-20.0, 20.0])
            self.mired_at.append(self.now)
        off = dice.gauss(0.0, 0.7)
        white = Band(self.mired + off - 2.0, self.mired + off, self.mired + off + 2.0)
        moved = 40.0 if "moved" in sighting.hinders else 0.0
        return replace(
            sighting,
            # its number, in a figure that nothing is concluded from
            covered=round(self.number * 1e-5, 5),
            learned="a day",
            kept_at="another",
            white=SeenWhite("card", white, Band(-0.002, 0.0, 0.002)),
            exposure=Band(-0.1, 0.0, 0.1),
            framing=SeenFraming(moved, 0.0, 0.0, 1.0, moved / 960.0, moved > 0.0, 0.0),
        )

    def _publish(self, topic: str, payload: bytes, retain: bool = False) -> None:
        if topic.endswith("/seen"):
            self._is_sent(payload)
        super()._publish(topic, payload, retain)

    def _is_sent(self, payload: bytes) -> None:
        try:
            body = json.loads(payload)
            number, taken = round(body["covered"] * 1e5), body["taken"]
        except (ValueError, KeyError, TypeError, RecursionError):
            return
        stamped = taken - WALL - self.jumped if isinstance(taken, int | float) else None
        self.sent.setdefault(number, []).append(Look(stamped, self.lie))

    # ---- the laws --------------------------------------------------------------------------

    def outs(self, outs: list[Out]) -> None:
        for out in outs:
            if isinstance(out, Write) and isinstance(out.note, TakeNote):
                self._noted(out.note)
        super().outs(outs)

    def _noted(self, note: TakeNote) -> None:
        if note.phase == "begun":
            self._began[note.take] = note.at
            self._honest_at[note.take] = self._truthful()
        elif note.take in self._honest_at and not self._truthful():
            self._honest_at[note.take] = False
        seen = note.detail.get("seen")
        if not isinstance(seen, Mapping) or "sighting" not in seen:
            return
        self.kept += 1
        began = self._began.get(note.take)
        looks = list(self._of(seen))
        what = f"take {note.take} ({note.phase})"
        if not looks:
            self.breach(f"{what} shows a look that nobody said")
            return
        if began is None or self._unsure(note.at):
            return
        if not any(self._is_of(note, seen, look, began) for look in looks):
            self.breach(
                f"{what} shows a picture as if of another time: {_times(note, seen, looks)}"
            )
        if note.phase == "changed":
            self._moved(note, began)

    def _truthful(self) -> bool:
        return self.lie == "truth" and self.now >= self.honest_since + UNSURE

    def _unsure(self, at: float) -> bool:
        return any(at - UNSURE <= when <= at for when in (*self.jumps_at, *self.starts_at[1:]))

    def _of(self, seen: Mapping[str, object]) -> Iterator[Look]:
        sighting = seen["sighting"]
        assert isinstance(sighting, Mapping)
        number = round(float(str(sighting["covered"])) * 1e5)
        yield from self.sent.get(number, ())

    def _is_of(self, note: TakeNote, seen: Mapping[str, object], look: Look, began: float) -> bool:
        """Could the note be of this look, by what it says of its time?"""
        if look.stamped is None:
            return False
        age = float(str(seen["age_s"]))
        if not 0.0 <= age <= self.holds + SLACK or abs(note.at - age - look.stamped) > SLACK:
            return False
        told = max((self.told_at.get(n, -math.inf) for n in self._lamps()), default=-math.inf)
        if look.stamped < max(self.linked_at, -math.inf) - SLACK:
            return False
        if told <= note.at and look.stamped < told - SLACK and note.phase == "begun":
            return False
        if note.phase == "begun":
            return look.stamped <= note.at + SLACK
        within = began - SLACK <= look.stamped <= note.at + SLACK
        if note.phase == "seen":
            return within and abs(look.stamped - began - note.seconds) <= SLACK
        if note.phase == "changed":
            return within and note.seconds <= look.stamped - began + SLACK
        return within

    def _lamps(self) -> list[str]:
        return [name for name, device in self.profile.devices.items() if device.fixture]

    def _moved(self, note: TakeNote, began: float) -> None:
        differs = note.detail.get("differs")
        whites = [
            one
            for one in (differs if isinstance(differs, list) else ())
            if one["what"] == "white" and one["past"]
        ]
        if not whites or not self._honest_at.get(note.take) or self.starts_at[-1] > began:
            return
        since = began + note.seconds - float(note.off or 0.0) - SLACK
        if not any(since <= at <= note.at for at in self.mired_at):
            self.breach(f"the white moved in take {note.take}, and in the room it did not")

    def _shown(self, state: Mapping[str, object]) -> None:
        super()._shown(state)
        takes = state["takes"]
        assert isinstance(takes, Mapping)
        seen = takes.get("seen")
        if not isinstance(seen, Mapping):
            return
        if "why" in seen["now"] or "why" in seen["then"]:
            if seen["verdict"] != "not known" or seen["differs"]:
                self.breach("two pictures are compared of which one is none")
            return
        self.compared += 1
        if self._unsure(self.now):
            return
        stamps = (look.stamped for looks in self.sent.values() for look in looks)
        last = max((at for at in stamps if at is not None and at <= self.now), default=-math.inf)
        if self.now - last > self.holds + 3.0 or seen["now"]["age_s"] > self.holds + SLACK:
            self.breach("the picture of now is an old one")


def _times(note: TakeNote, seen: Mapping[str, object], looks: list[Look]) -> str:
    stamps = ", ".join("?" if one.stamped is None else f"{one.stamped:.2f}" for one in looks[:3])
    return f"at {note.at:.2f}, {note.seconds:.2f} s in it, {seen['age_s']} s old, taken at {stamps}"

"""A look made of a take: how the set stood in it, to be asked for like any other.

- It is a look of this session, of all that was known of how the set stood, also what was only
  told; what is left out is said, and so is what of its picture no light sets right.
- It is never made while a camera rolls, and asks for `up` like anybody else.
"""

from __future__ import annotations

from collections.abc import Callable

from studiobridge.control.desk import Desk
from studiobridge.control.effects import TakeNote
from studiobridge.control.events import Request
from studiobridge.control.gates import Gates
from studiobridge.control.seen_apart import allowed_of, beside_the_lights, between, compare
from studiobridge.control.seen_then import Looked, of_now, read
from studiobridge.control.sight import Sight, no_picture_of
from studiobridge.control.standing import Answers, Standing
from studiobridge.control.stood import fitting, left_out, only_told, presets_of
from studiobridge.control.taken import KEPT, Tally
from studiobridge.profile.plain import plain
from studiobridge.profile.said import Answer


def look_of(take: int) -> str:
    """The name of the look that is made of a take."""
    return f"take-{take}"


class Matching:
    """The looks made of takes: known as long as the session is."""

    def __init__(
        self,
        desk: Desk,
        gates: Gates,
        standing: Standing,
        answers: Answers,
        sight: Sight,
        tally: Tally,
    ) -> None:
        self.desk = desk
        self.gates = gates
        self.standing = standing
        self.answers = answers
        self.sight = sight
        self.tally = tally
        self._made: set[str] = set()

    def remember(self, look: str) -> None:
        """The look of the bridge before was made of a take: it is known again."""
        made = self.tally.matched.get(look)
        if made is not None:
            self.desk.looks[look] = presets_of(fitting(self.desk.profile, made))  # type: ignore[arg-type]
            self._made.add(look)

    def forget(self) -> None:
        """The session is over: what was made in it, but for the look in force."""
        if self._made and not self.standing.session.open:
            for look in self._made - {self.desk.look}:
                self.desk.looks.pop(look, None)
                self._made.discard(look)

    def match(
        self, request: Request, number: int, at: float, say: Callable[[TakeNote], None]
    ) -> str | None:
        """Make a look of how the set stood in this take. None where that was refused.

        `say` takes the note of it. Whoever called asks for `up` with the look.
        """
        held = self.gates.held_by(at)
        if held is not None:
            text = f"{held} is rolling or closing its file: nothing is changed now"
            self.answers.refuse(request, 1, text)
            return None
        take = self.tally.takes.get(number)
        lights = None if take is None else take.stood.get("lights")
        if not isinstance(lights, dict):
            text = (
                f"how the set stood in take {number} is not known any more: the latest {KEPT} are,"
                f" and the latest {KEPT} good ones"
            )
            self.answers.refuse(request, 1, text)
            return None
        lights = fitting(self.desk.profile, lights)
        look, presets, left = look_of(number), presets_of(lights), left_out(lights)
        if look in self.desk.profile.looks:
            text = f"the profile has a look of its own called {look}: ask for up with it"
            self.answers.refuse(request, 1, text)
            return None
        if not any((preset.level or 0.0) > 0.0 for preset in presets.values()):
            text = f"no light is known to have been lit in take {number}"
            why = "; ".join(f"{one['device']} {one['why']}" for one in left)
            self.answers.refuse(request, 1, f"{text} ({why})" if why else text)
            return None
        self.desk.looks[look] = presets
        self._made.add(look)
        say(TakeNote(at, number, "matched", None, 0.0, request.by, 0.0, look, None, lights))
        told = only_told(lights)
        text = f"as in take {number}: the look {look}"
        if told:
            text += f". Only told then, proven by nothing: {', '.join(told)}"
        if left:
            text += ". Left out: " + "; ".join(f"{one['device']} {one['why']}" for one in left)
        seen, beside = self._beside(take.picture if take is not None else None, at)
        if beside:
            text += f". No light sets what the picture shows: {beside}"
        if self.sight.looks:
            picture = no_picture_of(look)
            text += f". {picture[0].upper()}{picture[1:]}"
        detail = {"look": look, "only_told": told, "left_out": left, "seen": seen}
        self.desk.emit(Answer(request.id, False, 0, text, detail))
        return look

    def _beside(self, then: object, at: float) -> tuple[dict[str, object] | None, str]:
        """The picture now against that of a take, and in words what no light sets right."""
        now = of_now(self.sight, self.standing, at)
        if now is None:
            return None, ""
        allowed = allowed_of(self.desk.profile)
        before, after = read(then), read(now)
        if isinstance(before, Looked) and isinstance(after, Looked):
            said = ", ".join(beside_the_lights(compare(before, after, allowed)))
        else:
            why = f"then {before}" if isinstance(before, str) else f"now {after}"
            said = f"where the camera looks is not known ({plain(why)[:160]})"
        return between(then, now, allowed), said

"""Takes: each stretch of rolling is one, with how the set stood, and what was said of it.

The rules:

- A take begins when the first camera rolls and ends when the last has stopped; two cameras make
  one take, with who rolled when. Whether one rolls is what rolling.py and its reports say. Every
  stretch is a take, however short: a camera that stopped for a moment has closed a file, and
  nothing here could tell that from a report that was wrong.
- Takes are numbered for ever. Lengths are of the steady clock.
- By a camera's own report a beginning or an end is as good as its second. By a meter it lies
  between two samples. By a person's word it may lie as far off as that word takes
  (`WORD_HOLDS`), before or after. What nobody was there to hear (the link was away, the bridge
  began anew, the camera was gone, its meter mute) is `inferred`: that it is so is known now, and
  it may have been so since the last moment that was known. Where that is not known either, `off`
  is None.
- While nobody can know whether it rolls the take goes on, for nothing says that it has ended; the
  hole is noted with its length when the camera is heard again.
- What rolled when the bridge died is a take cut short in the record. The next bridge goes on with
  it, under its number, for as long as a camera counts as rolling; else it ends it, inferred. Once
  every GOING it is noted that a take goes on: a wall clock that is put in between costs a restart
  no more than that.
- A mark and a note may be given at any time and changed later: by whom and when stands with them.
- `match` makes a look of this session of how the set stood: of all that was known of it, also what
  was only told, and says what is left out. It is never made while a camera rolls, and asks for
  `up` like anybody else.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import replace

from studiobridge.control.changing import Changing
from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, Memory, TakeNote, TakePhase
from studiobridge.control.events import Request
from studiobridge.control.evidence import NEVER
from studiobridge.control.gates import Gates
from studiobridge.control.known_rolling import ANEW, KnownRolling
from studiobridge.control.looks import Looks
from studiobridge.control.runs import Runs
from studiobridge.control.seen_in_take import SeenInTake
from studiobridge.control.seen_then import (
    Looked,
    allowed_of,
    beside_the_lights,
    between,
    compare,
    of_now,
    read,
)
from studiobridge.control.sight import no_picture_of
from studiobridge.control.standing import Answers, Rolled, Standing
from studiobridge.control.stood import (
    fitting,
    left_out,
    only_told,
    presets_of,
    whole,
)
from studiobridge.control.taken import Taken, Tally
from studiobridge.control.takes_shown import Against, ended, short
from studiobridge.profile.plain import plain
from studiobridge.profile.said import Answer

# That a take goes on is noted so often (s): a restart finds out no more exactly than this how long
# it was, should the clock have been put meanwhile; and it costs a small computer's card nothing.
GOING = 20.0
# So many takes are known without the record, and as many good ones.
KEPT = 50
# Of so many takes that were marked last the marks are shown: who lists a record that is written a
# moment later knows them from there.
MARKS_SHOWN = 5


def look_of(take: int) -> str:
    """The name of the look that is made of a take."""
    return f"take-{take}"


class Takes:
    """Takes: each stretch of rolling, how the set stood in it, and what was said of it."""

    def __init__(
        self,
        desk: Desk,
        gates: Gates,
        standing: Standing,
        answers: Answers,
        runs: Runs,
        looks: Looks,
        memory: Memory,
        now: float,
    ) -> None:
        self.desk = desk
        self.beliefs = desk.beliefs
        self.gates = gates
        self.standing = standing
        self.answers = answers
        self.runs = runs
        self.looks = looks
        self.changing = Changing(desk, runs.holding)
        self.sight = runs.holding.sight
        self.seeing = SeenInTake(desk, standing, self.sight)
        # what was said of takes since this bridge began, the latest last
        self._marked: deque[int] = deque(maxlen=MARKS_SHOWN)
        # what has to be true before it rolls, in a line; None where the profile says nothing of it
        self.before: Callable[[float], str | None] = lambda at: None
        self.tally = Tally(memory.takes)
        self.next = memory.next_take
        # cameras that roll, as far as the takes have been told
        self._rolling: set[str] = set()
        # looks made of takes: known as long as the session is
        self._made: set[str] = set()
        self.known = KnownRolling(desk)
        self._steady: float | None = None  # when the take under way began
        self._going_at = NEVER
        self._anew = False
        self.against = Against(looks, standing, runs.holding)
        self._remember(memory, now)

    def _remember(self, memory: Memory, now: float) -> None:
        """The take that the bridge before was in goes on, until it is known that it has ended."""
        look = memory.look or ""
        if memory.session is not None and look not in self.desk.looks:
            made = self.tally.matched.get(look)
            if made is not None:
                self.desk.looks[look] = presets_of(fitting(self.desk.profile, made))  # type: ignore[arg-type]
                self._made.add(look)
        take = self.tally.open
        if take is None:
            return
        seen = min(take.seen, now)
        self._steady = seen - take.seconds
        self._rolling = set(take.rolling) & set(self.desk.cameras)
        self.known.begins_anew(self._rolling, seen)
        self._anew = True
        self.seeing.resume(take, self._steady, now)

    # ---- each event ------------------------------------------------------------------------

    @property
    def open(self) -> Taken | None:
        """The take that rolls now."""
        return None if self._steady is None else self.tally.open

    @property
    def began(self) -> float | None:
        """When the take that rolls now began; None while nothing rolls."""
        return self._steady

    def follow(self, at: float) -> None:
        """Something happened: has a camera started or stopped, has the light of a take changed?"""
        rolled, self.standing.rolled = self.standing.rolled, []
        if self._made and not self.standing.session.open:
            for look in self._made - {self.desk.look}:
                self.desk.looks.pop(look, None)
                self._made.discard(look)
        if not self.desk.cameras:
            return
        if self.desk.changed or rolled:
            self.against.stale = True
        for camera, hole, why in self.known.look(at, self._rolling):
            if self._steady is not None:
                self._note(at, "unsure", camera, by="inferred", off=hole, text=why)
                self.desk.emit(Announce(state=True))
        before = self._steady
        for one in rolled:
            if one.rolls != (one.camera in self._rolling):
                self._camera(one)
        for name in self.desk.cameras:
            # what nobody noted: a camera that the record has as rolling, and no take, or the
            # other way round (a bridge may die between two notes)
            rolls = self.beliefs.of[name].rolls
            if rolls != (name in self._rolling):
                self._camera(Rolled(at, name, rolls, "", False))
        if self._steady is not None and not self._rolling:
            self._end_as_noted(at)
        if self._steady is not None and before == self._steady:
            self._light(at)
            self._goes_on(at)

    def _camera(self, one: Rolled) -> None:
        by, off, why = self.known.evidence(one, self._steady)
        self.known.known(one.camera)
        if one.rolls:
            if self._steady is None:
                self._begin(one.at, by, off, why)
            self._rolling.add(one.camera)
            self._note(one.at, "rolls", one.camera, by=by, off=off, text=why)
        else:
            self._rolling.discard(one.camera)
            self._note(one.at, "stopped", one.camera, by=by, off=off, text=why)
            if not self._rolling:
                self._end(one.at, by, off, why)
        self.against.stale = True
        self.desk.emit(Announce(state=True))

    def _begin(self, at: float, by: str, off: float | None, why: str) -> None:
        number = self.next
        self.next += 1
        self._steady = at
        stood = whole(self.looks, self.standing, self.runs.holding, self.before(at), at)
        seen = self.seeing.begin(at)
        if seen is not None:
            stood["seen"] = seen
        note = TakeNote(at, number, "begun", None, 0.0, by, off, why, None, stood)
        self._say(note)
        self.tally.keep(KEPT, happened=False)
        self._anew = False
        self.changing.begin()
        self._going_at = at
        self.desk.wake("take going", at + GOING)

    def _end(self, at: float, by: str, off: float | None, why: str, now: bool = True) -> None:
        seen = {} if self._steady is None or not now else self.seeing.end(at, self._steady)
        self._note(at, "ended", None, by=by, off=off, text=why, detail=seen)
        self._steady = None
        self.desk.wake("take going", None)

    def _end_as_noted(self, at: float) -> None:
        """Every camera had stopped and the bridge died before it noted the end."""
        take = self.tally.open
        ended = [s for s in take.cameras if s.ended is not None] if take is not None else []
        if ended and self._steady is not None:
            last = max(ended, key=lambda span: span.ended or 0.0)
            at = self._steady + (last.ended or 0.0)
            self._end(at, last.ended_by, last.ended_off, last.ended_why, now=False)
        else:
            self._end(at, "inferred", None, ANEW, now=False)

    def _goes_on(self, at: float) -> None:
        if at - self._going_at >= GOING - 1e-6:
            self._going_at = at
            self._note(at, "going", None)
            self.desk.wake("take going", at + GOING)

    def _light(self, at: float) -> None:
        """What changed in the light, with its second."""
        if not self.desk.listened or self._steady is None:
            return
        if self._anew:
            # how the lights stood while no bridge was there is not known: from here on it is
            self._anew = False
            take = self.tally.open
            self.changing.begin(0 if take is None else len(take.happened))
            return
        found = self.changing.look(at, self.desk.changed)
        found += self.seeing.look(at, self._steady)
        for one in found:
            detail = {"what": one.what, **one.detail}
            seconds = round(max(0.0, min(one.at, at) - self._steady), 3)
            off = None if one.off is None or one.off == float("inf") else round(one.off, 3)
            phase: TakePhase = "seen" if one.detail.get("phase") == "first" else "changed"
            self._say(
                TakeNote(
                    *(at, self._number, phase, one.device, seconds, one.by, off, one.text),
                    detail=detail,
                )
            )
        if found:
            self.desk.emit(Announce(state=True))
        due = self.changing.due
        if due is not None:
            self.desk.wake("take", due)

    # ---- asked -----------------------------------------------------------------------------

    def mark(self, request: Request, at: float) -> None:
        """Good, again, or neither; and a note. What is not said stays: a note alone marks nothing.

        A note of `-` takes the note back.
        """
        number = self._meant(request)
        if number is None:
            return
        note = request.why.strip() or None
        mark = None if note is not None and not request.mark else request.mark
        kept = "" if note == "-" else note
        by = request.by or "a person"
        self._say(TakeNote(at, number, "marked", None, 0.0, by, 0.0, kept, mark))
        self.against.stale = True
        if number in self._marked:
            self._marked.remove(number)
        self._marked.append(number)
        self.desk.emit(Announce(state=True))
        said = {"good": "good", "again": "again", "": "no mark"}
        parts = [] if mark is None else [said[mark]]
        if kept is not None:
            parts.append(f"noted: {kept}" if kept else "its note is taken back")
        self.answers.done(request, f"take {number}: {', '.join(parts)}", {"take": number})

    def match(self, request: Request, at: float) -> str | None:
        """Make a look of how the set stood in a take. None where that was refused.

        Whoever called asks for `up` with it.
        """
        number = self._meant(request)
        if number is None:
            return None
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
        self._say(TakeNote(at, number, "matched", None, 0.0, request.by, 0.0, look, None, lights))
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

    def _meant(self, request: Request) -> int | None:
        """Which take is meant: none named, the one that rolls, else the last."""
        last = self.next - 1
        if last < 1:
            self.answers.refuse(request, 1, "there was no take yet")
            return None
        number = last if request.take is None else request.take
        if not 1 <= number <= last:
            self.answers.refuse(request, 2, f"there is no take {number}; the last is {last}")
            return None
        return number

    # ---- notes -----------------------------------------------------------------------------

    @property
    def _number(self) -> int:
        last = self.tally.last
        return 0 if last is None else last.number

    def _note(
        self,
        at: float,
        phase: TakePhase,
        device: str | None,
        by: str = "",
        off: float | None = 0.0,
        text: str = "",
        detail: Mapping[str, object] | None = None,
    ) -> None:
        seconds = 0.0 if self._steady is None else max(0.0, at - self._steady)
        off = None if off is None else round(off, 3)
        seconds = round(seconds, 3)
        note = TakeNote(at, self._number, phase, device, seconds, by, off, text)
        self._say(note if not detail else replace(note, detail=detail))

    def _say(self, note: TakeNote) -> None:
        self.tally.hear(note)
        self.desk.emit(note)

    # ---- shown -----------------------------------------------------------------------------

    def shown(self, at: float, iso: Callable[[float], str]) -> dict[str, object]:
        """The take that rolls, the last that ended, and what differs from the last good one."""
        now, began, takes = self.open, self._steady, self.tally.takes
        return {
            "now": None
            if now is None or began is None
            else {**short(now), "began": iso(began), "cameras": sorted(self._rolling)},
            **ended(takes, iso),
            "marked": [
                {"take": n, "mark": takes[n].mark, "note": takes[n].note, "by": takes[n].marked_by}
                for n in self._marked
                if n in takes
            ],
            **self.against.shown(self.tally.good(self.desk.look), at),
        }

"""One light changed by small steps while somebody stands in it.

- It is asked of one light of the look in force, in a set that is `ready` or `adrift`. Never while a
  camera rolls or closes its file, never while another run is under way, nothing that is locked out
  or set by hand; nothing forces it. Each step that is told is a run of its own, of one device, with
  the gates, the record and the confirmations of a try (laws 1, 2, 3, 9, 10).
- No step switches anything on: a light that does not say it is on is not stepped. One whose switch
  goes with every level is told "on" again with it, as it says of itself.
- A step goes from what was asked last in this adjusting, as long as the light does not report
  something else; else from what it reports now, never from an old report (stepping.py).
- Presses add up and never queue: of each light one value is on its way, and the latest one wanted
  is told when that is confirmed or its time is over. What waited longer than LATE is not told any
  more, and nothing is asked further ahead of what is known than stepping.AHEAD.
- Steps that a light takes within a second make no flash: one follows another after STEP_EVERY, and
  where presses have added up to more than a tenth of the light, after TRY_EVERY (trial.py).
- The set is not ready while such a light stands otherwise than its preset, be it within its
  tolerance: one step of 0.1 stop is. Its drift is opened like any other; who looks is told that it
  is being adjusted, and nobody puts it back unasked (law 12).
- An adjusting ends with `keep` or `restore` of the light, with a run of the whole set, with a try
  of it, when a camera rolls, with the link, or HOLDS after the last press. What is left then is
  plain drift, still held to the light's own steps; after a lost link or a restart to its tolerance.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

from studiobridge.control import stepping
from studiobridge.control.acts import OF_ONE, Run
from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce
from studiobridge.control.events import Request
from studiobridge.control.gates import Gates
from studiobridge.control.runs import Runs
from studiobridge.control.standing import Answers, Standing
from studiobridge.control.stepping import AHEAD, MOST, NoStep, apart, pace, stands, stepped
from studiobridge.control.steps import say
from studiobridge.control.trial import TRY_EVERY, CannotTry, steps_for
from studiobridge.profile.colours import preset_json
from studiobridge.profile.model import Point, figure
from studiobridge.profile.said import Answer

# Nobody has pressed for so long (s): whoever stood there has looked, and has gone on. About the
# time one needs to walk to the camera and back.
HOLDS = 60.0
# A press that had to wait for longer than this (s) is not told any more: who pressed has seen that
# nothing happened, and may have done something else since.
LATE = 5.0


@dataclass(slots=True)
class Adjusted:
    """One light that is being adjusted.

    `asked`: what was asked of each point last. `known`: what it stood at when that was last known.
    `pending`: what is still to be told, and `waiting` the presses that wait for it.
    """

    device: str
    by: str
    since: float
    pressed_at: float
    asked: dict[Point, float] = field(default_factory=dict)
    known: dict[Point, float] = field(default_factory=dict)
    pending: dict[Point, float] = field(default_factory=dict)
    pending_since: float = 0.0
    waiting: list[Request] = field(default_factory=list)
    # in words where the last step came to an end of what it does
    at_end: dict[Point, str] = field(default_factory=dict)
    # why the last step did not get there; empty where it did, or is on its way
    why: str = ""
    # a step of it was told
    told: bool = False


class Adjusting:
    """One light changed by small steps while somebody stands in it."""

    def __init__(
        self, desk: Desk, gates: Gates, standing: Standing, answers: Answers, runs: Runs
    ) -> None:
        self.desk = desk
        self.gates = gates
        self.standing = standing
        self.answers = answers
        self.runs = runs
        self.of: dict[str, Adjusted] = {}
        # the step on its way: its run, whose it is, and to where
        self._on_its_way: tuple[Run, str, Point, float] | None = None

    # ---- asked ---------------------------------------------------------------------------

    def ask(self, request: Request, at: float) -> None:
        self.follow(at)
        try:
            self._ask(request, at)
        except NoStep as why:
            self.answers.refuse(request, why.code, str(why))

    def _ask(self, request: Request, at: float) -> None:
        name, point, by = self._read(request)
        self._may(name, point, at)
        belief = self.desk.beliefs.of[name]
        one = self.of.get(name)
        start = self._from(one, name, point, at)
        goal, end = stepped(belief.device, belief.grids.get(point), point, start, by)
        if one is None:
            one = self.of[name] = Adjusted(name, request.by or "a person", at, at)
            # stepped before by somebody else: that stays so when this step is refused
            one.told = name in self.desk.beliefs.stepped
        known = one.known.setdefault(point, start)
        if self._under_way(one, point) and apart(belief, point, known, goal) > AHEAD[point] + 1e-9:
            raise NoStep(
                f"{name} has not confirmed what was asked before: wait for it, it is at"
                f" {say(point, known)} as far as is known"
            )
        one.by, one.pressed_at = request.by or "a person", at
        one.asked[point] = goal
        one.at_end[point] = end
        one.why = ""
        if not one.pending:
            one.pending_since = at
        one.pending[point] = goal
        one.waiting.append(request)
        self.desk.beliefs.stepped.add(name)
        text = f"{name} to {say(point, goal)}" + (f", {end} it can" if end else "")
        self.answers.under_way(request.id)
        self.answers.note(request, "taken", text)
        if request.id:
            detail = {"device": name, point: round(goal, 3), "end": end or None}
            self.desk.emit(Answer(request.id, False, 0, text, detail))
        self._changed(name)
        self._next(at)

    def _read(self, request: Request) -> tuple[str, Point, float]:
        if len(request.targets) != 1 or request.targets[0] not in self.desk.profile.devices:
            raise NoStep("an adjustment names one light", 2)
        if request.step is None:
            raise NoStep("an adjustment says by how much: '+0.1 stop' or '-5 mired'", 2)
        point, by = request.step
        most = MOST.get(point)
        if most is None or not 0 < abs(by) <= most:
            unit = "stop" if point == "level" else "mired"
            most_said = "1/3" if point == "level" else f"{MOST['cct']:.0f}"
            raise NoStep(f"a step is at most {most_said} {unit} either way, and not nothing", 2)
        return request.targets[0], point, by

    def _may(self, name: str, point: Point, at: float) -> None:
        """Raises NoStep where it may not be changed now, whoever asks."""
        desk, state, run = self.desk, self.standing.state, self.runs.run
        device = desk.profile.devices[name]
        if not device.fixture:
            raise NoStep(f"{name} is a {device.kind}, no light", 2)
        if device.hand_set:
            raise NoStep(f"{name} is set by hand: turn its dial", 2)
        if state not in ("ready", "adrift"):
            raise NoStep(f"the set is {state}: a light is adjusted when it is up")
        if run is not None and run.what != "adjust":
            raise NoStep(f"'{run.what}' is under way: adjust it when that is done")
        held = self.gates.held_by(at)
        if held is not None:
            doing = "rolling" if desk.beliefs.of[held].rolls else "closing its file"
            raise NoStep(f"{held} is {doing}: nothing is changed now")
        locked = self.gates.why_locked(name, energise=False)
        if locked is not None:
            raise NoStep(locked)
        preset = desk.presets.get(name)
        if preset is None:
            raise NoStep(f"the look {desk.look} leaves {name} alone: nothing to come back to")
        if getattr(preset, point) is None:
            what = "level" if point == "level" else "white"
            raise NoStep(f"the look {desk.look} says no {what} of {name}: nothing to come back to")

    def _from(self, one: Adjusted | None, name: str, point: Point, at: float) -> float:
        """What a step goes from. Raises NoStep where nobody knows."""
        asked = None if one is None else one.asked.get(point)
        if one is None or asked is None:
            if self.desk.beliefs.of[name].said("is it so", point) is None:
                self.desk.ask(at, name)
            return stands(name, point, self.desk)
        if self._under_way(one, point):
            return asked
        stood = stands(name, point, self.desk)
        if self.desk.beliefs.of[name].exactly(point, asked, stood, _half_a_step(point)):
            return asked
        one.known[point] = stood  # a hand was there since
        return stood

    def _under_way(self, one: Adjusted, point: Point) -> bool:
        on = self._on_its_way
        return point in one.pending or (on is not None and on[1:3] == (one.device, point))

    # ---- told ----------------------------------------------------------------------------

    def _next(self, at: float) -> None:
        """Tell what is wanted and not told yet, one value at a time, oldest first."""
        if self.runs.run is not None or not self.desk.listened:
            return
        for one in sorted(self.of.values(), key=lambda one: one.pending_since):
            if not one.pending:
                continue
            due = self._due(one)
            if at + 1e-6 < due:
                self.desk.wake("adjusting", due)
                continue
            if self._tell(one, at):
                return

    def _due(self, one: Adjusted) -> float:
        belief = self.desk.beliefs.of[one.device]
        point, goal = next(iter(one.pending.items()))
        told_at = max(belief.told_at("level"), belief.told_at("cct"))
        return told_at + pace(belief, point, one.known.get(point, goal), goal, TRY_EVERY)

    def _tell(self, one: Adjusted, at: float) -> bool:
        point, goal = next(iter(one.pending.items()))
        waiting = self._take(one, point)
        name, request = one.device, waiting[-1]
        text = f"{name} to {say(point, goal)}"
        if at - one.pending_since > LATE:
            self._refuse(one, point, waiting, 1, f"{name} took too long before: press again")
            return False
        if self._is_there(one, point, goal):
            for each in waiting:
                self.answers.done(each, f"{name}: {say(point, goal)}, as it is")
            return False
        try:
            self._may(name, point, at)
            steps = steps_for(
                replace(request, wish=(point, goal), blink=False), self.desk, self.gates
            )
        except (CannotTry, NoStep) as why:
            self.desk.trying.clear()
            self._refuse(one, point, waiting, why.code, str(why))
            return False
        known = one.known.get(point, goal)
        half = apart(self.desk.beliefs.of[name], point, known, goal) / 2.0
        self.runs.begin(
            "adjust",
            self.desk.look,
            at,
            [each.id for each in waiting],
            targets=(name,),
            text=text,
            tries=[replace(step, why="a small step") for step in steps],
            within={point: max(half, 1e-6)},
        )
        run = self.runs.last_run
        assert run is not None
        self._on_its_way = (run, name, point, goal)
        one.told = True
        return True

    def _take(self, one: Adjusted, point: Point) -> list[Request]:
        """The presses that wait for this point, which waits no more."""
        waiting = [request for request in one.waiting if request.step and request.step[0] == point]
        one.waiting = [request for request in one.waiting if request not in waiting]
        del one.pending[point]
        return waiting

    def _is_there(self, one: Adjusted, point: Point, goal: float) -> bool:
        """Did presses there and back add up to nothing, and is it known to stand there?"""
        belief = self.desk.beliefs.of[one.device]
        told = belief.told_now(point)
        if told is None or apart(belief, point, figure(told), goal) > 1e-6:
            return False
        return belief.is_so({point: told}, {point: _half_a_step(point)})

    def _refuse(
        self, one: Adjusted, point: Point, waiting: list[Request], code: int, text: str
    ) -> None:
        one.asked.pop(point, None)
        one.why = text
        for request in waiting:
            self.answers.refuse(request, code, text)
        self._changed(one.device)
        if not one.told and not one.pending:
            # nothing was told: it is not being adjusted
            self.of.pop(one.device, None)
            self.desk.beliefs.stepped.discard(one.device)

    # ---- what follows --------------------------------------------------------------------

    def follow(self, at: float) -> None:
        """Something has happened: what ends, what was confirmed, and what is to be told next."""
        if not self.of and self._on_its_way is None:
            return
        self._look_at_the_step()
        gone = [name for name in self.of if name not in self.desk.beliefs.stepped]
        run = self.runs.run
        for name in gone:
            other = run is not None and run.what not in OF_ONE
            self._end(name, f"'{run.what}' was asked for" if run and other else "it was kept")
        if run is not None and run.what == "try":
            self._end(run.targets[0], "it is being tried")
        if run is not None and run.what not in OF_ONE:
            # a run of the whole set: steps of other lights that wait are dropped, not told after it
            for one in list(self.of.values()):
                for point in list(one.pending):
                    text = f"'{run.what}' is under way: adjust it when that is done"
                    self._refuse(one, point, self._take(one, point), 1, text)
        held = self.gates.held_by(at)
        if held is not None:
            for name in list(self.of):
                self._end(name, f"{held} has begun to roll")
        on = None if self._on_its_way is None else self._on_its_way[1]
        for name, one in list(self.of.items()):
            if at - one.pressed_at >= HOLDS - 1e-6 and name != on and not one.pending:
                self._end(name, "nobody has pressed for a while")
        if not self.of:
            return
        self._next(at)
        if not self.of:
            return
        # a step on its way brings us here when it ends, and so does what waits for it
        on = None if self._on_its_way is None else self._on_its_way[1]
        rests = [o for o in self.of.values() if o.device != on and not o.pending]
        due = [one.pressed_at + HOLDS for one in rests]
        if self.runs.run is None:
            due += [self._due(one) for one in self.of.values() if one.pending]
        self.desk.wake("adjusting", max(at, min(due)) if due else None)

    def _look_at_the_step(self) -> None:
        """Has the step on its way got there, or is its time over?"""
        if self._on_its_way is None:
            return
        run, name, point, goal = self._on_its_way
        if run.outcome == "under way":
            return
        self._on_its_way = None
        one = self.of.get(name)
        if one is None:
            return
        if run.phase[-1] in ("confirmed", "waited out"):
            one.known[point] = goal
            self._changed(name)
            return
        # without the topics it was told and waited for on: those are in the answer
        said = stepping.outcome(run, self.desk)[1]
        one.why = said.partition(";")[0].partition(": told ")[0]
        if point not in one.pending:
            # where it stands is for it to say; the next step goes from there
            one.asked.pop(point, None)
            one.known.pop(point, None)
        self._changed(name)

    def _end(self, name: str, why: str) -> None:
        one = self.of.pop(name, None)
        if one is None:
            return
        for request in one.waiting:
            self.answers.refuse(request, 1, f"{name} is not adjusted further: {why}")
        self._changed(name)
        if not self.of:
            self.desk.wake("adjusting", None)

    def link_lost(self) -> None:
        """What was pressed is not told when the link is back, and what is left is drift."""
        for name in list(self.of):
            self._end(name, "the link to the broker was lost; ask again")
        self._on_its_way = None
        self.desk.beliefs.stepped.clear()

    # ---- shown ---------------------------------------------------------------------------

    def view(self, iso: Callable[[float], str]) -> list[dict[str, object]]:
        """What is being adjusted, for the state: `level` and `cct` are what was asked last."""
        found: list[dict[str, object]] = []
        for name, one in self.of.items():
            was = self.desk.presets.get(name)
            points: tuple[Point, ...] = ("level", "cct")
            asked: dict[str, object] = {
                p: round(one.asked[p], 3) if p in one.asked else None for p in points
            }
            found.append(
                {
                    "device": name,
                    "by": one.by,
                    "since": iso(one.since),
                    "until": iso(one.pressed_at + HOLDS),
                    **asked,
                    "was": None if was is None else preset_json(was),
                    "under_way": any(self._under_way(one, point) for point in points),
                    "why": one.why,
                    "at_end": {point: end for point, end in one.at_end.items() if end} or None,
                }
            )
        return found

    def _changed(self, name: str) -> None:
        self.desk.changed.add(name)
        self.desk.emit(Announce(state=True))


def _half_a_step(point: Point) -> float:
    return 0.05 if point == "level" else 2.5

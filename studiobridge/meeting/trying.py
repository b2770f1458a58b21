"""The tell half, tried on the gear with a person beside it: a conversation without I/O.

    trying = Trying(who, log)
    outs = trying.begin(now)            # data: questions, sentences, messages, when to wake it
    outs = trying.answered("y", now)    # None: nobody answered
    outs = trying.heard(message, now)   # everything that comes in, our own echo too
    outs = trying.wake(now)
    outs = trying.stop("why", now)      # Ctrl-C; the link is lost: `lost=True`
    trying.who                          # what is known now

The rules:

- A message is sent only after a plain yes to a question that showed it, topic and payload, and on
  no other topic ever. Whatever is no yes is a no, and a no ends it.
- One candidate at a time, and the next only when the one before was told back.
- A candidate is `seen` only when the device itself, live and not as a kept message, said what it
  was told, every time: off and on (twice where another was tried shortly before, whose late
  answer this might be), and the same again without turning over; or two levels and back. And
  when the person, asked at the end, saw it happen: a device may say so and do nothing.
- It begins only when the device has said live how it stands, and not while that changes by
  itself. When something changes that was not told, something else moves it: nothing more is sent.
- The device is left as it was found, also by a stop, as far as it can be told.
- Nothing is ever sent to be kept; what energises goes at QoS 0, and lives for `LIVES`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from studiobridge.craft.chroma import Colour
from studiobridge.meeting.followed import MOVED, Heard
from studiobridge.meeting.met import Acquaintance, Half
from studiobridge.meeting.outs import Ask, Done, Out, Say, Send, Wake
from studiobridge.meeting.sentences import (
    MUTE,
    NO_STATE,
    called,
    deeds,
    may_i,
    message_line,
    quoted,
    stands,
)
from studiobridge.meeting.sketch import IT, Sketch, sketch_or_none
from studiobridge.meeting.steps import LEVELS, Step, Trial, steps_of
from studiobridge.meeting.telling import (
    Candidate,
    asked_before,
    asks,
    candidates,
    described,
    tellable,
)
from studiobridge.profile.model import Point, Value, figure
from studiobridge.profile.said import Report
from studiobridge.speech.encode import shown
from studiobridge.speech.message import Message

# A message that a broker could not deliver in so long (s) is not delivered.
LIVES = 2.0
# An effect is waited for so long (s); where a value is on its way, so long after its last step,
# and no longer than the last.
PATIENCE, MOVING, LONGEST = 3.0, 1.5, 10.0
# Between two messages that switch something: relays, drivers and motors are not flicked (s).
HOLD = 1.5
# After a candidate was told back: what did it in silence has time to say so (s).
BACK = 1.0
# A device that has changed by itself in the last of this (s) is not told anything yet; one that
# does not come to rest in so long is left alone.
QUIET, RESTLESS = 1.0, 12.0
# How late (s) an answer to an earlier candidate may still come, and be taken for this one's.
LATE = 30.0
# When a device that speaks only when asked is asked, after it was told (s).
ASKED_AFTER = (0.4, 1.4, 2.6)
# A device that was asked has so long (s) to answer.
ANSWERS_WITHIN = 2.0
# So many candidates of a point are shown in one question: as many as a person reads.
SHOWN = 14
# No answer in so long (s) is none.
ANSWERED_WITHIN = 180.0
# Questions to the person about one device, the last one (what was seen) among them.
MOST_QUESTIONS = 4
# idle: not begun · asking: a question is open · asked: waits for what the device answers ·
# quiet: waits until it stands still · told: waits for the effect · holding: it followed, a pause ·
# back: told back after a failure · home: told back at the end · done
Phase = Literal["idle", "asking", "asked", "quiet", "told", "holding", "back", "home", "done"]


@dataclass(slots=True)
class _Asking:
    """A way to ask the device how it stands, and how often it answered."""

    rule: Mapping[str, object]
    message: Message
    answers: int = 0
    why: str = ""


@dataclass(slots=True)
class Trying:
    """The conversation about one device."""

    who: Acquaintance
    log: Sequence[Heard] = ()
    known: Sequence[Acquaintance] = ()
    # topics of other devices: nothing is guessed there
    theirs: frozenset[str] = frozenset()
    # how many questions are left, the one at the end among them
    questions: int = MOST_QUESTIONS
    phase: Phase = "idle"
    state: dict[Point, Value] = field(default_factory=dict)
    found: dict[Point, Value] = field(default_factory=dict)
    _live: set[Point] = field(default_factory=set)
    _changed: dict[Point, float] = field(default_factory=dict)
    _reader: Sketch | None = None
    _left: dict[Point, list[Candidate]] = field(default_factory=dict)
    _queue: list[Trial] = field(default_factory=list)
    _askings: list[_Asking] = field(default_factory=list)
    _trial: Trial | None = None
    _step: int = 0
    _due: float = 0.0
    _since: float = 0.0
    _asks_due: list[float] = field(default_factory=list)
    _failed_at: float | None = None
    _tried: dict[Point, int] = field(default_factory=dict)
    _reacted: list[tuple[Point, str]] = field(default_factory=list)
    _followed: list[Point] = field(default_factory=list)
    _allowed: set[tuple[str, bytes]] = field(default_factory=set)
    _question: str = ""
    _asked_for: bool = False
    # topics where something came of a candidate, and not what was told: its other scales first
    _hot: set[object] = field(default_factory=set)
    # the rules that were told already
    _done: set[str] = field(default_factory=set)
    # it was switched on to see its level or white move, and by which trial's candidate
    _lit: bool = False
    # the level it had when it was last seen on
    _lit_level: float | None = None
    # by point and topic: what brought it home after it had gone elsewhere
    _homes: dict[tuple[Point, object], Trial] = field(default_factory=dict)
    # points that no other candidate will help
    _given_up: set[Point] = field(default_factory=set)
    # points that somebody or something else moved meanwhile
    _theirs: set[Point] = field(default_factory=set)
    _sent: set[tuple[str, bytes]] = field(default_factory=set)
    _missing: list[str] = field(default_factory=list)

    # ---- events -------------------------------------------------------------------------------

    def begin(self, now: float) -> list[Out]:
        """The first question, or why there is none."""
        self.who = described(self.who, self.log)
        self._reader = sketch_or_none(self.who)
        if self._reader is None or not tellable(self.who):
            return self._end(now, ())
        for heard in self.log:
            self._take(heard.message, heard.at)
        if self.state.get("online") is False:
            return self._end(now, ("it says that it is not there: switch it on and meet it again",))
        return self._next_question(now)

    def answered(self, answer: str | None, now: float) -> list[Out]:
        """What the person said to the open question; None where nobody said anything."""
        if self.phase != "asking":
            return []
        said = (answer or "").strip().lower()
        if self._question == "eyes":
            return self._eyes(said, now)
        if said not in ("y", "yes"):
            why = "you said no" if answer is not None else "nobody answered"
            return self._end(now, (f"nothing was tried on it: {why}",))
        if self._question == "ask":
            return self._ask_next(now)
        return self._next_trial(now)

    def heard(self, message: Message, now: float) -> list[Out]:
        """A message came in. What is heard of the device moves the conversation on."""
        if self.phase in ("idle", "done") or self._reader is None:
            return []
        if (message.topic, message.payload) in self._sent:
            return []  # our own word, come back: it proves nothing
        before = dict(self.state)
        reports = self._take(message, now)
        if self.phase == "asked" and any(not r.retained for r in reports):
            return self._it_answered(before, now)
        trial = self._trial
        if trial is None or not reports:
            return []
        for report in reports:
            if report.retained or report.point not in MOVED:
                continue
            was = before.get(report.point)
            if was is not None and self._same(report.point, was, report.value):
                continue
            out = self._it_changed(trial, report.point, report.value, now)
            if out is not None:
                return out
        return self._looked_at(trial, reports, now)

    def wake(self, now: float) -> list[Out]:
        """The time it asked to be woken at has come (or it is a little later, or earlier)."""
        if self._asks_due and self.phase == "told" and now >= self._asks_due[0]:
            self._asks_due.pop(0)
            return [*self._send_asks(), self._wake()]
        if self.phase in ("idle", "done") or now < self._due:
            return [] if self.phase in ("idle", "done") else [self._wake()]
        if self.phase == "asking":
            return self.answered(None, now)
        if self.phase == "asked":
            return self._ask_next(now)
        trial = self._trial
        if self.phase == "home" or trial is None:
            return self._home_done(now)
        if self.phase == "quiet":
            return self._tell_when_still(trial, now)
        if self.phase == "told":
            return self._time_is_up(trial, now)
        if self.phase == "holding":
            return self._next_step(trial, now)
        if trial.reacted and self._same(trial.point, self.state[trial.point], trial.home):
            topic = trial.candidate.half.rule.get("topic")
            self._homes.setdefault((trial.point, topic), trial)
        return self._next_trial(now)  # told back, and nothing said against it

    def stop(self, why: str, now: float, lost: bool = False, only_off: bool = False) -> list[Out]:
        """Ends at once; what was told is told back, unless the link is `lost`.

        `only_off`: somebody works on it or a camera rolls, so nothing is told back but an off.
        """
        if self.phase == "done":
            return []
        outs: list[Out] = []
        trial = self._trial
        standing = trial is not None and trial.told and self.phase in ("told", "holding", "quiet")
        if only_off and trial is not None and trial.home is not False:
            standing = False
        if standing and trial is not None:
            if lost:
                why = f"{why}; it stands as it was told last"
            else:
                outs += self._send_home(trial)
        if self._lit and not lost and self.found.get("switch") is False:
            outs += self._sends(self._switch(False))
        return [*outs, *self._end(now, (f"not finished: {why}",))]

    # ---- what is heard ------------------------------------------------------------------------

    def _take(self, message: Message, now: float) -> list[Report]:
        assert self._reader is not None
        reports = [
            said
            for said in self._reader.speech.hear(message, now)
            if isinstance(said, Report) and said.device == IT
        ]
        for report in reports:
            was = self.state.get(report.point)
            if was is None or not self._same(report.point, was, report.value):
                self._changed[report.point] = now
            self.state[report.point] = report.value
            if report.point == "level" and isinstance(report.value, float) and report.value > 1.0:
                self._lit_level = report.value
            if not report.retained:
                self._live.add(report.point)
        return reports

    def _same(self, point: Point, one: Value, other: Value) -> bool:
        if isinstance(one, bool) or isinstance(other, bool):
            return one is other
        if isinstance(one, Colour) or isinstance(other, Colour):
            return one == other
        assert self._reader is not None
        within = self._reader.coarse(point)
        if self._trial is not None:
            within = max(within, self._trial.sketch.coarse(point))
        if point == "cct":
            return abs(1e6 / max(one, 1.0) - 1e6 / max(other, 1.0)) <= within
        return abs(figure(one) - figure(other)) <= within

    def _it_changed(self, trial: Trial, point: Point, value: Value, now: float) -> list[Out] | None:
        """A change that nobody told ends it; None where it was to be expected."""
        step = trial.steps[min(self._step, len(trial.steps) - 1)]
        if point != trial.point:
            off = point == "switch" and value is False and self.phase == "holding"
            return self._moved(trial, now) if off and step.value != 0.0 else None
        if self.phase == "told" and not step.same:
            trial.reacted = True
            return None
        if self.phase == "told":  # told what it was already, and it turned over
            self._reacted.append((point, "it turns over at every message, whatever is told"))
            return self._turned_over(trial, now)
        if self.phase == "holding" and not self._same(point, value, step.value):
            return self._moved(trial, now)
        if self.phase in ("back", "home") and not self._same(point, value, trial.home):
            if isinstance(value, bool):
                self._reacted.append((point, "it says the opposite of what it is told"))
                why = (
                    "it said the opposite of what it was told: it reports the wrong way round, or"
                    " something else moves it"
                )
                return self._end(now, (why,))
            return None  # on its way back
        if self.phase == "quiet" and trial.told:
            return self._moved(trial, now)
        return None

    def _moved(self, trial: Trial, now: float) -> list[Out]:
        """Somebody or something else has its hand on it: it is theirs."""
        self._trial = None
        self._theirs.add(trial.point)
        why = (
            f"its {called(trial.point)} changed when nothing was told: something else moves it,"
            " or it answers late; meet it again when it is left alone"
        )
        return self._end(now, (why,))

    def _turned_over(self, trial: Trial, now: float) -> list[Out]:
        """Once more of the same brings it back to where it was."""
        outs = self._send_home(trial)
        # it listens there, and to nothing that is said: no other words will help
        self._queue = [t for t in self._queue if t.point != trial.point]
        self._given_up.add(trial.point)
        return [*outs, *self._failed(trial, now, told_back=True)]

    def _looked_at(self, trial: Trial, reports: list[Report], now: float) -> list[Out]:
        """Is it as told by now?"""
        if self.phase != "told":
            return []
        step = trial.steps[self._step]
        live = [r for r in reports if r.point == trial.point and not r.retained]
        if not live:
            return []
        if step.same:
            return []  # it has to stay so for as long as it takes
        if self._same(trial.point, live[-1].value, step.value):
            self.phase = "holding"
            self._asks_due = []
            self._due = now + HOLD
            return [self._wake()]
        if trial.point != "switch" and trial.reacted:
            # it walks there: as long as it moves it is waited for
            self._due = min(max(self._due, now + MOVING), self._since + LONGEST)
            return [self._wake()]
        return []

    # ---- one candidate ------------------------------------------------------------------------

    def _next_trial(self, now: float) -> list[Out]:
        self._trial = None
        while self._queue:
            trial = self._queue.pop(0)
            if trial.point in self._followed:
                continue
            self._trial, self._step = trial, 0
            late = self._failed_at is not None and now - self._failed_at < LATE
            if late and trial.point == "switch":
                moves = [s for s in trial.steps if not s.same]
                trial.steps = (*trial.steps, *moves)
            self.phase, self._since, self._due = "quiet", now, now
            lit = self._switched_on(trial)
            if lit:
                self._due = now + HOLD
                return [*lit, self._wake()]
            return self._tell_when_still(trial, now)
        return self._next_question(now)

    def _switched_on(self, trial: Trial) -> list[Out]:
        """A light that is off is switched on to see its level move, as it was shown to be."""
        half = self.who.half("switch", "tell")
        along = [h.point for h in trial.candidate.along]
        off = trial.point != "switch" and self.state.get("switch") is False
        if not off or half is None or half.ground != "seen" or "switch" in along:
            return []
        messages = self._switch(True)
        self._lit = self._lit or bool(messages)
        return self._sends(messages)

    def _switch(self, on: bool) -> list[Message]:
        """Its switch, told as it was seen to follow."""
        half, sketch = self.who.half("switch", "tell"), sketch_or_none(self.who)
        if half is None or sketch is None:
            return []
        others = sketch.together("switch") - {"switch"}
        along = tuple(h for h in self.who.halves if h.half == "tell" and h.point in others)
        messages = self._messages(Candidate(half, along), sketch, "switch", on)
        return [m for m in messages if (m.topic, m.payload) in self._allowed]

    def _tell_when_still(self, trial: Trial, now: float) -> list[Out]:
        changed = self._changed.get(trial.point, -1e9)
        if now - changed < QUIET and self._step == 0:
            if now - self._since > RESTLESS:
                return self._moved(trial, now)
            self._due = max(changed + QUIET, now + 0.05)
            return [self._wake()]
        return self._tell(trial, trial.steps[self._step], now)

    def _tell(self, trial: Trial, step: Step, now: float) -> list[Out]:
        messages = self._messages(trial.candidate, trial.sketch, trial.point, step.value)
        if not messages or any((m.topic, m.payload) not in self._allowed for m in messages):
            # what goes along has changed meanwhile: this is not what was shown
            return self._failed(trial, now)
        trial.told = True
        self._done.add(repr(trial.candidate.half.rule))
        self._tried[trial.point] = self._tried.get(trial.point, 0) + (self._step == 0)
        self.phase, self._since, self._due = "told", now, now + PATIENCE
        if self.who.ask:
            self._asks_due = [now + after for after in ASKED_AFTER]
        return [*self._sends(messages), self._wake()]

    def _time_is_up(self, trial: Trial, now: float) -> list[Out]:
        if trial.steps[self._step].same:
            return self._next_step(trial, now)
        return self._failed(trial, now)

    def _next_step(self, trial: Trial, now: float) -> list[Out]:
        self._step += 1
        if self._step < len(trial.steps):
            return self._tell(trial, trial.steps[self._step], now)
        return self._passed(trial, now)

    def _failed(self, trial: Trial, now: float, told_back: bool = False) -> list[Out]:
        """It did not follow: told back in the same words, in case it did so in silence."""
        self._failed_at = now
        if trial.reacted and trial.point != "switch":
            self._reacted.append((trial.point, "it followed, and not to what it was told"))
            topic = trial.candidate.half.rule.get("topic")
            self._hot.add(topic)
            # the same place on another scale, before anything else
            self._queue.sort(key=lambda t: t.candidate.half.rule.get("topic") != topic)
        if not trial.told:
            return self._next_trial(now)
        outs = [] if told_back else self._send_home(trial)
        self.phase, self._since, self._due = "back", now, now + BACK
        self._asks_due = []
        return [*outs, self._wake()]

    def _passed(self, trial: Trial, now: float) -> list[Out]:
        candidate = trial.candidate
        self._followed.append(trial.point)
        half = replace(candidate.half, ground="seen", why=f"it followed: {candidate.half.why}")
        self.who = replace(candidate, half=half).on(self.who)
        self._asks_due = []
        topic = trial.sketch.tell({trial.point: trial.home, **self._along(trial.candidate)})
        said = f"its {called(trial.point)} follows"
        if topic:
            said += f", told on {shown(topic[0].topic)}"
        self._left.pop(trial.point, None)
        return [Say(said), *self._next_trial(now)]

    def _send_home(self, trial: Trial) -> list[Out]:
        # on another scale than its own, home may be elsewhere: what brought it home before
        trial = self._homes.get((trial.point, trial.candidate.half.rule.get("topic")), trial)
        messages = self._messages(trial.candidate, trial.sketch, trial.point, trial.home)
        allowed = [m for m in messages if (m.topic, m.payload) in self._allowed]
        return self._sends(allowed)

    def _messages(
        self, candidate: Candidate, sketch: Sketch, point: Point, value: Value
    ) -> list[Message]:
        """What tells it this value, with whatever has to go along."""
        values: dict[Point, Value] = {point: value}
        for other, along in self._along(candidate).items():
            values.setdefault(other, along)
        if point == "level" and "switch" in values:
            # a level that is told together with the switch is one of a light that is on
            home = self.found.get("level")
            back = isinstance(value, float) and home is not None and value == home
            values["switch"] = self.found.get("switch", True) if back else True
        messages = sketch.tell(values)
        return [replace(m, qos=0, retain=False, expiry=LIVES) for m in messages]

    def _along(self, candidate: Candidate) -> dict[Point, Value]:
        """What the form of a candidate carries besides, as it was found."""
        points = [half.point for half in candidate.along]
        along = {p: self.found[p] for p in points if p in self.found}
        if along.get("level") == 0.0:
            along["level"] = self._lit_level or LEVELS[2]  # off is said by its switch here
        return along

    def _sends(self, messages: Sequence[Message]) -> list[Out]:
        outs: list[Out] = []
        for message in messages:
            self._sent.add((message.topic, message.payload))
            outs += [Say(f"telling {message_line(message)}"), Send(message)]
        return outs

    # ---- asking the device ----------------------------------------------------------------------

    def _ask_next(self, now: float) -> list[Out]:
        """The next way to ask it, or on to what is told."""
        if self.phase == "asked" and self._askings:
            self._askings.pop(0)
        if not self._askings:
            if not self._live & set(MOVED):
                return self._end(now, (MUTE,))
            return self._next_question(now)
        return self._ask_it(now)

    def _ask_it(self, now: float) -> list[Out]:
        self.phase, self._due = "asked", now + ANSWERS_WITHIN
        return [*self._sends([self._askings[0].message]), self._wake()]

    def _it_answered(self, before: Mapping[Point, Value], now: float) -> list[Out]:
        """It said something just after it was asked; once may be chance."""
        asking = self._askings[0]
        turned = [p for p in MOVED if p in before and before[p] != self.state[p]]
        if turned and asking.answers:
            # it was no question: it turns over by it, and once more turns it back
            again = self._sends([asking.message]) if turned == ["switch"] else []
            why = f"it moves when it is told {message_line(asking.message)}, whatever it was before"
            return [*again, *self._end(now, (why,))]
        asking.answers += 1
        if asking.answers < 2:
            return self._ask_it(now)
        self.who = replace(self.who, ask=asking.rule)
        self._askings = []
        self._reader = sketch_or_none(self.who) or self._reader
        return [
            Say(f"it answers when it is asked on {shown(asking.message.topic)}"),
            *self._next_question(now),
        ]

    def _send_asks(self) -> list[Out]:
        sketch = self._reader
        messages = [] if sketch is None else sketch.asks()
        return [
            Send(replace(m, qos=0, retain=False, expiry=LIVES))
            for m in messages
            if (m.topic, m.payload) in self._allowed
        ]

    # ---- questions ------------------------------------------------------------------------------

    def _next_question(self, now: float) -> list[Out]:
        self._trial = None
        points = [p for p in tellable(self.who) if p in MOVED and p not in self._followed]
        points = [p for p in points if p not in self._given_up]
        if not points:
            return self._finish(now)
        live = bool(self._live & set(MOVED))
        only_asked = not self.who.ask and bool(asked_before(self.who, self.log))
        if not live or (only_asked and not self._asked_for):
            return self._ask_how_it_stands(now)
        points = [p for p in points if p in self._live or self._kept_will_do(p)]
        # one question is kept for what was seen
        if self.questions <= 1:
            return self._finish(now)
        for point in points:
            self.found.setdefault(point, self.state[point])
        for point in MOVED:
            if point in self.state:
                self.found.setdefault(point, self.state[point])
        self._queue = self._batch(points)
        if not self._queue:
            return self._finish(now)
        return self._question_about(now)

    def _kept_will_do(self, point: Point) -> bool:
        """A level that the broker kept is believed of a device that is there and whose scale is
        sure; a switch is not."""
        hear = self.who.half(point, "hear")
        sure = hear is not None and hear.ground in ("described", "seen")
        return point != "switch" and point in self.state and sure

    def _batch(self, points: Sequence[Point]) -> list[Trial]:
        """What one question is about: one point, or all where the first has shown the way."""
        batch: list[Trial] = []
        for point in points:
            if point not in self._left or self._hot or self._tried.get(point, 0) == 0:
                found = candidates(self.who, point, self.log, self.known, self.theirs, self._hot)
                self._left[point] = [c for c in found if repr(c.half.rule) not in self._done]
            left = self._left[point]
            sure = bool(left) and left[0].half.ground != "shape"
            shape_known = bool(self._followed)
            if batch and not (sure or shape_known):
                break
            many = SHOWN if not batch else SHOWN // 2
            take, self._left[point] = left[:many], left[many:]
            for candidate in take:
                trial = self._trial_of(point, candidate)
                if trial is not None:
                    batch.append(trial)
        return batch

    def _trial_of(self, point: Point, candidate: Candidate) -> Trial | None:
        sketch = sketch_or_none(candidate.on(self.who))
        if sketch is not None and self.who.homie is not None:
            for heard in self.log:  # how a value is spelt is in its description
                sketch.speech.hear(heard.message, heard.at)
        home = self.found.get(point)
        if sketch is None or home is None or isinstance(home, Colour):
            return None
        if any(h.point not in self.found or h.point in self._given_up for h in candidate.along):
            return None
        if point == "level" and home == 0.0 and self.state.get("switch") is False:
            home = self._lit_level or LEVELS[2]  # what it had when it was on
        hear = self.who.half(point, "hear")
        steps = steps_of(point, home, hear.rule if hear is not None else {})
        if not all(self._messages(candidate, sketch, point, s.value) for s in steps):
            return None
        return Trial(point, candidate, sketch, steps, home)

    def _question_about(self, now: float) -> list[Out]:
        self.questions -= 1
        sends: list[Message] = []
        lines: list[str] = []
        for n, trial in enumerate(self._queue, 1):
            told: list[Message] = []
            for value in dict.fromkeys([*(s.value for s in trial.steps), trial.home]):
                told += [
                    m
                    for m in self._messages(trial.candidate, trial.sketch, trial.point, value)
                    if m not in told
                ]
            sends += [m for m in told if m not in sends]
            topics = list(dict.fromkeys(m.topic for m in told))
            for topic in topics:
                words = ", then ".join(quoted(m.payload) for m in told if m.topic == topic)
                lines.append(f"  {n:2}. {called(trial.point):6} {quoted(topic)}: {words}")
        asking = [] if self._reader is None else self._reader.asks()
        for m in asking:
            lines.append(f"  and each time, to hear how it stands, {message_line(m)}")
            sends.append(replace(m, qos=0, retain=False, expiry=LIVES))
        self._allowed |= {(m.topic, m.payload) for m in sends}
        points = list(dict.fromkeys(t.point for t in self._queue))
        text = "\n".join([may_i(self.who, points, len(self._queue)), *lines])
        return self._put(Ask("tell", text, tuple(sends)), now)

    def _ask_how_it_stands(self, now: float) -> list[Out]:
        """It has said nothing live: asked first, where that can be asked."""
        if self._asked_for or self.questions <= 1:
            return self._end(now, (MUTE,))
        self._asked_for = True
        for rule, why in asks(self.who, self.log):
            sketch = sketch_or_none(replace(self.who, ask=rule))
            for message in [] if sketch is None else sketch.asks()[:1]:
                plain = replace(message, qos=0, retain=False, expiry=LIVES)
                self._askings.append(_Asking(rule, plain, why=why))
        if not self._askings:
            return self._end(now, (MUTE,))
        self.questions -= 1
        sends = tuple(a.message for a in self._askings)
        self._allowed |= {(m.topic, m.payload) for m in sends}
        lines = [f"  {n:2}. {message_line(m)}" for n, m in enumerate(sends, 1)]
        text = (
            f"'{self.who.name}' says little of itself. May I ask it how it stands? Nothing should"
            " start by that, but look at it first. I would send, until it answers twice:"
        )
        return self._put(Ask("ask", "\n".join([text, *lines]), sends), now)

    def _put(self, ask: Ask, now: float) -> list[Out]:
        self.phase, self._question = "asking", ask.key
        self._due = now + ANSWERED_WITHIN
        return [ask, self._wake()]

    # ---- the end --------------------------------------------------------------------------------

    def _finish(self, now: float) -> list[Out]:
        """Everything was tried: what is not as it was found is told back, then the eyes."""
        outs: list[Out] = []
        for point in MOVED:
            home, half = self.found.get(point), self.who.half(point, "tell")
            if home is None or half is None or half.ground != "seen":
                continue
            if point in self.state and not self._same(point, self.state[point], home):
                sketch = sketch_or_none(self.who)
                messages = self._switch(home is True) if point == "switch" else []
                if sketch is not None and point != "switch":
                    others = sketch.together(point) - {point}
                    tells = [h for h in self.who.halves if h.half == "tell"]
                    along = tuple(h for h in tells if h.point in others)
                    messages = self._messages(Candidate(half, along), sketch, point, home)
                told = [m for m in messages if (m.topic, m.payload) in self._allowed]
                outs += self._sends(told)
        if outs:
            self.phase, self._due = "home", now + BACK
            return [*outs, self._wake()]
        return self._home_done(now)

    def _home_done(self, now: float) -> list[Out]:
        if not self._followed:
            return self._end(now, ())
        did = " and ".join(deeds(point, self.found.get(point)) for point in self._followed)
        text = f"Did it {did}, in this order and before your eyes? It says so; only you can see it."
        return self._put(Ask("eyes", text), now)

    def _eyes(self, said: str, now: float) -> list[Out]:
        if said in ("y", "yes"):
            return self._end(now, (), with_eyes=True)
        points = list(self._followed)
        self._followed = []
        if said in ("n", "no"):
            self.who = replace(
                self.who,
                halves=tuple(
                    h for h in self.who.halves if h.half == "hear" or h.point not in points
                ),
            )
            why = (
                "it says that it does as it is told, and you saw that it does not: what it says is"
                " no proof; look for what it really listens to, or switch its mains with a plug"
            )
            return self._end(now, (why,))
        why = "nobody said that they saw it follow: try it again, and look (`studiobridge try`)"
        self._followed = points
        return self._end(now, (why,))

    def _end(self, now: float, why: Sequence[str], with_eyes: bool = False) -> list[Out]:
        missing = [*why]
        if not with_eyes:
            self.who = replace(self.who, halves=tuple(self._unseen(h) for h in self.who.halves))
        for point in MOVED:
            if self.who.half(point, "hear") is None:
                continue
            told = self.who.half(point, "tell")
            if told is None or told.ground not in ("seen", "likely"):
                missing.append(self._not_found(point))
        if not any(h.half == "hear" and h.point in MOVED for h in self.who.halves):
            missing.append(NO_STATE)
        for point in self._tried:
            home, now_at = self.found.get(point), self.state.get(point)
            back = home is None or now_at is None or self._same(point, home, now_at)
            if not back and point not in self._theirs and not self._told_back(point):
                missing.append(
                    f"its {called(point)} does not stand as it was found"
                    f" ({stands(point, now_at)}, found at {stands(point, home)}): turn"
                    " it back by hand"
                )
        halves = tuple(h for h in self.who.halves if h.half == "hear" or h.ground != "shape")
        missing = list(dict.fromkeys((*self.who.missing, *missing)))
        if self.who.homie is not None:
            halves = ()  # it needs no dialect
        self.who = replace(self.who, halves=halves, missing=tuple(missing))
        self.phase, self._trial, self._queue = "done", None, []
        return [Done(self.who)]

    def _unseen(self, half: Half) -> Half:
        """What followed by its own word alone, and was watched by nobody, is likely."""
        if half.half == "hear" or half.ground != "seen" or half.point not in self._followed:
            return half
        return replace(half, ground="likely", why=f"{half.why}; nobody said that they saw it")

    def _told_back(self, point: Point) -> bool:
        """Is it on its way home, by a candidate that works?"""
        half = self.who.half(point, "tell")
        works = half is not None and half.ground in ("seen", "likely", "described")
        return works and (point in self._followed or point == "switch")

    def _not_found(self, point: Point) -> str:
        """What is missing of a point that is heard and not told, and what to do."""
        times = self._tried.get(point, 0)
        ways = f"{times} ways were tried" if times > 1 else "one way was tried"
        if not times:
            still = point not in self._live and point in self.state
            ways = "nothing was tried" + (": it was not heard to move" if still else "")
        why = next((f"; {w}" for p, w in self._reacted if p == point), "")
        return (
            f"how its {called(point)} is told is not known ({ways}{why}): move it from its own"
            " remote, its app or another switch while `studiobridge meet` listens, or write 'tell:'"
            " for it by hand (config/dialects.md)"
        )

    def _wake(self) -> Wake:
        return Wake(min([self._due, *self._asks_due[:1]]))

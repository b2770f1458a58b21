"""Told quiet: what is off during takes only, and always comes back.

The rules:

- Only what is on is told off, and only what was told off here comes back. What a person switches on
  meanwhile is on: it is believed and not fought (law 12).
- That it is off stands on the disk before it is told (law 9), and without the disk it is not
  told at all: a bridge that starts again has to know of it (law 16).
- It comes back when somebody asks, when the take ends, and by itself when its time is over,
  whatever the set does: dark, stalled, in the middle of a run or of a take. The request for quiet
  is what asked for it to come on again (law 8).
- Nothing gets past the gates: a lockout keeps it off (law 1), its circuit makes it wait (law 3),
  and it has rested before it has power again. What it waits for is said.
- A cut ends all of that. What a cut took off stays off until a person asks, and that is said again
  and again until somebody does.
- What has come back is proven by its own report, heard after it was told. Nothing else ends it.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Literal

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, MadeQuiet, Memory, QuietNote
from studiobridge.control.events import QuietNoted, Request
from studiobridge.control.evidence import NEVER
from studiobridge.control.gates import Gates
from studiobridge.control.quiet_lost import Lost
from studiobridge.control.quiet_way import Way
from studiobridge.control.quieted import OFF, OVERDUE, Quieted, QuietPhase, spoken
from studiobridge.control.runs import Runs
from studiobridge.control.standing import Answers, Standing
from studiobridge.profile.model import ToldQuiet
from studiobridge.profile.said import Answer

# A take that ended may be followed by the next at once: so long (s) after it, what was quiet for it
# comes back.
AFTER_TAKE = 15.0
# Who releases a lockout has this long (s) to step back before what waited for it has power.
AFTER_RELEASE = 10.0
# What says "on" out of itself is looked at once more after (s): a report may come twice, or late.
LOOK_TWICE = 2.0
# Told on in vain, it is told again after so long (s), each time twice that, and no more than two
# minutes: its network may come back any time, and the record is not filled with it meanwhile.
TELL_AGAIN, TELL_AT_MOST = 30.0, 120.0
# One that answers "off" so many rounds in a row is told no more: a person or its own fuse wants it.
ROUNDS = 3
# What is off longer than it should be is said again so often (s), until somebody acts.
SAY_AGAIN = 900.0
INFINITE = float("inf")


class Quiet:
    """All gear of a set that is told quiet; `entries` is what has still to come back."""

    def __init__(
        self, desk: Desk, gates: Gates, standing: Standing, answers: Answers, runs: Runs
    ) -> None:
        self.profile = desk.profile
        self.desk = desk
        self.gates = gates
        self.beliefs = desk.beliefs
        self.standing = standing
        self.answers = answers
        self.runs = runs
        self.plugs = desk.feeds.quiet
        self.entries: dict[str, Quieted] = {}
        self.lost = Lost(desk, standing)
        self.way = Way(desk, gates, runs, self.entries)
        # did a camera roll when it was last looked at; None: not looked at yet
        self._rolled: bool | None = None
        # what a request for several has come to so far: code and text of each
        self._came: dict[str, list[tuple[int, str]]] = {}
        self._requests: dict[str, Request] = {}

    def remember(self, memory: Memory, now: float) -> None:
        """What the bridge before has made quiet. A command of its last moment may be on its way."""
        for was in memory.quiet:
            if was.device in self.plugs:
                self.entries[was.device] = self._remembered(was, now)
            else:
                self.lost.of[was.device] = was
        self._kept_for()

    def _remembered(self, was: MadeQuiet, now: float) -> Quieted:
        most = self._told(was.device).lasts
        return Quieted(
            was.device,
            self.plugs[was.device],
            was.by,
            off_at=min(was.off_at, now),
            back_at=min(was.back_at, now + most),
            limit=min(was.off_at, now) + most,
            rolling=was.rolling,
            cut=was.cut,
            stage="cut" if was.cut else "unsure",
            told_at=now,
            rests_from=now,
            late="the bridge was started again",
        )

    # ---- asked ---------------------------------------------------------------------------

    def ask(self, request: Request, on: bool, at: float) -> None:
        names = self._named(request)
        if isinstance(names, str):
            self.answers.refuse(request, 2, names)
        elif on:
            self._ask_on(request, names, at)
        else:
            self._ask_off(request, names, at)

    def _named(self, request: Request) -> list[str] | str:
        """The gear that is meant, by its own name or its plug's; or why there is none."""
        if not self.plugs:
            return "nothing here is told quiet: `quiet: yes` in the profile says what may be"
        found: list[str] = []
        for target in request.targets:
            named = [n for n, plug in self.plugs.items() if target in (n, plug)]
            if not named:
                return f"{target} is not told quiet; these are: {', '.join(self.plugs)}"
            found += named
        return list(dict.fromkeys(found)) or list(self.plugs)

    def _ask_on(self, request: Request, names: list[str], at: float) -> None:
        lasts = request.lasts
        for name in names if lasts is not None else ():
            most = self._told(name).lasts
            if lasts is not None and lasts > most:
                text = f"{name} is off for {spoken(most)} at most, not {spoken(lasts)}"
                self.answers.refuse(request, 2, text)
                return
        self._came[request.id] = []
        begun: list[str] = []
        for name in names:
            entry = self.entries.get(name)
            if entry is not None and entry.stage in ("noting off", "told off", *OFF):
                self._asked_again(entry, request, at)
                continue
            refused = self._begin(name, request.by or request.source, False, lasts, at)
            if refused is not None:
                self._came[request.id].append((1, refused))
            else:
                begun.append(name)
                self.entries[name].asked.append(request.id)
        came = self._came.pop(request.id) if not begun else None
        if came is not None and not any(code == 0 for code, _ in came):
            self.answers.refuse(request, 1, "; ".join(text for _, text in came))
            return
        if came is not None:
            code = max(code for code, _ in came)
            self.answers.note(request, "done", "; ".join(text for _, text in came))
            self.answers.answer(request.id, code, "; ".join(text for _, text in came))
            return
        self._wait_for(request, begun, "going quiet")

    def _asked_again(self, entry: Quieted, request: Request, at: float) -> None:
        """Asked once more: its time begins anew, and is no longer in all than it may be."""
        most = self._told(entry.device).lasts
        entry.back_at = min(at + (request.lasts or most), entry.limit)
        entry.rolling, entry.ends, entry.called_off = False, None, False
        self._note(entry, "off", "counts on", at)
        left = spoken(entry.back_at - at)
        self._came[request.id].append((0, f"{entry.device} is quiet, and comes back in {left}"))
        self._wake(entry, entry.due_at)

    def _wait_for(self, request: Request, names: list[str], doing: str) -> None:
        self._requests[request.id] = request
        self.answers.under_way(request.id)
        self.answers.note(request, "taken", ", ".join(names))
        if request.id:
            text = f"{doing}: {', '.join(names)}"
            self.desk.emit(Answer(request.id, False, 0, text))

    def _ask_off(self, request: Request, names: list[str], at: float) -> None:
        called = [name for name in names if name in self.entries]
        if not called:
            self.answers.done(request, "nothing is quiet: nothing was switched")
            return
        self._came[request.id] = []
        for name in called:
            entry = self.entries[name]
            entry.asked.append(request.id)
            entry.back_at = min(entry.back_at, at) if not entry.cut else at
            entry.limit = max(entry.limit, at)
            if entry.cut and entry.tries:
                entry.rests_from = at  # it has not said yet that the cut took it off
            if entry.stage in ("still off", "cut"):
                entry.tries = 0
            entry.cut = False
            entry.refused = entry.rounds = 0
            if entry.stage == "noting off":
                entry.called_off = True
            elif entry.stage in ("still off", "cut"):
                entry.stage = "due"
        self._wait_for(request, called, "coming back")
        if not (self.desk.link and self.desk.listened):
            for name in called:
                entry = self.entries[name]
                self._says(entry, 0, f"{name} comes back as soon as the devices have been heard")
        self.tend(at)

    # ---- off -----------------------------------------------------------------------------

    def _told(self, name: str) -> ToldQuiet:
        told = self.profile.devices[name].quiet
        assert told is not None
        return told

    def _begin(
        self, name: str, by: str, rolling: bool, lasts: float | None, at: float
    ) -> str | None:
        """Begin to make it quiet; else why not."""
        plug = self.plugs[name]
        belief = self.beliefs.of[plug]
        if name in self.entries:
            return f"{name}: {self.entries[name].why()}"
        locked = self.gates.why_locked(plug, energise=True)
        if locked is not None:
            return f"{name} is left as it is: {locked}"
        if plug in self.desk.busy:
            return f"{plug} is being switched just now; ask again"
        if self.beliefs.said_off(plug):
            return f"{name} is off already, and stays as it is"
        heard = self.beliefs.surely_on(plug) or (self.beliefs.said_on(plug) and not belief.gone)
        if not heard or (belief.device.can_ask and not self.beliefs.surely_on(plug)):
            return f"{plug} does not say that it is on: nothing is known to come back to"
        refused = self.gates.why_not_cut(plug)
        if refused is not None:
            return refused
        most = self._told(name).lasts
        back_at = at + (lasts if lasts is not None else most)
        entry = Quieted(name, plug, by, at, back_at, at + most, rolling)
        self.entries[name] = entry
        self._kept_for()
        self._note(entry, "off", "intended", at)
        return None

    def kept(self, event: QuietNoted) -> None:
        """What was intended is on disk, or is not in time."""
        entry, at = self.entries.get(event.device), event.at
        if entry is None or entry.stage != f"noting {event.action}":
            return
        if event.action == "on":
            # it comes back also when the disk did not take the note
            entry.stage = "due"
            if self.desk.link and self.desk.listened and self._waits(entry, at) is None:
                self._tell_on(entry, at)
            return
        name = entry.device
        if not event.on_disk:
            why = "the record does not take it, and a bridge that starts again would not know of it"
            self._over(entry, at, f"{name} stays on: {why}", 1)
        elif entry.called_off:
            self._over(entry, at, f"{name} stays on: it was not told anything yet", 0)
        elif not (self.desk.link and self.desk.listened):
            self._over(entry, at, f"{name} stays on: the link to the broker was lost", 3)
        else:
            refused = self.gates.why_not_cut(entry.plug)
            if refused is not None:
                self._over(entry, at, f"{name} stays on: {refused}", 1)
            else:
                self._tell_off(entry, at)

    def _tell_off(self, entry: Quieted, at: float) -> None:
        self.gates.tell(at, entry.plug, (("switch", False),))
        entry.stage, entry.told_at = "told off", at
        entry.off_at = entry.rests_from = at
        entry.tries += 1
        entry.until = at + self._life(entry)
        self._note(entry, "off", "sent", at)
        self._wake(entry, entry.until)

    def _life(self, entry: Quieted) -> float:
        """How long (s) after it was told a command, and its answer, may still be on their way."""
        answers = self.profile.devices[entry.plug].answers_in
        return max(1.0, self.profile.patience.reply) + answers

    # ---- looking after it ----------------------------------------------------------------

    def tend(self, at: float) -> None:
        """Something has happened, or is due: go on with whatever may go on now."""
        if not (self.plugs or self.lost.of) or not (self.desk.link and self.desk.listened):
            return
        if self.lost.of:
            self.lost.look(at)
        self._look_at_cameras(at)
        for entry in list(self.entries.values()):
            self._move(entry, at)

    def _look_at_cameras(self, at: float) -> None:
        rolls = any(self.beliefs.of[name].rolls for name in self.desk.cameras)
        before, self._rolled = self._rolled, rolls
        if rolls and before is False:
            for name in self.plugs:
                if self._told(name).when == "rolling" and name not in self.entries:
                    self._begin(name, "the profile", True, None, at)
        for entry in self.entries.values():
            if not entry.rolling or rolls:
                entry.ends = None
            elif entry.ends is None:
                entry.ends = at + AFTER_TAKE
                self._wake(entry, entry.due_at)

    def _move(self, entry: Quieted, at: float) -> None:
        locked = self.gates.why_locked(entry.plug, energise=True) is not None
        if entry.locked and not locked:
            entry.not_before = at + AFTER_RELEASE
        entry.locked = locked
        entry.wake_at = INFINITE
        self._say_again(entry, at)
        if entry.stage == "noting off" or (entry.stage == "told off" and self._going(entry, at)):
            return
        if self._is_on(entry, at):
            return
        if entry.cut:
            if entry.tries and self._said(entry) is False:
                entry.tries, entry.rests_from = 0, at
            return
        if entry.stage == "told on" and self._coming(entry, at):
            return
        if entry.stage == "unsure" and self._said(entry) is False:
            self._is_off(entry, at)
        if entry.stage in OFF:
            if at < entry.due_at - 1e-6:
                self._wake(entry, entry.due_at)
                return
            entry.stage, entry.tries = "due", 0
        if entry.stage == "still off":
            if entry.until == NEVER:
                return
            if at < entry.until - 1e-6 and self._said(entry) is None:
                self._wake(entry, entry.until)
                return
            entry.stage = "due"
        if entry.stage == "due":
            self._bring_back(entry, at)

    def _said(self, entry: Quieted) -> bool | None:
        said = self.beliefs.of[entry.plug].said("is it so", "switch")
        return None if said is None else bool(said)

    def _going(self, entry: Quieted, at: float) -> bool:
        """Told off: has it said so? True while that is waited for."""
        if self._said(entry) is False:
            self._is_off(entry, at)
            return False
        if at < entry.until - 1e-6:
            self._wake(entry, entry.until)
            return True
        if entry.tries < self.profile.patience.tries:
            self._tell_off(entry, at)
            return True
        self.desk.ask(at, entry.plug)
        entry.stage = "unsure"
        self._note(entry, "off", "failed", at)
        self._says(entry, 1, f"{entry.device} was told off and has not said that it is")
        self._shown(entry)
        return False

    def _is_off(self, entry: Quieted, at: float) -> None:
        if entry.tries:
            # told off from here; what the bridge before told off is so since that was written down
            entry.off_at = entry.rests_from = at
        entry.stage, entry.tries = "quiet", 0
        self._note(entry, "off", "confirmed", at)
        left = spoken(entry.due_at - at)
        self._says(entry, 0, f"{entry.device} is quiet: it comes back by itself in {left}")
        self._shown(entry)

    def _is_on(self, entry: Quieted, at: float) -> bool:
        """It says that it is on: believed when that is surely no word from before. Then it is over.

        Nobody is fought: a person may switch it on, and a run or a try may.
        """
        belief = self.beliefs.of[entry.plug]
        word = belief.word("is it so", "switch")
        if word is None or word.value is not True or belief.gone:
            if entry.on_seen is not None and word is not None:
                entry.off_at = entry.rests_from = at  # on for a moment, and off again: rest anew
            entry.on_seen = None
            return False
        if entry.stage == "told on":
            self._over(entry, at, self._back_text(entry, at), 0)
            return True
        sure = entry.told_at + self._life(entry)
        if at <= sure or (word.at <= sure and belief.device.can_ask):
            if at > sure and belief.asked_at <= sure:
                self.desk.ask(at, entry.plug)
            self._wake(entry, max(at + LOOK_TWICE, sure + 0.1))
            return False
        if entry.on_seen is None:
            entry.on_seen = at
            self.desk.ask(at, entry.plug)
        if at < entry.on_seen + LOOK_TWICE - 1e-6:
            self._wake(entry, entry.on_seen + LOOK_TWICE)
            return False
        self._over(entry, at, f"{entry.device} is on again: it was switched on by somebody else", 0)
        return True

    # ---- back ----------------------------------------------------------------------------

    def _waits(self, entry: Quieted, at: float) -> str | None:
        """What is in the way of its power, in words; it is looked at again when that may change."""
        rested = entry.rests_from + self._told(entry.device).rests
        found = self.way.blocked(entry, at, rested, entry.told_at + self._life(entry))
        if found is None:
            return None
        if found.until is not None:
            self._wake(entry, found.until)
        return found.why

    def _bring_back(self, entry: Quieted, at: float) -> None:
        waits = self._waits(entry, at)
        if waits is None:
            entry.stage, entry.waits = "noting on", None
            self._note(entry, "on", "intended", at)
            self._shown(entry)
            return
        if entry.late is None and at > entry.due_at + OVERDUE:
            entry.late = waits
        if entry.asked:
            after = max(0.0, self.owed_at(entry) - at)
            text = waits if waits.startswith(entry.device) else f"{entry.device}: {waits}"
            if entry.locked:
                text += f"; it was made quiet {spoken(at - entry.off_at)} ago"
            elif after > 0:
                text = f"{entry.device} comes back in {spoken(after)}: {waits}"
            self._says(entry, 1 if entry.locked else 0, text)
        if entry.waits != waits:
            entry.waits = waits
            self._shown(entry)

    def _tell_on(self, entry: Quieted, at: float) -> None:
        device = self.profile.devices[entry.plug]
        entry.stage, entry.waits = "told on", None
        entry.tries += 1
        self.gates.tell(at, entry.plug, (("switch", True),))
        entry.told_at = at
        entry.until = at + self._life(entry)
        if device.circuit is not None:
            # nobody else is switched on there before this one has answered or cannot any more
            gap = self.profile.circuits[device.circuit].gap
            self.desk.free_at[device.circuit] = entry.until + gap
        self._note(entry, "on", "sent", at)
        self._wake(entry, entry.until)
        self._shown(entry)

    def _coming(self, entry: Quieted, at: float) -> bool:
        """Told on: is it waited for? Whether it came is `_is_on`'s to say."""
        if at < entry.until - 1e-6:
            self._wake(entry, entry.until)
            return True
        says_off = self._said(entry) is False
        if entry.tries < self.profile.patience.tries:
            entry.stage = "due"
            return False
        entry.refused = entry.refused + 1 if says_off else 0
        entry.tries, entry.rounds = 0, entry.rounds + 1
        entry.stage, entry.late = "still off", entry.late or "it did not answer"
        later = min(TELL_AT_MOST, TELL_AGAIN * 2 ** (entry.rounds - 1))
        entry.until = at + later if entry.refused < ROUNDS else NEVER
        self.desk.ask(at, entry.plug)
        self._says(entry, 1, f"{entry.device}: {entry.why()}")
        self._note(entry, "on", "failed", at)
        self._shown(entry)
        if entry.until != NEVER:
            self._wake(entry, entry.until)
        return True

    def _back_text(self, entry: Quieted, at: float) -> str:
        text = f"{entry.device} is back on after {spoken(at - entry.off_at)}"
        if entry.late is not None and at > entry.due_at + OVERDUE:
            text += f", {spoken(at - entry.due_at)} later than meant: {entry.late}"
        return text

    # ---- what else happens to a set ------------------------------------------------------

    def link_lost(self, at: float) -> None:
        """Nothing can be told: it comes back when the link does. What was just told is unsure."""
        for entry in list(self.entries.values()):
            entry.on_seen = None
            if entry.stage == "noting off":
                text = f"{entry.device} stays on: the link to the broker was lost"
                self._over(entry, at, text, 3)
                continue
            if entry.stage == "told off":
                entry.stage = "unsure"
            elif entry.stage in ("noting on", "told on"):
                entry.stage = "due"
            entry.late = "the link to the broker was lost"
            self._says(entry, 3, f"{entry.device}: the link was lost; it comes back when that does")

    def cut(self, at: float, by: str) -> None:
        """An emergency takes everything off: what was on is owed, and waits for a person."""
        for name, plug in self.plugs.items():
            entry = self.entries.get(name)
            if entry is None:
                if not self.beliefs.said_on(plug):
                    continue
                entry = self.entries[name] = Quieted(name, plug, by, at, at, at)
            entry.cut, entry.stage, entry.rolling = True, "cut", False
            entry.told_at = entry.rests_from = at
            entry.tries = 1  # 0 once it has said that it is off
            entry.ends, entry.said_at = None, at
            self._note(entry, "off", "sent", at)
            self._says(entry, 1, f"{name}: a cut came in between")
            self._wake(entry, at + OVERDUE)
        self._kept_for()

    def after_release(self, at: float) -> str:
        """A lockout was released: what waited for that alone comes back, and is named before."""
        due = [
            entry.device
            for entry in self.entries.values()
            if entry.locked
            and entry.stage == "due"
            and self.gates.why_locked(entry.plug, energise=True) is None
        ]
        if not due:
            return ""
        comes = "comes" if len(due) == 1 else "come"
        return (
            f". CAREFUL: {' and '.join(due)} {comes} back on in {AFTER_RELEASE:.0f} s, because of"
            " being told quiet before: hands off now, or lock it out again"
        )

    def counts_on(self, at: float) -> None:
        """The machine's clock was set: what is left of each is written down by the new one."""
        for entry in self.entries.values():
            if entry.stage != "noting off":
                self._note(entry, "off", "counts on", at)

    # ---- said ----------------------------------------------------------------------------

    def _say_again(self, entry: Quieted, at: float) -> None:
        """What is off longer than it should be is said until somebody acts."""
        past = entry.cut or entry.stage == "still off" or at > self.owed_at(entry) + OVERDUE
        if not past or entry.stage == "noting off":
            return
        if at >= entry.said_at + SAY_AGAIN or entry.said_at == NEVER:
            entry.said_at = at
            text = f"{entry.device} is still off: {entry.why()}"
            self.standing.fault(entry.device, "quiet", text, at)
            self._note(entry, "on", "failed", at, text)
        self._wake(entry, entry.said_at + SAY_AGAIN)

    def owed_at(self, entry: Quieted) -> float:
        """When it comes back, if nothing else is in the way."""
        rested = entry.rests_from + self._told(entry.device).rests
        return max(entry.due_at, rested, entry.not_before)

    def _says(self, entry: Quieted, code: int, text: str) -> None:
        """What has become of it, to those who asked."""
        asked, entry.asked = entry.asked, []
        for id_ in dict.fromkeys(asked):
            came = self._came.setdefault(id_, [])
            came.append((code, text))
            if any(id_ in e.asked for e in self.entries.values()):
                continue
            request = self._requests.pop(id_, None)
            all_of_it = "; ".join(text for _, text in self._came.pop(id_))
            worst = max(code for code, _ in came)
            if request is not None:
                self.answers.note(request, "done" if worst == 0 else "failed", all_of_it)
            self.answers.answer(id_, worst, all_of_it)

    def _over(self, entry: Quieted, at: float, text: str, code: int) -> None:
        """It is on, or was never told off: nothing is owed any more."""
        del self.entries[entry.device]
        self._kept_for()
        circuit = self.profile.devices[entry.plug].circuit
        if entry.stage == "told on" and circuit is not None:
            self.desk.free_at[circuit] = at + self.profile.circuits[circuit].gap
        self._note(entry, "on", "over", at, text)
        self.desk.wake(f"back {entry.device}", None)
        self._says(entry, code, text)
        self._shown(entry)

    def _note(
        self,
        entry: Quieted,
        action: Literal["off", "on"],
        phase: QuietPhase,
        at: float,
        text: str = "",
    ) -> None:
        self.desk.emit(
            QuietNote(
                at=at,
                device=entry.device,
                action=action,
                phase=phase,
                left=max(0.0, entry.due_at - at),
                off_for=max(0.0, at - entry.off_at),
                cut=entry.cut,
                rolling=entry.rolling,
                by=entry.by,
                text=text or entry.why(),
            )
        )

    def _shown(self, entry: Quieted) -> None:
        self.desk.changed.add(entry.plug)
        self.desk.emit(Announce(state=True))

    def _wake(self, entry: Quieted, when: float) -> None:
        """Look at it again then, or sooner where that was asked for."""
        entry.wake_at = min(entry.wake_at, when)
        if entry.wake_at != entry.woken:
            entry.woken = entry.wake_at
            self.desk.wake(f"back {entry.device}", entry.wake_at)

    def due(self, name: str) -> None:
        """A wake-up asked for here is due; what follows from it is `tend`'s."""
        entry = self.entries.get(name)
        if entry is not None:
            entry.woken = None

    def _kept_for(self) -> None:
        """Circuits keep the share of what comes back by itself."""
        coming = (e.plug for e in self.entries.values() if not e.cut)
        self.desk.coming_back = set(self._with_all(coming))

    def _with_all(self, plugs: Iterable[str]) -> Iterable[str]:
        for plug in plugs:
            yield plug
            yield from self.desk.feeds.below[plug]

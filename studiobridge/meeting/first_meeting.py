"""One device met, from the first button to the tell half: what `studiobridge meet` goes through.

    meeting = Meeting(known)            # the devices in the book already
    outs = meeting.begin(now)           # the words of trying.py: Ask, Say, Send, Wake, Done
    ...                                 # answered, heard, wake, stop: as there

Listens a little; has the person switch the device off and on at its own button, or its own remote,
so that what answers singles itself out and teaches its words; asks which one it is and what it
is called; and hands over to `Trying`. No more than `MOST_ANSWERS` answers a device.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

from studiobridge.meeting.followed import MOVED, Heard, leaves_in, own_topics
from studiobridge.meeting.hearing import Hearing
from studiobridge.meeting.met import Acquaintance
from studiobridge.meeting.outs import Ask, Done, Out, Say, Wake
from studiobridge.meeting.overheard import Deed
from studiobridge.meeting.sets import Sets
from studiobridge.meeting.sketch import filled, sketch_or_none
from studiobridge.meeting.trying import ANSWERED_WITHIN, Trying
from studiobridge.profile.model import KINDS
from studiobridge.profile.names import NAME
from studiobridge.profile.template import Route, Text
from studiobridge.speech.encode import CannotRead, json_of, shown
from studiobridge.speech.message import Message

# Listening before anything is asked (s): what is kept comes at once, what speaks by the clock
# shows itself as noise.
LISTENS = 4.0
# A press is waited for so long (s), one that a device may not have a button for not as long, and
# what it brings is complete when nothing new came for the last.
PRESSED_WITHIN, MAY_BE_WITHIN, COMPLETE = 20.0, 8.0, 1.6
# Answers by hand of one device; and so often a slip in a name or a number is asked again.
MOST_ANSWERS = 6
MOST_SLIPS = 3
# So much of what was heard is remembered, for what else was said just before a state.
REMEMBERED = 4000
# Of several that answered, the first is taken for it without asking when it is so much surer.
CLEARLY = 0.3
# A second press is taken for one (s) after the first; what came between belongs to that.
AGAIN = 1.0
# Of one document, so many values are looked at.
MOST_PLACES = 120
# How much less it says of a device when what answered is not understood, or is no switch.
STRANGE = 0.3
# A document longer than this (bytes) is not looked through for numbers.
LONGEST_READ = 4096
# So many are shown to choose from.
CHOICES = 9

_PRESSES: tuple[tuple[Deed, str], ...] = (("off", "OFF"), ("on", "ON"))
_DIMS: tuple[tuple[Deed, str], ...] = (("dark", "as DARK as it goes"), ("full", "to FULL"))
_WHITES: tuple[tuple[Deed, str], ...] = (("warm", "to its WARMEST"), ("cold", "to its COLDEST"))

_RUNS = (
    "the set {} is not dark: if this device is in it, say n here, and tell it with"
    " `studiobridge try`, which goes through its gates"
)

Phase = Literal["idle", "listening", "asking", "pressing", "trying", "done"]


@dataclass(slots=True)
class Meeting:
    """The whole conversation about one device."""

    known: Sequence[Acquaintance] = ()
    hearing: Hearing = field(default_factory=Hearing)
    listens: float | None = None
    phase: Phase = "idle"
    answers: int = 0
    who: Acquaintance | None = None
    _question: str = ""
    _log: deque[Heard] = field(default_factory=lambda: deque(maxlen=REMEMBERED))
    _kept: dict[str, Heard] = field(default_factory=dict)
    _deeds: list[tuple[Deed, str]] = field(default_factory=list)
    _deed_since: float = 0.0
    _pressed_at: float = -1e9
    _moved: dict[Deed, bool] = field(default_factory=dict)
    # it stood dark already when it was to be turned dark: once more, after it was turned to full
    _twice: bool = False
    _slips: int = 0
    # the sets on this broker, as they say they stand
    _sets: Sets = field(default_factory=Sets)
    # of each press: the topics with news, in order
    _order: list[list[str]] = field(default_factory=list)
    # topics that spoke before anything was pressed; what was said on others while it was
    _before: set[str] = field(default_factory=set)
    _during: dict[str, list[bytes]] = field(default_factory=dict)
    # the last value of each place of each topic
    _said: dict[str, dict[Route, object]] = field(default_factory=dict)
    # nodes of Homie devices that said something new when something was pressed
    _homie: dict[str, float] = field(default_factory=dict)
    # what changes with nobody pressing: counters, uptimes, watts
    _restless: set[tuple[str, Route]] = field(default_factory=set)
    _due: float = 0.0
    _choices: list[Acquaintance] = field(default_factory=list)
    _trying: Trying | None = None

    # ---- events -------------------------------------------------------------------------------

    def begin(self, now: float) -> list[Out]:
        self.phase, self._due = (
            "listening",
            now + (LISTENS if self.listens is None else self.listens),
        )
        return [Say("listening; nothing is sent until you say so"), Wake(self._due)]

    def heard(self, message: Message, now: float) -> list[Out]:
        """Everything that comes in on the broker."""
        if self.phase == "done":
            return []
        if message.topic.startswith("studiobridge/"):
            return self._of_a_set(message, now)
        if message.retain:
            if len(self._kept) < REMEMBERED:
                self._kept[message.topic] = Heard(now, message)
        else:
            self._log.append(Heard(now, message))
        known = message.topic in self._said
        news = self._news(message)
        # what is heard for the first time has not changed: the broker may have kept it
        if known and self.phase in ("listening", "asking") and self._trying is None:
            self._restless |= {(message.topic, route) for route in news}
        news = {route for route in news if (message.topic, route) not in self._restless}
        if self.phase in ("listening", "asking") and not message.retain:
            self._before.add(message.topic)
        if self.phase == "pressing" and message.topic not in self._before and not message.retain:
            self._during.setdefault(message.topic, []).append(message.payload)
        fresh = self.phase == "pressing" and bool(news) and not message.retain
        if fresh and now - self._pressed_at > AGAIN:
            # nobody presses to the second when told to: what answers says when it was
            self._pressed_at = now
            self.hearing.pressed(now, self._deeds[0][0])
            self._order.append([])
        self.hearing.heard(message, now)
        if self._trying is not None:
            return self._passed_on(self._trying.heard(message, now))
        if fresh:
            self._order[-1].append(message.topic)
            homie = message.topic.split("/")
            if message.topic.startswith("homie/5/") and len(homie) == 5:
                self._homie["/".join(homie[2:4])] = 0.9
            self._due = min(now + COMPLETE, self._deed_since + PRESSED_WITHIN)
            return [Wake(self._due)]
        return []

    def wake(self, now: float) -> list[Out]:
        if self._trying is not None:
            return self._passed_on(self._trying.wake(now))
        if self.phase in ("idle", "done") or now < self._due:
            return [] if self.phase in ("idle", "done") else [Wake(self._due)]
        if self.phase == "listening":
            return self._ask_to_press(now)
        if self.phase == "pressing":
            return self._deed_is_over(now)
        return self.answered(None, now)

    def answered(self, answer: str | None, now: float) -> list[Out]:
        """What the person said; None where nobody said anything."""
        if answer is not None and (self.phase == "asking" or self._trying is not None):
            self.answers += 1
        if self._trying is not None:
            return self._passed_on(self._trying.answered(answer, now))
        if self.phase != "asking":
            return []
        said = (answer or "").strip()
        if self._question == "name" and said.lower() in ("n", "no") and (rest := self._others()):
            return self._ask_which_of(rest, "Which one is it, then? (a number; n: none)", now)
        if answer is None or said.lower() in ("n", "no", "stop"):
            return self._over("nobody answered" if answer is None else "you said no")
        if self._question == "press":
            self._deeds = list(_PRESSES)
            return self._next_deed(now)
        if self._question == "which":
            return self._chosen(said, now)
        return self._named(said, now)

    def done_by_hand(self, now: float) -> list[Out]:
        """The person says it is done, or cannot be: what it brings may still be on its way."""
        if self.phase != "pressing":
            return []
        self._due = min(self._due, now + COMPLETE)
        return [Wake(self._due)]

    def stop(self, why: str, now: float, lost: bool = False) -> list[Out]:
        if self._trying is not None:
            return self._passed_on(self._trying.stop(why, now, lost))
        return [] if self.phase == "done" else self._over(f"not finished: {why}")

    def _news(self, message: Message) -> set[Route]:
        """The places of a message whose values are others than before."""
        if len(message.payload) > LONGEST_READ or len(self._said) >= REMEMBERED:
            return set()
        try:
            document = json_of(message.payload)
        except CannotRead:
            document = message.payload.decode("utf-8", "replace")
        if not isinstance(document, dict | list):
            document = message.payload.decode("utf-8", "replace")
        before = self._said.setdefault(message.topic, {})
        values = dict(list(leaves_in(document))[:MOST_PLACES])
        news = {r for r, v in values.items() if r not in before or repr(before[r]) != repr(v)}
        before.update(values)
        return news

    def _theirs(self, who: Acquaintance) -> frozenset[str]:
        """The topics of everybody else: told or heard, by the book or by what is heard now."""
        mine = own_topics(who)
        others = [one for one in self.hearing.acquaintances() if not own_topics(one) & mine]
        others += [one for one in self.known if not own_topics(one) & mine]
        topics = {
            filled(half.rule["topic"], one.at, one.blanks)
            for one in others
            for half in one.halves
            if isinstance(half.rule.get("topic"), str)
        }
        return frozenset(topics - mine)

    def _of_a_set(self, message: Message, now: float) -> list[Out]:
        """How a set stands that a bridge runs on this broker: its lockouts bind here, too."""
        if self._sets.hear(message) and self._trying is not None and (why := self._sets.why_not()):
            return self._passed_on(self._trying.stop(why, now, only_off=True))
        return []

    # ---- the press ------------------------------------------------------------------------------

    def _ask_to_press(self, now: float) -> list[Out]:
        count = len({h.message.topic for h in self._log} | set(self._kept))
        text = (
            f"{count} topics are heard. Go to the device. After Enter, switch it OFF and then ON,"
            " at its own button, remote, app or wall switch, when I say so (n: not now)"
        )
        return self._put("press", text, now, ("",))

    def _next_deed(self, now: float) -> list[Out]:
        if not self._deeds:
            return self._ask_which(now)
        deed, words = self._deeds[0]
        self.phase, self._deed_since, self._pressed_at = "pressing", now, -1e9
        first = deed == "off"
        self._due = now + (PRESSED_WITHIN if first else MAY_BE_WITHIN)
        says = f"now switch it {words} (Enter: it is done)"
        if deed not in ("off", "on"):
            says = f"now turn it {words} (Enter: it is done, or cannot be turned)"
        return [Say(says), Wake(self._due)]

    def _deed_is_over(self, now: float) -> list[Out]:
        deed, _ = self._deeds.pop(0)
        self._moved[deed] = self._moved_it()
        turned = self._moved.get("dark", False) or self._moved.get("full", False)
        if not self._deeds:
            if deed == "full" and turned and not self._moved["dark"] and not self._twice:
                self._twice = True  # it was dark already: once more, to see what that says
                self._deeds = list(_DIMS)
            elif deed == "on" and self._numbers():
                self._deeds = list(_DIMS)
            elif deed == "full" and turned and self._numbers(2):
                self._deeds = list(_WHITES)
        return self._next_deed(now)

    def _moved_it(self) -> bool:
        """Did the last deed bring news, and of what answered before? Others speak by the clock."""
        if self._pressed_at <= 0:
            return False
        answered = self._answered_before()
        heard = set(self._order[-1])
        return not answered or any(t in answered or _beside(t, answered) for t in heard)

    def _answered_before(self) -> set[str]:
        """The topics of what seems to have been switched."""
        topics = {
            answer.change.topic
            for press in self.hearing.presses()
            if press.what in ("off", "on")
            for answer in press.answers[:1]
        }
        for who, _ in self._scored()[:1]:
            topics |= own_topics(who)
        return topics

    def _numbers(self, many: int = 1) -> bool:
        """Does what answered so far say numbers too, that may be a level or a white?"""
        topics = {
            answer.change.topic for press in self.hearing.presses() for answer in press.answers[:1]
        }
        for who, _ in self._scored()[:1]:
            topics |= own_topics(who)
            if who.homie is not None:
                return False  # it describes its scales itself
            turned = [h for h in who.halves if h.half == "hear" and h.point in ("level", "cct")]
            if len(turned) >= many:
                return True
        switched = {
            (answer.change.topic, answer.change.field)
            for press in self.hearing.presses()
            for answer in press.answers
        }
        found: set[tuple[str, Route]] = set()
        for heard in [*self._kept.values(), *self._log]:
            message = heard.message
            near = message.topic in topics or _beside(message.topic, topics)
            if not near or len(message.payload) > LONGEST_READ:
                continue
            for route, number in _figures(message.payload):
                # a switch says 0 and 1, too; and what is alive says 1
                if number not in (0, 1) or (number == 0 and (message.topic, route) not in switched):
                    found.add((message.topic, route))
        return len(found - self._restless) >= many

    def _says_rather_than_told(self, topics: set[str]) -> float:
        """How much a device counts by where it was heard: what another one followed, and
        the broker does not keep, is rather what that one was told by an app or a remote."""
        if topics & self._kept.keys() or not topics:
            return 1.0
        first = [times for times in self._order if times and times[0] in topics]
        followed = [times for times in first if any(t not in topics for t in times)]
        return STRANGE if followed and 2 * len(followed) >= len(first) else 1.0

    def _all(self) -> list[Acquaintance]:
        """Everything that speaks here, under the names that the presses have it under."""
        met = [met.acquaintance for met in self.hearing.met()]
        described = [who for who in self.hearing.acquaintances() if who.homie is not None]
        return [*described, *met]

    def _scored(self) -> list[tuple[Acquaintance, float]]:
        """The devices that answered the presses, the surest first."""
        odds: dict[str, float] = {}
        for press in self.hearing.presses():
            best: dict[str, float] = {}
            for answer in press.answers:
                change = answer.change
                if answer.device is None or (change.topic, change.field) in self._restless:
                    continue
                sure = answer.odds * (1.0 if answer.point in MOVED else STRANGE)
                best[answer.device] = max(best.get(answer.device, 0.0), sure)
            for name, sure in best.items():
                odds[name] = odds.get(name, 0.0) + sure
        scored = []
        for who in self._all():
            sure = max(odds.get(who.name, 0.0), self._homie.get(who.homie or "", 0.0))
            if sure > 0:
                scored.append((who, sure * self._says_rather_than_told(own_topics(who))))
        return sorted(scored, key=lambda s: -s[1])

    # ---- which, and what it is called -----------------------------------------------------------

    def _ask_which(self, now: float) -> list[Out]:
        scored = self._scored()
        if scored and (len(scored) == 1 or scored[0][1] - scored[1][1] >= CLEARLY):
            return self._ask_name(scored[0][0], now)
        found = [who for who, _ in scored] or self.hearing.acquaintances()
        if not found:
            return self._over(
                "nothing was heard that could be a device: see that it is on and knows this broker"
            )
        head = (
            "Which one is it? (a number; n: none)"
            if scored
            else ("Nothing changed when you pressed. Is it one of these? (a number; n: none)")
        )
        return self._ask_which_of(found, head, now)

    def _ask_which_of(self, found: list[Acquaintance], head: str, now: float) -> list[Out]:
        self._choices = found[:CHOICES]
        lines = [f"  {n}. {_described(who)}" for n, who in enumerate(self._choices, 1)]
        return self._put("which", "\n".join([head, *lines]), now, ("1",))

    def _others(self) -> list[Acquaintance]:
        """Who else it may be, where the one that answered clearest was not it; asked once."""
        if self._choices or self.who is None:
            return []
        mine = own_topics(self.who)
        found = [who for who, _ in self._scored()] + self.hearing.acquaintances()
        rest: dict[str, Acquaintance] = {}
        for who in found:
            if who.name != self.who.name and not own_topics(who) & mine:
                rest.setdefault(who.name, who)
        return list(rest.values())

    def _chosen(self, said: str, now: float) -> list[Out]:
        if not said.isascii() or not said.isdigit() or not 1 <= int(said) <= len(self._choices):
            return self._again(f"{shown(said)} is none of the numbers", now)
        return self._ask_name(self._choices[int(said) - 1], now)

    def _ask_name(self, who: Acquaintance, now: float) -> list[Out]:
        self.who = who
        kind = f" {who.kind}" if who.kind else ""
        text = (
            f"{_described(who)}\nIts name, and what it is, like 'desk-lamp light'"
            f" (Enter: {who.name}{kind}; n: that is not it)"
        )
        return self._put("name", text, now, ("",))

    def _named(self, said: str, now: float) -> list[Out]:
        assert self.who is not None
        words = said.split()
        kind = next((w for w in words if w in KINDS and len(words) > 1), None)
        name = "-".join(w for w in words if w != kind).lower() or self.who.name
        if not NAME.match(name):
            return self._again(f"{shown(name)} is not a name: a-z, 0-9 and hyphens", now)
        self.who = replace(self._its_own(self.who), name=name, kind=kind or self.who.kind)
        self.who = self._only_a_word(self.who)
        left = MOST_ANSWERS - self.answers
        log = sorted([*self._kept.values(), *self._log], key=lambda heard: heard.at)
        if hindered := self._sets.why_not():
            return self._over(hindered)
        word = [Say(_RUNS.format(shown(name))) for name in self._sets.not_dark()[:3]]
        self._trying = Trying(self.who, log, self.known, self._theirs(self.who), left)
        self.phase = "trying"
        return [*word, *self._passed_on(self._trying.begin(now))]

    def _only_a_word(self, who: Acquaintance) -> Acquaintance:
        """Whose press is answered by the same word each time: that says nothing of how it is."""
        if any(half.point in MOVED for half in who.halves) or who.homie is not None:
            return who
        said = {t: p for t, p in self._during.items() if not who.at or t.startswith(who.at)}
        alike = [(t, p) for t, p in said.items() if len(p) > 1 and len(set(p)) == 1]
        if not alike:
            return who
        topic, payloads = alike[0]
        why = (
            f"it says {shown(payloads[0])} on {shown(topic)} each time it is moved, and never how"
            " it stands: find out how it is asked, or watch it by a plug that meters"
        )
        return replace(who, missing=(*who.missing, why))

    def _its_own(self, who: Acquaintance) -> Acquaintance:
        """The device without what the presses showed to be another's.

        Where several share a topic, what stood in `{any}` each time it was pressed, and other
        things else, says whose message it is. And a switch that stood still while it was switched
        off and on, and its level went, is not its own.
        """
        answers = [
            answer.point
            for press in self.hearing.presses()
            if press.what in ("off", "on")
            for answer in press.answers
            if answer.device is not None and answer.change.topic in own_topics(who)
        ]
        halves = []
        for half in who.halves:
            if half.point == "switch" and "level" in answers and "switch" not in answers:
                continue
            pattern = half.rule.get("pattern")
            if half.half == "hear" and isinstance(pattern, str) and "{any}" in pattern:
                topic = filled(half.rule.get("topic"), who.at, who.blanks)
                own = self._signed(topic, pattern, "field" in half.rule)
                half = replace(half, rule={**half.rule, "pattern": own})
            halves.append(half)
        found = replace(who, halves=tuple(halves))
        return found if sketch_or_none(found) is not None else who

    def _signed(self, topic: str, pattern: str, in_field: bool) -> str:
        """A pattern with what stood in its one `{any}` at each press, where others have others."""
        form = Text.of(pattern)
        if in_field or form.names.count("any") != 1:
            return pattern
        place = form.names.index("any")
        presses = [press.at for press in self.hearing.presses()]
        stood: dict[bool, set[str]] = {True: set(), False: set()}
        for heard in [*self._kept.values(), *self._log]:
            if heard.message.topic != topic:
                continue
            word = form.read_one(heard.message.payload.decode("utf-8", "replace"), place)
            if word is not None:
                pressed = any(at <= heard.at <= at + COMPLETE for at in presses)
                stood[pressed and not heard.message.retain].add(word)
        if len(stood[True]) != 1 or stood[False] <= stood[True]:
            return pattern
        literals = list(form.literals)
        literals[place : place + 2] = [literals[place] + stood[True].pop() + literals[place + 1]]
        names = [name for name in form.names if name != "any"]
        return str(Text(tuple(literals), tuple(names)))

    def _again(self, why: str, now: float) -> list[Out]:
        """A slip of a finger: said, and asked again, rather than everything from the button on."""
        self._slips += 1
        if self._slips > MOST_SLIPS:
            return self._over(why)
        self.answers -= 1
        asked = (
            self._ask_name(self.who, now)
            if self._question == "name" and self.who is not None
            else self._ask_which_of(self._choices, "Which one is it? (a number; n: none)", now)
        )
        return [Say(why), *asked]

    # ---- the end --------------------------------------------------------------------------------

    def _put(self, key: str, text: str, now: float, yes: tuple[str, ...]) -> list[Out]:
        self.phase, self._question, self._due = "asking", key, now + ANSWERED_WITHIN
        return [Ask(key, text, yes=yes), Wake(self._due)]

    def _passed_on(self, outs: list[Out]) -> list[Out]:
        assert self._trying is not None
        self.who = self._trying.who
        if any(isinstance(out, Done) for out in outs):
            self.phase, self._trying = "done", None
        return outs

    def _over(self, why: str) -> list[Out]:
        self.phase = "done"
        who = self.who or Acquaintance("nobody", "")
        self.who = replace(who, missing=(*who.missing, why)) if self.who is not None else None
        return [Say(why), *([Done(self.who)] if self.who is not None else [Done(None)])]


def _described(who: Acquaintance) -> str:
    """One device in a line: what it is called, where it speaks, what it says of."""
    said = (*MOVED, "colour", "watts", "online")
    heard = dict.fromkeys(h.point for h in who.halves if h.half == "hear" and h.point in said)
    points = ", ".join(heard) or "nothing that is understood yet"
    where = shown(who.at or min(own_topics(who), default=""))
    if who.homie is not None:
        where = f"Homie {who.homie}"
    return f"{who.name} ({where}) says: {points}"


def _beside(topic: str, topics: set[str]) -> bool:
    """Is this the topic of another point of the same device, by all that is known?"""
    parts = topic.split("/")
    for other in (other.split("/") for other in topics):
        if len(other) == len(parts) and any(
            len(parts) > n and other[:-n] == parts[:-n] for n in (1, 2)
        ):
            return True
    return False


_FIGURE = re.compile(r"[0-9]+(?:[.][0-9]+)?")


def _figures(payload: bytes) -> set[tuple[Route, float]]:
    """The numbers in a payload, each with its place."""
    try:
        document = json_of(payload)
    except CannotRead:
        document = payload.decode("utf-8", "replace")
    found: set[tuple[Route, float]] = set()
    for route, leaf in leaves_in(document):
        numbers: list[float] = []
        if isinstance(leaf, int | float) and not isinstance(leaf, bool):
            numbers = [leaf]
        elif isinstance(leaf, str) and len(leaf) <= 64:
            numbers = [float(n) for n in _FIGURE.findall(leaf)]
        if len(numbers) == 1:
            found.add((route, numbers[0]))
        else:
            found |= {((*route, i), n) for i, n in enumerate(numbers)}
    return found

"""What people say about the set. It is noted and answered at once, and no run follows from it.

Somebody works on a device, a camera rolls, a dial is turned, a light is to be kept as it is.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

from studiobridge.control.desk import HAND_HOLDS, Desk, Hand
from studiobridge.control.effects import (
    Announce,
    ByHand,
    HandNote,
    Lockout,
    LockoutNote,
    Save,
)
from studiobridge.control.events import Request, Saved
from studiobridge.control.gates import Gates
from studiobridge.control.looks import Looks, became
from studiobridge.control.rolling import WORD_HOLDS
from studiobridge.control.runs import Runs
from studiobridge.control.standing import Answers, Standing
from studiobridge.craft.chroma import Colour, name_of
from studiobridge.profile.colours import preset_json
from studiobridge.profile.model import LIGHT, Preset, figure


class Words:
    """Each of these answers its request."""

    def __init__(
        self,
        desk: Desk,
        gates: Gates,
        standing: Standing,
        answers: Answers,
        runs: Runs,
        looks: Looks,
    ) -> None:
        self.profile = desk.profile
        self.desk = desk
        self.gates = gates
        self.beliefs = desk.beliefs
        self.standing = standing
        self.answers = answers
        self.runs = runs
        self.looks = looks
        self.watcher = runs.holding.watcher
        # presets on their way to the file: by request, the look and the presets
        self._saving: dict[str, tuple[str, dict[str, Preset]]] = {}

    # ---- lockouts ------------------------------------------------------------------------

    def lockout(self, request: Request, at: float) -> None:
        by, why = request.by.strip(), request.why.strip()
        if len(request.targets) != 1 or not by or not why:
            self.answers.refuse(request, 2, "a lockout names one device or circuit, who and why")
            return
        target = request.targets[0]
        self.desk.lockouts[target] = Lockout(target, by, why, at)
        self.gates.relock()
        self.desk.emit(LockoutNote(at, target, "set", by, why))
        self._lockouts_changed(target)
        self._darken(target, at)
        careful, detail = self._why_careful(target, at)
        text = f"{target} is locked out: it will not be energised from here"
        if careful:
            text += f". CAREFUL: {'; '.join(careful)}; a lockout here switches nothing off"
        alive = [n for n in self.gates.covered(target) if n in self.desk.feeds.own_battery]
        if alive:
            # the mains are what a hand has to fear; that it moves or lights up need not surprise
            text += f". {' and '.join(alive)} {'has' if len(alive) == 1 else 'have'} a battery"
            text += " of its own and may be alive" if len(alive) == 1 else " each: may be alive"
        text += ". Pull the plug or open the breaker before you put your hands in"
        self.answers.done(request, text, detail)

    def _darken(self, target: str, at: float) -> None:
        """Fixtures on slots are held at 0 by the lockout itself: what was up is not as asked."""
        held = [n for n in self.gates.covered(target) if self.profile.devices[n].slots is not None]
        for name in held:
            self.beliefs.of[name].dark_because = f"{name} is held at 0 since it was locked out"
        if held and self.desk.listened and self.runs.run is None:
            self.runs.holding.settle(at, after_a_run=True)

    def _why_careful(self, target: str, at: float) -> tuple[list[str], dict[str, object]]:
        """What a lockout covers that is not believed off (law 15), in words and by name."""
        covered = self.gates.covered(target)
        told = {n: self.beliefs.told_on_unanswered(n) for n in covered}
        unanswered = {n: since for n, since in told.items() if since is not None}
        live = [n for n in covered if n in unanswered or self.beliefs.off_in_doubt(n)]
        on = [
            name
            for name in live
            if name not in unanswered
            and self.beliefs.surely_energised(name)
            and (self.desk.feeds.line[name] or self.beliefs.said_on(name))
        ]
        unknown = [name for name in live if name not in on and name not in unanswered]
        careful = []
        if on:
            careful.append(f"{', '.join(on)} {'is' if len(on) == 1 else 'are'} on now")
        careful += [
            f"{name} was told on {at - since:.1f} s ago and has not answered: treat it as live"
            " until it says off"
            for name, since in unanswered.items()
        ]
        if unknown:
            careful.append(f"{', '.join(unknown)}: not known to be off")
        # a welded contact above a device leaves that device live, too
        lines = self.gates.live_with(target)
        drawing = {name: self.beliefs.still_drawing(name) for name in lines}
        careful += [
            f"{name} says off and {watts:.0f} W still flow"
            for name, watts in drawing.items()
            if watts is not None
        ]
        return careful, {"on": live, "covers": covered, "unanswered": list(unanswered)}

    def release(
        self, request: Request, at: float, comes_back: Callable[[float], str] = lambda at: ""
    ) -> None:
        """`comes_back`: says what was told quiet, waited for this, and has power in a moment."""
        if len(request.targets) != 1:
            self.answers.refuse(request, 2, "a release names one device or circuit")
            return
        target = request.targets[0]
        if target not in self.desk.lockouts:
            self.answers.done(request, f"{target} was not locked out")
            return
        was = self.desk.lockouts.pop(target)
        self.gates.relock()
        self.desk.emit(LockoutNote(at, target, "released", request.by, was.why))
        self._lockouts_changed(target)
        text = f"{target} is released"
        coming = comes_back(at)
        text += coming or "; nothing is switched on by that"
        self.answers.done(request, text)

    def _lockouts_changed(self, target: str) -> None:
        self.desk.changed.update(self.gates.covered(target))
        self.desk.emit(Announce(state=True))

    # ---- cameras -------------------------------------------------------------------------

    def rolling(self, request: Request, rolling: bool, at: float) -> None:
        names = request.targets or self.desk.cameras
        if not names:
            self.answers.refuse(request, 2, "this set has no camera")
            return
        for name in names:
            if name not in self.desk.cameras:
                self.answers.refuse(request, 2, f"{name} is not a camera")
                return
        for name in names:
            self.say_rolling(name, rolling, at, request.by or "a person")
        doing = "rolling" if rolling else "stopped"
        text = f"{', '.join(names)}: {doing}"
        if rolling:
            # a take is about to be lost to it: said, and nothing is held up
            low = self.runs.holding.supplies.sentences(at, over=False)
            text += "".join(f"; {sentence}" for sentence in low)
        self.answers.done(request, text)
        self.runs.move_on(at)

    def any_rolls(self, request: Request) -> bool:
        """For a pedal that is trodden on at both ends of a take: what is not known begins."""
        names = request.targets or self.desk.cameras
        return any(self.beliefs.of[n].rolls for n in names if n in self.desk.cameras)

    def say_rolling(self, name: str, rolling: bool, at: float, by: str) -> None:
        belief = self.beliefs.of[name]
        before = belief.rolls
        # nobody knew: no word, no watts that say it has stopped
        asked = belief.rolls_by != "report" and belief.rolling.word is None
        asked = asked and not belief.rolling.stopped_by_watts(at)
        belief.say_rolling(rolling, at)
        self.standing.camera(belief, before, at, by, said=True)
        self.standing.look_at_camera(name, at + WORD_HOLDS)
        if not rolling and not before and asked:
            # it may have stopped a moment ago: nobody knew, and its file is still closing
            self.standing.close_file(belief, at)

    # ---- dials ---------------------------------------------------------------------------

    def set_by_hand(self, request: Request, at: float) -> None:
        """Somebody turned these dials (all of the look, when none is named) to their presets."""
        dials = {n: p for n, p in self.desk.presets.items() if self.beliefs.of[n].may_be_ticked}
        if not dials:
            look = f"the look '{self.desk.look}'" if self.desk.look else "this set as it stands"
            self.answers.refuse(request, 2, f"no light of {look} is set by hand")
            return
        for name in request.targets:
            if name not in dials:
                text = f"{name} is not set by hand; these are: {', '.join(dials)}"
                self.answers.refuse(request, 2, text)
                return
        by = request.by or "a person"
        self._hands_off(request.targets or tuple(dials))
        for name in request.targets or tuple(dials):
            preset = dials[name]
            self.beliefs.of[name].ticked = ByHand(preset, by, at)
            self.desk.emit(HandNote(at, name, preset.level, preset.cct, by, preset.colour))
            self.desk.changed.add(name)
        self.desk.emit(Announce(state=True))
        self.answers.done(request, f"set by hand: {', '.join(request.targets or dials)}")

    def turning(self, request: Request, at: float) -> None:
        """A hand is on these dials now, and on no others of the same person; none: it let go.

        It is said anew as long as it is so, and noted when it begins and ends.
        """
        dials = [n for n in self.desk.presets if self.beliefs.of[n].may_be_ticked]
        for name in request.targets:
            if name not in dials:
                these = f"; these are: {', '.join(dials)}" if dials else ""
                self.answers.refuse(request, 2, f"{name} is not set by hand{these}")
                return
        by, hands = request.by or "a person", self.desk.hands
        before = hands.pop(by, Hand(frozenset(), at))
        dials_now = frozenset(request.targets)
        if dials_now:
            hands[by] = Hand(dials_now, at + HAND_HOLDS)
            self.desk.wake("hands", min(hand.until for hand in hands.values()))
        text = f"{', '.join(request.targets)}: being turned, for {HAND_HOLDS:.0f} s"
        text = text if dials_now else "no dial is being turned"
        if before.dials == dials_now and at < before.until:
            self.answers.answer(request.id, 0, text)
            return
        self.desk.changed |= before.dials | dials_now
        self.desk.emit(Announce(state=True))
        self.answers.done(request, text)

    def _hands_off(self, dials: Collection[str]) -> None:
        """Who says that a dial is set has let go of it, whoever turned it."""
        for by, hand in list(self.desk.hands.items()):
            left = hand.dials - set(dials)
            self.desk.hands.pop(by)
            if left:
                self.desk.hands[by] = Hand(left, hand.until)

    # ---- keeping what is -----------------------------------------------------------------

    def keep(self, request: Request, at: float) -> None:
        look = self.desk.look
        if self.standing.state not in ("ready", "adrift") or look is None:
            text = f"the set is {self.standing.state}: no look is up to keep"
            self.answers.refuse(request, 1, text)
            return
        drifted = [
            drift.device
            for drift in self.watcher.drifts.values()
            if drift.point in LIGHT and drift.band is None and not drift.perhaps
        ]
        presets: dict[str, Preset] = {}
        for name in request.targets or tuple(dict.fromkeys(drifted)):
            found = self._as_reported(name, at)
            if isinstance(found, str):
                self.answers.refuse(request, 1, found)
                return
            presets[name] = found
        if not presets:
            self.answers.done(request, "nothing has drifted: nothing to keep")
            return
        self.answers.under_way(request.id)
        self.answers.note(request, "taken", ", ".join(presets))
        self._saving[request.id] = (look, presets)
        self.desk.emit(Save(request.id, look, presets))

    def _as_reported(self, name: str, at: float) -> Preset | str:
        """The preset as this light reports it now, or a sentence why there is none."""
        belief, old = self.beliefs.of.get(name), self.desk.presets.get(name)
        if belief is None or not belief.device.fixture or old is None or not belief.hears:
            return f"{name} has no preset in the look {self.desk.look}"
        if name in self.desk.busy:
            return f"{name} is being set just now; ask again"
        if belief.on_its_way(at):
            return f"{name} is still on its way to what it was told; ask again"
        level, cct = belief.said("is it so", "level"), belief.said("is it so", "cct")
        colour = belief.said("is it so", "colour")
        dark = level is not None and figure(level) <= belief.lowest
        if (
            (old.level is not None and level is None)
            or (old.cct is not None and cct is None and "cct" in belief.hears)
            or (old.colour is not None and colour is None and not dark)
        ):
            return f"{name} has not reported: nothing to keep"
        if old.cct is not None and isinstance(cct, Colour):
            return (
                f"{name} is {name_of(cct)} and the look has it white: keep writes no white as a"
                " colour; write it into the profile by hand"
            )
        if old.colour is not None and colour is not None and not isinstance(colour, Colour):
            return (
                f"{name} is white at {colour:.0f} K and the look has it {name_of(old.colour)}:"
                " keep writes no colour as a white; write it into the profile by hand"
            )
        return Preset(
            old.level if old.level is None or level is None else round(figure(level), 1),
            old.cct if old.cct is None or cct is None else float(round(figure(cct))),
            colour if old.colour is not None and isinstance(colour, Colour) else old.colour,
        )

    def saved(self, event: Saved) -> None:
        saved = self._saving.pop(event.request_id, None)
        if saved is None:
            return
        look, presets = saved
        request = Request(event.at, event.request_id, "keep", look=look, targets=tuple(presets))
        if event.error is not None:
            self.answers.note(request, "failed", event.error)
            self.answers.answer(event.request_id, 1, event.error)
            return
        before = {name: self.desk.looks[look].get(name, Preset()) for name in presets}
        self.looks.took(look, presets, event.at)
        said = {name: became(before[name], preset) for name, preset in presets.items()}
        changes = [f"{name} {change or 'as it was'}" for name, change in said.items()]
        detail = {
            "look": look,
            "kept": [
                {
                    "device": name,
                    "was": preset_json(before[name]),
                    "is": preset_json(preset),
                    "text": said[name],
                }
                for name, preset in presets.items()
            ],
        }
        self.answers.done(request, f"kept in {look}: {'; '.join(changes)}", detail)

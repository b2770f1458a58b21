"""How the lights stand becomes a look: only what is known of each, and on what evidence.

For each point of a light, the first of these that there is:

- its own fresh report, while it surely answers; a light that speaks and does not answer is left
  out, whatever it was told
- a person's word that holds; then the band of an instrument: at what was wanted where the band
  confirms that, else at its middle, and the band is named
- what it was told and nothing proves: saved at that, and named as only told

A light of which none of these is known is left out and named. Off is a level of 0 %, where the
light has one. Nothing is saved while a run is under way or a camera rolls: then nobody could say
what it is that was saved.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from studiobridge.control.belief import Belief
from studiobridge.control.desk import Desk
from studiobridge.control.effects import Save
from studiobridge.control.events import Request, Saved
from studiobridge.control.evidence import BY
from studiobridge.control.gates import Gates
from studiobridge.control.runs import Runs
from studiobridge.control.standing import Answers, Standing
from studiobridge.craft.chroma import Colour, spelled
from studiobridge.craft.light import level_stops
from studiobridge.profile.colours import preset_json
from studiobridge.profile.model import LIGHT, Point, Preset, Value, figure
from studiobridge.profile.names import NAME

# The ends of a band (stops) that still says where a lamp stands: its middle is then at most half
# a stop off, which a person sees and mends. A wider one says hardly more than that it is lit.
WIDEST_BAND = 1.0


@dataclass(frozen=True, slots=True)
class Stands:
    """How one light stands. `by`: on what evidence; `told`: some of it is only what it was told."""

    preset: Preset
    by: str
    told: bool = False


class Looks:
    """What is saved of the lights, and the looks of the running set."""

    def __init__(
        self, desk: Desk, gates: Gates, standing: Standing, answers: Answers, runs: Runs
    ) -> None:
        self.desk = desk
        self.gates = gates
        self.beliefs = desk.beliefs
        self.standing = standing
        self.answers = answers
        self.runs = runs
        self.watcher = runs.holding.watcher
        # looks on their way to the file, by request: the request, and what is known of each light
        self._saving: dict[str, tuple[Request, dict[str, Stands], dict[str, str]]] = {}

    # ---- asked ---------------------------------------------------------------------------

    def save(self, request: Request, at: float) -> None:
        look = request.look or ""
        why_not = self._why_not(request, look, at)
        if why_not is not None:
            self.answers.refuse(request, *why_not)
            return
        found: dict[str, Stands] = {}
        unknown: dict[str, str] = {}
        for device in self.desk.profile.devices.values():
            if not device.fixture or (request.targets and device.name not in request.targets):
                continue
            stands = self.stands(device.name, at)
            if isinstance(stands, Stands):
                found[device.name] = stands
            elif stands is not None:
                unknown[device.name] = stands
        left = "; ".join(f"{name} {why}" for name, why in unknown.items())
        if unknown and request.strict:
            self.answers.refuse(request, 1, f"nothing is saved: {left}")
            return
        if not any((one.preset.level or 0.0) > 0.0 for one in found.values()):
            text = "no light is known to be lit: nothing to save"
            self.answers.refuse(request, 1, f"{text} ({left})" if left else text)
            return
        self.answers.under_way(request.id)
        self.answers.note(request, "taken", ", ".join(found))
        self._saving[request.id] = (request, found, unknown)
        presets = {name: one.preset for name, one in found.items()}
        whole: Literal["new", "anew"] = "anew" if request.replace else "new"
        self.desk.emit(Save(request.id, look, presets, whole, request.title))

    def _why_not(self, request: Request, look: str, at: float) -> tuple[int, str] | None:
        if not NAME.match(look):
            named = f"'{look[:40]}' is no name of a look" if look else "a look has a name"
            return 2, f"{named}: a-z, 0-9 and hyphens, up to 40 of them"
        if not request.title.isprintable():
            return 2, "the title has control characters in it"
        for name in request.targets:
            device = self.desk.profile.devices.get(name)
            if device is None or not device.fixture:
                return 2, f"{name} is no light: no look sets it"
        if self.runs.run is not None:
            return 1, f"'{self.runs.run.what}' is under way; ask again when it is done"
        held = self.gates.held_by(at)
        if held is not None:
            return 1, f"{held} is rolling or closing its file; ask again after the take"
        return None

    # ---- how a light stands --------------------------------------------------------------

    def stands(self, name: str, at: float) -> Stands | str | None:
        """How this light stands, or why that is not known; None where no look could say it."""
        belief = self.beliefs.of[name]
        device = belief.device
        points: tuple[Point, ...] = ("level", "cct")
        if device.speaks is not None:
            points = tuple(point for point in LIGHT if point in belief.tells)
            if not points:
                return None
        if name in self.desk.busy or belief.on_its_way(at):
            return "is still being set"
        if self.beliefs.surely_off(name) and device.speaks is not None:
            return self._off(belief)
        if not self.beliefs.powered(name) and device.speaks is not None:
            return "has no power, and does not say so itself"
        speaks = device.speaks is not None and belief.hears & set(points)
        if speaks and not self.beliefs.surely_heard(name):
            return "does not answer"
        values: dict[Point, Value] = {}
        by: list[str] = []
        for point in points:
            found = self._of_point(belief, point, at)
            if found is not None:
                values[point], how = found
                by.append(how)
        return self._made(belief, points, values, by)

    def _off(self, belief: Belief) -> Stands | str | None:
        if "level" not in belief.tells:
            return None
        if belief.lowest > 0.0:
            return f"is off, and its levels begin at {belief.lowest:g} %: a look cannot say that"
        return Stands(Preset(0.0), "report")

    def _of_point(self, belief: Belief, point: Point, at: float) -> tuple[Value, str] | None:
        """What this point is at, and by what evidence; None where nothing is known of it."""
        if point in belief.hears:
            said = belief.said("is it so", point)
            if said is not None:
                return said, "report"
        else:
            word = belief.ticked
            if word is not None and belief.by_hand(word.preset):
                value = getattr(word.preset, point)
                if value is not None:
                    return value, f"by hand: {word.by}" if word.by else "hand"
            band = belief.band("is it so", point)
            if band is not None and band.unit:
                wanted = belief.told_now(point)
                if wanted is None:
                    preset = self.desk.presets.get(belief.device.name, Preset())
                    wanted = getattr(preset, point)
                if wanted is not None and belief.agrees(point, wanted):
                    return wanted, BY[band.by]
                if self._tells_enough(belief, point, band.low, band.high):
                    return (band.low + band.high) / 2.0, f"{BY[band.by]}, somewhere from {band}"
        told = belief.told_now(point)
        if told is not None and belief.unreached is None:
            return told, "told"
        return None

    @staticmethod
    def _tells_enough(belief: Belief, point: Point, low: float, high: float) -> bool:
        if point != "level":
            return belief.same(point, (low + high) / 2.0, low)
        if low == high:
            return True
        stops = level_stops(belief.device.dimmer, low, high)
        return stops is not None and abs(stops) <= WIDEST_BAND

    def _made(
        self,
        belief: Belief,
        points: tuple[Point, ...],
        values: dict[Point, Value],
        by: list[str],
    ) -> Stands | str:
        device = belief.device
        level, cct, colour = (values.get(point) for point in LIGHT)
        # a fixture of whites and colours gives the one it shows now for both points: keep that one
        cct = None if isinstance(cct, Colour) else cct
        colour = colour if isinstance(colour, Colour) else None
        if cct is not None and colour is not None:
            held = self.desk.presets.get(device.name, Preset())
            cct, colour = (None, colour) if held.colour is not None else (cct, None)
        if "level" in points and level is None:
            return "says nothing of its level" if values else "is not known: nothing tells of it"
        if level is not None:
            level = round(figure(level), 1) + 0.0
        if not level:
            colour = None  # black has none
        cct = float(round(figure(cct))) if cct is not None else None
        for value, span, unit in (
            (level, device.level_range, "%"),
            (cct, device.cct_range, "K"),
        ):
            if value is not None and span is not None and not span[0] <= value <= span[1]:
                ends = f"{span[0]:g} to {span[1]:g} {unit}"
                return f"is at {value:g} {unit}, outside its own {ends}"
        preset = Preset(level, cct, colour)
        if preset == Preset():
            return "is not known: nothing tells of it"
        ways = [way for way in dict.fromkeys(by) if way != "told"]
        return Stands(preset, "; ".join(ways) or "told", "told" in by)

    # ---- saved ---------------------------------------------------------------------------

    def saved(self, event: Saved) -> None:
        """The file says it now, or `error` says why not."""
        saved = self._saving.pop(event.request_id, None)
        if saved is None:
            return
        request, found, unknown = saved
        look = request.look or ""
        if event.error is not None:
            self.answers.note(request, "failed", event.error)
            self.answers.answer(event.request_id, 1, event.error)
            return
        presets = {name: one.preset for name, one in found.items()}
        self.took(look, presets, event.at)
        said = "; ".join(f"{name} {_shown(one)}" for name, one in found.items())
        text = f"saved as the look {look}: {said}"
        if unknown:
            left = "; ".join(f"{name} {why}" for name, why in unknown.items())
            text += f". Left out: {left}"
        self.answers.done(
            request,
            text,
            {
                "look": look,
                "presets": {name: preset_json(one.preset) for name, one in found.items()},
                "by": {name: one.by for name, one in found.items()},
                "only_told": [name for name, one in found.items() if one.told],
                "left_out": [{"device": name, "why": why} for name, why in unknown.items()],
            },
        )

    def took(self, look: str, presets: Mapping[str, Preset], at: float) -> None:
        """The look says these presets from now on; where it is in force they are held."""
        self.desk.looks.setdefault(look, {}).update(presets)
        if look == self.desk.look:
            for name, preset in presets.items():
                self.standing.tried.pop(name, None)
                self.standing.contested.pop(name, None)
                if name in self.watcher.wanted:
                    self.watcher.hold(name, self.beliefs.of[name].points_of(preset), at)
                self.watcher.entries.close_of(name, LIGHT, at, "kept")
                self.beliefs.stepped.discard(name)
        self.desk.changed.update(presets)


def became(old: Preset, new: Preset) -> str:
    """What a preset was and is: `40 → 59.1 %, 4300 → 4350 K`; empty where it is the same."""
    parts = []
    for before, now, unit in ((old.level, new.level, " %"), (old.cct, new.cct, " K")):
        if before != now:
            first = (
                "none" if before is None else f"{before:.4g}" if unit == " %" else f"{before:.0f}"
            )
            second = "none" if now is None else f"{now:.4g}" if unit == " %" else f"{now:.0f}"
            parts.append(f"{first} → {second}{unit if now is not None else ''}")
    if old.colour != new.colour:
        colours = [spelled(c) if c is not None else "no colour" for c in (old.colour, new.colour)]
        parts.append(" → ".join(colours))
    return ", ".join(parts)


def _shown(one: Stands) -> str:
    """`59.1 %, 4300 K (by its watts, somewhere from 55 to 63 %)`."""
    preset = one.preset
    parts = []
    if preset.level is not None:
        parts.append(f"{preset.level:.4g} %")
    if preset.cct is not None:
        parts.append(f"{preset.cct:.0f} K")
    if preset.colour is not None:
        parts.append(spelled(preset.colour))
    ways = [] if one.by == "report" else ["only told" if one.by == "told" else _by(one.by)]
    if one.told and one.by != "told":
        ways.append("the rest only told")
    return ", ".join(parts) + (f" ({', '.join(ways)})" if ways else "")


def _by(how: str) -> str:
    return how if how.startswith("by ") else f"by {how}"

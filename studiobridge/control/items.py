"""Whether one line of `before:` is true now, on what evidence: true, not, or not known.

The rules:

- True only by evidence of now: what the controller believes at this moment. What nobody can say
  is not known, and never true. Without a link, or while the gear is still listened to, everything
  measured is not known.
- Everything proven: the set is up, every essential device is proven (law 7), and every light of
  the look. What differs is not so; what is silent or only told is not known.
- Batteries: only devices that say so count. Each by a fresh word, and none at its warning or below.
- A card: by a fresh word that is younger than the last take, and than the last silence in which
  one could have been; what has rolled since is taken off.
- Off: it says so itself, has not left since, nothing flows, and nothing it feeds speaks.
- Quiet: all that is told quiet when somebody asks is proven off. What the profile has go quiet when
  it rolls is not waited for.
- Even: by the figures of the look as set, and only while every light of it is proven.
- The picture as kept: by a look of a moment ago, against the picture kept of the look in force.
- Room in the record: a number that the bridge looked up a short while ago; this room does no I/O.
"""

from __future__ import annotations

from dataclasses import dataclass

from studiobridge.control.desk import Desk
from studiobridge.control.events import Room
from studiobridge.control.holding import Holding
from studiobridge.control.standing import Standing
from studiobridge.control.timing import Timing
from studiobridge.craft.supply import GAP
from studiobridge.figures.backdrops import backdrop_of
from studiobridge.profile.items import says_battery
from studiobridge.profile.model import Item, Point, Preset, figure

# A battery or card that has been silent for longer (s) may have been off, or changed.
FRESH = GAP
# An evening writes one to three megabytes into the record (2,000 to 10,000 rows of some 250 bytes);
# a copy of it and the write-ahead log need as much again. So many bytes are weeks of evenings.
ENOUGH_ROOM = 200e6
# The bridge looks at its disk every few seconds; what it said holds for so long (s).
ROOM_HOLDS = 60.0
PROVEN = ("report", "watts", "picture", "sensor", "hand")
UP = ("ready", "adrift")


@dataclass(frozen=True, slots=True)
class Verdict:
    """True, not (False) or not known (None), by what; and when time alone may change it."""

    state: bool | None
    evidence: str
    until: float | None = None


class Judge:
    """Reads the set for one line after the other."""

    def __init__(self, desk: Desk, standing: Standing, holding: Holding, timing: Timing) -> None:
        self.desk = desk
        self.standing = standing
        self.holding = holding
        self.timing = timing
        self.room: Room | None = None
        # the figures of a look change only with its presets
        self._even: dict[str, tuple[dict[str, Preset], Verdict]] = {}
        # the proof of each light within one look at all lines: several lines ask for it
        self._proofs: dict[str, str | None] = {}

    def anew(self) -> None:
        """Another moment: nothing that was found before holds."""
        self._proofs.clear()

    def why_unknown(self) -> str | None:
        """Why nothing can be known now; None where it can."""
        if not self.desk.link:
            return "no link to the broker"
        if not self.desk.listened or self.standing.state == "unheard":
            return "the gear is still being heard from"
        return None

    def why_not_up(self) -> str | None:
        """Why the set is not up; None when it is."""
        state = self.standing.state
        if state in UP:
            return None
        return {
            "dark": "the set is dark",
            "rising": "the set is rising",
            "lowering": "the set is lowering",
            "stalled": "the set is stalled",
        }.get(state, f"the set is {state}")

    def measured(self, item: Item, at: float) -> Verdict:
        """Of any line but a tick."""
        unknown = self.why_unknown()
        if unknown is not None:
            return Verdict(None, unknown)
        if item.kind == "batteries":
            return self._batteries(at)
        if item.kind == "card":
            return self._card(item, at)
        if item.kind == "record":
            return self._record(at)
        if item.kind == "off":
            return self._off(item.device)
        if item.kind == "quiet":
            return self._quiet()
        not_up = self.why_not_up()
        if not_up is not None:
            return Verdict(False, not_up)
        if item.kind == "proven":
            return self._proven()
        if item.kind == "warm":
            return self._warm(at)
        if item.kind == "drift":
            return self._drift()
        if item.kind == "picture":
            return Verdict(*self.holding.sight.as_kept(at))
        return self._flat(item)

    # ---- the set ---------------------------------------------------------------------------

    def _proven(self) -> Verdict:
        holding = self.holding
        differing = {**holding.tried_otherwise(), **holding.watcher.unproven()}
        unheard = holding.watcher.unproven(differing=False) if differing else {}
        for name, why in unheard.items():
            if differing.get(name) == why:
                del differing[name]
        for name in sorted(self._moved()):
            differing.setdefault(name, f"{name} has moved")
        for name in sorted(self._silenced()):
            unheard.setdefault(name, f"{name} is silent")
            if name not in self._moved():
                differing.pop(name, None)
        if differing:
            return Verdict(False, "; ".join(differing.values()))
        if unheard:
            return Verdict(None, "; ".join(unheard.values()))
        bare = [name for name in self.desk.presets if not self._is_proven(name)]
        if bare:
            return Verdict(None, f"nothing proves {', '.join(bare)}")
        count = len(self.desk.presets)
        return Verdict(True, f"{count} lights and all the set needs, by {_list(self._by())}")

    def _by(self) -> list[str]:
        """The kinds of evidence there are for the lights of the look, the weakest last."""
        found = {self._proof(name) for name in self.desk.presets}
        return [kind for kind in PROVEN if kind in found] or ["report"]

    def _proof(self, name: str) -> str | None:
        if name not in self._proofs:
            desk = self.desk
            self._proofs[name] = desk.beliefs.proof(
                name, desk.wanted_of(name), desk.presets.get(name)
            )
        return self._proofs[name]

    def _is_proven(self, name: str) -> bool:
        if any(name in drift.devices for drift in self.holding.watcher.drifts.values()):
            return False
        return self._proof(name) in PROVEN

    def _warm(self, at: float) -> Verdict:
        warm_at = self.timing.warm_at
        if warm_at is None:
            return Verdict(None, "nobody knows since when the lamps shine")
        if at < warm_at:
            anew = self.standing.warm_at is None
            return Verdict(
                False,
                "counted from when the bridge began" if anew else "the lamps are warming up",
                warm_at,
            )
        return Verdict(True, "the lamps are stable")

    def _drift(self) -> Verdict:
        watcher = self.holding.watcher
        moved = self._moved()
        if moved:
            return Verdict(False, f"{_list(sorted(moved))} moved")
        if watcher.drifts:
            return Verdict(None, f"nothing is heard of {_list(sorted(self._silenced()))}")
        if self.standing.state == "adrift":
            return Verdict(None, self.standing.why or "not everything is proven")
        return Verdict(True, "nothing has moved")

    def _moved(self) -> set[str]:
        """What has drifted, or one of which must have. Who is silent has not moved."""
        return {
            " or ".join(sorted(d.devices)) if d.perhaps else d.device
            for d in self.holding.watcher.drifts.values()
            if d.point != "online" or d.reported is not None
        }

    def _silenced(self) -> set[str]:
        """Who should have been heard, and was not."""
        return {
            d.device
            for d in self.holding.watcher.drifts.values()
            if d.point == "online" and d.reported is None
        }

    def _flat(self, item: Item) -> Verdict:
        bare = [
            name
            for name, preset in self.desk.presets.items()
            if preset.level != 0.0 and not self._is_proven(name)
        ]
        if bare:
            return Verdict(None, f"{_list(bare)} not proven")
        presets = dict(self.desk.presets)
        kept = self._even.get(item.id)
        if kept is None or kept[0] != presets:
            kept = (presets, self._reckoned(item, presets))
            self._even[item.id] = kept
        return kept[1]

    def _reckoned(self, item: Item, presets: dict[str, Preset]) -> Verdict:
        device = self.desk.profile.devices[item.device]
        white = {name: preset for name, preset in presets.items() if preset.colour is None}
        coloured = item.device in presets and item.device not in white
        missing: list[str] = []
        found = backdrop_of(self.desk.profile, device, white, None, missing, coloured)
        if found.spread is None:
            return Verdict(None, "; ".join(missing) or "by the figures nothing lights it")
        if len(white) != len(presets):
            return Verdict(None, "coloured light is not reckoned")
        return Verdict(found.spread <= item.limit, f"{found.spread:.1f} stops by the figures")

    # ---- what runs out ---------------------------------------------------------------------

    def _fresh(self, name: str, point: Point, at: float) -> float | None:
        """When a fresh word of this supply was heard; None where the last is not of now."""
        word = self.holding.supplies.words.get((name, point))
        belief = self.desk.beliefs.of[name]
        if word is None or word.kept or belief.gone or belief.silent_since is not None:
            return None
        return word.at if 0.0 <= at - word.at <= FRESH else None

    def _batteries(self, at: float) -> Verdict:
        supplies = self.holding.supplies
        low = [e for e in supplies.low(at) if e.point in ("battery", "battery_low")]
        if low:
            return Verdict(False, f"{_list([e.device for e in low])} low, by the last word")
        bare, old, said = [], [], []
        until = float("inf")
        for device in self.desk.profile.devices.values():
            if not says_battery(device):
                continue
            judged: tuple[Point, ...] = ("battery",) if device.warn.battery is not None else ()
            judged += ("battery_low",) if "battery_low" in device.hears else ()
            judged = tuple(p for p in judged if p in device.hears)
            if not judged:
                bare.append(device.name)
                continue
            heard = [w for p in judged if (w := self._fresh(device.name, p, at)) is not None]
            if not heard:
                old.append(device.name)
                continue
            until = min(until, max(heard) + FRESH)
            said.append(device.name)
        if old:
            return Verdict(None, f"no fresh word of {_list(old)}")
        if bare:
            return Verdict(None, f"no warning is set for {_list(bare)}")
        return Verdict(True, f"{_list(said)} said so", until + 0.1)

    def _card(self, item: Item, at: float) -> Verdict:
        name = item.device
        word = self.holding.supplies.words.get((name, "card"))
        heard = self._fresh(name, "card", at)
        if word is None or heard is None:
            return Verdict(None, f"no fresh word of {name}")
        if heard < self.desk.beliefs.of[name].epoch_since:
            # while it was not heard it may have rolled
            return Verdict(None, f"{name} has not said it since it was out of hearing")
        if self.timing.stopped.get(name, float("-inf")) >= heard:
            return Verdict(None, f"{name} has not said it since the last take")
        left = figure(word.value)
        if name in self.timing.rolling:
            since = self.timing.rolling[name]
            left -= (at - max(heard, heard if since is None else since)) / 60.0
            return Verdict(left >= item.limit, f"{max(0.0, left):.0f} min left", at + 60.0)
        return Verdict(left >= item.limit, f"{left:.0f} min left", heard + FRESH + 0.1)

    def _record(self, at: float) -> Verdict:
        room = self.room
        if room is None or not 0.0 <= at - room.at <= ROOM_HOLDS:
            return Verdict(None, "its disk has not been looked at")
        until = room.at + ROOM_HOLDS + 0.1
        if room.why is not None:
            return Verdict(False, room.why, until)
        if room.free is None or not room.free >= 0.0:
            return Verdict(None, "nobody can say how much is free", until)
        if room.free < ENOUGH_ROOM:
            return Verdict(False, f"{room.free / 1e6:.0f} MB free", until)
        return Verdict(True, "more than enough is free", until)

    def _off(self, name: str) -> Verdict:
        beliefs = self.desk.beliefs
        drawing = beliefs.still_drawing(name)
        if drawing is not None:
            return Verdict(False, f"it says off, and {drawing:.0f} W still flow")
        if beliefs.surely_off(name):
            speaks = next((b for b in self._below(name) if beliefs.against(b) is not None), None)
            if speaks is not None:
                return Verdict(False, f"it says off, and {speaks} speaks")
            if beliefs.off_in_doubt(name) or self._silent(name):
                return Verdict(None, "it said off and has left since")
            return Verdict(True, "it says off")
        if beliefs.said_on(name) and beliefs.surely_on(name):
            return Verdict(False, "it is on")
        return Verdict(None, "it has not said so since it was told, or since its mains came")

    def _quiet(self) -> Verdict:
        """All that is told quiet when somebody asks. What goes with the take goes by itself."""
        devices = self.desk.profile.devices
        plugs = {
            name: self._off(plug)
            for name, plug in self.desk.feeds.quiet.items()
            if (told := devices[name].quiet) is not None and told.when == "asked"
        }
        for state in (False, None):
            found = [name for name, verdict in plugs.items() if verdict.state is state]
            if found:
                why = "not quiet" if state is False else "not known to be quiet"
                return Verdict(state, f"{_list(found)} {why}")
        return Verdict(True, f"{_list(list(plugs)) or 'nothing'} proven off")

    def _below(self, name: str) -> tuple[str, ...]:
        return (name, *self.desk.feeds.below.get(name, ()))

    def _silent(self, name: str) -> bool:
        line = (name, *self.desk.feeds.line[name])
        return any(self.desk.beliefs.of[other].silent_since is not None for other in line)


def _list(names: list[str]) -> str:
    return ", ".join(names[:-1]) + " and " + names[-1] if len(names) > 1 else "".join(names)

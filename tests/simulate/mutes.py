"""Gear that cannot speak, watched by what is physically so: laws 7, 11 and 14 by the proof it has.

The watcher knows where every lamp truly stands. It asks no more than a meter can know: what has
stood still for a while, on a plug whose meter was heard and did not lie. Clearly outside and
clearly within leave room for what meters and tables err by.

- Never `ready`, nor shown as ready for long, while a lamp proven by watts is clearly elsewhere,
  unless a person said it is so (and then not where it is alone on its plug: the watts know better).
- Nothing is shown as confirmed by watts that is clearly elsewhere, by its report what cannot
  report, or at all what nothing proves.
- No drift by its watts of a lamp that stands where it should. A picture that lies is no meter that
  errs: of drift by the picture judges who knows when it lies (pictures.py).
- What is ready names what only a hand or nothing proves.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Protocol

from studiobridge.control.effects import DriftNote, HandNote
from studiobridge.control.evidence import BY
from studiobridge.craft.light import level_stops
from studiobridge.profile.model import Device, Preset, SetProfile

# A lamp that has stood still for so long (s) with a meter that works is known for what it is: a
# sample asked for every 12 s, a lost one, its answer, and a reading that rests.
KNOWN_AFTER = 75.0
# Clearly outside: by stops beyond its own tolerance, and by points of level and watts.
FAR_STOPS, FAR_PERCENT, FAR_WATTS = 0.5, 8.0, 2.5
# Clearly within: this share of its tolerance.
NEAR = 0.5


class Breaches(Protocol):
    def breach(self, law: int, at: float, text: str) -> None: ...


class Mutes:
    """Lamps of a set that never say their level, and where they truly stand."""

    def __init__(self, profile: SetProfile, laws: Breaches) -> None:
        self.profile = profile
        self.laws = laws
        self.of: dict[str, Device] = {
            d.name: d for d in profile.devices.values() if d.fixture and "level" not in d.hears
        }
        # the level (%) a lamp gives now, None when it is not lit; and what its draw is then
        self.truth: Callable[[str], float | None] = lambda name: None
        # whether all is there that it takes to meter it: mains, a plug that listens, a link
        self.metered: Callable[[str], bool] = lambda name: False
        # when something about its plug, its mains or its dial last changed, as the evening knows
        self.still_since: dict[str, float] = {}
        self.presets = {n: dict(look.presets) for n, look in profile.looks.items()}
        self.look: str | None = None
        self.named: str | None = None  # the last look that was not none
        self.session: object = None
        self.ticked: set[str] = set()
        self.said_of: dict[str, Preset] = {}
        self.views: dict[str, Mapping[str, object]] = {}
        # evenings in which people say of dials what is not so, or meters lie
        self.careless = False
        self.was: dict[str, float | None] = {}

    def alone(self, name: str) -> bool:
        """Is it all that hangs on a plug that meters, with a table of what it draws?"""
        device = self.of[name]
        plug = self.profile.devices.get(device.fed_by or "")
        if plug is None or "watts" not in plug.hears or not device.draws_at:
            return False
        return self.profile.fed_from(plug.name) == (name,)

    # ---- what the evening tells ------------------------------------------------------------

    def passing(self, at: float) -> None:
        """Some time has passed: which of them stand where they stood?"""
        for name in self.of:
            level = self.truth(name)
            if self.was.get(name, -1.0) != level or not self.metered(name):
                self.was[name] = level
                self.still_since[name] = at

    def disturb(self, at: float) -> None:
        """The network, a meter, the bridge: what is known has to be learnt anew."""
        for name in self.of:
            self.still_since[name] = at

    def restarted(self) -> None:
        self.views.clear()

    def said(self, note: HandNote) -> None:
        preset = self.presets.get(str(self.look), {}).get(note.device)
        if preset is not None and (note.level, note.cct) == (preset.level, preset.cct):
            self.ticked.add(note.device)
            self.said_of[note.device] = preset
            level = self.truth(note.device)
            if level is None or preset.level is None or abs(level - preset.level) > 1.0:
                self.careless = True
        else:
            self.ticked.discard(note.device)

    def look_is(self, state: Mapping[str, object]) -> None:
        session, look = state["session"], state["look"]
        if session is not None and session != self.session:
            # a word holds for its session, over restarts of the bridge
            self.session = session
            self.ticked.clear()
        self.look = None if look is None else str(look)
        if self.look is not None and self.look != self.named:
            # over where it is asked elsewhere; a look that leaves a dial alone asks nobody to turn it
            now = self.presets.get(self.look, {})
            self.ticked = {n for n in self.ticked if now.get(n) in (None, self.said_of[n])}
            self.named = self.look

    # ---- what is so, against what is shown -------------------------------------------------

    def elsewhere(self, name: str, look: str | None = None) -> str | None:
        """How it clearly stands otherwise than asked; None when it does not, or nobody can tell."""
        preset = self.presets.get(str(look if look is not None else self.look), {}).get(name)
        level, device = self.truth(name), self.of[name]
        if preset is None or preset.level is None or level is None:
            return None
        if abs(level - preset.level) < FAR_PERCENT or not device.draws_at:
            return None
        stops = level_stops(device.dimmer, preset.level, level)
        if stops is not None and abs(stops) < device.tolerance.level + FAR_STOPS:
            return None
        share = abs(level - preset.level) / 100.0
        if share * device.draws_at[-1][1] < FAR_WATTS:
            return None
        return f"stands at {level:.0f} %, not {preset.level:.0f}"

    def known(self, name: str, at: float) -> bool:
        """Has it stood still for long enough that a meter that works must have told?"""
        return at >= self.still_since.get(name, at) + KNOWN_AFTER

    def ready(self, at: float, look: str | None) -> None:
        """Law 7: never ready while the truth of a watts-proven lamp lies clearly outside."""
        for name, device in self.of.items():
            if device.proof != "watts" or not device.essential or not self.known(name, at):
                continue
            if not self.alone(name):
                continue
            other = self.elsewhere(name, look)
            if other is not None:
                self.laws.breach(7, at, f"ready, but {name}, proven by watts, {other}")

    def showing(self, at: float, state: Mapping[str, object]) -> None:
        """Laws 7 and 14, by what is shown now."""
        told = state.get("only_told", [])
        assert isinstance(told, list)
        for name, device in self.of.items():
            if state["state"] == "ready":
                self._named(at, name, device, told)
                if device.proof == "watts" and device.essential:
                    self._known_otherwise(at, name, "the set is shown as ready")
            view = self.views.get(name)
            if view is None:
                continue
            if view["confirmed"] is True and view["by"] == "watts":
                self._known_otherwise(at, name, "it is shown as confirmed by watts")
            if view["confirmed"] is True and view["by"] == "report":
                self.laws.breach(14, at, f"{name} cannot speak, and is confirmed by its report")
            if view["confirmed"] is True and device.proof == "none" and not device.hand_set:
                self.laws.breach(14, at, f"nothing can prove {name}, and it is confirmed")

    def _known_otherwise(self, at: float, name: str, shown: str) -> None:
        other = self.elsewhere(name)
        if other is not None and self.alone(name) and self.known(name, at):
            self.laws.breach(14, at, f"{name} {other}, and {shown}")

    def _named(self, at: float, name: str, device: Device, told: list[object]) -> None:
        preset = self.presets.get(str(self.look), {}).get(name)
        if preset is None or device.proof not in ("hand", "none") or name in self.ticked:
            return
        if name not in told:
            self.laws.breach(7, at, f"ready, and {name}, which nothing proves, is not named")

    def drifted(self, note: DriftNote) -> None:
        """Law 11: no drift by watts of a lamp that has stood for a while where it should."""
        by_watts = str(note.reported).endswith(BY["watts"])
        if note.point != "level" or not by_watts or self.careless or not self.alone(note.device):
            return
        preset = self.presets.get(str(self.look), {}).get(note.device)
        level = self.truth(note.device)
        if preset is None or preset.level is None or level is None:
            return
        device = self.of[note.device]
        stops = level_stops(device.dimmer, preset.level, level)
        near = stops is not None and abs(stops) <= NEAR * device.tolerance.level
        if near and self.known(note.device, note.at):
            self.laws.breach(
                11, note.at, f"drift of {note.device}, which stands at {level:.1f} % as it should"
            )

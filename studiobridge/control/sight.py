"""What the camera's picture says, as evidence: what is believed of it, and what differs.

The rules:

- A frame is evidence of the moment it was taken. One from before a command, from the middle of a
  fade, or from before the mains or the link came, says nothing of after: not of that lamp, nor of
  the others, whose light was told apart from it. Who puts several together says since when.
- Only a picture that nothing stands in the way of says anything, and only of lights it can tell.
- It is believed of lights whose profile says `proof: picture`, and judged like what a meter says
  (drift.py), but for this: one frame alone takes nothing back. Of every other light what it sees is
  said as a difference. It overrules no report, no meter and no person's word, and never ends
  `ready`: the lamp may have been moved, or be old, or have a cloth over it.
- Nothing is told to anything because of a picture but what restore may do anyway (law 12).
- What was seen holds for a few looks. When the witness leaves or falls silent, all it said ends.
- "As kept" is said only of a picture that was looked at a moment ago, held against one that was
  kept of the look in force. What differs most, by how much of it is allowed, comes first.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace

from studiobridge.control.desk import Desk
from studiobridge.control.effects import Announce, LightNote, Says
from studiobridge.control.events import Sighted, SightedLate, WitnessHeard
from studiobridge.control.evidence import NEVER, Gauged
from studiobridge.control.pictured import (
    HINDERS,
    LOOKS_HOLD,
    MORE,
    STRAY,
    Differs,
    beside_the_lights,
    beyond,
    moved_text,
    plain,
)
from studiobridge.craft.light import level_stops
from studiobridge.profile.model import Point
from studiobridge.profile.sighting import Band, Hindrance, SeenLight, Sighting

# A camera or a stream hands a frame on late, and who stamps it stamps when it came (s; common
# practice: 0.2 to 2 s): so long after a change a frame may still be of before.
LAGS = 2.0
# A light with more than this share of its full light is surely lit, one with less surely not: as
# much as a picture can tell from black.
LIT = 0.004
# Light from nowhere is over at this share of what begins it: no entry each time it flickers.
BACK_SHARE = 0.7
# What is shown is said anew when it says something else, and so often (s) in any case.
SAID_EVERY = 5.0
# So many differences are named: more than three things nobody goes and changes at once.
NAMED = 3


# What a lamp that comes or goes on purpose may look like.
AUTOMATIC: tuple[Hindrance, ...] = ("auto exposure", "auto white")


class _Twice:
    """True or false once two looks in a row say so: one alone may be a shadow of somebody."""

    def __init__(self) -> None:
        self.on = False
        self._count = 0

    def look(self, on: bool) -> bool:
        """True when it has just turned."""
        self._count = self._count + 1 if on != self.on else 0
        if self._count < 2:
            return False
        self.on, self._count = on, 0
        return True


class Sight:
    """What the witness says of one set. Asks the desk; the controller follows up what it finds."""

    def __init__(self, desk: Desk) -> None:
        self.desk = desk
        witness = desk.profile.witness
        self.looks = witness is not None
        self.holds = math.inf if witness is None else LOOKS_HOLD * witness.every + MORE
        self.heard: WitnessHeard | None = None
        # the last look, whatever it says; the last two from which something may be concluded
        self.last: Sighted | None = None
        self.used: Sighted | None = None
        self.used_before: Sighted | None = None
        # the last look came of a frame too old: how old, until a good one comes
        self.late_s: float | None = None
        # when the frame was taken that last said something of each light
        self._told: dict[str, float] = {}
        self._twice = {what: _Twice() for what in ("moved", "stray", "automatic")}
        self._stray: float | None = None
        self._shown: object = None
        self._shown_at = NEVER
        self._fixtures = tuple(d.name for d in desk.profile.devices.values() if d.fixture)
        self._dials = frozenset(n for n in self._fixtures if desk.profile.devices[n].hand_set)

    # ---- what comes in -------------------------------------------------------------------

    def sighted(self, event: Sighted) -> set[str]:
        """It was looked at. Returns the lights of which something else is believed now."""
        if not self.looks or not self.desk.link:
            return set()
        self.last, self.late_s = event, None
        news: set[str] = set()
        if event.sighting.usable and event.taken is not None:
            self.used_before, self.used = self.used, event
            news = self._believe(event, event.taken)
            self.desk.changed |= self._dials & event.sighting.lights.keys()
        self._happens(event)
        return news | self.look(event.at)

    def sighted_late(self, event: SightedLate) -> None:
        """A frame too old to say anything of now: whoever looks is alive, and behind."""
        if not self.looks or not self.desk.link:
            return
        if self.late_s is None:
            self.desk.emit(Announce(state=True))
        self.late_s = event.old_s

    def witness(self, event: WitnessHeard) -> set[str]:
        """Whoever looks says how it goes, or has left. Returns as `sighted`."""
        if not self.looks:
            return set()
        self.heard = event
        if not event.alive:
            self.late_s = None
        self.desk.emit(Announce(state=True))
        return set() if event.alive else self._lose(event.at, everything=True)

    def link_lost(self) -> set[str]:
        """What was seen before says nothing of after; who looks is heard of anew."""
        self.heard = self.last = self.late_s = None
        return self._lose(NEVER, everything=True)

    def look(self, at: float) -> set[str]:
        """Time has passed: what was seen too long ago ends. Returns as `sighted`."""
        lost = self._lose(at, everything=False)
        due = [taken + self.holds for taken in self._told.values()]
        if self.used is not None and self.used.taken is not None:
            due.append(self.used.taken + self.holds)
        if due:
            self.desk.wake("sight", max(at, min(due)) + 0.01)
        self._show(at)
        return lost

    def _lose(self, at: float, everything: bool) -> set[str]:
        lost = set()
        for name, taken in list(self._told.items()):
            if everything or at > taken + self.holds:
                del self._told[name]
                if self.desk.beliefs.of[name].lose_gauge("picture"):
                    lost.add(name)
        used = self.used
        if used is not None and (everything or not self.fresh(used, at)):
            self.used = self.used_before = None
            self.desk.changed |= self._dials & used.sighting.lights.keys()
            self.desk.emit(Announce(state=True))
        return lost

    def fresh(self, event: Sighted, at: float) -> bool:
        return event.taken is not None and at <= event.taken + self.holds

    # ---- what is believed of it ----------------------------------------------------------

    def counts_from(self) -> float:
        """A frame taken before this may be of before the last change that was made from here."""
        beliefs = self.desk.beliefs.of
        ended = (max(beliefs[n].quiet_until, beliefs[n].epoch_since) for n in self._fixtures)
        return max(ended, default=NEVER) + LAGS

    def _believe(self, event: Sighted, taken: float) -> set[str]:
        since = taken if event.since is None else min(taken, event.since)
        if since < self.counts_from():
            return set()
        news = set()
        for name, light in event.sighting.lights.items():
            belief = self.desk.beliefs.of.get(name)
            if belief is None or belief.device.proof != "picture" or not light.tells:
                continue
            self._told[name] = taken
            for point, low, high, unit in _bands(light):
                belief.gauge(point, Gauged(low, high, since, belief.epoch, "picture", unit))
            news.add(name)  # judged though it says the same: a second look counts
        return news

    # ---- what differs --------------------------------------------------------------------

    def differs(self, at: float) -> list[Differs]:
        """All that is not as it was, the greatest first; nothing while it is being changed."""
        used = self.used
        if used is None or not self.fresh(used, at) or not self._holds_still(used):
            return []
        found = [
            *self._lights(used.sighting),
            *beside_the_lights(used.sighting, self._of_this_look(used.sighting)),
        ]
        return sorted(found, key=lambda one: -one.size)

    def _holds_still(self, used: Sighted) -> bool:
        since = used.since if used.since is not None else used.taken
        return self.desk.drift_opens and since is not None and since >= self.counts_from()

    def _of_this_look(self, sighting: Sighting) -> bool:
        return sighting.kept is not None and sighting.kept == self.desk.look

    def _lights(self, sighting: Sighting) -> Iterator[Differs]:
        ours = self._of_this_look(sighting)
        for name, light in sighting.lights.items():
            belief = self.desk.beliefs.of.get(name)
            if belief is None or not light.tells:
                continue
            stops = light.stops if ours else self._against_wanted(name, light)
            allowed = belief.device.tolerance.level
            near = None if stops is None else beyond(stops, allowed)
            if stops is None or near is None:
                continue
            way = "more" if near > 0 else "less"
            though = self._though(name)
            than = "did" if ours else "should"
            text = f"{name} gives {abs(stops.value):.1f} stop {way} than it {than}"
            text += {
                "report": ", though it reports its level",
                "watts": ", though its watts say it is as it was",
                "hand": ", though somebody said it is as it was",
            }.get(though, "")
            size = abs(near) / max(allowed, 0.01)
            yield Differs(
                name, "level", way, stops.value, "stop", size, text, stops.low, stops.high, though
            )

    def off(self, event: Sighted, name: str) -> Band | None:
        """How far it is from its preset (stops): by its level, else against the kept picture."""
        light = event.sighting.lights.get(name)
        if light is None:
            return None
        off = self._against_wanted(name, light)
        return light.stops if off is None and self._of_this_look(event.sighting) else off

    def _against_wanted(self, name: str, light: SeenLight) -> Band | None:
        """Its light against what it should give, where no picture of this look was kept (stops)."""
        preset = self.desk.presets.get(name)
        if light.level is None or preset is None or not preset.level:
            return None
        dimmer = self.desk.profile.devices[name].dimmer
        ends = [
            level_stops(dimmer, preset.level, min(100.0, max(0.0, level)))
            for level in (light.level.low, light.level.value, light.level.high)
        ]
        low, value, high = ends
        if high is None or value is None:
            return None
        return Band(-12.0 if low is None else low, value, high)

    def _though(self, name: str) -> str:
        """What says that this light is as it should be, if anything but the picture does."""
        desk = self.desk
        preset = desk.presets.get(name)
        proof = desk.beliefs.proof(name, desk.wanted_of(name), preset)
        return proof if proof in ("report", "watts", "hand") and preset is not None else ""

    def as_kept(self, at: float) -> tuple[bool | None, str, float | None]:
        """Is the picture as it was kept: with why (not), and until when that holds at most."""
        last = self.last
        if not self.looks:
            return None, "nobody looks at the picture", None
        if self.heard is not None and not self.heard.alive:
            return None, f"the witness has left{_more(self.heard.why)}", None
        if last is None:
            why = "" if self.heard is None else self.heard.why or self.heard.what
            return None, f"the picture has not been looked at{_more(why)}", None
        sighting = last.sighting
        if not self.fresh(last, at):
            return None, "the picture was not looked at lately", None
        assert last.taken is not None
        until = last.taken + self.holds + 0.1
        if "moved" in sighting.hinders:
            framing = sighting.framing
            where = (
                "the camera has moved"
                if framing is None
                else moved_text(framing.right, framing.down, framing.turn)
            )
            return False, where, until
        if hinders := self._hinders(last):
            return None, HINDERS.get(hinders[0], hinders[0]), until
        if not sighting.lights:
            return None, "it says nothing of the lights", until
        if sighting.kept is None:
            look = self.desk.look
            if look is not None and look not in self.desk.profile.looks:
                return None, no_picture_of(look), until
            return None, "no picture is kept: `look save` keeps one", until
        if not self._of_this_look(sighting):
            return None, f"the picture kept is of the look {sighting.kept}", until
        if self.used is not last or not self._holds_still(last):
            return None, "it has not been looked at since the light was changed", until
        found = self.differs(at)
        if found:
            return False, found[0].text, until
        hidden = [name for name, light in sighting.lights.items() if not light.tells]
        if hidden:
            return None, f"{', '.join(hidden)} cannot be told in the picture", until
        return True, "nothing in it differs", until

    # ---- what happens, said and recorded once ---------------------------------------------

    def _happens(self, event: Sighted) -> None:
        sighting, at = event.sighting, event.at
        framing, stray = sighting.framing, sighting.stray
        moved = "moved" in sighting.hinders or (framing is not None and framing.moved)
        if self._twice["moved"].look(moved) and moved:
            text = "the camera has moved"
            if framing is not None:
                text = moved_text(framing.right, framing.down, framing.turn)
            self.desk.emit(Says(at, "camera_moved", text))
        automatic = [h for h in sighting.hinders if h in AUTOMATIC]
        turned = not self._changes(event) and self._twice["automatic"].look(bool(automatic))
        if turned and automatic:
            self.desk.emit(Says(at, "automatic", HINDERS[automatic[0]]))
        if not sighting.usable or not self.desk.drift_opens:
            return
        share = 0.0 if stray is None else stray.share.low
        begins = STRAY * (BACK_SHARE if self._twice["stray"].on else 1.0)
        if not self._twice["stray"].look(share > begins):
            return
        if stray is not None and self._twice["stray"].on:
            stops = round(math.log2(1.0 + stray.share.value), 2)
            where = (stray.where,) if stray.where else ()
            self.desk.emit(LightNote(at, IN_THE_PICTURE, "begun", stops, where, ""))
            much = f"{100 * stray.share.value:.0f} % of the face's light"
            side = f" ({stray.where})" if stray.where else ""
            self.desk.emit(Says(at, "stray", f"light from nowhere{side}: {much}"))
        else:
            self.desk.emit(LightNote(at, IN_THE_PICTURE, "over", None, (), "returned"))

    def _changes(self, event: Sighted) -> bool:
        """Was it taken while lamps went up or down on purpose? A camera that is set by hand and one
        that answers them look the same then."""
        early = event.taken is not None and event.taken < self.counts_from()
        return early or not self.desk.drift_opens

    def _hinders(self, event: Sighted) -> tuple[Hindrance, ...]:
        """What hinders, without what nobody can tell while the light changes on purpose."""
        hinders = event.sighting.hinders
        if not self._changes(event):
            return hinders
        return tuple(one for one in hinders if one not in AUTOMATIC)

    # ---- shown ---------------------------------------------------------------------------

    def _show(self, at: float) -> None:
        """Say it anew when it says something else, and now and then."""
        if self.last is None:
            return
        shown = (
            self.trust(at),
            self._hinders(self.last),
            self.as_kept(at)[:2],
            tuple(one.text for one in self.differs(at)[:NAMED]),
        )
        if shown != self._shown or at >= self._shown_at + SAID_EVERY:
            self._shown, self._shown_at = shown, at
            self.desk.emit(Announce(state=True))

    def trust(self, at: float) -> str:
        """May anything be concluded from it now: `usable`, or why not in a word."""
        last = self.last
        if self.heard is not None and not self.heard.alive:
            return "gone"
        if last is None:
            return "not seen"
        if not self.fresh(last, at):
            return "old" if last.taken is not None else "no clock"
        return "usable" if last.sighting.usable else "hindered"

    def view(self, at: float, wall: Callable[[float], float]) -> dict[str, object] | None:
        """The key `picture_seen` of the state; None where no witness is in the profile."""
        if not self.looks:
            return None
        last, heard = self.last, self.heard
        as_kept, why, _ = self.as_kept(at)
        found: dict[str, object] = {
            "witness": None if heard is None else heard.what if heard.alive else "gone",
            "witness_why": "" if heard is None else heard.why,
            "trust": self.trust(at),
            "as_kept": as_kept,
            "why": why,
            "differs": [one.shown() for one in self.differs(at)[:NAMED]],
            "holds_s": round(self.holds, 1),
            "age_s": None,
            "late_s": None if self.late_s is None else round(self.late_s, 1),
            "counts_from": None,
            "sighting": None,
        }
        counts = self.counts_from()
        if math.isfinite(counts):
            found["counts_from"] = round(wall(counts), 3)
        if last is not None:
            found["sighting"] = plain(replace(last.sighting, hinders=self._hinders(last)))
        if last is not None and last.taken is not None:
            found["age_s"] = round(max(0.0, at - last.taken), 1)
        return found


def no_picture_of(look: str) -> str:
    """Of a look that stands in no file, as one made of a take: nothing was ever kept of it."""
    return f"no picture is kept of {look}: `look save` makes it a look of the set and keeps one"


# What stands for a device in the record where it is the picture that changed.
IN_THE_PICTURE = "the picture"


def _bands(light: SeenLight) -> Iterator[tuple[Point, float, float, str]]:
    """What the picture makes of each point of a light."""
    lit, dark = light.amount.low > LIT, light.amount.high < LIT
    yield "switch", 1.0 if lit else 0.0, 0.0 if dark else 1.0, ""
    if light.level is not None:
        yield "level", max(0.0, light.level.low), min(100.0, light.level.high), "%"
    if light.cct is not None:
        yield "cct", light.cct.low, light.cct.high, "K"


def _more(why: str) -> str:
    return f": {why}" if why else ""

"""What is believed of one device, since when, and on what evidence.

Everything that bears on a device is folded into one `Belief`: what it reports, what the broker
kept of it, what its plug meters, what a person says, what it was told, its mains, the link. The
rest of the house asks beliefs and compares no times itself. By which rules: evidence.py.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import replace

from studiobridge.control.effects import ByHand
from studiobridge.control.events import Instrument
from studiobridge.control.evidence import (
    GAUGES,
    NEVER,
    TABLE,
    Gauged,
    Question,
    Told,
    Word,
    heard_before,
)
from studiobridge.control.rolling import Rolling
from studiobridge.craft.chroma import Colour, ColourSteps, apart
from studiobridge.craft.grid import Grid, mired
from studiobridge.craft.light import level_stops
from studiobridge.profile.model import (
    HOMIE5,
    LIGHT,
    Device,
    Point,
    Preset,
    ProvenBy,
    RollsBy,
    Value,
    figure,
)

# A lamp below this level (%) is out as far as its heat goes.
OUT_LEVEL = 1.0
# What a light without steps of its own says of one value twice differs by no more than this
# (stops, mired): a third of the smallest step that is asked for on purpose.
EXACT_STOPS, EXACT_MIRED = 0.03, 1.5
# A light without steps of its own that walks to what it was told has arrived within this (stops,
# mired): about what a level written to a tenth of a percent can differ by.
ARRIVED: Mapping[Point, float] = {"level": 0.01, "cct": 0.5}
NO_NARROWER: Mapping[Point, float] = {}


class Belief:
    """One device. Times are of the controller's clock (s)."""

    __slots__ = (
        "alive_at",
        "asked_at",
        "closing_until",
        "colours",
        "dark_because",
        "described",
        "device",
        "epoch",
        "epoch_since",
        "gauged",
        "grids",
        "hears",
        "idle_from",
        "idle_to",
        "last",
        "mains_since",
        "meant",
        "off_at",
        "off_since",
        "out_since",
        "quiet_until",
        "rolling",
        "shutting",
        "silent_since",
        "spoke_at",
        "tells",
        "ticked",
        "told",
        "unsent",
    )

    def __init__(self, device: Device) -> None:
        self.device = device
        # what it is: as the profile says, until a device of the convention describes itself
        self.tells: frozenset[Point] = device.tells
        self.hears: frozenset[Point] = device.hears
        self.grids: dict[Point, Grid] = {}
        self.colours: ColourSteps | None = None
        self.described = device.speaks != HOMIE5
        # what was heard of it
        self.epoch = 0
        self.epoch_since = NEVER
        self.last: dict[Point, Word] = {}
        self.gauged: dict[Point, Gauged] = {}  # what its own reports do not say
        self.spoke_at = NEVER  # its last report of this epoch
        self.alive_at = NEVER  # ... that says it runs
        self.silent_since: float | None = None
        # what was told to it and asked of it
        self.told: dict[Point, Told] = {}
        # of these, what was asked of it: without what only went with that (see `held`)
        self.meant: dict[Point, Told] = {}
        # a fixture on slots: why it is at 0 or untold whatever is wanted, until it is told anew;
        # and why what it is told does not leave this machine
        self.dark_because: str | None = None
        self.unsent: str | None = None
        if device.slots is not None:
            self.dark_because = (
                f"nothing was sent to {device.name} since the bridge started: `up` sends it"
            )
        self.asked_at = NEVER
        self.quiet_until = NEVER  # its own commands are still taking effect
        self.shutting = False
        # what follows for its mains, its heat, its computer, its camera
        self.mains_since = NEVER
        self.off_at = NEVER  # of a switch: when it last said off
        self.off_since = NEVER  # when it said off for the first time since it last said on
        self.out_since: float | None = None
        self.idle_from: float | None = None  # the first and the last idle sample in a row
        self.idle_to: float | None = None
        self.closing_until = NEVER
        # a person's word: a dial set to its preset
        self.ticked: ByHand | None = None
        # whether a camera rolls, by its watts and by what people say (rolling.py)
        self.rolling = Rolling(device)

    # ---- evidence comes in ---------------------------------------------------------------

    def hear(self, point: Point, value: Value, kept: bool, at: float) -> bool:
        """A report. False when it is older than what is known, and changes nothing."""
        before = self.last.get(point)
        if kept and before is not None and not before.kept and before.epoch == self.epoch:
            return False
        self.last[point] = Word(value, at, kept, self.epoch)
        if self.device.either:
            self._white_or_coloured(point, value, at, kept)
        if point == "switch" and value is False:
            self.off_at = at
            if before is None or before.value is not False:
                self.off_since = at
        if not kept:
            self.spoke_at = at
            self.silent_since = None
            leaves = point == "down" if value else point == "online"
            if not leaves and point != "watts":
                self.alive_at = at
            if self.device.fixture and point in ("switch", "level"):
                self._lamp(at)
        return True

    def gauge(self, point: Point, band: Gauged) -> bool:
        """What an instrument makes of a point. False when it changes nothing that is believed.

        The instrument its profile names is heard before any other, and the camera before a light
        sensor (`heard_before`). What is no band (a NaN, the ends the wrong way round) says
        nothing; nor does anything of a point it reports itself.
        """
        if point in self.hears or point not in GAUGES[band.by] or not band.low <= band.high:
            return False
        before = self.band("is it so", point)
        if before is not None and heard_before(before.by, band.by, self.device.proof):
            return False
        self.gauged[point] = band
        return before is None or replace(before, at=band.at, why=band.why) != band

    def lose_gauge(self, by: Instrument) -> bool:
        """This instrument says nothing of it any more. True when it had."""
        lost = [point for point, band in self.gauged.items() if band.by == by]
        for point in lost:
            del self.gauged[point]
        return bool(lost)

    def _white_or_coloured(self, point: Point, value: Value, at: float, kept: bool) -> None:
        """It is either: what it says of the one says of the other that it is not that."""
        if point == "colour":
            self.last["cct"] = Word(value, at, kept, self.epoch)
        elif point == "cct":
            self.last["colour"] = Word(value, at, kept, self.epoch)

    def _lamp(self, at: float) -> None:
        """Is the lamp lit, by what was reported in this epoch? Anything but a clear no is yes."""
        switch, level = self.word("is it there", "switch"), self.word("is it there", "level")
        out = switch is not None and switch.value is False
        if not out and (level is None or figure(level.value) > OUT_LEVEL):
            self.out_since = None
        elif self.out_since is None:
            self.out_since = at

    def tell(
        self,
        values: Iterable[tuple[Point, Value]],
        at: float,
        settles_at: float,
        along: Collection[Point] = (),
    ) -> None:
        """It was told these; until `settles_at` its reports may be of the way there.

        `along`: points nobody asked for, which only go with the others.
        """
        for point, value in values:
            told = self.told[point] = Told(value, at, settles_at, self.epoch)
            if point not in along:
                self.meant[point] = told
            if point in self.device.mute:
                self.dark_because = None
                if value is True or (point == "level" and figure(value) > OUT_LEVEL):
                    self.out_since = None
        self.quiet_until = max(self.quiet_until, settles_at)

    @property
    def unreached(self) -> str | None:
        """Why what it was told is not what it gets; None where nothing is known against it."""
        return self.unsent or self.dark_because

    def told_out(self, at: float) -> None:
        """It was told to go out and had its time. Of a lamp that never says so, nothing else can
        count for its heat."""
        if self.out_since is None and not {"switch", "level"} & self.hears:
            self.out_since = at

    def metered(self, watts: float, at: float) -> None:
        """A fresh sample of a computer's draw: is it idle, and for how long (law 5)?"""
        below = self.device.idle_below
        if below is None or watts >= below:
            self.idle_from = self.idle_to = None
            return
        if self.idle_from is None:
            self.idle_from = at
        self.idle_to = at

    # ---- epochs end ----------------------------------------------------------------------

    def _new_epoch(self, at: float) -> None:
        self.epoch += 1
        self.epoch_since = at
        self.spoke_at = NEVER
        self.silent_since = None
        self.idle_from = self.idle_to = None

    def mains_came(self, at: float) -> None:
        """It boots, and a lamp may be lit: only a report from now on says that it is out."""
        self._new_epoch(at)
        self.mains_since = at
        self.shutting = False
        self.out_since = None

    def mains_went(self, at: float) -> None:
        """It has no power: a lamp is out from now on, if it was not already."""
        self._new_epoch(at)
        self.rolling.mains_went()
        self.mains_since = at
        self.shutting = False
        if self.out_since is None:
            self.out_since = at

    def mains_still_off(self, at: float) -> None:
        """Its plug says off again: if it was lit against that word, it is out from now on."""
        if self.out_since is None:
            self.out_since = at

    def mains_were_on(self) -> None:
        """Its plug says on, perhaps since this epoch began: a lamp may have been lit since then."""
        if self.out_since is not None and self.out_since < self.epoch_since:
            self.out_since = None

    def link_came(self, at: float) -> None:
        """After a silence of unknown length only what is heard from now on counts."""
        self._new_epoch(at)
        self.rolling.link_came()

    # ---- questions -----------------------------------------------------------------------

    def told_at(self, point: Point) -> float:
        """When it was last told anything of this point; NEVER if never."""
        told = self.told.get(point)
        return NEVER if told is None else told.at

    @property
    def called_at(self) -> float:
        """When it was last told or asked anything."""
        return max((self.asked_at, *(told.at for told in self.told.values())))

    @property
    def told_on(self) -> bool:
        """Was its switch told on last, whenever that was?"""
        told = self.told.get("switch")
        return told is not None and told.value is True

    def told_now(self, point: Point) -> Value | None:
        """What it was told last of this point in this epoch; None where it was not."""
        told = self.told.get(point)
        return None if told is None or told.epoch != self.epoch else told.value

    def word(self, question: Question, point: Point) -> Word | None:
        """The evidence that answers this question about this point; None where none does."""
        heard = self.last.get(point)
        if heard is None:
            return None
        accepts = TABLE[question]
        if accepts.this_epoch and heard.epoch != self.epoch:
            return None
        if heard.kept and not accepts.kept:
            return None
        if accepts.since_told and heard.at <= self.told_at(point):
            return None
        if question == "has it moved" and heard.kept and self.device.can_ask:
            return None
        return heard

    def said(self, question: Question, point: Point) -> Value | None:
        """The value that answers this question; None where nothing does."""
        heard = self.word(question, point)
        return None if heard is None else heard.value

    def band(self, question: Question, point: Point) -> Gauged | None:
        """The gauged band that answers this question about this point; None where none does."""
        band = self.gauged.get(point)
        accepts = TABLE[question]
        if band is None or not accepts.gauged:
            return None
        if accepts.this_epoch and band.epoch != self.epoch:
            return None
        if accepts.since_told and band.at <= self.told_at(point):
            return None
        return band

    def agrees(self, point: Point, wanted: Value) -> bool | None:
        """Does the gauged band confirm this value, or contradict it? None: it says neither."""
        band = self.band("is it so", point)
        if band is None:
            return None
        if point == "switch":
            return None if band.low != band.high else bool(band.low) == bool(wanted)
        near = min(max(figure(wanted), band.low), band.high)
        if not self.same(point, wanted, near):
            return False
        inside = self.same(point, wanted, band.low) and self.same(point, wanted, band.high)
        return True if inside else None

    def proven_by(self, point: Point) -> ProvenBy:
        """Which evidence this point of it needs: its report, else what its profile names."""
        if point in self.hears:
            return "report"
        proof = self.device.proof
        if proof in GAUGES and point in GAUGES[proof]:
            return proof
        return "hand" if proof == "hand" or self.device.hand_set else "none"

    @property
    def may_be_ticked(self) -> bool:
        """May a person say that it is as asked: a dial, or what is told and cannot say so?"""
        told = bool(self.device.mute) and self.device.proof != "none"
        return self.device.hand_set or told

    def by_hand(self, preset: Preset | None) -> bool:
        """Does a person's word hold that it is as this preset says?

        A dial stays as it is turned, where its lamp does not come back otherwise; what is told
        may go elsewhere with the next command or its mains. Where an instrument contradicts the
        word, it holds no more.
        """
        ticked = self.ticked
        if ticked is None or ticked.preset != preset:
            return False
        if self.device.speaks is not None or self.device.comes_back not in (None, "last"):
            told_at = (told.at for told in self.told.values())
            if ticked.at <= max((self.epoch_since, *told_at)):
                return False
        level, cct = ticked.preset.level, ticked.preset.cct
        return (
            (level is None or self.agrees("level", level) is not False)
            and (cct is None or self.agrees("cct", cct) is not False)
            and self.agrees("switch", True) is not False
        )

    def held(self, point: Point, at: float) -> Value | None:
        """What this point was told or said last, whichever is news; None where neither is known.

        It proves nothing: it is what has to be said again to a device that takes some points only
        together. What is still on its way is not overtaken by a report of the way there, but a
        switch that says off is. One that nobody told on or heard on in this epoch is off.
        """
        told, heard = self.meant.get(point), self.last.get(point)
        if point == "switch":
            told = told if told is not None and told.epoch == self.epoch else None
            heard = self.word("is it there", point)
        under_way = told is not None and at < told.until and point != "switch"
        if told is not None and (heard is None or heard.at <= told.at or under_way):
            return told.value
        if heard is not None:
            return heard.value
        return False if point == "switch" else None

    @property
    def spoke(self) -> bool:
        """Has it reported anything in this epoch?"""
        return self.spoke_at != NEVER

    @property
    def gone(self) -> bool:
        """Did it, or its last will, say that it left, and nothing since that it is back?"""
        return self.said("is it gone", "online") is False

    def is_there(self, at: float) -> None:
        """It did as it was told, so it is there, though it was said before that it had left."""
        if self.gone:
            self.last["online"] = Word(True, at, False, self.epoch)

    def is_so(
        self, points: Mapping[Point, Value], within: Mapping[Point, float] = NO_NARROWER
    ) -> bool:
        """Is each of these points that it can report proven as wanted, by a report of its own?

        `within`: how near (stops, mired) a point has to be, nearer than its tolerance.
        """
        for point, wanted in points.items():
            if point in self.device.mute:
                continue
            said = self.said("is it so", point)
            if said is None or not self.same(point, wanted, said):
                return False
            if point in within and not self.exactly(point, wanted, said, within[point]):
                return False
        return True

    def exactly(
        self, point: Point, wanted: Value, said: Value, within: float | None = None
    ) -> bool:
        """As `same`, but on the very step of its own, or within so many stops or mired."""
        if isinstance(wanted, Colour) or isinstance(said, Colour):
            return self._same_colour(wanted, said)
        wanted, said = float(wanted), float(said)
        grid = self.grids.get(point)
        if grid is not None and grid.step > 0:
            on = grid.is_on(said, wanted)
            if on or within is None:
                return on
        if point == "cct":
            near = EXACT_MIRED if within is None else within
            return said > 0 and abs(mired(said) - mired(wanted)) <= near + 1e-9
        stops = level_stops(self.device.dimmer, wanted, said)
        if stops is None:
            return wanted == said
        return abs(stops) <= (EXACT_STOPS if within is None else within) + 1e-9

    def on_its_way(self, at: float) -> bool:
        """Was its light told something a moment ago, and it does not say yet that it is there?

        Some walk there, and their reports are within tolerance of it before they arrive.
        """
        if at >= self.quiet_until:
            return False
        for point in LIGHT:
            told, said = self.told_now(point), self.said("is it so", point)
            if told is None or point not in self.hears:
                continue
            if said is None or not self.exactly(point, told, said, ARRIVED.get(point)):
                return True
        return False

    def same(self, point: Point, wanted: Value, said: Value) -> bool:
        """Is the reported value the wanted one, within tolerance and the device's own step?

        Level is compared in stops of light, CCT in mired, colour in Δu′v′.
        """
        if isinstance(wanted, Colour) or isinstance(said, Colour):
            return self._same_colour(wanted, said)
        if point not in ("level", "cct"):
            return bool(wanted) == bool(said)
        wanted, said = float(wanted), float(said)
        grid = self.grids.get(point)
        if grid is not None and grid.same(wanted, said):
            return True
        if point == "cct":
            if said <= 0:
                return False
            shift = mired(said) - mired(wanted)
            return abs(shift) <= self.device.tolerance.cct + 1e-9
        stops = level_stops(self.device.dimmer, wanted, said)
        if stops is None:
            # one of them is dark: only both being dark is the same
            return wanted == said
        return abs(stops) <= self.device.tolerance.level + 1e-9

    def _same_colour(self, wanted: Value, said: Value) -> bool:
        """In Δu′v′. Where one of the two is a white (it is either), it is never the same."""
        if not isinstance(wanted, Colour) or not isinstance(said, Colour):
            return False
        if self.colours is not None and self.colours.same(wanted, said):
            return True
        return apart(wanted, said) <= self.device.tolerance.colour + 1e-9

    @property
    def coloured(self) -> bool | None:
        """Of a fixture that is either: is it coloured, by its last word? None: it does not say."""
        if not self.device.either:
            return None
        said = self.said("was it so", "cct")
        return None if said is None else isinstance(said, Colour)

    def points_of(self, preset: Preset) -> dict[Point, Value]:
        """The points of a preset that this device can be told."""
        points: dict[Point, Value] = {}
        if preset.level is not None and "level" in self.tells:
            points["level"] = preset.level
        if preset.cct is not None and "cct" in self.tells:
            points["cct"] = preset.cct
        dark = preset.level is not None and preset.level <= self.lowest
        # black has no colour: what is dark cannot say which it would have
        if preset.colour is not None and "colour" in self.tells and not dark:
            points["colour"] = preset.colour
        return points

    @property
    def lowest(self) -> float:
        """The level (%) at which this fixture is out."""
        return self.device.level_range[0] if self.device.level_range is not None else 0.0

    @property
    def rolls(self) -> bool:
        """A camera: by its last report, its watts or a person's word, whichever says it rolls."""
        return self.said("was it so", "rolling") is True or self.rolling.rolls

    @property
    def rolls_by(self) -> RollsBy:
        """Who can know whether this camera rolls: by its profile, or as it described itself."""
        told = self.device.rolls
        if told is not None and told.by != "report":
            return told.by
        return "report" if "rolling" in self.hears else "hand"

    def say_rolling(self, rolling: bool, at: float) -> None:
        """A person says whether this camera rolls: against its own last report, too."""
        self.rolling.say(rolling, at)
        if not rolling and self.said("was it so", "rolling") is True:
            self.last["rolling"] = Word(False, at, True, self.epoch)

    @property
    def idle_for(self) -> float:
        """Seconds spanned by fresh idle samples in a row: 0 with none or one."""
        if self.idle_from is None or self.idle_to is None:
            return 0.0
        return self.idle_to - self.idle_from

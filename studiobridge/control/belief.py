"""What is believed of every device, since when, and on what evidence.

Everything that bears on a device is folded into one `Belief`: what it reports, what the broker
kept of it, what its plug meters, what a person says, what it was told, its mains, the link. The
rest of the house asks beliefs and compares no times itself.

The rules of evidence:

- An *epoch* is a stretch of time in which evidence holds. It ends when the mains of the device
  come or go, when the link is lost, and when the bridge stops. What was heard in an epoch that
  has ended says what the device was, never what it is.
- `told` proves nothing. After a command only what is heard later says anything of that point.
- `kept` (the broker had it from before) proves nothing either: a device that lost its power
  leaves its last report at the broker. It counts as the last word of a device that cannot be
  asked, and as a reason to ask the others.
- A kept report never takes the place of a report of the same epoch.
- One thing is carried over an epoch: how long a lamp has been out, and only in the careful
  direction. Where it may have been lit meanwhile, it was.
- The mains of a computer with a battery of its own end no epoch of it: it runs on, and what it
  said still holds. What its charger draws says nothing of whether it runs.
- A computer that says it is down is down until it says anything else: a farewell of the same
  moment is no sign of life, a report later than that is.
- A person's word (`ticked`) holds for what only a hand can set, until evidence says otherwise.
- Whether a camera rolls that cannot say so has rules of its own, in rolling.py.
- A *gauged band* is what another instrument (the watts of the plug, a sensor, the picture) makes of
  a point the device never says: somewhere from `low` to `high`. It proves a value only if all of
  it lies within tolerance, contradicts it only if all of it lies outside, and else says nothing.
  It is bound to its epoch and outlived by a command, like a report.
- What a device reports is proven by its reports. Only what it cannot say is proven by what its
  profile names (`proof:`). A lamp proven by watts has to agree with them before the set is ready,
  on a dial or not: its profile names an instrument, and law 7 asks for that one. Its power comes
  with the run-up, its dial is turned in the light of it, and the set becomes ready by itself when
  the watts agree, or when a person says so where the watts cannot tell. With `proof: hand` and
  `proof: none` nobody waits: such a lamp is named as not proven, and that is all.

`TABLE` says which evidence of which epoch answers which question.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Literal

from studiobridge.control.effects import ByHand
from studiobridge.control.events import Instrument
from studiobridge.control.feeds import Feeds
from studiobridge.control.rolling import Rolling
from studiobridge.craft.chroma import Colour, ColourSteps, apart
from studiobridge.craft.grid import Grid, mired
from studiobridge.craft.light import level_stops
from studiobridge.profile.manners import meter_of
from studiobridge.profile.model import (
    HOMIE5,
    Device,
    Point,
    Preset,
    ProvenBy,
    RollsBy,
    SetProfile,
    Value,
    figure,
)

NEVER = float("-inf")
# A lamp below this level (%) is out as far as its heat goes.
OUT_LEVEL = 1.0
# The last idle sample of a computer proves so long (s) that it is down: some periods of a slow
# meter, and shorter than anybody needs to wake it and have work to lose.
IDLE_HOLDS = 60.0
# What a computer says within so long (s) of its word that it is down was said on its way there:
# the rest of one message, or one that was overtaken.
FAREWELL = 2.0

Proof = Literal["report", "watts", "picture", "hand", "told"]

# Which points an instrument other than the device can tell anything of.
GAUGES: Mapping[str, frozenset[Point]] = {
    "watts": frozenset({"switch", "level"}),
    "picture": frozenset({"switch", "level", "cct"}),
}

# How the evidence of an instrument is spoken of.
BY: Mapping[str, str] = {"watts": "its watts", "picture": "the picture"}

Question = Literal[
    "is it so",  # proof that a command was done, and that the set is ready
    "is it there",  # has it spoken since its mains and the link came
    "is it gone",  # did it, or its last will, say that it left
    "has it moved",  # does it differ from what is wanted
    "was it so",  # the last word, however old: for loads, and for showing
]


@dataclass(frozen=True, slots=True)
class Accepts:
    """Which evidence answers a question.

    `kept`: also what the broker kept. `this_epoch`: only what was heard in the present epoch.
    `since_told`: only what was heard after the last command for this point. `gauged`: where it
    cannot say so itself, also what another instrument makes of it.
    """

    kept: bool
    this_epoch: bool
    since_told: bool
    gauged: bool = False


TABLE: Mapping[Question, Accepts] = {
    "is it so": Accepts(kept=False, this_epoch=True, since_told=True, gauged=True),
    "is it there": Accepts(kept=False, this_epoch=True, since_told=False),
    "is it gone": Accepts(kept=True, this_epoch=True, since_told=False),
    # kept only from a device that cannot be asked: the others are asked
    "has it moved": Accepts(kept=True, this_epoch=True, since_told=True, gauged=True),
    "was it so": Accepts(kept=True, this_epoch=False, since_told=False, gauged=True),
}


@dataclass(slots=True)
class Word:
    """The last word about one point: what, when, on what evidence, in which epoch.

    Never changed once made; not frozen only because one is made for every report.
    """

    value: Value
    at: float
    kept: bool
    epoch: int


@dataclass(frozen=True, slots=True)
class Told:
    """What a point was told last: what, when, in which epoch. Until when it is under way (s)."""

    value: Value
    at: float
    until: float
    epoch: int


@dataclass(frozen=True, slots=True)
class Gauged:
    """What another instrument makes of a point: somewhere from low to high, both included.

    Of a switch: 1 on, 0 off, and 0 to 1 where it cannot tell.
    """

    low: float
    high: float
    at: float
    epoch: int
    by: Instrument
    unit: str = "%"
    # it rests on a person's word too, and on what the instrument saw since
    word: bool = False
    # why it cannot tell more, where it can say
    why: str = ""

    def __str__(self) -> str:
        """`45 to 60 %`, `4100 to 4300 K`, and of a switch `on` or `off`."""
        if not self.unit:
            return "on" if self.low else "off"
        low, high = f"{self.low:.4g}", f"{self.high:.4g}"
        return f"{low} {self.unit}" if low == high else f"{low} to {high} {self.unit}"


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
            self.dark_because = f"nothing was sent to {device.name} since the bridge started"
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

        The instrument its profile names is heard before any other. What is no band (a NaN, the
        ends the wrong way round) says nothing; nor does anything of a point it reports itself.
        """
        if point in self.hears or point not in GAUGES[band.by] or not band.low <= band.high:
            return False
        before = self.band("is it so", point)
        named = self.device.proof
        if before is not None and before.by == named != band.by:
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

        A dial stays as it is turned; what is told may go elsewhere with the next command or its
        mains. Where an instrument contradicts the word, it holds no more.
        """
        ticked = self.ticked
        if ticked is None or ticked.preset != preset:
            return False
        if self.device.speaks is not None:
            told_at = (told.at for told in self.told.values())
            if ticked.at <= max(self.epoch_since, *told_at):
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

    def is_so(self, points: Mapping[Point, Value]) -> bool:
        """Is each of these points that it can report proven as wanted, by a report of its own?"""
        for point, wanted in points.items():
            if point in self.device.mute:
                continue
            said = self.said("is it so", point)
            if said is None or not self.same(point, wanted, said):
                return False
        return True

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


class Beliefs:
    """Every device of a set, asked the questions that order, interlocks and views ask."""

    def __init__(self, profile: SetProfile, feeds: Feeds) -> None:
        self.profile = profile
        self.feeds = feeds
        self.of = {name: Belief(device) for name, device in profile.devices.items()}
        self.now = NEVER
        # fixtures with open drift: they are set again, whatever their own tolerance says
        self.adrift: set[str] = set()
        # each mains switch that meters exactly one computer, and that computer
        self.sole_computer = {
            switch: reached[0]
            for switch, reached in feeds.reach.items()
            if len(reached) == 1
            and profile.devices[reached[0]].kind == "computer"
            and not profile.devices[reached[0]].own_battery
            and "watts" in profile.devices[switch].hears
        }
        # who meters each camera that is known to roll by its watts, and that meter's camera
        self.camera_meter = {
            d.name: meter
            for d in profile.devices.values()
            if d.kind == "camera" and d.rolls_by == "watts"
            for meter in (meter_of(profile.devices, d),)
            if meter is not None
        }
        self._camera_on = {meter: camera for camera, meter in self.camera_meter.items()}
        self._meter_of = {computer: switch for switch, computer in self.sole_computer.items()}

    # ---- evidence comes in ---------------------------------------------------------------

    def link_up(self, at: float) -> None:
        for belief in self.of.values():
            belief.link_came(at)

    def hear(self, name: str, point: Point, value: Value, kept: bool, at: float) -> set[str]:
        """A report. Returns the devices of which something else is believed now."""
        belief = self.of[name]
        before = belief.last.get(point)
        if not belief.hear(point, value, kept, at):
            return set()
        # the same value on other evidence is news too: what was kept is reported now
        now = belief.last[point]
        same = before is not None and before.value == value
        if same and before is not None:
            same = before.kept == now.kept and before.epoch == now.epoch
        changed = set() if same else {name}
        if point == "switch" and (before is None or before.value is not value):
            changed |= self._mains(name, bool(value), at)
        elif point == "switch" and value is False and not kept:
            for below in self.feeds.powers.get(name, ()):
                self.of[below].mains_still_off(at)
        elif point == "watts" and not kept:
            computer = name if belief.device.kind == "computer" else self.sole_computer.get(name)
            if computer is not None:
                self.of[computer].metered(figure(value), at)
            camera = self._camera_on.get(name)
            # while it boots it may take as much as it does while it rolls, and cannot roll
            booted = camera is not None and not self.booting_now(camera, at)
            if camera is not None and booted:
                self.of[camera].rolling.sample(figure(value), at)
        return changed

    def _mains(self, switch: str, on: bool, at: float) -> set[str]:
        """A mains switch says something new: what hangs on it has to be heard anew."""
        off_at = self.of[switch].off_at
        below = self.feeds.powers.get(switch, ())
        for name in below:
            belief = self.of[name]
            if not on:
                belief.mains_went(at)
            elif belief.epoch_since > off_at:
                # The epoch of this device began after the switch last said off: when the switch
                # was told on, or when the link came. What it has reported since then still holds.
                belief.mains_were_on()
            else:
                belief.mains_came(at)
        return set(below)

    def told(
        self,
        name: str,
        values: Collection[tuple[Point, Value]],
        at: float,
        until: float,
        along: Collection[Point] = (),
    ) -> set[str]:
        """A command leaves. Returns the devices whose mains may come with it."""
        self.of[name].tell(values, at, until, along)
        if ("switch", True) not in values or name not in self.feeds.switches:
            return set()
        if self.said_on(name):
            return set()  # it says it is on already: its devices keep what is known of them
        for below in self.feeds.powers[name]:
            self.of[below].mains_came(at)
        return set(self.feeds.powers[name])

    # ---- mains ---------------------------------------------------------------------------

    def said_on(self, name: str) -> bool:
        """Was its last word, however old, that it is on?"""
        return self.of[name].said("was it so", "switch") is True

    def said_off(self, name: str) -> bool:
        return self.of[name].said("was it so", "switch") is False

    def has_mains(self, name: str) -> bool:
        """Does it have mains, as far as is known? No switch above it last said that it is off."""
        return not any(self.said_off(above) for above in self.feeds.line[name])

    def powered(self, name: str) -> bool:
        """Has it what it runs on, as far as is known: its mains, or a battery of its own?"""
        return self.of[name].device.own_battery or self.has_mains(name)

    def may_be_on(self, name: str) -> bool:
        """Could this device draw from its mains? Anything but a clear no counts as yes."""
        return self.has_mains(name) and not self.said_off(name)

    def surely_on(self, name: str) -> bool:
        belief = self.of[name]
        return (
            belief.said("is it so", "switch") is True
            and not belief.gone
            and all(self.surely_on(above) for above in self.feeds.line[name][:1])
        )

    def surely_off(self, name: str) -> bool:
        """Proven off: it said so itself since it was last told, or a switch above it did."""
        return any(
            self.of[other].said("is it so", "switch") is False
            for other in (name, *self.feeds.line[name])
        )

    def surely_energised(self, name: str) -> bool:
        """Would telling it on switch nothing on: neither itself nor a switch above it?"""
        switches = [*self.feeds.line[name]]
        if "switch" in self.of[name].tells:
            switches.append(name)
        return all(self.surely_on(switch) for switch in switches)

    def told_on_unanswered(self, name: str) -> float | None:
        """When this, or a switch above it, was told something it has not answered; None if not."""
        for other in (name, *self.feeds.line[name]):
            belief = self.of[other]
            told_at = belief.told_at("switch")
            if not belief.told_on:
                continue
            said = belief.word("is it so", "switch")
            # off, said while the command may still lie unread, is not the answer to it
            life = max(1.0, self.profile.patience.reply) + belief.device.answers_in
            if said is None or (said.value is False and said.at <= told_at + life):
                return told_at
        return None

    def off_in_doubt(self, name: str) -> bool:
        """Is there no word "off" left to rely on for whoever reaches in?

        A switch that left may come back on, and what speaks has mains whatever its plug says.
        """
        for other in (name, *self.feeds.line[name]):
            belief = self.of[other]
            if belief.said("is it so", "switch") is False and not belief.gone:
                return self.against(name) is not None
        return True

    def against(self, name: str) -> str | None:
        """The switch above a device that says off, though the device has spoken since.

        One of the two is wrong, or late: whoever decides about heat takes the worse. What has a
        battery of its own may speak as it likes.
        """
        if self.of[name].device.own_battery:
            return None
        for above in self.feeds.line[name]:
            last = self.of[above].last.get("switch")
            if last is not None and last.value is False:
                belief = self.of[name]
                said = self.of[above].word("is it there", "switch")
                later = belief.spoke_at > (NEVER if said is None else said.at)
                return above if later and not belief.gone else None
        return None

    def still_drawing(self, switch: str) -> float | None:
        """Watts a switch meters above its residual though it says off; None when it does not."""
        belief = self.of[switch]
        watts = belief.word("is it there", "watts")
        said = belief.word("is it there", "switch")
        if watts is None or said is None or said.value is not False:
            return None
        # a sample of the moment it went off may still be of the load before
        if watts.at < belief.off_since + belief.device.answers_in:
            return None
        return figure(watts.value) if figure(watts.value) > belief.device.residual else None

    # ---- is it as asked ------------------------------------------------------------------

    def online(self, name: str) -> bool | None:
        """True: heard in this epoch. False: said to be gone, or its feed is off. None: unheard."""
        belief = self.of[name]
        if belief.device.speaks is None:
            return None
        if not self.powered(name) or belief.gone:
            return False
        return True if belief.spoke else None

    def surely_heard(self, name: str) -> bool:
        belief = self.of[name]
        if belief.device.own_battery:
            up = not self.is_down(name)  # no mains that come make it start: somebody opens it
        else:
            up = all(self.surely_on(above) for above in self.feeds.line[name][:1])
        return (
            belief.spoke
            and belief.described
            and belief.silent_since is None
            and not belief.gone
            and up
        )

    def surely_set(self, name: str, preset: Preset) -> bool:
        """Is it proven to be as this preset says, so that it need not be told again?"""
        belief = self.of[name]
        if name in self.adrift:
            return False
        points = belief.points_of(preset)
        if "switch" in belief.tells:
            points["switch"] = True
        if not points:
            return self.surely_heard(name)
        return self.proof(name, points, preset) not in (None, "told")

    def surely_out(self, name: str) -> bool:
        belief = self.of[name]
        switch = belief.said("is it so", "switch")
        if switch is False or "switch" in belief.tells & belief.hears:
            return switch is False
        level = belief.said("is it so", "level")
        return level is not None and belief.same("level", belief.lowest, level)

    def why_unproven(
        self,
        name: str,
        points: Mapping[Point, Value],
        differing: bool = True,
        preset: Preset | None = None,
    ) -> str | None:
        """Why it is not proven that this device is as asked (law 7); None when it is.

        `differing` False: evidence that says something else counts as evidence, and no more.
        Points for which the profile asks no evidence keep nobody waiting (`only_told`).
        """
        return self.why_unheard(name, points, differing) or self.why_not_gauged(
            name, points, differing, preset
        )

    def why_unheard(
        self, name: str, points: Mapping[Point, Value], differing: bool = True
    ) -> str | None:
        """Why its reports do not prove what they have to."""
        belief = self.of[name]
        if not belief.hears:
            # what an instrument proves is so, whoever sent it what: a fixture that holds is lit
            seen = [belief.agrees(p, w) for p, w in points.items() if p in belief.device.mute]
            return None if seen and all(seen) else belief.unreached
        if not self.surely_heard(name):
            return f"{name} does not answer"
        for point, wanted in points.items():
            if point == "online" or point not in belief.hears:
                continue
            said = belief.said("is it so", point)
            if said is None:
                return f"{name} has not confirmed its {point}"
            if differing and not belief.same(point, wanted, said):
                return f"{name} reports another {point}"
        return None

    def why_not_gauged(
        self,
        name: str,
        points: Mapping[Point, Value],
        differing: bool = True,
        preset: Preset | None = None,
    ) -> str | None:
        """Why the instrument its profile names does not prove what it has to."""
        belief = self.of[name]
        by = BY.get(belief.device.proof)
        gauged = [point for point in points if belief.proven_by(point) in GAUGES]
        if by is None or not gauged or belief.by_hand(preset):
            return None
        if belief.device.proof == "watts" and self.metered_by(name) is None:
            return f"the plug that meters {name} does not answer"
        for point in gauged:
            band = belief.band("is it so", point)
            agrees = belief.agrees(point, points[point])
            if band is None:
                return f"{name} is not confirmed by {by} yet"
            if point == "switch":
                if agrees is None:
                    return f"{name} cannot be told by {by}: neither on nor off"
                if differing and not agrees:
                    return f"{name} is {'on' if band.low else 'off'} by {by}"
            elif agrees is None:
                say = band.why or f"its {point} is somewhere from {band}"
                return f"{name} cannot be told by {by}: {say}"
            elif differing and not agrees:
                return f"{name} is not as asked: by {by} its {point} is {band}"
        return None

    def awaits_gauge(self, name: str, points: Mapping[Point, Value], preset: Preset | None) -> bool:
        """Is there an instrument that should say something of it soon, and has not yet?"""
        belief = self.of[name]
        gauged = [point for point in points if belief.proven_by(point) in GAUGES]
        if not gauged or belief.by_hand(preset):
            return False
        if belief.device.proof == "watts" and self.metered_by(name) is None:
            return False
        return any(belief.band("is it so", point) is None for point in gauged)

    def metered_by(self, name: str) -> str | None:
        """The nearest plug above a device that meters, while it is surely on; None where none is.

        A plug that left or fell silent meters nothing.
        """
        for above in self.of[name].device.feeds:
            belief = self.of[above]
            if "watts" in belief.hears:
                there = self.surely_on(above) and belief.silent_since is None
                return above if there else None
        return None

    def only_told(self, name: str, points: Mapping[Point, Value], preset: Preset | None) -> bool:
        """Is there anything about it that nothing proves, and nobody waits for (law 7)?"""
        belief = self.of[name]
        unasked = [p for p in points if belief.proven_by(p) in ("hand", "none")]
        return bool(unasked) and not belief.by_hand(preset)

    def proof(
        self, name: str, points: Mapping[Point, Value], preset: Preset | None = None
    ) -> Proof | None:
        """On what evidence it is as asked, the weakest of its points naming it.

        `told` is no proof, only all there is.
        """
        belief = self.of[name]
        if points and self.why_unproven(name, points, preset=preset) is None:
            if not any(belief.proven_by(point) != "report" for point in points):
                return "report"
            if not self.only_told(name, points, preset) and self.powered(name):
                gauged = [p for p in points if belief.proven_by(p) in GAUGES]
                if gauged and all(belief.agrees(p, points[p]) for p in gauged):
                    band = belief.band("is it so", gauged[0])
                    return "hand" if band is None or band.word else band.by
                return "hand"
        told = any(belief.told_now(p) is not None for p in points)
        told = told and belief.unreached is None
        return "told" if told and self.powered(name) else None

    # ---- cameras -------------------------------------------------------------------------

    def rolling(self, name: str) -> tuple[bool | None, RollsBy | None]:
        """Does this camera roll, and who says so? (None, None): nobody knows."""
        belief = self.of[name]
        take = belief.rolling
        if belief.said("was it so", "rolling") is True:
            return True, "report"
        if take.rolls:
            return True, "watts" if take.watts is True else "hand"
        if take.stopped_by_watts(self.now):
            return False, "watts"
        if take.spoken_since(self.now):
            return False, "hand"
        said = belief.said("is it there", "rolling") is False and not belief.gone
        if belief.rolls_by == "report" and said and self.powered(name):
            return False, "report"
        # what has no mains does not roll, by the word of its plug
        off = self.surely_off(name) and not belief.device.battery
        return (False, "report") if off else (None, None)

    # ---- computers, lamps, loads ---------------------------------------------------------

    def is_down(self, name: str) -> bool:
        """A computer said it is down, or two samples in a row span its idle time (law 5)."""
        belief = self.of[name]
        down = belief.word("is it there", "down")
        if down is not None and down.value is True and belief.alive_at <= down.at + FAREWELL:
            return True
        if belief.idle_to is not None and self.now > belief.idle_to + IDLE_HOLDS:
            return False  # its meter fell silent: somebody may have woken it since
        return belief.idle_for > 0 and belief.idle_for >= belief.device.idle_for - 1e-6

    def to_close(self) -> dict[str, str]:
        """Computers with a battery of their own that are not known to be down, each with why."""
        return {
            name: self.why_to_close(name)
            for name in self.of
            if name in self.feeds.own_battery and not self.is_down(name)
        }

    def why_to_close(self, name: str) -> str:
        """What speaks against such a computer being down, for who is asked to close it."""
        belief = self.of[name]
        if belief.gone:
            return f"{name} has left the network and never said that it is down"
        if "down" in belief.hears:
            return f"{name} has not said that it is down"
        if "shut_down" in belief.tells:
            return f"{name} was told to shut down, and nothing says that it did"
        return f"{name} runs on its own battery, and nothing tells it"

    def draws_now(self, computer: str) -> float | None:
        """What a computer's own meter or its plug last metered in this epoch (W)."""
        for name in (computer, self._meter_of.get(computer)):
            watts = None if name is None else self.of[name].said("is it there", "watts")
            if watts is not None:
                return figure(watts)
        return None

    def meter_of(self, computer: str) -> str:
        """Who meters a computer: its plug where it feeds nothing else, or itself."""
        return self._meter_of.get(computer, computer)

    def going_down(self, name: str) -> bool:
        return self.of[name].shutting or self.is_down(name)

    def booting_now(self, name: str, at: float) -> bool:
        """Has its mains come too short a time ago for it to do anything yet?"""
        belief = self.of[name]
        return at < belief.mains_since + belief.device.boots_in

    def booting(self, name: str) -> bool:
        """Its mains came a moment ago and it has not spoken yet."""
        belief = self.of[name]
        since = belief.mains_since
        return since != NEVER and self.now < since + 1.5 * belief.device.boots_in + 1.0

    def still_hot(self, name: str) -> float:
        """Seconds of cool-down left (0 when none). A lamp that may be lit needs all of it."""
        belief = self.of[name]
        cools_in = belief.device.cools_in
        if cools_in <= 0:
            return 0.0
        if belief.out_since is None:
            lit = self.powered(name) or self.against(name) is not None
            return cools_in if lit else 0.0
        return max(0.0, belief.out_since + cools_in - self.now)

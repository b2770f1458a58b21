"""Fixtures that only listen: universes of ANSI E1.31, and whose slots are where."""

from __future__ import annotations

import ipaddress
import re
from types import MappingProxyType

from studiobridge.profile.findings import Findings, Part
from studiobridge.profile.model import E131, FIXTURES, Slots, Span, Universe
from studiobridge.profile.shape import DeviceShape, ProfileShape
from studiobridge.profile.text import Path

# ANSI E1.31-2018 (from memory): universes and the slots of one. Universe 64000 and above is
# reserved, and by the rule for groups would end in 239.255.250.0 to 239.255.255.255.
LAST_UNIVERSE = 63999
LAST_SLOT = 512
MULTICAST = "multicast"
CAUTION = (
    "Set each fixture on slots to hold what it has when its stream stops: the bridge sends nothing"
    " before somebody asks after its start, and nothing while it has no broker."
)
_AT = re.compile(r"([0-9]{1,6})/([0-9]{1,4})\Z")
# What a fixture that never answers makes nothing of: (key, what it says when it is not given).
_MUTE: tuple[tuple[str, object], ...] = (
    ("poll", None),
    ("silent_after", None),
    ("restores", 0),
    ("meters", False),
    ("forgets_level", False),
    ("blanks", {}),
    ("properties", {}),
)


class Universes(Part):
    """Universes and the slots on them: no slot has two owners."""

    def __init__(self, shape: ProfileShape, findings: Findings) -> None:
        super().__init__(shape, findings)
        # whose the slots are: (universe, slot of the universe) to a device
        self._owners: dict[tuple[int, int], str] = {}
        self._used: set[int] = set()
        # a fixture that cannot be placed may be meant for any of them
        self._lost = False

    def universes(self) -> dict[int, Universe]:
        """Every universe with where it goes. To be asked for after all slots."""
        found = {}
        for number, shape in self.shape.universes.items():
            at: Path = ("universes", number)
            if not 1 <= number <= LAST_UNIVERSE:
                what = f"there is no universe {number}: they go from 1 to {LAST_UNIVERSE}"
                self.wrong(at, what, key=True)
            elif number not in self._used and not self._lost:
                self.wrong(at, f"no fixture is on universe {number}", "take it out", key=True)
            found[number] = Universe(number, self._to(shape.to, (*at, "to")), shape.priority)
        return found

    def _to(self, to: str | list[str], at: Path) -> tuple[str, ...]:
        if to == MULTICAST:
            return ()
        if isinstance(to, str):
            self._address(to, at)
            return (to,)
        if not to:
            self.wrong(at, "an empty list sends it to nobody", f"write '{MULTICAST}' or addresses")
        for i, text in enumerate(to):
            self._address(text, (*at, i))
        if len(set(to)) < len(to):
            self.wrong(at, "one address stands here twice: it would get every frame twice")
        return tuple(to)

    def _address(self, text: str, at: Path) -> None:
        todo = f"write '{MULTICAST}', or the fixture's own address like 10.0.0.7"
        try:
            address = ipaddress.IPv4Address(text)
        except ValueError:
            self.wrong(at, f"'{text}' is neither '{MULTICAST}' nor an IPv4 address", todo)
            return
        if text.startswith("239.255.255."):
            self.wrong(at, f"{text} belongs to no universe, and other protocols use it", todo)
        elif address.is_multicast:
            self.wrong(at, f"{text} is a group: a universe has its own", todo)
        elif text.endswith(".255") or address.is_unspecified or address.is_reserved:
            self.wrong(at, f"{text} is no fixture's own address", todo)

    # ---- the slots of one fixture ------------------------------------------------------------

    def slots(self, name: str, shape: DeviceShape) -> Slots | None:
        """The slots of a fixture; None when they cannot be told from what is written."""
        at: Path = ("devices", name)
        if shape.kind not in FIXTURES:
            what = f"'{name}' is a {shape.kind}: only lights and backdrops listen on {E131}"
            self.wrong((*at, "speaks"), what)
            return None
        for key, nothing in _MUTE:
            if getattr(shape, key) != nothing:
                what = f"'{key}' does nothing here: what speaks {E131} never says anything"
                self.wrong((*at, key), what, "take it out", key=True)
        if shape.proof in (None, "report"):
            what = f"'{name}' listens on {E131} and never answers: say how it is known to be as"
            todo = "add 'proof: watts', 'picture' or 'hand', or 'none' where nothing tells"
            where_at = at if shape.proof is None else (*at, "proof")
            self.wrong(where_at, f"{what} asked", todo, key=shape.proof is None)
        where = self._where(shape.at, at)
        if shape.slots is None:
            todo = "add 'slots: {level: 1}', counted from the fixture's first"
            self.wrong(at, f"'{name}' does not say what its slots are", todo, key=True)
            return None
        if shape.level is not None and shape.level[0] > 0:
            what = "a fixture on slots is put out with 0: its level begins at 0 %"
            self.wrong((*at, "level"), what)
        return self._made(name, shape, where, (*at, "slots"))

    def _where(self, text: str | None, at: Path) -> tuple[int, int] | None:
        todo = "write its universe and its first slot, like 1/25"
        found = None if text is None else _AT.match(text)
        if found is None:
            said = "does not say where its slots are" if text is None else "is no place of slots"
            shown = f"'{at[-1]}'" if text is None else f"'{text}'"
            self.wrong(at if text is None else (*at, "at"), f"{shown} {said}", todo, text is None)
            self._lost = True
            return None
        universe, first = int(found[1]), int(found[2])
        if not 1 <= universe <= LAST_UNIVERSE:
            what = f"there is no universe {universe}: they go from 1 to {LAST_UNIVERSE}"
            self.wrong((*at, "at"), what, todo)
            return None
        if not 1 <= first <= LAST_SLOT:
            self.wrong((*at, "at"), f"a universe has the slots 1 to {LAST_SLOT}", todo)
            self._used.add(universe)
            return None
        if universe not in self.shape.universes:
            what = f"nothing says where universe {universe} is sent"
            todo = f"add 'universes: {{{universe}: {{to: {MULTICAST}}}}}', or an address"
            self.wrong((*at, "at"), what, todo)
        self._used.add(universe)
        return universe, first

    def _made(
        self, name: str, shape: DeviceShape, where: tuple[int, int] | None, at: Path
    ) -> Slots | None:
        said = shape.slots
        assert said is not None
        used: dict[int, Path] = {}
        good = True

        def take(slot: int, path: Path, key: bool = False) -> None:
            nonlocal good
            first = 1 if where is None else where[1]
            if slot < 1 or first + slot - 1 > LAST_SLOT:
                what = f"slot {slot} from {first} on is beyond the {LAST_SLOT} of a universe"
                todo = ""
                if slot < 1:
                    what, todo = f"there is no slot {slot}", "a fixture's first slot is 1"
                self.wrong(path, what, todo, key)
                good = False
            elif slot in used:
                what = f"slot {slot} is '{used[slot][-1]}' already"
                self.wrong(path, what, "give each its own slot", key)
                good = False
            else:
                used[slot] = path

        if said.level is None:
            if said.level_fine is not None:
                what = "'level_fine' is the lower byte of a level, and there is no 'level'"
                self.wrong((*at, "level_fine"), what, "add 'level:'", key=True)
            else:
                what = "a fixture that cannot be put out cannot be run: it has no 'level'"
                self.wrong(at, what, "add 'level:'", key=True)
            return None
        take(said.level, (*at, "level"))
        if said.level_fine is not None:
            take(said.level_fine, (*at, "level_fine"))
        span = None
        if said.cct is not None:
            take(said.cct.slot, (*at, "cct", "slot"))
            if said.cct.fine is not None:
                take(said.cct.fine, (*at, "cct", "fine"))
            span = self._span(shape, said.cct.span, (*at, "cct", "span"))
        for slot, value in said.keep.items():
            take(slot, (*at, "keep", slot), key=True)
            if not 0 <= value <= 255:
                self.wrong((*at, "keep", slot), f"a slot holds 0 to 255, not {value}")
                good = False
        if where is None or not good:
            return None
        slots = Slots(
            where[0],
            where[1],
            said.level,
            said.level_fine,
            None if said.cct is None else said.cct.slot,
            None if said.cct is None else said.cct.fine,
            span,
            MappingProxyType(dict(said.keep)),
        )
        self._claim(name, slots)
        return slots

    def _span(self, shape: DeviceShape, said: tuple[float, float], at: Path) -> Span:
        low, high = said
        if low == high:
            self.wrong(at, f"{low:g} to {high:g} K is one white and no span", "like 2700..6500 K")
        elif shape.cct is not None and not low <= shape.cct[0] <= shape.cct[1] <= high:
            what = f"its slots say no white outside {low:g}..{high:g} K"
            self.wrong(("devices", str(at[1]), "cct"), what)
        return Span(low, high)

    def _claim(self, name: str, slots: Slots) -> None:
        """All from its first slot to its last are this fixture's, used or not."""
        for slot in range(slots.first, slots.first + slots.count):
            owner = self._owners.setdefault((slots.universe, slot), name)
            if owner != name:
                what = f"slot {slot} of universe {slots.universe} is '{owner}' already"
                todo = "give one of them another first slot ('at:'), there and on the fixture"
                self.wrong(("devices", name, "at"), what, todo)
                return

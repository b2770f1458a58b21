"""`before:` and `after:`: what has to be true before it rolls, and what is ticked afterwards.

A line is measured where it is one of the few sentences that can be (PHRASES) or names a device;
any other sentence is a person's tick. A line that names a device which can never say it is ticked
too: nothing waits for a word that cannot come, and `check` says so.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence

from studiobridge.profile.findings import Part, nearest
from studiobridge.profile.model import Device, Item, ItemKind
from studiobridge.profile.plain import quoted
from studiobridge.profile.shape import ItemShape
from studiobridge.profile.text import Path

# Sentences that are measured.
PHRASES: Mapping[str, ItemKind] = {
    "everything proven": "proven",
    "warm": "warm",
    "no drift": "drift",
    "batteries": "batteries",
    "record has room": "record",
    "quiet": "quiet",
    "picture as kept": "picture",
}
# From its darkest to its brightest point (stops): where a keyed screen can just be cleaned by hand
# (EVEN_AT_MOST in figures/keying.py); of a cloth it is a matter of taste, and `within` says it.
EVEN_WITHIN = 1.0
# The longest id of a line (characters): it is typed on the command line.
LONGEST_ID = 60
_FORMS = "a sentence, or one of tick, even, card and off"


def item_id(text: str) -> str:
    """The id of a line by its words: small letters and hyphens, whatever stands between them."""
    plain = unicodedata.normalize("NFKC", text).lower()
    return re.sub(r"[\W_]+", "-", plain).strip("-")[:LONGEST_ID].strip("-")


def says_battery(device: Device) -> bool:
    return bool({"battery", "battery_low"} & device.hears)


class Items(Part):
    """The lines of both lists."""

    def before(self, devices: Mapping[str, Device]) -> tuple[Item, ...]:
        found: list[Item] = []
        for n, shape in enumerate(self.shape.before):
            at: Path = ("before", n)
            if self._one_form(at, shape):
                found.extend(self._apart(at, self._measured(at, shape, devices), found))
        return tuple(found)

    def after(self, before: Sequence[Item]) -> tuple[Item, ...]:
        """What is left on, batteries and the like are said anyway: these are ticks alone."""
        found: list[Item] = []
        for n, shape in enumerate(self.shape.after):
            at: Path = ("after", n)
            if not self._one_form(at, shape):
                continue
            if shape.tick is None:
                key = next(k for k in ("even", "card", "off") if getattr(shape, k) is not None)
                what = f"'{key}' is of 'before:'; afterwards only sentences are ticked"
                self.wrong((*at, key), what, "write a sentence, like: cards emptied", key=True)
                continue
            if shape.for_ is not None:
                what = "a tick of 'after:' holds until the set comes up again"
                self.wrong((*at, "for"), what, "leave 'for' out", key=True)
            item = Item(item_id(shape.tick), shape.tick.strip())
            found.extend(self._apart(at, [item], [*before, *found]))
        return tuple(found)

    # ---- one line ------------------------------------------------------------------------

    def _one_form(self, at: Path, shape: ItemShape) -> bool:
        forms = [k for k in ("tick", "even", "card", "off") if getattr(shape, k) is not None]
        if len(forms) != 1:
            what = "a line asks for one thing" if forms else "this line asks for nothing"
            self.wrong(at, f"{what}: {_FORMS}", "write each in a line of its own" if forms else "")
            return False
        with_it = {"for": ("tick", shape.for_), "within": ("even", shape.within)}
        with_it["lasts"] = ("card", shape.lasts)
        for key, (form, value) in with_it.items():
            if value is not None and form != forms[0]:
                self.wrong((*at, key), f"'{key}' goes with '{form}'", "leave it out", key=True)
        if shape.card is not None and shape.lasts is None:
            self.wrong((*at, "card"), "it is not said for how long", "add 'lasts: 30 min'")
        if shape.tick is not None and not item_id(shape.tick):
            self.wrong((*at, "tick"), f"{quoted(shape.tick)} has no letter in it", "say what it is")
            return False
        return True

    def _measured(self, at: Path, shape: ItemShape, devices: Mapping[str, Device]) -> list[Item]:
        if shape.tick is not None:
            return [self._sentence(at, shape, shape.tick.strip(), devices)]
        if shape.even is not None:
            device = self._known((*at, "even"), shape.even, devices)
            if device is not None and device.kind != "backdrop":
                what = f"'{device.name}' is a {device.kind}; a backdrop is even"
                self.wrong((*at, "even"), what, "name a backdrop")
            within = shape.within if shape.within is not None else EVEN_WITHIN
            text = f"{shape.even} is even within {within:g} stop"
            return [Item(f"even-{shape.even}", text, "even", shape.even, within)]
        if shape.card is not None:
            device = self._known((*at, "card"), shape.card, devices)
            if device is not None and device.kind != "camera":
                what = f"'{device.name}' is a {device.kind}; a camera has a card"
                self.wrong((*at, "card"), what, "name a camera")
            minutes = (shape.lasts or 0.0) / 60.0
            kind: ItemKind = "card"
            if device is not None and "card" not in device.hears:
                kind = "tick"
            text = f"the card of {shape.card} takes {minutes:.4g} min more"
            return [Item(f"card-{shape.card}", text, kind, shape.card, minutes)]
        found = []
        for i, name in enumerate(shape.off or ()):
            device = self._known((*at, "off", i), name, devices)
            line = () if device is None else (name, *device.feeds)
            says = any("switch" in devices[n].hears for n in line)
            kind = "off" if says or device is None else "tick"
            found.append(Item(f"off-{name}", f"{name} is off", kind, name))
        return found

    def _sentence(
        self, at: Path, shape: ItemShape, text: str, devices: Mapping[str, Device]
    ) -> Item:
        kind = PHRASES.get(" ".join(text.casefold().split()), "tick")
        if kind != "tick" and shape.for_ is not None:
            what = f"'{text}' is measured: nobody ticks it, for a {shape.for_} or longer"
            self.wrong((*at, "for"), what, "leave 'for' out", key=True)
        if kind == "quiet" and not any(d.quiet is not None for d in devices.values()):
            self.wrong(at, "nothing here is told quiet", "add 'quiet: yes' to what may be")
        if kind == "batteries" and not any(says_battery(d) for d in devices.values()):
            kind = "tick"
        return Item(item_id(text), text, kind, lasts=shape.for_ or "session")

    def _known(self, at: Path, name: str, devices: Mapping[str, Device]) -> Device | None:
        if name not in devices:
            self.wrong(at, f"there is no device '{name}'", nearest(name, devices))
            return None
        return devices[name]

    def _apart(self, at: Path, items: list[Item], others: Sequence[Item]) -> list[Item]:
        """Lines that say the same could not be told apart by who ticks them."""
        taken = {other.id: other for other in others}
        found: list[Item] = []
        for item in items:
            if item.id in taken:
                what = f"{quoted(item.text)} stands there already"
                self.wrong(at, what, "leave it out, or say it otherwise")
                continue
            taken[item.id] = item
            found.append(item)
        return found

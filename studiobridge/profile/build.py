"""From the text of a file to a SetProfile: every name resolved, every contradiction found."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path as FilePath
from types import MappingProxyType

from pydantic import ValidationError

from studiobridge.profile.devices import BATTERY, Devices
from studiobridge.profile.dialects import Dialects
from studiobridge.profile.findings import Findings, Part, near, nearest
from studiobridge.profile.items import Items
from studiobridge.profile.looks import Looks
from studiobridge.profile.metered import MeterReadings
from studiobridge.profile.model import Circuit, LeftOn, Patience, Price, SetProfile, Timer
from studiobridge.profile.old_words import take_new_words
from studiobridge.profile.own_id import OwnId
from studiobridge.profile.places import Places
from studiobridge.profile.quantity import is_feet
from studiobridge.profile.shape import ProfileShape
from studiobridge.profile.text import (
    Document,
    Node,
    Path,
    Problem,
    ProfileError,
    bytes_of,
    read_document,
)
from studiobridge.profile.universes import Universes
from studiobridge.profile.witnessing import Witnessing


@dataclass(frozen=True, slots=True)
class Reading:
    """A profile that can be run, and what was doubtful in its file."""

    profile: SetProfile
    warnings: tuple[Problem, ...]
    path: FilePath | None = None
    document: Document | None = None
    # words of an older profile that are in it, in one line; it is read as if it said the new ones
    old_words: Problem | None = None

    def problem(self, where: Path, what: str, todo: str = "") -> Problem:
        """What others found out about this profile, with the line and column it is about."""
        if self.document is None:
            return Problem(str(self.path or self.profile.name), 1, 1, what, todo)
        return self.document.problem(where, what, todo, key=True)


def read_profile(path: FilePath) -> Reading:
    """Read a set profile. Raises ProfileError with everything that is wrong in it."""
    try:
        data = bytes_of(path)
    except FileNotFoundError:
        raise ProfileError(
            [Problem(str(path), 1, 1, "there is no such file", _meant(path))]
        ) from None
    except OSError as error:
        what = f"it cannot be read: {error.strerror or error}"
        raise ProfileError([Problem(str(path), 1, 1, what)]) from None
    reading = read_profile_text(data, str(path))
    return replace(reading, path=path)


def _meant(path: FilePath) -> str:
    """The file beside it whose name is the nearest: `corner` is most often corner.yaml."""
    try:
        beside = [p.name for p in path.parent.iterdir() if p.suffix in (".yaml", ".yml")]
    except OSError:
        return ""
    close = near(path.name if path.suffix else f"{path.name}.yaml", beside)
    return f"did you mean {path.with_name(close[0])}?" if close else ""


def read_profile_text(text: str | bytes, name: str = "profile.yaml") -> Reading:
    """Read a set profile from text. Raises ProfileError."""
    document = read_document(text, name)
    old_words = take_new_words(document)
    return replace(read_content(document, document.root.value()), old_words=old_words)


def read_content(document: Document, content: object) -> Reading:
    """What stands in a document, or what was made of it, as a profile. Raises ProfileError.

    Problems have the line and column of what they are about, where that is in the document.
    """
    findings = Findings(document)
    try:
        shape = ProfileShape.model_validate(content)
    except ValidationError:
        profile = None
    else:
        profile = _build(shape, findings)
    if profile is None or findings.noted or document.problems:
        from studiobridge.profile.mistakes import all_mistakes

        raise ProfileError(all_mistakes(document, content, _build))
    warnings = sorted(findings.warnings, key=lambda p: (p.line, p.column))
    return Reading(profile, tuple(warnings), None, document)


def _build(shape: ProfileShape, findings: Findings) -> SetProfile:
    """All parts, each with what it finds; to be believed only when nothing is wrong."""
    whole = Part(shape, findings)
    circuits = _circuits(whole)
    dialects, places = Dialects(shape, findings), Places(shape, findings)
    looker = Looks(shape, findings)
    maps, looks = dialects.maps(), looker.looks()
    universes = Universes(shape, findings)
    devices = Devices(shape, findings, dialects, places, universes).devices(maps, looks)
    room = places.room()
    for name, device in devices.items():
        places.check_place(name, device, room, devices)
    picture = places.picture(devices)
    for look in looks.values():
        looker.check_look(look, devices)
    if shape.default_look is not None and shape.default_look not in looks:
        todo = nearest(shape.default_look, looks)
        whole.wrong(("default_look",), f"there is no look '{shape.default_look}'", todo)
    mains, patience = shape.mains, shape.patience
    items = Items(shape, findings)
    before = items.before(devices)
    return SetProfile(
        name=shape.set,
        title=shape.title,
        voltage=mains.voltage,
        circuits=MappingProxyType(circuits),
        dialects=MappingProxyType(maps),
        devices=MappingProxyType(devices),
        looks=MappingProxyType(looks),
        default_look=shape.default_look or next(iter(looks), None),
        switches=tuple(looker.switches(looks)),
        call_times=tuple(looker.call_times(looks)),
        time_zone=looker.time_zone(),
        warm_up=shape.warm_up,
        left_on=LeftOn(shape.left_on.after, shape.left_on.then) if shape.left_on else None,
        patience=Patience(max(0.1, patience.reply), patience.tries, patience.listen),
        frequency=float(mains.frequency.split(" ")[0]) if mains.frequency else None,
        price=Price(*mains.price) if mains.price else None,
        room=room,
        picture=picture,
        readings=MeterReadings(shape, findings).readings(looks, devices),
        universes=MappingProxyType(universes.universes()),
        feet=_in_feet(findings.document.root),
        homie=OwnId(shape, findings, dialects.sharing).shown(looks),
        before=before,
        after=items.after(before),
        timer=Timer(shape.timer.break_every),
        witness=Witnessing(shape, findings).witness(devices),
    )


def _in_feet(root: Node) -> bool:
    """Are more of a profile's lengths written in feet and inches than in metres?"""
    balance, left = 0, [root]
    while left:
        node = left.pop()
        left += node.entries or [value for _, value in node.pairs or ()]
        feet = is_feet(node.scalar) if node.scalar else None
        balance += 0 if feet is None else 1 if feet else -1
    return balance > 0


def _circuits(whole: Part) -> dict[str, Circuit]:
    shape = whole.shape
    for name, circuit in shape.mains.circuits.items():
        at: Path = ("mains", "circuits", name)
        if circuit.breaker <= 0:
            whole.wrong((*at, "breaker"), "a breaker is above 0 A")
        if name in shape.devices or name == BATTERY:
            what = f"'{name}' names a circuit and something else"
            whole.wrong(at, what, "give one of them another name", key=True)
    return {
        name: Circuit(name, c.breaker, c.curve, c.gap, "curve" in c.model_fields_set, c.where)
        for name, c in shape.mains.circuits.items()
    }

"""A device that was met, or a look as the lights stand, added to the file a person wrote.

As with what is kept (keep.py): nothing else in the file changes, the old file stays as `.before`,
and the new text is read again. It has to say what the old one said and exactly what was to be
added; anything else is refused, and nothing is written.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from studiobridge.profile.build import Reading, read_profile_text
from studiobridge.profile.colours import agree, parts_written
from studiobridge.profile.insert import (
    CannotInsert,
    Insertion,
    inserted,
    into_mapping,
    into_section,
    says,
)
from studiobridge.profile.keep import BOM, CannotKeep, change_file, with_presets
from studiobridge.profile.manners import BATTERY
from studiobridge.profile.model import E131, HOMIE5, Preset
from studiobridge.profile.names import NAME
from studiobridge.profile.quantity import format_cct, format_level
from studiobridge.profile.text import Document, Node, ProfileError


@dataclass(frozen=True, slots=True)
class Newcomer:
    """A device as it is to stand in a profile, and its dialect where it has one of its own.

    `dialect` is what the dialect says, under the name that the device speaks.
    """

    name: str
    device: Mapping[str, object]
    dialect: Mapping[str, object] | None = None


def add_device(path: Path, newcomer: Newcomer) -> None:
    """Add a device to a profile. Raises CannotKeep; then nothing was changed."""
    change_file(path, lambda data: with_device(data, str(path), newcomer))


def with_device(data: bytes, name: str, newcomer: Newcomer) -> bytes:
    """The file with this device in it, and its dialect where that is new. Raises CannotKeep."""
    before, document = _before(data, name)
    profile = before.profile
    if newcomer.name in profile.devices or newcomer.name in (*profile.circuits, BATTERY):
        section = "devices" if newcomer.name in profile.devices else "mains"
        node, key = document.at((section, newcomer.name))
        line = (key or node).line
        raise CannotKeep(
            f"{name}:{line}: something is called '{newcomer.name}' there already; give the new one"
            " another name"
        )
    insertions = []
    speaks = newcomer.device.get("speaks")
    dialect = newcomer.dialect if speaks not in (None, HOMIE5, E131) else None
    if dialect is not None and str(speaks) in profile.dialects:
        there = document.root.get("dialects")
        said = there.get(str(speaks)) if there is not None else None
        if said is None or said.value() != _plain(dialect):
            line = said.line if said is not None else 1
            raise CannotKeep(
                f"{name}:{line}: the dialect '{speaks}' says something else there; give the new"
                " one another name"
            )
        dialect = None  # they speak the same
    if dialect is not None:
        place = _section(document, "dialects", str(speaks), dialect, 1, "devices")
        insertions.append(place)
    insertions.append(_section(document, "devices", newcomer.name, newcomer.device))
    new = inserted(document.text, insertions)
    after = _after(new, name, f"'{newcomer.name}' does not fit in {name}")
    wanted = _tree(before)
    if dialect is not None:
        wanted = _whole(wanted, ("dialects", str(speaks)), dialect)
    wanted = _whole(wanted, ("devices", newcomer.name), newcomer.device)
    others = {n: d for n, d in after.profile.devices.items() if n != newcomer.name}
    if (
        _tree(after) != wanted
        or list(after.profile.devices) != [*profile.devices, newcomer.name]
        or others != dict(profile.devices)
        or dict(after.profile.looks) != dict(profile.looks)
    ):
        raise CannotKeep(_unforeseen(name, newcomer.name))
    return _bytes(new, data)


def save_look(
    path: Path, look: str, presets: Mapping[str, Preset], title: str = "", anew: bool = False
) -> None:
    """Write a look into a profile. Raises CannotKeep; then nothing was changed.

    `anew`: the look is there, and says these presets from now on. Without, it must be new; a look
    that is there and says just this was saved before, and nothing is written.
    """
    change_file(path, lambda data: with_look(data, str(path), look, presets, title, anew))


def with_look(
    data: bytes,
    name: str,
    look: str,
    presets: Mapping[str, Preset],
    title: str = "",
    anew: bool = False,
) -> bytes:
    """The file with this look in it. Raises CannotKeep."""
    before, document = _before(data, name)
    if not NAME.match(look):
        raise CannotKeep(f"'{look[:40]}' is no name of a look; use a-z, 0-9 and hyphens")
    if look in before.profile.looks:
        if _agrees(before, look, presets) and title in ("", before.profile.looks[look].title):
            return data
        node, key = document.at(("looks", look))
        if not anew:
            raise CannotKeep(
                f"{name}:{(key or node).line}: there is a look '{look}' already; choose another"
                " name, or --replace it"
            )
        return _look_anew(data, name, look, presets, title)
    value: dict[str, object] = {"title": title} if title else {}
    value |= {device: preset_written(preset) for device, preset in presets.items()}
    new = inserted(document.text, [_section(document, "looks", look, value, 1)])
    after = _after(new, name, f"the look '{look}' does not fit in {name}")
    if not says(_tree(after), _tree(before), ("looks", look), value):
        raise CannotKeep(_unforeseen(name, look))
    if not _agrees(after, look, presets):
        raise CannotKeep(_unforeseen(name, look))
    return _bytes(new, data)


def preset_written(preset: Preset) -> dict[str, object]:
    """A preset as it stands in a file."""
    made: dict[str, object] = {}
    if preset.level is not None:
        made["level"] = format_level(preset.level)
    if preset.cct is not None:
        made["cct"] = format_cct(preset.cct)
    if preset.colour is not None:
        parts = parts_written(preset.colour, ("x", "y"))
        made["colour"] = {part: float(text) for part, text in parts.items()}
    return made


# ---- a look that is there says something else ------------------------------------------------


def _look_anew(
    data: bytes, name: str, look: str, presets: Mapping[str, Preset], title: str
) -> bytes:
    """One light after the other: its values where they stand, else its preset as a whole."""
    before = read_profile_text(data, name)
    others = {n: dict(found.presets) for n, found in before.profile.looks.items()}
    for device, preset in presets.items():
        old = others[look].get(device)
        if old is not None and _points(old) == _points(preset):
            data = with_presets(data, name, look, {device: preset})
            continue
        data = _one_anew(data, name, look, device, preset_written(preset))
    if title and title != before.profile.looks[look].title:
        data = _one_anew(data, name, look, "title", title)
    after = _after(data, name, f"the look '{look}' does not fit in {name}")
    if not _agrees(after, look, presets, whole=False) and after.document is not None:
        inherits = _looks_node(after.document, look).get("from")
        if inherits is not None:
            raise CannotKeep(
                f"{name}:{inherits.line}: '{look}' takes what it does not say from"
                f" '{inherits.scalar}', and a part of that is not to be in it; save it under"
                " another name, or write it by hand"
            )
    if not _agrees(after, look, presets, whole=False) or any(
        after.profile.looks[look].presets.get(device) != preset
        for device, preset in others[look].items()
        if device not in presets
    ):
        raise CannotKeep(_unforeseen(name, look))
    return data


def _one_anew(data: bytes, name: str, look: str, key: str, value: object) -> bytes:
    """What a look says of one light (or its title): written where it stands, or added."""
    reading, document = _before(data, name)
    node = _looks_node(document, look)
    said = node.get(key)
    text = document.text
    if said is None:
        new = inserted(text, [_mapping(document, node, key, value)])
    else:
        place = next(k for k, v in node.pairs or () if v is said)
        if said.start < place.start or "#" in text[said.start : said.end]:
            raise CannotKeep(
                f"{name}:{place.line}: '{key}' is written in a way of its own; write it by hand"
            )
        from studiobridge.profile.written import as_json, flow

        quoted = text[place.start] == '"' and node.flow
        words = as_json(value) if quoted else flow(value)
        end = said.end
        if not said.flow and said.pairs:  # opened over lines: its last value ends it
            end = _last(said).end
        lead = "" if said.flow or said.pairs is None else " "
        start = said.start if not lead else text.index(":", place.end) + 1
        if "#" in text[start:end]:
            raise CannotKeep(
                f"{name}:{place.line}: comments stand within '{key}'; write it by hand"
            )
        new = text[:start] + lead + words + text[end:]
    after = _after(new, name, f"the look '{look}' does not fit in {name}")
    if not says(_tree(after), _tree(reading), ("looks", look, key), _plain(value)):
        raise CannotKeep(_unforeseen(name, look))
    return _bytes(new, data)


def _last(node: Node) -> Node:
    while not node.flow and node.pairs:
        node = node.pairs[-1][1]
    return node


def _looks_node(document: Document, look: str) -> Node:
    looks = document.root.get("looks")
    node = looks.get(look) if looks is not None else None
    if node is None or node.pairs is None:
        raise CannotKeep(f"the look '{look}' is not written out in {document.name}")
    return node


def with_key_of_look(data: bytes, name: str, look: str, key: str, value: object) -> bytes:
    """The file with this key of a look, which says nothing of a light. Raises CannotKeep."""
    before, document = _before(data, name)
    said = _looks_node(document, look).get(key)
    if said is not None and said.value() == _plain(value):
        return data
    new = _one_anew(data, name, look, key, value)
    after = _after(new, name, f"'{key}' does not fit in the look '{look}' of {name}").profile
    if {n: dict(k.presets) for n, k in after.looks.items()} != {
        n: dict(k.presets) for n, k in before.profile.looks.items()
    }:
        raise CannotKeep(_unforeseen(name, look))
    return new


# ---- before and after ------------------------------------------------------------------------


def _before(data: bytes, name: str) -> tuple[Reading, Document]:
    try:
        reading = read_profile_text(data, name)
    except ProfileError as error:
        raise CannotKeep(f"{name} has mistakes now, so nothing is written: {error}") from None
    assert reading.document is not None
    return reading, reading.document


def _after(text: str | bytes, name: str, what: str) -> Reading:
    try:
        return read_profile_text(text, name)
    except ProfileError as error:
        raise CannotKeep(f"{what}: {error}") from None


def _section(
    document: Document,
    section: str,
    name: str,
    value: Mapping[str, object],
    opened: int = 0,
    before: str | None = None,
) -> Insertion:
    try:
        return into_section(document, section, name, value, opened, before)
    except CannotInsert as cannot:
        raise CannotKeep(f"{document.name}: '{section}' cannot be added to: {cannot}") from None


def _mapping(document: Document, node: Node, key: str, value: object) -> Insertion:
    try:
        return into_mapping(document.text, node, key, value)
    except CannotInsert as cannot:
        where = f"{document.name}:{node.line}"
        raise CannotKeep(f"{where}: this cannot be added to: {cannot}") from None


def _tree(reading: Reading) -> object:
    assert reading.document is not None
    return reading.document.root.value()


def _whole(tree: object, path: tuple[str, str], value: object) -> object:
    made = dict(tree) if isinstance(tree, Mapping) else {}
    made[path[0]] = {**dict(made.get(path[0]) or {}), path[1]: _plain(value)}
    return made


def _plain(value: object) -> object:
    """As it comes out of a file: mappings with words for keys, lists, single values."""
    if isinstance(value, Mapping):
        return {str(key): _plain(part) for key, part in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(part) for part in value]
    return value


def _points(preset: Preset) -> tuple[bool, bool, bool]:
    return preset.level is not None, preset.cct is not None, preset.colour is not None


def _agrees(reading: Reading, look: str, presets: Mapping[str, Preset], whole: bool = True) -> bool:
    """Does the look say these presets (`whole`: and no others)? Colours to what a file rounds."""
    there = reading.profile.looks[look].presets
    if whole and set(there) != set(presets):
        return False
    return all(
        device in there
        and replace(there[device], colour=None) == replace(preset, colour=None)
        and agree(there[device].colour, preset.colour)
        for device, preset in presets.items()
    )


def _unforeseen(name: str, what: str) -> str:
    return (
        f"{name} is written in a way in which '{what}' cannot be added without changing something"
        " else (an alias?); write it by hand"
    )


def _bytes(text: str, like: bytes) -> bytes:
    made = text.encode("utf-8")
    return BOM + made if like.startswith(BOM) and not made.startswith(BOM) else made

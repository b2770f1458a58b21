"""Writing one preset back into the file a person wrote: that scalar, and nothing else."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Mapping
from pathlib import Path

from studiobridge.profile.build import read_profile_text
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.profile.quantity import format_cct, format_level
from studiobridge.profile.text import Node, ProfileError, read_document

BOM = b"\xef\xbb\xbf"


class CannotKeep(Exception):
    """The file could not be changed; it is as it was. The text says why, for a person."""


def keep_presets(path: Path, look: str, presets: Mapping[str, Preset]) -> None:
    """Write these presets of a look into the file. Raises CannotKeep; then nothing was changed.

    Comments and layout stay. The new text is read again and must differ from the old in these
    presets alone. Written beside the file and moved over it; the old file stays as `.before`.
    """
    try:
        data = path.read_bytes()
        before = read_profile_text(data, str(path)).profile
    except OSError as error:
        raise CannotKeep(f"{path} cannot be read: {error.strerror or error}") from None
    except ProfileError as error:
        raise CannotKeep(f"{path} has mistakes now, so nothing is written: {error}") from None
    text = data.decode("utf-8-sig")
    for device, preset in presets.items():
        for point, value in (("level", preset.level), ("cct", preset.cct)):
            if value is not None:
                words = format_level(value) if point == "level" else format_cct(value)
                text = _put(text, str(path), look, device, point, words, before)
    _check(text, str(path), before, look, presets)
    after = text.encode("utf-8")
    if data.startswith(BOM):
        after = BOM + after
    if after != data:
        _replace(path, data, after)


def _put(
    text: str, name: str, look: str, device: str, point: str, words: str, before: SetProfile
) -> str:
    old = before.looks[look].presets.get(device) if look in before.looks else None
    if old is None:
        raise CannotKeep(f"the look '{look}' has no preset of '{device}' in {name}")
    root = read_document(text, name).root
    looks = root.get("looks")
    node = looks.get(look) if looks is not None else None
    if node is None or node.pairs is None:
        raise CannotKeep(f"the look '{look}' is not written out in {name}")
    preset = node.get(device)
    scalar = preset.get(point) if preset is not None else None
    if scalar is not None:
        written = text[scalar.start : scalar.end]
        kept = old.level if point == "level" else old.cct
        same = format_level(kept) if point == "level" and kept is not None else None
        same = format_cct(kept) if point == "cct" and kept is not None else same
        if same == words:
            return text  # it says so already, in a person's own way of writing it
        quote = written[0] if written[:1] in ("'", '"') else ""
        return text[: scalar.start] + quote + words + quote + text[scalar.end :]
    if (old.level if point == "level" else old.cct) is None:
        return text  # the look leaves this point alone
    if preset is not None and preset.pairs:
        return _insert(text, preset, f"{point}: {words}")
    return _insert(text, node, f"{device}: {{{point}: {words}}}")


def _insert(text: str, node: Node, entry: str) -> str:
    """Add a pair to a mapping, in the manner of the mapping."""
    pairs = node.pairs or []
    if not pairs:
        raise CannotKeep("an empty mapping cannot be added to; write the preset by hand")
    last = pairs[-1][1]
    if node.flow:
        return text[: last.end] + ", " + entry + text[last.end :]
    first = pairs[0][0]
    line_end = text.find("\n", _own_end(last))
    place = len(text) if line_end < 0 else line_end
    return text[:place] + "\n" + " " * (first.column - 1) + entry + text[place:]


def _own_end(node: Node) -> int:
    """Where a node's own text ends (a block mapping ends only where the next thing begins)."""
    while not node.flow and (node.pairs or node.entries):
        node = node.pairs[-1][1] if node.pairs else (node.entries or [])[-1]
    return node.end


def _check(
    text: str, name: str, before: SetProfile, look: str, presets: Mapping[str, Preset]
) -> None:
    try:
        after = read_profile_text(text, name).profile
    except ProfileError as error:
        raise CannotKeep(f"the new preset does not fit the profile: {error}") from None
    wanted = {n: dict(found.presets) for n, found in before.looks.items()}
    wanted[look].update(presets)
    heirs = {n for n, found in after.looks.items() if dict(found.presets) != wanted[n]}
    heirs.discard(look)
    changed_too = [
        n
        for n in heirs
        if any(
            after.looks[n].presets.get(d) != p and d not in presets
            for d, p in before.looks[n].presets.items()
        )
    ]
    mine = after.looks[look].presets
    if changed_too or any(mine.get(d) != p for d, p in wanted[look].items()):
        raise CannotKeep(
            f"a preset of '{look}' is shared with others in {name} (an alias?); write it by hand"
        )


def _replace(path: Path, old: bytes, new: bytes) -> None:
    """Atomically: a new file beside it, flushed to disk, moved over it."""
    try:
        mode = path.stat().st_mode
        for target, content in ((path.with_name(path.name + ".before"), old), (path, new)):
            handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
            try:
                with os.fdopen(handle, "wb") as file:
                    file.write(content)
                    file.flush()
                    os.fsync(file.fileno())
                Path(temporary).chmod(mode & 0o7777)
                Path(temporary).replace(target)
            except BaseException:
                with contextlib.suppress(OSError):
                    Path(temporary).unlink()
                raise
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
    except OSError as error:
        raise CannotKeep(f"{path} cannot be written: {error.strerror or error}") from None

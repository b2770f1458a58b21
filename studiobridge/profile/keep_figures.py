"""Measured figures written into the file a person wrote: keys of one device and nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from studiobridge.profile.build import read_profile_text
from studiobridge.profile.keep import BOM, CannotKeep, add_pair, change_file
from studiobridge.profile.model import Device, SetProfile
from studiobridge.profile.text import Node, ProfileError, read_document

# What may be written, and so what may differ afterwards. `draws` and `standby` follow a table.
FIGURES = ("answers_in", "boots_in", "comes_back", "draws", "draws_at", "standby")


def keep_figures(
    path: Path, seen: bytes, device: str, figures: Mapping[str, str], force: bool = False
) -> None:
    """Write these keys of a device. Raises CannotKeep; then nothing was changed.

    `seen` is the file as it was when the measurement began: one that says something else by now
    is left to whoever changed it. A key that is there and says otherwise is changed with `force`
    alone. Comments and layout stay.
    """

    def change(data: bytes) -> bytes:
        if data != seen:
            raise CannotKeep(f"{path} was changed since the measurement began: nothing is written")
        return _with_figures(data, str(path), device, figures, force)

    change_file(path, change)


def _with_figures(
    data: bytes, name: str, device: str, figures: Mapping[str, str], force: bool
) -> bytes:
    try:
        before = read_profile_text(data, name).profile
    except ProfileError as error:
        raise CannotKeep(f"{name} has mistakes now, so nothing is written: {error}") from None
    text = data.decode("utf-8-sig")
    for key, words in figures.items():
        if key not in FIGURES:
            raise CannotKeep(f"'{key}' is not a figure that is measured")
        text = _put(text, name, device, key, words, force)
    _check(text, name, before, device)
    after = text.encode("utf-8")
    return BOM + after if data.startswith(BOM) else after


def _put(text: str, name: str, device: str, key: str, words: str, force: bool) -> str:
    devices = read_document(text, name).root.get("devices")
    node = devices.get(device) if devices is not None else None
    if node is None or node.pairs is None:
        raise CannotKeep(f"'{device}' is not written out in {name}")
    there = node.get(key)
    if there is None:
        return add_pair(text, node, f"{key}: {words}")
    written = text[there.start : there.end].strip()
    if _same(there, words):
        return text
    if not force:
        raise CannotKeep(
            f"{name}:{there.line}:{there.column}: {device} has {key}: {written} and {words} was"
            " measured; say --force to have that instead"
        )
    # what stands behind the value, a line's end or a comment, is not its own
    end = there.start + len(text[there.start : there.end].rstrip())
    if there.pairs is not None and not there.flow:
        raise CannotKeep(f"{name}:{there.line}:{there.column}: write this table by hand: {words}")
    return text[: there.start] + words + text[end:]


def _same(there: Node, words: str) -> bool:
    said = read_document(f"a: {words}", "").root.get("a")
    return said is not None and there.value() == said.value()


def _check(text: str, name: str, before: SetProfile, device: str) -> None:
    """Read again, it differs in figures of this device alone."""
    try:
        after = read_profile_text(text, name).profile
    except ProfileError as error:
        raise CannotKeep(f"what was measured does not fit the profile: {error}") from None
    rest_before = {n: d for n, d in before.devices.items() if n != device}
    rest_after = {n: d for n, d in after.devices.items() if n != device}
    same = _without(before.devices[device]) == _without(after.devices[device])
    if not same or rest_before != rest_after or before.looks != after.looks:
        raise CannotKeep(
            f"what is written of '{device}' is shared with others in {name} (an alias?); write it"
            " by hand"
        )


def _without(device: Device) -> Device:
    return replace(
        device,
        answers_in=0.0,
        boots_in=0.0,
        comes_back=None,
        draws=0.0,
        draws_at=(),
        standby=None,
    )

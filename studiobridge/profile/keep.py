"""Changing the file a person wrote: one preset written back, that scalar and nothing else.

`change_file` is how a profile is written at all, whatever is changed in it.
"""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from studiobridge.craft.chroma import Colour
from studiobridge.profile.build import read_profile_text
from studiobridge.profile.colours import agree, parts_written
from studiobridge.profile.model import Preset, SetProfile
from studiobridge.profile.quantity import format_cct, format_level
from studiobridge.profile.text import Node, ProfileError, read_document

BOM = b"\xef\xbb\xbf"
# A file that somebody saves again and again while it is read is left to them after so many tries.
TRIES = 5
# How long (s) another keep in the same folder is waited for; each takes milliseconds.
WAIT_FOR_OTHERS = 5.0


class CannotKeep(Exception):
    """The file could not be changed; it is as it was. The text says why, for a person."""


def keep_presets(path: Path, look: str, presets: Mapping[str, Preset]) -> None:
    """Write these presets of a look into the file. Raises CannotKeep; then nothing was changed.

    Comments and layout stay. The new text is read again and must differ from the old in these
    presets alone.
    """
    change_file(path, lambda data: with_presets(data, str(path), look, presets))


def change_file(path: Path, change: Callable[[bytes], bytes]) -> None:
    """Let `change` make what the file says anew. Raises CannotKeep; then nothing was changed.

    Written beside the file and moved over it; the old file stays as `.before`.
    A link is followed: the file it leads to is replaced, in its own folder, and keeps its owner
    and rights. One change at a time in a folder, whatever process it comes from. What somebody
    saves meanwhile is never overwritten: read anew, tried again, and at last left to them.
    """
    try:
        real = Path(os.path.realpath(path, strict=True))
        with _alone_in(real.parent):
            for _ in range(TRIES):
                seen = _Seen.of(real)
                new = change(seen.data)
                if new == seen.data or _replaced(real, seen, new):
                    return
    except OSError as error:
        raise CannotKeep(f"{path} cannot be read: {error.strerror or error}") from None
    raise CannotKeep(f"{path} is being changed by somebody else; try again when that is done")


def write_new(path: Path, data: bytes) -> None:
    """Write a file that is not there yet, whole or not at all. Raises CannotKeep.

    Nothing that stands at this place is ever written over, whoever put it there meanwhile.
    """
    there = CannotKeep(f"{path} is there already: nothing is written over it")
    beside = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        if path.exists() or path.is_symlink():
            raise there
        beside.unlink(missing_ok=True)  # of one that was killed in the middle
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644)
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(handle)
        try:
            # a second name for it: refused where the name is taken, as a rename would not be
            os.link(beside, path)
        except FileExistsError:
            raise
        except OSError as error:
            # a memory stick knows no second names
            if error.errno not in (errno.EPERM, errno.EOPNOTSUPP, errno.ENOSYS):
                raise
            if path.exists() or path.is_symlink():
                raise there from None
            beside.rename(path)
        _flush(path.parent)
    except FileExistsError:
        raise there from None
    except OSError as error:
        raise CannotKeep(f"{path} cannot be written: {error.strerror or error}") from None
    finally:
        with contextlib.suppress(OSError):
            beside.unlink(missing_ok=True)


def with_presets(data: bytes, name: str, look: str, presets: Mapping[str, Preset]) -> bytes:
    """What the file has to say afterwards."""
    try:
        before = read_profile_text(data, name).profile
    except ProfileError as error:
        raise CannotKeep(f"{name} has mistakes now, so nothing is written: {error}") from None
    text = data.decode("utf-8-sig")
    for device, preset in presets.items():
        for point, value in (("level", preset.level), ("cct", preset.cct)):
            if value is not None:
                words = format_level(value) if point == "level" else format_cct(value)
                text = _put(text, name, look, device, point, words, before)
        if preset.colour is not None:
            text = _put_colour(text, name, look, device, preset.colour, before)
    _check(text, name, before, look, presets)
    after = text.encode("utf-8")
    return BOM + after if data.startswith(BOM) else after


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
        return add_pair(text, preset, f"{point}: {words}")
    return add_pair(text, node, f"{device}: {{{point}: {words}}}")


def _put_colour(
    text: str, name: str, look: str, device: str, colour: Colour, before: SetProfile
) -> str:
    """Each part of a colour in the file's own way of writing it; x and y where it has none."""
    old = before.looks[look].presets.get(device) if look in before.looks else None
    if old is None:
        raise CannotKeep(f"the look '{look}' has no preset of '{device}' in {name}")
    if old.colour is None or old.colour == colour:
        return text  # the look leaves this point alone, or says so already
    looks = read_document(text, name).root.get("looks")
    node = looks.get(look) if looks is not None else None
    if node is None or node.pairs is None:
        raise CannotKeep(f"the look '{look}' is not written out in {name}")
    preset = node.get(device)
    written = preset.get("colour") if preset is not None else None
    try:
        if written is None or written.pairs is None:
            parts = parts_written(colour, ("x", "y"))
            entry = f"colour: {{x: {parts['x']}, y: {parts['y']}}}"
            if preset is not None and preset.pairs:
                return add_pair(text, preset, entry)
            return add_pair(text, node, f"{device}: {{{entry}}}")
        keys = [key.scalar or "" for key, _ in written.pairs]
        parts = parts_written(colour, keys)
        if parts == parts_written(old.colour, keys):
            return text
    except ValueError as error:
        raise CannotKeep(f"{device}: {error}; nothing is written") from None
    places: list[tuple[Node, str]] = []
    both = written.get("xy")
    if both is not None and both.entries is not None:
        places = list(zip(both.entries, (parts["x"], parts["y"]), strict=True))
    else:
        places = [(value, parts[key.scalar or ""]) for key, value in written.pairs]
    for place, words in sorted(places, key=lambda found: found[0].start, reverse=True):
        quote = text[place.start] if text[place.start] in ("'", '"') else ""
        text = text[: place.start] + quote + words + quote + text[place.end :]
    return text


def add_pair(text: str, node: Node, entry: str) -> str:
    """Add a pair to a mapping, in the manner of the mapping."""
    pairs = node.pairs or []
    if not pairs:
        raise CannotKeep("an empty mapping cannot be added to; write it by hand")
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
    read = after.looks[look].presets
    # what a file says of a colour is rounded: the same colour, though not to the last digit
    presets = {
        device: replace(preset, colour=read[device].colour)
        if device in read and agree(preset.colour, read[device].colour)
        else preset
        for device, preset in presets.items()
    }
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


@dataclass(frozen=True, slots=True)
class _Seen:
    """A file as it was read: its bytes, and what tells that it is still that file."""

    data: bytes
    stat: os.stat_result

    @classmethod
    def of(cls, path: Path) -> _Seen:
        with path.open("rb") as file:
            return cls(file.read(), os.fstat(file.fileno()))

    def still_there(self, path: Path) -> bool:
        now = _Seen.of(path)
        same = (self.stat.st_dev, self.stat.st_ino, self.stat.st_mtime_ns)
        return same == (now.stat.st_dev, now.stat.st_ino, now.stat.st_mtime_ns) and (
            self.data == now.data
        )


@contextlib.contextmanager
def _alone_in(folder: Path) -> Iterator[None]:
    """Hold the folder's lock: two keeps that read the same text would lose one of the two."""
    import fcntl

    handle = os.open(folder, os.O_RDONLY)
    try:
        end = time.monotonic() + WAIT_FOR_OTHERS
        while True:
            try:
                fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
                break
            except BlockingIOError:
                if time.monotonic() > end:
                    raise CannotKeep(
                        f"another program is writing profiles in {folder} and does not come to an"
                        " end; try again when it has"
                    ) from None
                time.sleep(0.02)
        yield
    finally:
        os.close(handle)  # which gives the lock back


def _replaced(path: Path, seen: _Seen, new: bytes) -> bool:
    """Atomically; False, and nothing changed, when the file is not as it was seen any more.

    Both files are written out and flushed first, so that only two renames lie between the last
    look and the end. The caller holds the folder's lock: the names beside the file are ours.
    """
    if not os.access(path, os.W_OK):
        raise CannotKeep(f"{path} is write-protected: nothing is written")
    fresh = path.with_name(f".{path.name}.keep-new")
    old = path.with_name(f".{path.name}.keep-old")
    try:
        _write_beside(path, old, seen.data, seen.stat)
        _write_beside(path, fresh, new, seen.stat)
        if not seen.still_there(path):
            return False
        old.replace(path.with_name(path.name + ".before"))
        fresh.replace(path)
        _flush(path.parent)
    except OSError as error:
        raise CannotKeep(f"{path} cannot be written: {error.strerror or error}") from None
    finally:
        for left in (fresh, old):
            with contextlib.suppress(OSError):
                left.unlink(missing_ok=True)
    return True


def _flush(folder: Path) -> None:
    """The names in it are on the disk, too."""
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _write_beside(path: Path, beside: Path, content: bytes, like: os.stat_result) -> None:
    """A file on the disk with this content, and the owner, group and rights of another."""
    beside.unlink(missing_ok=True)  # of a keep that was killed in the middle
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "wb") as file:
        file.write(content)
        file.flush()
        mine = os.fstat(handle)
        if (mine.st_uid, mine.st_gid) != (like.st_uid, like.st_gid):
            try:
                os.fchown(handle, like.st_uid, like.st_gid)
            except OSError:
                raise CannotKeep(
                    f"{path} would change its owner or group if it were written from here (this"
                    f" runs as user {os.geteuid()}, the file belongs to {like.st_uid}:"
                    f"{like.st_gid}); give the file to who runs this, or write it by hand"
                ) from None
        os.fchmod(handle, stat.S_IMODE(like.st_mode))
        os.fsync(handle)

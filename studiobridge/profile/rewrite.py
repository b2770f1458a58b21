"""Writing the words of today into a profile that says old ones: these keys, and nothing else."""

from __future__ import annotations

from pathlib import Path

from studiobridge.profile.build import read_profile_text
from studiobridge.profile.keep import BOM, CannotKeep, change_file
from studiobridge.profile.old_words import old_keys
from studiobridge.profile.text import ProfileError, read_document


def write_new_words(path: Path) -> int:
    """Write the new words into the file; how many were old. Raises CannotKeep: nothing changed.

    As with what is kept: nothing else in the file changes, and it stays as `.before`.
    """
    changed = 0

    def change(data: bytes) -> bytes:
        nonlocal changed
        new, changed = with_new_words(data, str(path))
        return new

    change_file(path, change)
    return changed


def with_new_words(data: bytes, name: str) -> tuple[bytes, int]:
    """The file with its new words, and how many were old. Raises CannotKeep."""
    try:
        before = read_profile_text(data, name).profile
        document = read_document(data, name)
    except ProfileError as error:
        raise CannotKeep(f"{name} has mistakes now, so nothing is written: {error}") from None
    text = document.text
    found = sorted(old_keys(document), key=lambda one: one[0].start, reverse=True)
    for key, renamed in found:
        written = text[key.start : key.end]
        bare = written[1:-1] if written[:1] in ("'", '"') else written
        if bare != renamed.old:
            raise CannotKeep(
                f"{name}:{key.line}:{key.column}: '{renamed.old}' is written in a way of its own"
                f" here; write '{renamed.new}' by hand"
            )
        new = written.replace(renamed.old, renamed.new)
        text = text[: key.start] + new + text[key.end :]
    try:
        after = read_profile_text(text, name).profile
    except ProfileError as error:
        raise CannotKeep(f"the new words do not fit the profile: {error}") from None
    if after != before:
        raise CannotKeep(f"{name} would mean something else with the new words; write them by hand")
    out = text.encode("utf-8")
    return (BOM + out if data.startswith(BOM) else out), len(found)

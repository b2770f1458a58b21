"""What a look is for, written into the file a person wrote, with the levels that give it."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from studiobridge.profile.adding import with_key_of_look, with_look
from studiobridge.profile.build import read_profile_text
from studiobridge.profile.keep import change_file, with_presets
from studiobridge.profile.model import Preset, Wants
from studiobridge.profile.quantity import format_cct


def keep_balanced(path: Path, look: str, presets: Mapping[str, Preset], wants: Wants) -> None:
    """Write these presets of a look, and what it is for. Raises CannotKeep; nothing is changed.

    Comments and layout stay, as with `keep`.
    """

    def change(data: bytes) -> bytes:
        data = with_presets(data, str(path), look, presets)
        if read_profile_text(data, str(path)).profile.looks[look].wants == wants:
            return data  # it says so already, in a person's own way of writing it
        return with_key_of_look(data, str(path), look, "wants", wants_written(wants))

    change_file(path, change)


def save_balanced(
    path: Path, look: str, presets: Mapping[str, Preset], wants: Wants, whites_meant: bool
) -> None:
    """Write a new look with these presets, and what it is for. Raises CannotKeep."""

    def change(data: bytes) -> bytes:
        data = with_look(data, str(path), look, presets)
        if whites_meant:
            data = with_key_of_look(data, str(path), look, "whites", "meant")
        return with_key_of_look(data, str(path), look, "wants", wants_written(wants))

    change_file(path, change)


def wants_written(wants: Wants) -> dict[str, object]:
    """What a look is for, as it stands in a file."""
    written = {
        "aperture": None if wants.aperture is None else f"f/{_plain(wants.aperture)}",
        "lux": None if wants.lux is None else f"{_plain(wants.lux)} lx",
        "ratio": None if wants.ratio is None else f"{_plain(wants.ratio)}:1",
        "backdrop": None if wants.backdrop is None else f"{_plain(wants.backdrop)} stop",
        "rim": None if wants.rim is None else f"{_plain(wants.rim)} stop",
        "white": None if wants.white is None else format_cct(wants.white),
    }
    return {key: text for key, text in written.items() if text is not None}


def _plain(value: float) -> str:
    """A number as a profile has it: no exponent, no zeros behind, and nothing is no -0."""
    return f"{round(value, 6) + 0.0:.6f}".rstrip("0").rstrip(".")

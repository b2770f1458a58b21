"""The set profile: one YAML file that describes a set, read with line and column, and kept.

What lives here: quantities, the shape of the file, the resolved model that every other room
uses, writing one value back, and the words for what devices say and a set answers. What may
never come in: topics on a dialect, time, the network. May import craft. Reads and writes one file.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from studiobridge.profile.build import Reading, read_profile, read_profile_text
    from studiobridge.profile.keep import keep_presets
    from studiobridge.profile.shape import profile_schema
    from studiobridge.profile.text import Problem, ProfileError

__all__ = [
    "Problem",
    "ProfileError",
    "Reading",
    "keep_presets",
    "profile_schema",
    "read_profile",
    "read_profile_text",
]

_PLACES = {
    "Problem": "text",
    "ProfileError": "text",
    "Reading": "build",
    "keep_presets": "keep",
    "profile_schema": "shape",
    "read_profile": "build",
    "read_profile_text": "build",
}


def __getattr__(name: str) -> Any:
    # only who asks for it waits for it: a command that reads no profile starts in half the time
    place = _PLACES.get(name)
    if place is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{place}"), name)

"""Topics and payloads to values and back: dialects, Homie 5, slots. Both ends of every talk.

What lives here: pure functions of bytes and values. What may never come in: a client, a
clock, a file, anything that waits. May import profile and craft.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from studiobridge.speech.far_end import FarEnd, Told
    from studiobridge.speech.speech import Speech

__all__ = ["FarEnd", "Speech", "Told"]

_PLACES = {"FarEnd": "far_end", "Told": "far_end", "Speech": "speech"}


def __getattr__(name: str) -> Any:
    # only who asks for it waits for it: a command that reads no profile starts in half the time
    place = _PLACES.get(name)
    if place is None:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{place}"), name)

"""Order and timing, interlocks, drift, and the controller that runs a set.

Sans-I/O: no clock, socket, thread, file, random number or await may come in here. An event
carries its own time; what should be done goes out as effects. May import profile,
craft and figures.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from studiobridge.control.controller import Controller

__all__ = ["Controller"]


def __getattr__(name: str) -> Any:
    # only who asks for it waits for it: the order of a set, or a sentence, needs no controller
    if name != "Controller":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return import_module(f"{__name__}.controller").Controller

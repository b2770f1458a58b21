"""Order and timing, interlocks, drift, and the controller that runs a set.

Sans-I/O: no clock, socket, thread, file, random number or await may come in here. An event
carries its own time; what should be done goes out as effects. May import profile,
craft and figures.
"""

from studiobridge.control.controller import Controller

__all__ = ["Controller"]

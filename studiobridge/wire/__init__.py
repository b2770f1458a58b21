"""Topics and payloads to values and back: wire maps, Homie 5. Both ends of every wire.

What lives here: pure functions of bytes and values. What may never come in: a client, a
clock, a file, anything that waits. May import profile and craft.
"""

from studiobridge.wire.far_end import FarEnd, Told
from studiobridge.wire.wires import Wires

__all__ = ["FarEnd", "Told", "Wires"]

"""Rehearsing a set without its gear: simulated devices, a mock broker, an embedded broker.

What lives here: devices, room and broker.py, which are sans-I/O and run in virtual time, and
the live half (embedded.py, live.py), which is the only part that may touch the network or a
clock. May import profile, craft, figures and speech; never control or bridge, so that the gear can
never know what is going to be done to it.
"""

from studiobridge.rehearsal.broker import MockBroker, Trouble
from studiobridge.rehearsal.devices import Harm, SimulatedDevice
from studiobridge.rehearsal.room import Room

__all__ = ["Harm", "MockBroker", "Room", "SimulatedDevice", "Trouble"]

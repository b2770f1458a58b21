"""Where the set meets the world: MQTT link, record, clock, daemon, request channel.

Everything above may be imported; this is the only room (with rehearsal's live half and the
commands) that does I/O. `core.py` is the one file here that does none, so that the simulator
can run it in virtual time.
"""

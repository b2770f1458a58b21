"""Where the set meets the world: MQTT link, record, clock, daemon, request channel.

Everything above may be imported; this is the only room (with rehearsal's live half and the
commands) that does I/O. `core.py` and what it is made of do none, so that the simulator can run
them in virtual time: `channel.py`, `buttons.py`, `showing.py`, `outs.py`, `delivery.py`,
`ownership.py`, `misheard.py`, `universe.py`, `topics.py`.
"""

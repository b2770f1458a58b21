"""Gear that nobody has described yet: what was overheard, what it seems to be, what to try on it.

What lives here: messages in, guesses with their reasons out; the order in which they are tried
on the gear, each only after a person said yes; what was measured of it; the profile drafted
from all that. What may never come in: a client, a clock, a file, a terminal. A message carries
its own time, and what should be sent or asked goes out as data. May import profile, craft and
speech.
"""

"""What the trade's arithmetic comes to for one set: its light, its mains, its room.

What lives here: functions from a set profile (and what is reported now) to plain results, each
with the sentences for figures that are missing. The arithmetic itself is in craft/; this room
only fetches the numbers and puts them together. What may never come in: a clock, a topic,
anything that does I/O or prints. Imports profile and craft.
"""

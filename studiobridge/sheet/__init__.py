"""The set on paper: the room from above, and the sheet a person pins to the wall.

What lives here: functions from a profile (and, for a live drawing, from what is reported) to
SVG and HTML as text. What may never come in: a clock, the wire, writing a file; the one thing
read is this room's own template. Labels are words; no symbol set of anybody's is drawn from.
"""

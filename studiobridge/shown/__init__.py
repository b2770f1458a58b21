"""A set in words and drawings: sentences, the room from above, the sheet for the wall.

What lives here: functions from a profile, and from what a set says of itself, to text, SVG and
HTML, for the command line and for the page alike. What may never come in: a clock that is read,
a topic, writing a file; the one thing read is this room's own template. Labels are words; no
symbol set of anybody's is drawn from. Imports profile, craft, figures and control.
"""

"""The camera's picture as an instrument: what each lamp does to it, and so what each does now.

What lives here: frames, the camera's response, one linear picture a lamp, levels solved from a
frame with the band that goes with each, the screen's evenness, white, framing, and what a look
would be like before it is set. Arrays are numpy's; pictures are OpenCV's (rows × columns × BGR).
What may never come in: anything that switches gear; a lesson asks the bridge for tries, as a
person does, and every gate stands before them. This room runs in a process of its own and
says what it sees (`profile/sighting.py`); a fault here costs the picture and nothing else. Only
`serving.py`, `session.py`, `frames.py`, `keeping.py` on `stored.py`, and what reads frames
(`sources.py` with `written.py`, `addresses.py`, `streams.py`) do I/O, only `serving.py` and
`session.py` import the bridge, as a visitor of the set. Imports profile, craft and figures.
"""

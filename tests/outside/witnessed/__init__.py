"""The camera's picture as a witness, judged on pictures that no code of ours made.

`rooms.py` says what stands where, `scenery.py` has Mitsuba 3 render it, one linear picture a lamp,
with and without somebody in the room (`presenter.py`); `camera.py` puts a camera on them. None of
these imports anything of `studiobridge.witness`. `judged.py` holds its public surface against them.

    python -m tests.outside.witnessed
    python -m tests.outside.witnessed --rooms 3 --trials 50 --row levels
    python -m tests.outside.witnessed.rooms       (renders what is missing under /tmp/witnessed)
"""

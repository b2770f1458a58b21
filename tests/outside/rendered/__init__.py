"""An independent witness of the light of a set: integrated over patches, and rendered.

`scenes.py` takes a set profile apart into plain figures, `patches.py` integrates them with numpy,
`pictures.py` renders them with Mitsuba 3. Neither uses anything of `studiobridge.figures` or
`studiobridge.craft`: what agrees has been worked out three times.

    python -m tests.outside.rendered --sets 10
"""

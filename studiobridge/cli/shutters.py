"""`shutter`: which shutters are safe under this mains and these lights."""

from __future__ import annotations

from studiobridge.cli import show
from studiobridge.cli.base import (
    JsonOption,
    LookOption,
    ProfileArgument,
    app,
    presets_or_stop,
    read_or_stop,
)

# So many stand in the table; all of them in the JSON.
SHOWN = 8


@app.command()
def shutter(profile: ProfileArgument, look: LookOption = None, as_json: JsonOption = False) -> None:
    """Which shutters show no bands with this mains and these lights, best first."""
    from studiobridge.cli import readings
    from studiobridge.craft.exposure import VISIBLE
    from studiobridge.figures.exposing import pulses_of, shutters_of
    from studiobridge.shown import shutters as words

    reading = read_or_stop(profile)
    made = reading.profile
    name, presets = presets_or_stop(reading, look)
    missing: list[str] = []
    pulses = pulses_of(made, presets, missing)
    found = shutters_of(made, pulses)
    if not found:
        missing.append("nothing is known that pulses: no shutter is judged")
    missing = list(dict.fromkeys(missing))
    if as_json:
        show.print_json(
            {
                "look": name,
                "frames": made.picture.frames,
                "set": made.picture.shutter,
                "lights": readings.plain(pulses),
                "visible": VISIBLE,
                "shutters": readings.plain(found),
                "missing": missing,
            }
        )
        return
    frames = f" at {made.picture.frames:.5g} fps" if made.picture.frames is not None else ""
    show.out(f"{made.title or made.name}, look {name or '(none)'}: shutters{frames}")
    if found:
        show.out()
    safe = [one for one in found if one.safe]
    if safe:
        show.print_table(words.HEAD, [words.row(one) for one in safe[:SHOWN]])
        if len(safe) > SHOWN:
            show.out(f"and {len(safe) - SHOWN} more that are safe: --json has all")
    elif found:
        show.out("No usual shutter is safe. The least bad:")
        show.print_table(words.HEAD, [words.row(one) for one in found[:SHOWN]])
    now = next((one for one in found if one.seconds == made.picture.shutter), None)
    if now is not None and not now.safe:
        show.out()
        show.out(
            f"{words.named(now, made.picture.frames)}, as it is set, may show bands:"
            f" {words.ripple(now.ripple)} by {words.source(now.source)}"
        )
    readings.not_computed(missing)
    if found:
        show.out()
        show.out(words.CAUTION)
    if found and words.unjudged(missing):
        show.out("What is missing may yet show bands at any of them.")

"""The shapes of things in a room from above, on paper and on the page alike.

Drawn about their own middle, looking to the right, and turned to where they are aimed. A lamp is
a hood with its lit face in it: the face grows with the light that comes out and has its white, so
that the one is read by size and the other by colour. How sure it is, is in the outline.
"""

from __future__ import annotations

import math

from studiobridge.profile.model import Device

# what a light on a dial has behind
KNOB = "M-11 0H-15M-15 -3.5V3.5"
# half of a lamp as it is drawn here; a sheet that wants it larger scales it
HALF = 12.0
# a hood that is round behind and flat where the light comes out
HOOD = "M6 -11H0A11 11 0 0 0 0 11H6Z"
CAMERA = "M-19 -10H3V-5L12 -9V9L3 5V10H-19Z"
THING = "M-8 -8H8V8H-8Z"
# the smallest face that is still seen to be lit
LEAST = 0.3
# how a beam is made of wedges within each other, so that it has no edge: so many, and how far out
# the last of them reaches, as a share of the beam (at whose edge a third of its strength is left)
WEDGES, WIDEST = 15, 1.6
# where along its way a beam is told how strong it is, as shares of the way to its aim
STOPS = (0.0, 0.15, 0.3, 0.5, 0.75, 1.0)
# it goes on for so much of its way beyond its aim, and ends there in nothing
BEYOND = 1.3


def outline(device: Device) -> str:
    """The path of a thing that looks to the right."""
    if device.kind == "light":
        return HOOD
    return CAMERA if device.kind == "camera" else THING


def face(share: float, attributes: str) -> str:
    """The lit face of a lamp that gives this share (0 to 1) of its light."""
    # to the eye, not to a meter: half the light still looks bright
    size = LEAST + (1.0 - LEAST) * math.sqrt(min(1.0, max(0.0, share)))
    grown = f'transform="translate({6 - 6 * size:.2f} 0) scale({size:.3f})"'
    return f'<path {attributes} d="{HOOD}" {grown}/>'


def strengths(at_aim: float) -> list[tuple[float, float]]:
    """How strong a beam is along its way, (share of its radius, opacity): `at_aim` where it is
    aimed, by the inverse square law before, nothing at its end."""
    found = []
    for share in STOPS:
        # the square law as the eye has it, and never so much that nothing is told apart
        much = min(0.95, at_aim / max(share, 0.28))
        found.append((share / BEYOND, much))
    return [*found, ((1.0 + BEYOND) / 2 / BEYOND, at_aim * 0.45), (1.0, 0.0)]


def half_angle(beam: float | None) -> float:
    return math.radians(min(beam or 40.0, 140.0) / 2)


def wedges(name: str, radius: float, half: float) -> str:
    """A beam from its lamp to the right, out to `radius` (px), soft at its sides.

    Its strength along the way is in the gradient `name` (`stops`), which is nothing at the radius:
    so a wedge needs no round end.
    """
    paths = []
    for i in range(WEDGES):
        # each adds as much as the next: together they fall off as a squared cosine
        share = WIDEST * math.acos(math.sqrt((i + 0.5) / WEDGES)) / (math.pi / 2)
        out = radius * math.tan(min(math.radians(84), share * half))
        paths.append(f'<path d="M0 0L{radius:.0f} {-out:.0f}V{out:.0f}Z"/>')
    return (
        f'<g class="beam" fill="url(#{name})" fill-opacity="{1 / WEDGES:.3f}">{"".join(paths)}</g>'
    )


def stops(colour: str, at_aim: float) -> str:
    """What is in the gradient of a beam. `at_aim`: how much of what there is to show reaches what
    it is aimed at (0 to 1)."""
    return "".join(
        f'<stop offset="{at:.3f}" stop-color="{colour}" stop-opacity="{much:.3f}"/>'
        for at, much in strengths(at_aim)
    )


def reaching(lux: float | None, most: float | None) -> float:
    """How strong a beam of `lux` at its aim is drawn, where the strongest is `most`."""
    if not lux or not most or lux <= 0 or not math.isfinite(lux):
        return 0.0
    # as the eye tells light from light (CIE 1976 L*: about a cube root), and never invisible
    return max(0.1, 0.62 * math.pow(min(1.0, lux / most), 1 / 2.4))

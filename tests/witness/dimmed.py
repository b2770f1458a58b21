"""A small set whose lamps can be told on, off and a level: as a file, and read."""

from __future__ import annotations

from pathlib import Path

from studiobridge.profile import read_profile
from studiobridge.profile.model import SetProfile

HEAD = """\
format: 1
set: corner
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A, curve: B}}}
dialects:
  dimmer:
    switch: {tell: {topic: "{at}/on", words: {on: "1", off: "0"}}, hear: {topic: "{at}/is", words: {on: "1", off: "0"}}}
    level: {tell: {topic: "{at}/dim", span: 0..100}, hear: {topic: "{at}/dims", span: 0..100}}
devices:
  key: {kind: light, fed_by: wall, draws: 20 W, speaks: dimmer, at: a, fade: 0 s}
  wash: {kind: light, fed_by: wall, draws: 20 W, speaks: dimmer, at: b, fade: 0 s}
"""
LOOK = "looks: {lesson: {key: {level: 50 %}, wash: {level: 50 %}}}\n"
# one more lamp, on a dial
RIM = "  rim: {kind: light, fed_by: wall, draws: 20 W, proof: picture}\n"
WITH_RIM = (
    HEAD + RIM + "looks: {lesson: {key: {level: 50 %}, wash: {level: 50 %}, rim: {level: 50 %}}}\n"
)


def read_corner(folder: Path, text: str = HEAD + LOOK) -> SetProfile:
    path = folder / "corner.yaml"
    path.write_text(text, encoding="utf-8")
    return read_profile(path).profile

"""What is written of gear that cannot speak is true: each example is read, checked and planned."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from studiobridge.cli.doubts import about_gear, about_watts
from studiobridge.control.plan import plan
from studiobridge.profile import read_profile_text
from studiobridge.profile.universes import CAUTION

TEXT = (Path(__file__).parents[2] / "config" / "silent-gear.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"## ([^\n]+)\n+```yaml\n(.*?)```\n```text\n(.*?)```", TEXT, re.S)
HEAD = "format: 1\nset: example\nmains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}\n"
RELAY_BOX = """\
  relay-box:
    switch: {tell: {topic: "{at}/in", words: {on: "1", off: "0"}}, hear: {topic: "{at}/out", words: {on: "1", off: "0"}}}
    watts: {hear: {topic: "{at}/watts"}}
    ask: {topic: "{at}/report"}
"""


def whole(example: str) -> str:
    """The example with what it takes for granted: the mains, and the plug's dialect."""
    relay = RELAY_BOX if "relay-box" in example else ""
    if "dialects:\n" in example:
        return HEAD + example.replace("dialects:\n", "dialects:\n" + relay)
    return HEAD + ("dialects:\n" + relay if relay else "") + example


def test_there_is_an_example_for_each_section() -> None:
    assert len(EXAMPLES) == TEXT.count("\n## ") == TEXT.count("```yaml") >= 7


@pytest.mark.parametrize(("title", "example", "lines"), EXAMPLES, ids=lambda v: v[:20])
def test_it_is_as_it_is_written(title: str, example: str, lines: str) -> None:
    reading = read_profile_text(whole(example), "silent-gear.md")
    profile = reading.profile
    found = [*about_gear(reading), *about_watts(reading)]
    on_slots = any(device.slots is not None for device in profile.devices.values())
    said = {
        "check": [*map(str, found), *([CAUTION] if on_slots else [])],
        "plan up": plan(profile, "up").people,
        "plan down": plan(profile, "down").people,
    }
    for line in lines.splitlines():
        who, _, text = line.partition(": ")
        assert any(text in each for each in said[who]), (line, said[who])
    # and check doubts nothing that is not written here
    assert len(found) == lines.count("check: ") - on_slots

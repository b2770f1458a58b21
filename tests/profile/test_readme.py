"""What the README tells a newcomer to type is read by the reader of profiles, and its links lead somewhere."""

from __future__ import annotations

import re
from pathlib import Path

from studiobridge.profile import read_profile_text

ROOT = Path(__file__).parents[2]
TEXT = (ROOT / "README.md").read_text(encoding="utf-8")


def block(after: str) -> str:
    """The first indented block behind a heading."""
    behind = TEXT[TEXT.index(f"## {after}\n") :]
    found = re.search(r"(?:^    .*\n)+", behind, re.M)
    assert found is not None
    return "".join(line[4:] for line in found[0].splitlines(keepends=True))


FIRST = block("A first profile")


def test_the_first_profile_is_whole() -> None:
    reading = read_profile_text(FIRST, "first-corner.yaml")
    assert reading.warnings == ()
    assert set(reading.profile.devices) == {"lamp-plug", "key"}


def test_gear_that_cannot_speak_goes_into_the_first_profile() -> None:
    """With the plugs it hangs on, metering, and its universe."""
    plugs = "".join(
        f"  {name}: {{kind: plug, fed_by: {feed}, speaks: meter, at: {name}}}\n"
        for name, feed in (("rim-plug", "wall"), ("camera-plug", "wall"), ("window", "wall"))
    )
    meter = '  meter: {switch: {tell: {topic: "{at}/in"}, hear: {topic: "{at}/out"}}, watts: {hear: {topic: "{at}/w"}}}\n'
    mute = "".join(f"  {line}\n" for line in block("Gear that cannot speak").splitlines())
    text = FIRST.replace(
        "devices:\n", f"{meter}universes: {{1: {{to: multicast}}}}\ndevices:\n{plugs}"
    )
    profile = read_profile_text(text.replace("looks:\n", f"{mute}looks:\n"), "mute.yaml").profile
    assert profile.devices["rim"].proof == "watts" and profile.devices["rim"].speaks is None
    assert profile.devices["hair"].slots is not None
    assert profile.devices["camera"].rolls_by == "watts"
    assert profile.devices["laptop"].own_battery


def test_every_file_it_links_is_there() -> None:
    names = re.findall(r"\]\(([^)#:]+)\)", TEXT)
    assert len(names) > 6
    assert [name for name in names if not (ROOT / name).exists()] == []

"""What a newcomer is told to write is read by the reader of profiles, and every link leads somewhere."""

from __future__ import annotations

import re
from pathlib import Path

from studiobridge.profile import read_profile_text

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "config").glob("*.md"))]


def block(page: str, after: str) -> str:
    """The first indented block behind some words of a page."""
    text = (ROOT / "config" / page).read_text(encoding="utf-8")
    found = re.search(r"(?:^    .*\n)+", text[text.index(after) :], re.M)
    assert found is not None
    return "".join(line[4:] for line in found[0].splitlines(keepends=True))


FIRST = block("first-day.md", "## Written by hand")


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
    mute = "".join(
        f"  {line}\n" for line in block("silent-gear.md", "All of it in a few lines").splitlines()
    )
    text = FIRST.replace(
        "devices:\n", f"{meter}universes: {{1: {{to: multicast}}}}\ndevices:\n{plugs}"
    )
    profile = read_profile_text(text.replace("looks:\n", f"{mute}looks:\n"), "mute.yaml").profile
    assert profile.devices["rim"].proof == "watts" and profile.devices["rim"].speaks is None
    assert profile.devices["hair"].slots is not None
    assert profile.devices["camera"].rolls_by == "watts"
    assert profile.devices["laptop"].own_battery


def test_every_file_they_link_is_there() -> None:
    wrong, seen = [], 0
    for page in PAGES:
        for name in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
            seen += 1
            if not (page.parent / name).exists():
                wrong.append(f"{page.name}: {name}")
    assert wrong == []
    assert seen > 20


def test_the_readme_is_two_screens_and_no_line_of_prose_is_long() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert len(text.split()) < 1100
    prose = [line for line in text.splitlines() if not line.startswith(("|", "    ", "!["))]
    assert [line for line in prose if len(line) >= 120] == []

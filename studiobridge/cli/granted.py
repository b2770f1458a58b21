"""What a profile leaves unsaid and `check` takes for granted, and what stands in it unused."""

from __future__ import annotations

from studiobridge.figures.mains import not_given
from studiobridge.figures.room import room_of
from studiobridge.profile.build import Reading
from studiobridge.profile.model import SetProfile
from studiobridge.profile.text import Problem
from studiobridge.shown import words

# What to do about a finding of `not_given`, by the word it begins with.
READ_OFF = {
    "no draw": "add 'draws:' as printed on each, or as its plug meters it",
    "no inrush": "add 'inrush:' from its data sheet, or 'inrush: 0 A' where there is none",
    "no curve": "add 'curve:' with the letter on the breaker (B16 is curve B, 16 A)",
}


def about_granted(reading: Reading) -> list[Problem]:
    """Figures that are missing in the sums, and mains that nothing is known of."""
    profile = reading.profile
    found = _no_mains(reading)
    for finding in not_given(profile):
        todo = next(todo for word, todo in READ_OFF.items() if finding.text.startswith(word))
        found.append(reading.problem(finding.where, finding.text, todo))
    return found


def _no_mains(reading: Reading) -> list[Problem]:
    """A set on batteries needs no mains; that nothing of them is checked is said all the same."""
    document, profile = reading.document, reading.profile
    if document is None:
        return []
    mains = document.root.get("mains")
    if mains is None:
        what = "there is no 'mains:', so no load, no inrush, no lead and no cost is checked"
        todo = "add its voltage and circuits where anything of the set hangs on a wall"
        return [reading.problem((), what, todo)]
    if mains.get("voltage") is None and profile.circuits:
        what = f"no voltage given: {profile.voltage:g} V is taken for granted, in every sum"
        return [reading.problem(("mains",), what, "add 'voltage:', like 'voltage: 230 V'")]
    return []


def about_unused(reading: Reading) -> list[Problem]:
    """What stands in the file and does nothing there, without being wrong."""
    profile = reading.profile
    spoken = {device.speaks for device in profile.devices.values()}
    feeding = {device.circuit for device in profile.devices.values()}
    found = []
    for what, names, section in (
        ("no device speaks", [n for n in profile.dialects if n not in spoken], ("dialects",)),
        (
            "nothing hangs on",
            [n for n in profile.circuits if n not in feeding],
            ("mains", "circuits"),
        ),
    ):
        if names:
            named = words.listed([f"'{name}'" for name in names], 99)
            todo = "leave it out, or name it where it belongs"
            found.append(reading.problem((*section, names[0]), f"{what} {named}", todo))
    found.extend(_not_framed(reading, profile))
    return found


def _not_framed(reading: Reading, profile: SetProfile) -> list[Problem]:
    """`fits` is compared with what the lens shows: without the figures for that it says nothing."""
    if profile.picture.fits is None:
        return []
    lacking = [text for text in room_of(profile).missing if text.endswith("framing not computed")]
    what = "'fits' is compared with nothing"
    return [reading.problem(("picture", "fits"), f"{what}: {text}") for text in lacking[:1]]

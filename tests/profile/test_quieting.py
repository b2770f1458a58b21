"""`quiet:` of a device: what it takes for granted, and what is refused with its place."""

import pytest

from studiobridge.profile.build import read_profile_text
from studiobridge.profile.text import ProfileError

HEAD = """\
format: 1
set: snug
mains: {circuits: {wall: {breaker: 10 A}, other: {breaker: 10 A}}}
dialects:
  box:
    switch:
      tell: {topic: "{at}/in", words: {on: "1", off: "0"}}
      hear: {topic: "{at}/out", words: {on: "1", off: "0"}}
devices:
  lamp-plug: {kind: plug, fed_by: wall, speaks: box, at: a}
  lamp: {kind: light, fed_by: lamp-plug}
"""
TAIL = "looks: {day: {lamp: {level: 50 %}}}\n"


def read(lines: str):
    text = HEAD + "".join(f"  {line}\n" for line in lines.splitlines()) + TAIL
    return read_profile_text(text, "snug.yaml")


def test_yes_is_an_hour_at_most_and_three_minutes_of_rest_when_somebody_asks():
    (told,) = [
        d.quiet
        for d in read(
            "fridge: {kind: plug, fed_by: other, speaks: box, at: f, quiet: yes}"
        ).profile.devices.values()
        if d.quiet
    ]
    assert (told.when, told.lasts, told.rests) == ("asked", 3600.0, 180.0)


def test_it_says_when_how_long_and_its_rest():
    line = (
        "fridge: {kind: plug, fed_by: other, speaks: box, at: f,"
        " quiet: {when: rolling, for: 40 min, rests: 5 min}}"
    )
    told = read(line).profile.devices["fridge"].quiet
    assert (told.when, told.lasts, told.rests) == ("rolling", 2400.0, 300.0)


def test_what_is_told_quiet_and_its_plug_stay_on_and_are_not_waited_for():
    found = read(
        "box: {kind: plug, fed_by: other, speaks: box, at: f}\n"
        "cells: {kind: charger, fed_by: box, quiet: yes}"
    ).profile.devices
    assert found["box"].stays_on and found["cells"].stays_on
    assert not found["box"].essential and not found["cells"].essential


def test_no_is_no():
    line = "fridge: {kind: plug, fed_by: other, speaks: box, at: f, quiet: no}"
    device = read(line).profile.devices["fridge"]
    assert device.quiet is None and device.essential and not device.stays_on


PLUG = "fridge: {kind: plug, fed_by: other, speaks: box, at: f, quiet: QUIET}"


@pytest.mark.parametrize(
    ("lines", "said", "column"),
    [
        (PLUG.replace("QUIET", "{for: 5 h}"), "off for 5 h", 72),
        (PLUG.replace("QUIET", "yes, essential: yes"), "ready without it", 71),
        (PLUG.replace("QUIET", "yes, stays_on: no"), "leaves it on", 71),
        ("cam: {kind: camera, fed_by: lamp-plug, quiet: yes}", "is a camera", 42),
        ("cells: {kind: charger, fed_by: other, quiet: yes}", "no plug that can be told", 41),
        ("cells: {kind: charger, fed_by: lamp-plug, quiet: yes}", "feeds 'lamp' too", 45),
        (
            PLUG.replace("QUIET", "yes").replace("fed_by: other", "fed_by: lamp-plug"),
            "hangs on 'lamp-plug'",
            63,
        ),
        (PLUG.replace("QUIET", "{for: 3}"), "", 72),
        (PLUG.replace("QUIET", "{when: always}"), "", 73),
        (PLUG.replace("QUIET", "perhaps"), "", 66),
    ],
)
def test_what_cannot_be_is_refused_where_it_stands(lines, said, column):
    with pytest.raises(ProfileError) as error:
        read(lines)
    (problem,) = error.value.problems
    assert said in problem.what
    assert (problem.line, problem.column) == (12, column)

"""Fixtures on slots in a profile: every contradiction is found, with its line and column."""

from __future__ import annotations

import pytest

from studiobridge.profile import ProfileError, read_profile_text
from studiobridge.profile.model import Slots, Span, Universe

BASE = """\
format: 1
set: kiln-shelf
mains: {circuits: {wall: {breaker: 10 A}}}
universes:
  1: {to: 10.0.0.7, priority: 90}
devices:
  hair:
    kind: light
    fed_by: wall
    proof: none
    speaks: e131
    at: 1/25
    slots:
      level: 1
      level_fine: 2
      cct: {slot: 3, span: 2700..6500 K}
      keep: {5: 0, 6: 255}
  back:
    kind: backdrop
    fed_by: wall
    speaks: e131
    at: 1/31
    slots: {level: 1}
    proof: none
looks:
  day: {hair: {level: 64 %, cct: 4000 K}, back: {level: 20 %}}
"""


def test_it_reads() -> None:
    reading = read_profile_text(BASE, "kiln.yaml")
    assert reading.warnings == ()
    profile = reading.profile
    assert profile.universes == {1: Universe(1, ("10.0.0.7",), 90)}
    hair = profile.devices["hair"]
    assert hair.slots == Slots(1, 25, 1, 2, 3, None, Span(2700, 6500), {5: 0, 6: 255})
    assert hair.slots.count == 6
    assert hair.tells == {"level", "cct"} and hair.hears == frozenset()
    assert hair.cct_range == (2700, 6500)
    assert profile.devices["back"].tells == {"level"}


@pytest.mark.parametrize(
    ("old", "new", "where", "what"),
    [
        ("at: 1/25", "at: 1/508", "17:20", "slot 6 from 508 on is beyond the 512 of a universe"),
        ("at: 1/25", "at: 1/513", "12:9", "a universe has the slots 1 to 512"),
        ("at: 1/25", "at: 1/0", "12:9", "a universe has the slots 1 to 512"),
        ("at: 1/25", "at: 64000/1", "12:9", "there is no universe 64000: they go from 1 to 63999"),
        ("at: 1/25", "at: 0/1", "12:9", "there is no universe 0"),
        ("at: 1/25", "at: one/1", "12:9", "'one/1' is no place of slots; write its universe"),
        ("at: 1/25", "at: 2/25", "12:9", "nothing says where universe 2 is sent; add 'universes"),
        ("    at: 1/25\n", "", "7:3", "'hair' does not say where its slots are"),
        ("at: 1/31", "at: 1/30", "22:9", "slot 30 of universe 1 is 'hair' already"),
        ("at: 1/31", "at: 1/28", "22:9", "slot 28 of universe 1 is 'hair' already"),
        ("      level: 1\n", "", "14:7", "'level_fine' is the lower byte of a level"),
        ("    slots: {level: 1}\n", "", "18:3", "'back' does not say what its slots are"),
        ("slots: {level: 1}", "slots: {keep: {1: 3}}", "23:5", "has no 'level'"),
        ("slot: 3", "slot: 2", "16:19", "slot 2 is 'level_fine' already"),
        ("slot: 3", "slot: 0", "16:19", "there is no slot 0"),
        ("slot: 3", "slot: yes", "16:19", "'slot' is a whole number, and 'yes' is none"),
        ("5: 0", "5: 256", "17:17", "a slot holds 0 to 255, not 256"),
        ("5: 0, 6", "5: 0, 05", "17:20", "'05' is no number to count by"),
        (
            "    proof: none\n    speaks",
            "    speaks",
            "7:3",
            "say how it is known to be as asked; add",
        ),
        ("proof: none\n    speaks", "proof: report\n    speaks", "10:12", "never answers: say how"),
        ("5: 0", "5: true", "17:17", "is a whole number, and 'true' is none"),
        ("level_fine: 2", "levle_fine: 2", "15:7", "did you mean 'level_fine'?"),
        ("2700..6500 K", "4000..4000 K", "16:28", "goes from high to low"),
        ("2700..6500 K", "2700..6500", "16:28", "no unit"),
        ("priority: 90", "priority: 201", "5:31", "write a whole number from 0 to 200"),
        ("10.0.0.7", "239.255.255.3", "5:11", "belongs to no universe, and other protocols use"),
        ("10.0.0.7", "239.255.0.1", "5:11", "239.255.0.1 is a group: a universe has its own"),
        ("10.0.0.7", "10.0.0.255", "5:11", "10.0.0.255 is no fixture's own address"),
        ("10.0.0.7", "lamp.local", "5:11", "'lamp.local' is neither 'multicast' nor an IPv4"),
        ("10.0.0.7", "[10.0.0.7, 10.0.0.7]", "5:11", "one address stands here twice"),
        ("10.0.0.7", "[]", "5:11", "an empty list sends it to nobody"),
        ("  1: {to", "  2: {to: multicast}\n  1: {to", "5:3", "no fixture is on universe 2"),
        ("kind: backdrop", "kind: camera", "21:13", "only lights and backdrops listen on e131"),
        ("kind: backdrop", "kind: backdrop\n    restores: 2", "20:5", "'restores' does nothing"),
        ("kind: backdrop", "kind: backdrop\n    poll: 20 s", "20:5", "'poll' does nothing here"),
        ("kind: backdrop", "kind: backdrop\n    level: 5..90 %", "20:12", "put out with 0"),
        (
            "kind: light",
            "kind: light\n    cct: 2500..6000 K",
            "9:10",
            "no white outside 2700..6500",
        ),
        (
            "    speaks: e131\n    at: 1/31\n",
            "",
            "21:5",
            "'slots' is for a fixture that speaks e131",
        ),
        ("universes:", "dialects: {e131: {}}\nuniverses:", "4:12", "'e131' is built in"),
    ],
)
def test_what_is_wrong_is_said_with_its_place(old: str, new: str, where: str, what: str) -> None:
    assert BASE.count(old) == 1, old
    with pytest.raises(ProfileError) as caught:
        read_profile_text(BASE.replace(old, new), "kiln.yaml")
    said = [str(problem) for problem in caught.value.problems]
    assert any(f"kiln.yaml:{where}: " in line and what in line for line in said), said


@pytest.mark.parametrize("at", ["25", "1/513"])
def test_a_slot_that_cannot_be_read_does_not_make_its_universe_superfluous(at: str) -> None:
    alone = BASE.replace("    at: 1/25", f"    at: {at}").split("  back:\n")[0]
    with pytest.raises(ProfileError) as found:
        read_profile_text(alone, "kiln.yaml")
    said = " ".join(map(str, found.value.problems))
    assert "like 1/25" in said
    assert "no fixture is on universe" not in said

"""What a look is for: read, inherited, refused where it makes no sense, and written back."""

from __future__ import annotations

from pathlib import Path

import pytest

from studiobridge.profile import ProfileError, read_profile, read_profile_text
from studiobridge.profile.keep import CannotKeep
from studiobridge.profile.keep_wants import keep_balanced, save_balanced
from studiobridge.profile.model import Preset, Wants

HEAD = """\
format: 1
set: shelf
devices:
  lamp: {kind: light, fed_by: battery}
looks:
  day:   # over the bench
    wants: {aperture: f/4, ratio: 3:1, backdrop: -1.5 stops, white: 5600 K}   # as agreed
    lamp: {level: 40 %}
  dusk:
    from: day
    wants: {lux: 200 lx, rim: 0.5 stop}
"""


def test_a_look_that_starts_from_another_wants_the_same_but_for_what_it_says() -> None:
    looks = read_profile_text(HEAD, "shelf.yaml").profile.looks
    day = Wants(aperture=4.0, ratio=3.0, backdrop=-1.5, white=5600.0)
    assert looks["day"].wants == day
    # the light on the face in lux takes the place of the aperture
    assert looks["dusk"].wants == Wants(lux=200.0, ratio=3.0, backdrop=-1.5, white=5600.0, rim=0.5)


@pytest.mark.parametrize(
    ("wants", "says"),
    [
        ("{}", "'wants' says nothing"),
        ("{aperture: f/4, lux: 200 lx}", "wanted twice"),
        ("{ratio: 0:1}", "'0:1' is no ratio"),
        ("{ratio: 2}", "write it like '2:1'"),
        ("{ratio: 1e999:1}", "write it like '2:1'"),
        ("{backdrop: -11 stop}", "outside -10 to 10"),
        ("{rim: .nan}", "stops over"),
        ("{white: 90 K}", "outside 1000 to 25000 K"),
        ("{apperture: f/4}", "aperture"),
        ("f/4", "wants"),
    ],
)
def test_what_makes_no_sense_is_refused_where_it_stands(wants: str, says: str) -> None:
    text = HEAD.replace("{lux: 200 lx, rim: 0.5 stop}", wants)
    with pytest.raises(ProfileError) as refused:
        read_profile_text(text, "shelf.yaml")
    said = [str(p) for p in refused.value.problems]
    assert any(says in one and one.startswith("shelf.yaml:11:") for one in said), said


def test_no_device_is_called_so() -> None:
    with pytest.raises(ProfileError, match="'wants' is a word of this file"):
        read_profile_text(HEAD.replace("  lamp: {kind", "  wants: {kind"), "shelf.yaml")


def test_levels_and_what_they_are_for_are_written_together_or_not_at_all(tmp_path: Path) -> None:
    path = tmp_path / "shelf.yaml"
    path.write_text(HEAD, encoding="utf-8")
    keep_balanced(path, "day", {"lamp": Preset(55.5)}, Wants(lux=321.5, rim=-0.25))
    after = path.read_text(encoding="utf-8")
    assert "# over the bench" in after and "# as agreed" in after
    looks = read_profile(path).profile.looks
    assert looks["day"].wants == Wants(lux=321.5, rim=-0.25)
    assert looks["day"].presets["lamp"].level == 55.5
    save_balanced(path, "noon", {"lamp": Preset(80.0)}, Wants(ratio=1.5), whites_meant=True)
    noon = read_profile(path).profile.looks["noon"]
    assert (noon.wants, noon.whites_meant) == (Wants(ratio=1.5), True)
    # one that is written in a way of its own is left to its owner, levels and all
    commented = HEAD.replace(
        "wants: {aperture: f/4, ratio: 3:1, backdrop: -1.5 stops, white: 5600 K}   # as agreed",
        "wants:\n      aperture: f/4   # as agreed\n      ratio: 3:1",
    )
    path.write_text(commented, encoding="utf-8")
    with pytest.raises(CannotKeep, match=r"shelf.yaml:7: 'wants' is written in a way"):
        keep_balanced(path, "day", {"lamp": Preset(10.0)}, Wants(ratio=2.0))
    assert path.read_text(encoding="utf-8") == commented
    # where it says so already, in its owner's words, only the level changes
    keep_balanced(path, "day", {"lamp": Preset(10.0)}, Wants(aperture=4.0, ratio=3.0))
    assert path.read_text(encoding="utf-8") == commented.replace("level: 40 %", "level: 10 %")


def test_the_most_light_that_can_be_wanted_is_written_as_it_is_read(tmp_path: Path) -> None:
    path = tmp_path / "shelf.yaml"
    path.write_text(HEAD, encoding="utf-8")
    keep_balanced(path, "day", {}, Wants(lux=1_000_000.0))
    assert read_profile(path).profile.looks["day"].wants == Wants(lux=1_000_000.0)

"""Measured figures written into a file: those keys and nothing else, or nothing at all."""

from __future__ import annotations

from pathlib import Path

import pytest

from studiobridge.profile import read_profile
from studiobridge.profile.keep import CannotKeep
from studiobridge.profile.keep_figures import keep_figures

KILN = """\
# the kiln shelf
format: 1
set: kiln-shelf
mains: {circuits: {wall: {breaker: 16 A}}}
dialects:
  panel: {level: {tell: {topic: "do/{at}"}, hear: {topic: "say/{at}"}}}
devices:
  key:  # the panel over the shelf
    kind: light
    fed_by: wall
    speaks: panel
    at: key
    boots_in: 4 s   # by its box
  rim: {kind: light, fed_by: wall, speaks: panel, at: rim}  # a flow mapping
looks:
  work: {key: {level: 60 %}, rim: {level: 20 %}}
"""
TABLE = "{0 %: 0.6 W, 50 %: 16.3 W, 100 %: 40 W}"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    made = tmp_path / "kiln.yaml"
    made.write_text(KILN)
    return made


def kept(path: Path, device: str, figures: dict[str, str], force: bool = False) -> None:
    keep_figures(path, path.read_bytes(), device, figures, force)


def test_new_keys_are_added_and_every_comment_stays(path: Path) -> None:
    kept(path, "key", {"answers_in": "0.5 s", "draws_at": TABLE})
    kept(path, "rim", {"comes_back": "full"})
    text = path.read_text()
    assert [line for line in text.splitlines() if line not in KILN.splitlines()] == [
        "    answers_in: 0.5 s",
        f"    draws_at: {TABLE}",
        "  rim: {kind: light, fed_by: wall, speaks: panel, at: rim, comes_back: full}"
        "  # a flow mapping",
    ]
    read = read_profile(path).profile.devices
    assert read["key"].draws_at == ((0.0, 0.6), (50.0, 16.3), (100.0, 40.0))
    assert (read["key"].answers_in, read["rim"].comes_back) == (0.5, "full")


def test_what_is_there_and_says_otherwise_is_changed_by_force_alone(path: Path) -> None:
    with pytest.raises(CannotKeep, match=r"kiln.yaml:13:\d+: key has boots_in: 4 s and 7.3 s"):
        kept(path, "key", {"answers_in": "0.5 s", "boots_in": "7.3 s"})
    assert path.read_text() == KILN  # not even the other one
    kept(path, "key", {"boots_in": "7.3 s"}, force=True)
    assert path.read_text() == KILN.replace("4 s ", "7.3 s ")
    again = path.read_text()
    kept(path, "key", {"boots_in": "7.3 s"})  # it says so: nothing to force
    assert path.read_text() == again


def test_a_file_that_was_changed_meanwhile_is_left_to_whoever_changed_it(path: Path) -> None:
    seen = path.read_bytes()
    path.write_text(KILN.replace("60 %", "61 %"))
    with pytest.raises(CannotKeep, match="changed since the measurement began"):
        keep_figures(path, seen, "key", {"answers_in": "0.5 s"})
    assert path.read_text() == KILN.replace("60 %", "61 %")


@pytest.mark.parametrize(
    ("text", "figures"),
    [
        # the table ends elsewhere than `draws` says
        (KILN.replace("at: key\n", "at: key\n    draws: 20 W\n"), {"draws_at": TABLE}),
        # what is written of it is written of another too
        (KILN.replace("boots_in", "<<").replace("4 s ", "*x "), {"answers_in": "0.5 s"}),
        (KILN, {"kind": "plug"}),
        (KILN, {"boots_in": "soon"}),
        (KILN.replace("set: kiln-shelf", "set: /"), {"answers_in": "0.5 s"}),
    ],
)
def test_what_does_not_fit_is_not_written(path: Path, text: str, figures: dict[str, str]) -> None:
    path.write_text(text)
    with pytest.raises(CannotKeep):
        kept(path, "key", figures, force=True)
    assert path.read_text() == text


def test_an_alias_is_not_written_through(path: Path) -> None:
    text = KILN.replace("  key:  #", "  key: &k  #")
    start, end = text.index("  rim: {"), text.index("looks:")
    path.write_text(text[:start] + "  rim: *k\n" + text[end:])
    before = path.read_text()
    with pytest.raises(CannotKeep):
        kept(path, "key", {"answers_in": "0.5 s"})
    assert path.read_text() == before

"""Each key of a profile is explained once, for the editor and for `explain`, and truly."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from studiobridge.cli.app import app
from studiobridge.profile import ProfileError, profile_schema, read_profile_text
from studiobridge.profile.explained import PLACES, Explained, every_key, explained, near
from studiobridge.profile.model import KINDS
from studiobridge.profile.shape import DeviceShape

FOR_SOME = [k for k in every_key() if k.kinds]


def test_every_key_of_every_place_has_its_sentence_and_no_other_has_one() -> None:
    for place in PLACES.values():
        keys = {field.alias or name for name, field in place.of.model_fields.items()}
        assert keys == set(place.keys), place.of.__name__
        for key, text in place.keys.items():
            assert text.endswith("."), key
            assert text[0].isupper() or text.split()[0].rstrip(",:") in text, key


def test_an_editor_sees_it_too() -> None:
    schema = profile_schema()
    bare = [
        f"{name}.{key}"
        for name, model in {"": schema, **schema["$defs"]}.items()
        for key, rule in model.get("properties", {}).items()
        if not rule.get("description")
    ]
    assert bare == []
    boots = schema["$defs"]["DeviceShape"]["properties"]["boots_in"]["description"]
    assert "ms, s, min, h" in boots


# what a key needs beside it before its kind is what is looked at, and a value that can be read
VALUES = {
    "level": "5..100 %",
    "cct": "2700..6500 K",
    "dimmer": "square",
    "fade": "1 s",
    "cools_in": "1 s",
    "idle_below": "4 W",
    "idle_for": "5 s",
    "shuts_in": "5 s",
    "closes_in": "5 s",
    "done_below": "4 W",
    "residual": "1 W",
    "forgets_level": "yes",
    "comes_back": "full",
    "restores": "1",
    "own_battery": "yes",
    "rolls": "{by: hand}",
    "slots": "{level: 1}",
    "size": "{width: 1 m, height: 1 m}",
    "glow": "40 cd/m²",
    "reflects": "30 %",
    "keys": "green",
    "dye": '{rgb: "#2f9e4c"}',
    "duv": "0.003",
    "receptor": "flat",
    "role": "key",
    "output": "900 lx at 1 m",
    "beam": "90 deg",
    "pwm": "20 kHz",
    "flicker": "3 %",
    "rated": "10 A",
}


@pytest.mark.parametrize("found", FOR_SOME, ids=lambda k: k.key)
def test_what_is_only_for_some_kinds_is_refused_on_every_other(found: Explained) -> None:
    for kind in KINDS:
        if kind in found.kinds:
            continue
        text = (
            "format: 1\nset: corner\nmains: {circuits: {wall: {breaker: 10 A, curve: B}}}\n"
            f"devices:\n  it: {{kind: {kind}, fed_by: wall, {found.key}: {VALUES[found.key]}}}\n"
        )
        with pytest.raises(ProfileError) as refused:
            read_profile_text(text, "it.yaml")
        said = [str(p) for p in refused.value.problems]
        assert any(found.key in one or f"'it' is a {kind}: only" in one for one in said), said


def test_what_it_says_of_a_range_is_what_is_refused_beyond_it() -> None:
    """`Left out`, least and most are read off the shape: here against what reading does."""
    found = {k.key: k for k in explained("boots_in")}["boots_in"]
    assert found.default == "0 s"
    most = float(re.match(r"[0-9]+", found.most or "").group())  # type: ignore[union-attr]
    assert DeviceShape(kind="light", boots_in=f"{most:g} s").boots_in == most
    with pytest.raises(ValueError, match="outside"):
        DeviceShape(kind="light", boots_in=f"{most + 1:g} s")


def test_a_key_of_several_places_gives_all_and_a_place_gives_its_keys() -> None:
    assert {k.place for k in explained("topic")} >= {"tell", "hear", "ask", "switch"}
    assert [k.place for k in explained("hear.topic")] == ["hear"]
    assert {k.key for k in explained("circuit")} == {"breaker", "curve", "gap", "where"}
    assert explained("nothing-like-it") == []
    # as they are written in a profile, and what stands inside a key is said with it
    assert [k.place for k in explained("readings.read")] == ["reading"]
    assert [k.key for k in explained("picture.hold.duv")] == ["duv"]
    assert [k.key for k in explained("readings")] == ["readings", "read", "at", "look", "on"]
    assert {k.key for k in explained("wants")} >= {"wants", "aperture", "ratio", "backdrop", "rim"}
    assert near("boot_in")[0] == "boots_in"


def test_the_command(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    run = CliRunner().invoke(app, ["explain", "inrush"])
    assert run.exit_code == 0
    assert "devices: NAME:" in run.stdout
    assert max(map(len, run.stdout.splitlines())) <= 80
    made = json.loads(CliRunner().invoke(app, ["explain", "curve", "--json"]).stdout)
    assert made[0]["one_of"] == ["B", "C", "D"]
    everything = CliRunner().invoke(app, ["explain"]).stdout
    assert all(f"  {k.key}: " in everything for k in every_key())


def test_the_examples_use_no_key_that_is_not_explained() -> None:
    """A key that only a comment knows would be one nobody can look up."""
    keys = {k.key for k in every_key()}
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    for asked in re.findall(r"`studiobridge explain ([a-z_.]+)`", text):
        assert asked.rpartition(".")[2] in keys | set(PLACES)

"""A coloured cloth from the profile to the record: set, turned, put back, as it was at a moment."""

from __future__ import annotations

from pathlib import Path

import pytest
import yaml

from studiobridge.bridge.reading import Reader
from studiobridge.bridge.tables import record_path
from studiobridge.control.effects import DriftNote, StepNote
from studiobridge.control.events import Request
from studiobridge.control.plan import plan
from studiobridge.craft.chroma import Colour, apart, of_hs
from studiobridge.panel.past import _then_and_now
from studiobridge.profile import read_profile
from tests.bridge.test_record import write
from tests.control.test_colour import up, views
from tests.test_walk import Gear

TOP = Path(__file__).parents[2]
GREEN = Colour(0.3, 0.6)
PALE = Colour(0.3, 0.5)


def step(at: float, value: str) -> StepNote:
    return StepNote(at, 1, 1, "cloth", "set", value, "confirmed", "")


def drift(at: float, phase: str, wanted: object, reported: object, how: str = "") -> DriftNote:
    point = "colour" if isinstance(wanted, Colour) else "cct"
    return DriftNote(at, 1, phase, "cloth", point, wanted, reported, None, None, None, how)  # type: ignore[arg-type]


def test_a_colour_is_read_back_from_the_record_as_it_stood(tmp_path: Path) -> None:
    path = record_path(tmp_path, "dye")
    write(
        path,
        [
            step(1.0, "75 %, green xy 0.300 0.600"),
            drift(2.0, "opened", GREEN, PALE),
            drift(3.0, "worse", GREEN, 4300.0),
            drift(4.0, "closed", GREEN, 4300.0, "restored"),
            step(5.0, "60 %, 4300 K"),
            drift(6.0, "opened", 4300.0, PALE),
        ],
    )
    reader = Reader(path)

    def at(moment: float) -> dict[str, object]:
        return {k: v for k, v in reader.moment(1000.0 + moment)["cloth"].items() if k != "switch"}

    green, pale = {"x": 0.3, "y": 0.6}, {"x": 0.3, "y": 0.5}
    assert at(1.5) == {"level": 75.0, "colour": green}
    assert at(2.5) == {"level": 75.0, "colour": pale}
    assert at(3.5) == {"level": 75.0, "cct": 4300.0}
    assert at(4.5) == {"level": 75.0, "colour": green}
    assert at(5.5) == {"level": 60.0, "cct": 4300.0}
    assert at(6.5) == {"level": 60.0, "colour": pale}
    said = [change["said"] for change in reader.changes("cloth", 20)]
    assert "colour opened: green xy 0.300 0.500" in said
    assert "colour worse: 4300" in said
    (entry,) = reader.drifts("cloth")[:1]
    assert entry["wanted"] == green
    reader.close()


def test_two_moments_are_told_apart_by_colour() -> None:
    green, pale = {"x": 0.3, "y": 0.6}, {"x": 0.3, "y": 0.5}
    row = _then_and_now("cloth", {"level": 75.0, "colour": green}, {"level": 75.0, "colour": pale})
    assert (row["then"], row["difference"]) == ("75 %, green", "paler now by 0.032 Δu′v′")
    row = _then_and_now("cloth", {"colour": green}, {"cct": 4300.0})
    assert row["difference"] == "white now, coloured then"
    row = _then_and_now("cloth", {"cct": 4300.0}, {"colour": green})
    assert row["difference"] == "coloured now, white then"
    assert _then_and_now("cloth", {"colour": green}, {"colour": green})["difference"] == ""


def test_what_a_plan_says_is_what_the_record_reads(tmp_path: Path) -> None:
    made = read_profile(TOP / "config" / "green-cloth.yaml").profile
    (value,) = [s.value for s in plan(made, "up", "sea").steps if s.device == "cloth" and s.value]
    assert value.startswith("30 %, blue xy 0.")
    path = record_path(tmp_path, "dye")
    write(path, [step(1.0, value)])
    reader = Reader(path)
    found = reader.moment(1002.0)["cloth"]["colour"]
    reader.close()
    wanted = made.looks["sea"].presets["cloth"].colour
    assert wanted is not None
    assert apart(Colour(**found), wanted) < 0.002


@pytest.mark.parametrize("turned", [{"cct": 4300.0}, {"colour": of_hs(60, 0.9)}])
def test_from_the_file_to_the_topic_and_back_again(turned: dict[str, object]) -> None:
    made = read_profile(TOP / "config" / "green-cloth.yaml").profile
    gear = Gear(made)
    gear.do(gear.core.link_up)
    gear.wait(5.0)
    gear.says("camera", {"online": True, "rolling": False})
    gear.do(lambda at: gear.core.request(Request(at, "u", "up")))
    gear.wait(60.0)
    assert gear.core.state()["state"] == "ready", gear.core.state()["why"]
    told = [m.payload for m in gear.told if m.topic == "story/cloth/put"]
    # hue 120 of 254 is 84.7, saturation 92 % is 233.7
    assert any(b'"mode": "dye", "hue": 85, "depth": 234' in payload for payload in told)
    gear.says("cloth", turned)  # type: ignore[arg-type]
    gear.wait(10.0)
    assert gear.core.state()["state"] == "adrift"
    gear.do(lambda at: gear.core.request(Request(at, "r", "restore")))
    gear.wait(20.0)
    assert gear.core.state()["state"] == "ready"


def test_what_is_shown_of_a_colour_is_described() -> None:
    import jsonschema  # a second to load, which only this test needs

    schemas = yaml.safe_load((TOP / "deploy" / "asyncapi.yaml").read_text())["components"][
        "schemas"
    ]
    play = up()
    play.report("cloth", "colour", PALE)
    play.run(5.0)
    shown = views.device_view(play.controller, "cloth", play.now, lambda t: t)
    entries = views.drift_view(play.controller, play.now, lambda t: t)
    whole = {"components": {"schemas": schemas}}
    for name, value in [("device", shown), ("drift", entries)]:
        jsonschema.validate(value, {**whole, "$ref": f"#/components/schemas/{name}"})
    assert set(shown) <= set(schemas["device"]["properties"])
    assert set(entries[0]) <= set(schemas["entry"]["properties"]) | {"wanted", "reported", "worst"}

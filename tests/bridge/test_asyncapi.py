"""deploy/asyncapi.yaml says what is really on the topics."""

from __future__ import annotations

import json
import time
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING, get_args

import yaml

from studiobridge.bridge import topics
from studiobridge.bridge.channel import RequestBody
from studiobridge.bridge.core import Core
from studiobridge.bridge.saying import WHAT
from studiobridge.control.acts import Phase
from studiobridge.control.effects import Memory
from studiobridge.control.events import ASKED
from studiobridge.control.evidence import Proof
from studiobridge.control.quieted import SHOWN
from studiobridge.control.states import STATES
from studiobridge.profile.model import KINDS
from tests.bridge.test_core import CORNER
from tests.brokers import Sub, needs_mosquitto
from tests.outside.presented import Presented, shelf
from tests.panel.studio import studio

if TYPE_CHECKING:
    from jsonschema import Draft202012Validator

DOCUMENT = yaml.safe_load(
    (Path(__file__).parents[2] / "deploy" / "asyncapi.yaml").read_text(encoding="utf-8")
)
SCHEMAS = DOCUMENT["components"]["schemas"]


def validator(name: str) -> Draft202012Validator:
    from jsonschema import Draft202012Validator  # a second to load, which few tests need

    schema = {"$ref": f"#/components/schemas/{name}", "components": DOCUMENT["components"]}
    return Draft202012Validator(schema)


def test_addresses_are_those_of_the_code() -> None:
    found = {name: c["address"] for name, c in DOCUMENT["channels"].items()}
    assert found == {
        "ask": topics.ask_topic("{set}"),
        "cut": topics.cut_topic("{set}"),
        "answer": topics.answer_topic("{set}"),
        "alive": topics.alive_topic("{set}"),
        "beat": topics.beat_topic("{set}"),
        "state": topics.state_topic("{set}"),
        "run": topics.run_topic("{set}"),
        "drift": topics.drift_topic("{set}"),
        "says": topics.says_topic("{set}"),
        "device": topics.device_topic("{set}", "{device}"),
        "witnessAlive": topics.witness_alive_topic("{set}"),
        "seen": topics.seen_topic("{set}"),
        "witnessAsk": topics.witness_ask_topic("{set}"),
        "witnessAnswer": topics.witness_answer_topic("{set}"),
        "homieAttribute": "homie/5/{set}/{attribute}",
        "homieValue": "homie/5/{set}/studiobridge/{property}",
        "homieSet": "homie/5/{set}/studiobridge/{property}/set",
    }
    assert DOCUMENT["asyncapi"] == "3.0.0"
    for operation in DOCUMENT["operations"].values():
        assert operation["channel"]["$ref"].split("/")[-1] in found


def test_words_are_those_of_the_code() -> None:
    request = SCHEMAS["request"]
    model = RequestBody.model_json_schema()
    assert set(request["properties"]) == set(model["properties"])
    assert request["required"] == model["required"]
    assert request["properties"]["what"]["enum"] == list(ASKED)
    assert SCHEMAS["state"]["properties"]["state"]["enum"] == list(STATES)
    assert SCHEMAS["device"]["properties"]["kind"]["enum"] == list(KINDS)
    phases = SCHEMAS["run"]["properties"]["steps"]["items"]["properties"]["phase"]["enum"]
    assert phases == list(get_args(Phase))
    assert SCHEMAS["device"]["properties"]["by"]["enum"] == [*get_args(Proof), None]
    assert SCHEMAS["says"]["properties"]["what"]["enum"] == list(WHAT)
    quiet = SCHEMAS["state"]["properties"]["quiet"]["items"]["properties"]
    assert set(quiet["state"]["enum"]) == {*SHOWN.values(), "kept off"}


def test_every_key_that_is_shown_is_described() -> None:
    core = Core(CORNER, Memory(), "test", lambda at: at)
    assert set(core.state()) <= set(SCHEMAS["state"]["properties"])
    for device in core.devices().values():
        assert set(device) == set(SCHEMAS["device"]["properties"])


def test_a_set_as_a_homie_device_says_what_is_listed_and_no_more() -> None:
    """Every topic of an evening is one of those listed, and every property is."""
    stage = Presented(shelf())
    stage.start()
    stage.set("look", "day")
    stage.set("look", "dusk")
    stage.run(30.0)
    stage.set("switch", "false")
    stage.run(30.0)

    def listed(channel: str, parameter: str) -> set[str]:
        found = DOCUMENT["channels"][channel]
        address = found["address"].replace("{set}", stage.set_name)
        return {
            address.replace("{" + parameter + "}", word)
            for word in found["parameters"][parameter]["enum"]
        }

    said = {topic for _, topic, _ in stage.shown}
    assert said == listed("homieAttribute", "attribute") | listed("homieValue", "property")
    taken = {t for t, _ in stage.core.subscriptions() if t.endswith("/set") and stage.base in t}
    assert taken == listed("homieSet", "property")


@needs_mosquitto
def test_what_is_really_said_is_what_it_says(tmp_path: Path) -> None:
    """A whole evening with mosquitto_sub as the witness."""
    with studio(tmp_path, page_too=False) as made:
        witness = Sub(made.broker.port, "studiobridge/#")
        assert made.command("up").returncode == 0
        made.command("by-hand")
        made.room.touch("key", level=90.0)
        time.sleep(2.5)
        assert made.command("restore").returncode == 0
        made.command("lockout", "fill", "--by", "Ana", "--why", "a cable")
        made.command("release", "fill")
        made.room.roll("camera", True)
        time.sleep(0.5)
        assert made.command("restore").returncode == 1
        made.room.roll("camera", False)
        time.sleep(1.5)
        assert made.command("down").returncode == 0
        lines = witness.lines(0.5)
    seen: Counter[str] = Counter()
    wrong: list[str] = []
    for line in lines:
        _, topic, payload = line.split(" ", 2)
        parts = topic.split("/")[2:]
        name = {"ask": "request", "cut": "request", "devices": "device"}.get(parts[0], parts[0])
        seen[name] += 1
        for error in validator(name).iter_errors(json.loads(payload)):
            wrong.append(f"{topic}: {error.json_path}: {error.message[:200]}")
    assert wrong == []
    shown = {"request", "answer", "alive", "beat", "state", "run", "drift", "device", "says"}
    assert set(seen) == shown
    assert seen["device"] > 40

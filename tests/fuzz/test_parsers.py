"""Whatever comes in from outside: no crash, no hang, no memory without bound.

A short run here. Longer ones, each parser for itself:

    FUZZ_EXAMPLES=200000 pytest tests/fuzz -k yaml
"""

from __future__ import annotations

import contextlib
import json
import os
import resource
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from studiobridge.bridge.channel import RequestBody
from studiobridge.bridge.core import Core
from studiobridge.bridge.ownership import Alive, Beat
from studiobridge.bridge.settings import Settings, SettingsError, load_settings
from studiobridge.control.effects import Memory
from studiobridge.panel.api import AskBody
from studiobridge.profile import ProfileError, read_profile
from studiobridge.profile.build import read_profile_text
from studiobridge.shown import words
from studiobridge.speech import Speech
from studiobridge.speech.message import Message
from tests.speech.test_forms import FORMS, HEAD
from tests.speech.test_forms import PROFILE as SHELF

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = int(os.environ.get("FUZZ_EXAMPLES", "150"))
fuzz = settings(
    max_examples=EXAMPLES,
    deadline=15_000,  # ms: far more than any takes, so that a loaded machine is no hang
    suppress_health_check=[
        HealthCheck.too_slow,
        HealthCheck.data_too_large,
        HealthCheck.filter_too_much,
    ],
)
PROFILES = [
    p.read_text(encoding="utf-8") for p in sorted(CONFIG.glob("*.yaml")) if "settings" not in p.name
]
PROFILES.append(HEAD + FORMS)  # every form a dialect can have
CORNER = read_profile(CONFIG / "wheel-corner.yaml").profile
TOPICS = sorted({topic for topic, _ in Core(CORNER, Memory(), "f", lambda t: t).subscriptions()})

pieces = st.sampled_from(
    [
        *"{}[]:,-#&*!|>'\"%@`\n\t ",
        "<<: ",
        "!!python/object/apply:os.system [id]",
        "&a [*a]",
        "? ",
        "---\n",
        "\x00",
        "\x1b[2J",
        "‮",
        "1e999",
        "0x10",
        ".nan",
        "4 ft 3 in",
        "-0 %",
        "99999999999999999999 K",
        "looks: ",
        "room: {chain: {a: 1 m}}",
        "dimmer: {0 %: 0 %}",
        "{at}/{x}",
        "{level}{cct}",
        'pattern: "{any}{value}"',
        "where: {a.b: 1}",
        "field: [a, 0]",
        "span: 5..-5",
        "of: 370..154 mired",
        "step: 5 %",
        "scale: 1e-300",
        "together: [level]",
        "[on, [on]]",
        "\\\\.",
        "studiobridge/x/ask",
    ]
)


@st.composite
def torn(draw: st.DrawFn) -> str:
    """A good profile with a few things torn out and put in."""
    text = draw(st.sampled_from(PROFILES))
    for _ in range(draw(st.integers(1, 6))):
        at = draw(st.integers(0, len(text)))
        gone = draw(st.integers(0, 40))
        text = text[:at] + draw(st.one_of(pieces, st.text(max_size=12))) + text[at + gone :]
    return text


@fuzz
@given(st.one_of(torn(), st.text(max_size=400), st.binary(max_size=400)))
def test_yaml_of_a_profile(text: Any) -> None:
    try:
        reading = read_profile_text(text)
    except ProfileError as error:
        assert error.problems
        for problem in error.problems:
            assert problem.line >= 1
            assert problem.column >= 1
            assert "\x1b" not in str(problem)
        return
    # what passes can be used: nothing behind it falls over
    from studiobridge.cli.doubts import about_gear, about_mains, about_picture
    from studiobridge.control.plan import order_problems

    order_problems(reading.profile)
    about_mains(reading)
    about_gear(reading)
    about_picture(reading)


json_values = st.recursive(
    st.one_of(
        st.none(),
        st.booleans(),
        st.integers(),
        st.floats(),
        st.text(max_size=20),
        st.sampled_from(["on", "1", "up", "gone", "ready", "64", "4300"]),
    ),
    lambda inside: st.one_of(
        st.lists(inside, max_size=4),
        st.dictionaries(
            st.one_of(
                st.text(max_size=8),
                st.sampled_from(["lit", "dim", "warmth", "now", "power", "nodes", "properties"]),
            ),
            inside,
            max_size=5,
        ),
    ),
    max_leaves=15,
)
payloads = st.one_of(
    st.binary(max_size=300),
    json_values.map(lambda value: json.dumps(value).encode()),
    st.sampled_from(
        [
            b"",
            b"1",
            b"0",
            b"nan",
            b"-inf",
            b"1e400",
            b"[" * 5000,
            b'{"a":' * 3000,
            b"\xff\xfe",
            b"9" * 4000,
            b'{"light": {"dim": ' + b"9" * 4000 + b"}}",
            b"1_0",
            b"1800",
        ]
    ),
)


form_payloads = st.lists(
    st.sampled_from(
        [
            "64",
            "1e999",
            "-",
            " % ",
            " K",
            "2:",
            "12:",
            "up",
            '{"id": 2, "on": ',
            "}",
            "9" * 300,
            ":",
        ]
    ),
    max_size=8,
).map(lambda parts: "".join(parts).encode())


@fuzz
@given(st.sampled_from(TOPICS), payloads, st.booleans())
def test_payloads_of_the_gear_and_of_strangers(topic: str, payload: bytes, retain: bool) -> None:
    """Through the whole core: speech, request channel, controller. Nothing may be energised."""
    core = Core(CORNER, Memory(), "fuzz", lambda at: at, 0.0)
    core.link_up(0.0)
    outs = core.message(Message(topic, payload, retain=retain), 1.0)
    for out in outs:
        message = getattr(out, "message", None)
        if message is not None and not message.topic.startswith("studiobridge/"):
            assert b'"lit": true' not in message.payload
            assert message.topic.split("/")[-1] in ("report", "call")  # it may ask, no more


SHELF_TOPICS = sorted({topic for topic, _ in Speech(SHELF).subscriptions()})


@fuzz
@given(st.sampled_from(SHELF_TOPICS), payloads | form_payloads, st.booleans())
def test_payloads_in_every_form_of_a_dialect(topic: str, payload: bytes, retain: bool) -> None:
    core = Core(SHELF, Memory(), "fuzz", lambda at: at, 0.0)
    core.link_up(0.0)
    for out in core.message(Message(topic, payload, retain=retain), 1.0):
        message = getattr(out, "message", None)
        if message is not None and not message.topic.startswith("studiobridge/"):
            assert (message.topic, message.payload) in (
                ("w/ask", b"7"),
                ("w/do", b'{"say": "all"}'),
            )


descriptions = st.fixed_dictionaries(
    {},
    optional={
        "homie": st.one_of(st.just("5.0"), st.text(max_size=5)),
        "version": json_values,
        "name": json_values,
        "nodes": st.dictionaries(
            st.one_of(st.just("light"), st.text(max_size=8)),
            st.one_of(
                json_values,
                st.fixed_dictionaries(
                    {},
                    optional={
                        "properties": st.dictionaries(
                            st.text(max_size=8),
                            st.one_of(
                                json_values,
                                st.fixed_dictionaries(
                                    {},
                                    optional={
                                        "datatype": st.one_of(
                                            st.sampled_from(
                                                ["integer", "float", "boolean", "enum"]
                                            ),
                                            json_values,
                                        ),
                                        "format": st.one_of(
                                            st.sampled_from(
                                                [
                                                    "0:100",
                                                    "0:100:5",
                                                    ":",
                                                    "100:0",
                                                    "0:1:0",
                                                    "nan:1",
                                                    "-5:0:1",
                                                    "0:1:1e-320",
                                                ]
                                            ),
                                            json_values,
                                        ),
                                        "unit": st.one_of(
                                            st.sampled_from(["%", "K", "W", "MK⁻¹"]), json_values
                                        ),
                                        "settable": json_values,
                                        "retained": json_values,
                                    },
                                ),
                            ),
                            max_size=4,
                        )
                    },
                ),
            ),
            max_size=3,
        ),
        "root": json_values,
        "parent": json_values,
        "children": json_values,
        "extensions": json_values,
    },
)


@fuzz
@given(descriptions, payloads)
def test_homie_descriptions(description: dict[str, object], payload: bytes) -> None:
    speech = Speech(CORNER)
    body = json.dumps(description).encode()
    speech.hear(Message("homie/5/key-panel/$description", body, retain=True), 0.0)
    for tail in ("light/level", "light/x", "$state", "$target"):
        speech.hear(Message(f"homie/5/key-panel/{tail}", payload, retain=False), 0.0)
    speech.tell("key", [("level", 50.0), ("cct", 4300.0)], None)


@fuzz
@given(payloads)
def test_requests(payload: bytes) -> None:
    for model in (RequestBody, AskBody):
        with contextlib.suppress(ValidationError):
            model.model_validate_json(payload)
    Alive.read(payload)
    Beat.read(payload)


@fuzz
@given(
    st.one_of(st.text(max_size=300), torn()), st.text(max_size=60).filter(lambda t: "\x00" not in t)
)
def test_settings(text: str, url: str) -> None:
    folder = Path("/tmp") / f"studiobridge-fuzz-{os.getpid()}"
    folder.mkdir(exist_ok=True)
    file = folder / "settings.yaml"
    file.write_text(text.encode("utf-8", "replace").decode(), encoding="utf-8")
    try:
        found = load_settings(file, {"STUDIOBRIDGE_BROKER": url} if url.isprintable() else {})
    except SettingsError as error:
        assert str(error)
    else:
        assert isinstance(found, Settings)


@fuzz
@given(st.text(max_size=300))
def test_nothing_drives_a_terminal(text: str) -> None:
    assert all(c.isprintable() for c in words.clean(text))


# ---- bombs -------------------------------------------------------------------------------

LAUGHS = "a: &a [x,x,x,x,x,x,x,x,x]\n" + "".join(
    f"{chr(98 + i)}: &{chr(98 + i)} [{','.join(['*' + chr(97 + i)] * 9)}]\n" for i in range(12)
)
BOMBS = {
    "billion laughs": LAUGHS,
    "deep flow": "a: " + "[" * 20000,
    "deep block": "".join(" " * i + "a:\n" for i in range(3000)),
    "one long line": "title: " + "x" * 900_000,
    "many devices": "format: 1\nset: x\ndevices:\n"
    + "".join(f"  d-{i}: {{kind: plug, fed_by: d-{i + 1}}}\n" for i in range(20000)),
    "wildcard": "format: 1\nset: x\ndevices: {d: {kind: plug, fed_by: battery, speaks: homie5, at: '#'}}\n",
    "anchor of itself": "a: &a\n  b: *a\n",
    "merge": "<<: &m {<<: *m}\n",
    "escapes": 'title: "\\x1b[2J\\x07"\nset: "a\\x1bb"\n',
}
READ = (
    "import sys\nfrom studiobridge.profile.build import read_profile_text\n"
    "from studiobridge.profile import ProfileError\n"
    "try:\n    read_profile_text(sys.stdin.read())\nexcept ProfileError as e:\n"
    "    print(len(str(e)) < 2_000_000)\n"
)
MOST_BYTES, MOST_SECONDS = 600 * 1024 * 1024, 20


@pytest.mark.parametrize("bomb", BOMBS)
def test_bombs_are_refused_within_time_and_memory(bomb: str) -> None:
    """600 MB of address space and 20 s of CPU are more than any of them may take."""

    def bounded() -> None:
        resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
        resource.setrlimit(resource.RLIMIT_CPU, (MOST_SECONDS, MOST_SECONDS))

    began = time.monotonic()
    done = subprocess.run(
        [sys.executable, "-c", READ],
        input=BOMBS[bomb],
        capture_output=True,
        text=True,
        preexec_fn=bounded,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr[-500:]
    assert done.stdout.strip() == "True"
    assert time.monotonic() - began < 60

"""The reference of the dialect language is true: every example is read, told, heard and asked."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from studiobridge.profile import read_profile_text
from studiobridge.profile.model import YES_NO, SetProfile
from studiobridge.profile.said import Report
from studiobridge.speech import Speech
from studiobridge.speech.message import Message

TEXT = (Path(__file__).parents[2] / "config" / "dialects.md").read_text(encoding="utf-8")
HEAD = "format: 1\nset: example\nmains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}\n"
EXAMPLES = re.findall(r"## ([^\n]+)\n+```yaml\n(.*?)```\n```text\n(.*?)```", TEXT, re.S)


def a_set(example: str) -> SetProfile:
    return read_profile_text(HEAD + example, "dialects.md").profile


def values_of(said: list[str]) -> tuple[dict[str, object], float | None]:
    found: dict[str, object] = {}
    for part in said:
        name, value = part.split("=")
        found[name] = value == "yes" if value in ("yes", "no") else float(value)
    fade = found.pop("fade", None)
    return found, None if fade is None else float(str(fade))


def test_there_is_an_example_for_each_section() -> None:
    assert len(EXAMPLES) == TEXT.count("\n## ") == TEXT.count("```yaml") >= 9


@pytest.mark.parametrize(("title", "example", "lines"), EXAMPLES, ids=lambda v: v[:20])
def test_it_is_as_it_is_written(title: str, example: str, lines: str) -> None:
    profile = a_set(example)
    speech = Speech(profile)
    done = 0
    for line in lines.strip().splitlines():
        said, _, then = line.partition("->")
        what, name, *rest = said.split()
        wanted = then.strip()
        if what == "tell":
            values, fade = values_of(rest)
            sent = speech.tell(name, list(values.items()), fade)  # type: ignore[arg-type]
            assert "; ".join(f"{m.topic} {m.payload.decode()}" for m in sent) == wanted
        elif what == "ask":
            sent = speech.ask(name)
            assert "; ".join(f"{m.topic} {m.payload.decode()}" for m in sent) == wanted
        else:
            payload = said.strip().split(" ", 2)[2].encode()
            heard = speech.hear(Message(name, payload), 0.0)
            assert all(isinstance(h, Report) for h in heard), heard
            found = {
                (h.device, h.point): h.value if h.point in YES_NO else round(float(h.value))
                for h in heard
                if isinstance(h, Report)
            }
            expected = {}
            for device in filter(None, wanted.split("; ")):
                by, *values_said = device.split()
                for point, value in values_of(values_said)[0].items():
                    number = value if isinstance(value, bool) else round(float(str(value)))
                    expected[by, point] = number
            assert found == expected, line
        done += 1
    assert done

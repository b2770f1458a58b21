"""The JSON Schema in config/ is the one the command prints, and the examples are valid by it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from studiobridge.profile import profile_schema
from studiobridge.profile.text import read_document

# jsonschema is loaded where it is used: it makes itself a parser of web addresses, which takes a
# second, and every process of a run loads every file of tests.
CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = [p for p in sorted(CONFIG.glob("*.yaml")) if not p.name.startswith("settings")]


def test_the_file_is_up_to_date() -> None:
    written = json.loads((CONFIG / "profile.schema.json").read_text(encoding="utf-8"))
    assert written == profile_schema(), "run: studiobridge schema > config/profile.schema.json"


def test_it_is_a_schema() -> None:
    import jsonschema

    jsonschema.Draft202012Validator.check_schema(profile_schema())


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.name)
def test_examples_are_valid_and_name_it(path: Path) -> None:
    import jsonschema

    text = path.read_text(encoding="utf-8")
    assert text.startswith("# yaml-language-server: $schema=profile.schema.json")
    jsonschema.validate(read_document(text, path.name).root.value(), profile_schema())


def test_it_refuses_what_reading_refuses() -> None:
    import jsonschema

    text = (CONFIG / "wheel-corner.yaml").read_text(encoding="utf-8")
    for old, new in [
        ("64 %", "64"),
        ("kind: backdrop", "kind: curtain"),
        ("draws: 72 W", "drwas: 72 W"),
    ]:
        document = read_document(text.replace(old, new, 1), "x").root.value()
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(document, profile_schema())

"""The versions that are installed: they fit what the project asks for, and are said truly."""

from __future__ import annotations

import json
import runpy
import tomllib
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

TOP = Path(__file__).parents[2]
DEPLOY = TOP / "deploy"
SHIPPED: dict[str, Any] = runpy.run_path(str(DEPLOY / "shipped.py"))
PINS = SHIPPED["pins"]((DEPLOY / "requirements.lock").read_text())
MORE = SHIPPED["pins"]((DEPLOY / "witness.lock").read_text())
HELD = {canonicalize_name(pin.name): pin.version for pin in PINS}


def project() -> dict[str, Any]:
    made: dict[str, Any] = tomllib.loads((TOP / "pyproject.toml").read_text())["project"]
    return made


def wanted() -> list[Requirement]:
    said = project()
    return [
        Requirement(r) for r in (*said["dependencies"], *said["optional-dependencies"]["panel"])
    ]


@pytest.mark.parametrize("requirement", project()["optional-dependencies"]["witness"])
def test_what_looks_at_pictures_is_locked_beside_it(requirement: str) -> None:
    """And in no other version of anything than the rest is."""
    held = {canonicalize_name(pin.name): pin.version for pin in MORE}
    said = Requirement(requirement)
    assert held.get(canonicalize_name(said.name), "0") in said.specifier, "run deploy/lock"
    assert not set(held) & set(HELD)
    assert [pin.name for pin in MORE if not pin.hashes] == []
    assert "http" not in (DEPLOY / "witness.lock").read_text()


@pytest.mark.parametrize("requirement", wanted(), ids=lambda r: r.name)
def test_each_dependency_is_locked_within_its_range(requirement: Requirement) -> None:
    held = HELD.get(canonicalize_name(requirement.name))
    assert held is not None, f"{requirement.name} is not in the lock: run deploy/lock"
    assert held in requirement.specifier, "run deploy/lock"


def test_every_version_is_held_by_its_files_hashes() -> None:
    assert len(HELD) == len(PINS) > 20
    assert [pin.name for pin in PINS if not pin.hashes] == []
    text = (DEPLOY / "requirements.lock").read_text()
    assert "http" not in text, "an index by its name: it is whichever the machine is set up for"


def test_what_tests_and_rehearsals_need_is_not_in_it() -> None:
    extras = project()["optional-dependencies"]
    others = {Requirement(r).name for name in ("rehearsal", "test") for r in extras[name]}
    others |= {"numpy"}
    ours = {r.name for r in wanted()} | {"studiobridge"}
    assert (others - ours) & set(HELD) == set()


def test_the_notice_names_what_is_locked() -> None:
    parts = (DEPLOY / "NOTICE").read_text().split("\n\n")
    for part, pins in ((parts[2], PINS), (parts[4], MORE)):
        named = [tuple(line.partition(":")[0].split(" ")) for line in part.splitlines()]
        assert named == [(pin.name, pin.version) for pin in pins], "run deploy/lock"


def test_the_notice_says_what_the_packages_say() -> None:
    """Of those that are installed here in just the version that is locked."""
    lines = (DEPLOY / "NOTICE").read_text().splitlines()
    here = []
    for pin in (*PINS, *MORE):
        try:
            here += [pin] if version(pin.name) == pin.version else []
        except PackageNotFoundError:
            continue
    assert here, "none of the locked versions is installed here: run deploy/lock"
    for pin in here:
        said = SHIPPED["licence"](pin.name, pin.version)
        assert f"{pin.name} {pin.version}: {said}" in lines


def test_the_bill_keeps_to_its_published_schema() -> None:
    """CycloneDX 1.6 by the schema its own library carries."""
    text = (DEPLOY / "sbom.cdx.json").read_text()
    wrong = JsonStrictValidator(SchemaVersion.V1_6).validate_str(text)
    assert wrong is None, wrong


def test_the_bill_lists_what_is_locked() -> None:
    said = json.loads((DEPLOY / "sbom.cdx.json").read_text())
    listed = [
        (c["name"], c["version"], tuple(h["content"] for h in c["hashes"]))
        for c in said["components"]
    ]
    assert listed == [tuple(pin) for pin in (*PINS, *MORE)], "run deploy/lock"
    optional = [c["name"] for c in said["components"] if c["scope"] == "optional"]
    assert optional == [pin.name for pin in MORE]
    assert said["metadata"]["component"]["version"] == project()["version"]

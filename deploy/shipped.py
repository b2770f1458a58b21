"""Say what studiobridge is installed with: its NOTICE and its bill of materials.

    cd deploy; python shipped.py requirements.lock NOTICE sbom.cdx.json witness.lock

To be run where every package of the lock is installed in just that version (deploy/lock does).
The bill follows CycloneDX 1.6 (ECMA-424); the tests hold it to its published JSON schema.
"""

import json
import re
import sys
import tomllib
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import Any, NamedTuple

HEAD = """\
studiobridge is licensed under the Apache License, Version 2.0 (LICENSE).

It contains no code of others. To run, it needs the packages below, each under its own licence,
whose text comes with the package. What only rehearsals and tests need is not among them.
Made by deploy/lock.
"""
# over what only some machines have
WHERE = "Where a profile has `witness:`, also:"
CLASSIFIER = "License :: OSI Approved :: "
# How some older packages name what SPDX has a short name for.
SPDX = {
    "Apache 2.0": "Apache-2.0",
    "MIT License": "MIT",
    "ISC License": "ISC",
    "ISC License (ISCL)": "ISC",
}
PYPROJECT = Path(__file__).parent.parent / "pyproject.toml"


class Pin(NamedTuple):
    """A package of a lock, its version, and the SHA-256 of its files."""

    name: str
    version: str
    hashes: tuple[str, ...]


def pins(lock: str) -> list[Pin]:
    """What a lock holds, in its order."""
    starts = list(re.finditer(r"^([A-Za-z0-9._-]+)==([^\s;\\]+)", lock, re.MULTILINE))
    ends = [*(s.start() for s in starts[1:]), len(lock)]
    return [
        Pin(s[1], s[2], tuple(re.findall(r"sha256:([0-9a-f]{64})", lock[s.end() : end])))
        for s, end in zip(starts, ends, strict=True)
    ]


def licence(name: str, version: str) -> str:
    """What an installed package says of its licence. Raises LookupError."""
    try:
        about = distribution(name).metadata
    except PackageNotFoundError:
        raise LookupError(f"{name} is not installed here") from None
    if about["Version"] != version:
        raise LookupError(f"{name} {about['Version']} is installed here, not {version}")
    said = about.get("License-Expression") or about.get("License") or ""
    if not said or "\n" in said:  # some put the whole text there
        classes = [c for c in about.get_all("Classifier") or [] if c.startswith(CLASSIFIER)]
        said = " / ".join(c.removeprefix(CLASSIFIER) for c in classes)
    if not said:
        raise LookupError(f"{name} {version} does not say its licence")
    return SPDX.get(said, said)


def notice(held: list[Pin], more: list[Pin]) -> str:
    def lines(of: list[Pin]) -> str:
        said = [f"{pin.name} {pin.version}: {licence(pin.name, pin.version)}" for pin in of]
        return "\n".join(said) + "\n"

    return "\n".join((HEAD, lines(held), WHERE, "", lines(more))).replace("\n\n\n", "\n\n")


def _licences(said: str) -> list[dict[str, Any]]:
    if " OR " in said or " AND " in said:
        return [{"expression": said}]
    return [{"license": {"name" if " " in said else "id": said}}]


def bill(held: list[Pin], more: list[Pin]) -> dict[str, Any]:
    """The same as CycloneDX, `more` as optional.

    The same locks give the same text: no time and no number of it.
    """
    project = tomllib.loads(PYPROJECT.read_text(encoding="utf-8"))["project"]
    ours = f"pkg:pypi/{project['name']}@{project['version']}"
    components = [
        {
            "type": "library",
            "bom-ref": f"pkg:pypi/{pin.name}@{pin.version}",
            "name": pin.name,
            "version": pin.version,
            "purl": f"pkg:pypi/{pin.name}@{pin.version}",
            "scope": "optional" if pin in more else "required",
            "licenses": _licences(licence(pin.name, pin.version)),
            "hashes": [{"alg": "SHA-256", "content": content} for content in pin.hashes],
        }
        for pin in (*held, *more)
    ]
    return {
        "$schema": "http://cyclonedx.org/schema/bom-1.6.schema.json",
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {
            "component": {
                "type": "application",
                "bom-ref": ours,
                "name": project["name"],
                "version": project["version"],
                "purl": ours,
                "licenses": _licences(project["license"]),
            }
        },
        "components": components,
        "dependencies": [{"ref": ours, "dependsOn": [c["bom-ref"] for c in components]}],
    }


def main(lock: str, to_notice: str, to_bill: str, also: str) -> None:
    held, more = (pins(Path(each).read_text(encoding="utf-8")) for each in (lock, also))
    Path(to_notice).write_text(notice(held, more), encoding="utf-8")
    text = json.dumps(bill(held, more), indent=1, ensure_ascii=False)
    Path(to_bill).write_text(text + "\n", encoding="utf-8")


if __name__ == "__main__":
    try:
        main(*sys.argv[1:])
    except LookupError as error:
        sys.exit(f"deploy/shipped.py: {error}")

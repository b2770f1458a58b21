"""The law of the house: who may import whom. Read off the code's own imports."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "studiobridge"

# room -> the rooms it may import (itself always)
MAY = {
    "craft": set(),
    "profile": {"craft"},
    "speech": {"profile", "craft"},
    "figures": {"profile", "craft"},
    "meeting": {"profile", "craft", "speech"},
    "control": {"profile", "craft", "figures"},
    # as a visitor of the set, in the two files that serve it: see test_the_witness_visits
    "witness": {"profile", "craft", "figures", "bridge", "speech"},
    "rehearsal": {"profile", "craft", "figures", "speech"},
    "bridge": {"profile", "craft", "figures", "speech", "control"},
    "shown": {"profile", "craft", "figures", "control"},
    "panel": {"profile", "craft", "figures", "speech", "control", "bridge", "shown"},
    "cli": {
        "profile",
        "craft",
        "figures",
        "speech",
        "control",
        "bridge",
        "rehearsal",
        "shown",
        "panel",
        "meeting",
        "witness",
    },
}
# what would make a sans-I/O room do I/O, read a clock, throw dice or wait
WORLD = {
    "asyncio",
    "threading",
    "socket",
    "ssl",
    "time",
    "random",
    "secrets",
    "subprocess",
    "os",
    "pathlib",
    "sqlite3",
    "sqlalchemy",
    "paho",
    "logging",
    "multiprocessing",
    "shutil",
    "tempfile",
    "io",
}
# the files of bridge/ that do none either: a set behind its topics, and what it is made of
CORE = [
    "core",
    "channel",
    "buttons",
    "showing",
    "outs",
    "delivery",
    "misheard",
    "ownership",
    "presence",
    "sighted",
    "topics",
    "trials",
    "universe",
]
SANS_IO = ["control", "craft", "figures", "meeting", "shown", "speech"]


def imports_of(path: Path) -> list[tuple[str, int]]:
    found = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found.extend((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written in full"
            found.append((node.module or "", node.lineno))
            found.extend((f"{node.module}.{alias.name}", node.lineno) for alias in node.names)
    return found


def files() -> list[Path]:
    return sorted(p for p in PACKAGE.rglob("*.py") if p.parent != PACKAGE)


def test_every_room_is_on_the_plan() -> None:
    rooms = {p.name for p in PACKAGE.iterdir() if p.is_dir() and p.name != "__pycache__"}
    assert rooms == set(MAY)


def test_rooms_import_only_what_they_may() -> None:
    wrong = []
    for path in files():
        room = path.relative_to(PACKAGE).parts[0]
        for name, line in imports_of(path):
            parts = name.split(".")
            if parts[0] != "studiobridge" or len(parts) < 2 or parts[1] not in MAY:
                continue
            if parts[1] != room and parts[1] not in MAY[room]:
                wrong.append(f"{path.name}:{line}: {room} imports {name}")
    assert wrong == []


def test_the_witness_visits_and_nobody_needs_its_libraries() -> None:
    """Only what serves it knows the bridge; numpy, scipy and OpenCV stay in its own process."""
    heavy, wrong = {"numpy", "scipy", "cv2"}, []
    for path in files():
        room = path.relative_to(PACKAGE).parts[0]
        for name, line in imports_of(path):
            first, second = (*name.split("."), "")[:2]
            visits = second in ("bridge", "speech") and path.stem not in ("serving", "session")
            if room == "witness" and first == "studiobridge" and visits:
                wrong.append(f"{path.name}:{line}: {name}")
            if room != "witness" and first in heavy and path.stem != "eye":
                wrong.append(f"{path.name}:{line}: {name}")
    assert wrong == []


@pytest.mark.parametrize("room", SANS_IO)
def test_sans_io_rooms_stay_sans_io(room: str) -> None:
    wrong = []
    for path in sorted((PACKAGE / room).rglob("*.py")):
        for name, line in imports_of(path):
            if name.split(".")[0] in WORLD:
                wrong.append(f"{path.name}:{line}: {name}")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.AsyncFunctionDef | ast.Await):
                wrong.append(f"{path.name}:{node.lineno}: await")
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Name)
                and node.func.id in ("open", "print", "input")
            ):
                wrong.append(f"{path.name}:{node.lineno}: {node.func.id}")
    assert wrong == []


def floors() -> list[list[str]]:
    """The floors of control/ as DEVELOPERS.md lists them, from the top."""
    text = (PACKAGE.parent / "DEVELOPERS.md").read_text(encoding="utf-8")
    lines = text.split("### The controller")[1].split("\n\n")[2].splitlines()
    return [line.strip().split("  ")[0].split(" · ") for line in lines]


def test_each_floor_of_the_controller_imports_only_from_below() -> None:
    floor = {name: n for n, names in enumerate(floors()) for name in names}
    files = {p.stem: p for p in (PACKAGE / "control").glob("*.py") if p.stem != "__init__"}
    assert set(floor) == set(files) - {"views"}
    wrong = []
    for name, here in floor.items():
        for imported, line in imports_of(files[name]):
            parts = imported.split(".")
            ours = parts[:2] == ["studiobridge", "control"] and len(parts) > 2
            if ours and floor.get(parts[2], -1) <= here:
                wrong.append(f"{name}.py:{line}: imports {parts[2]}")
    assert wrong == []


@pytest.mark.parametrize("name", CORE)
def test_the_core_does_no_io_either(name: str) -> None:
    path = PACKAGE / "bridge" / f"{name}.py"
    assert [n for n, _ in imports_of(path) if n.split(".")[0] in WORLD] == []


@pytest.mark.parametrize("room", sorted(MAY))
def test_every_room_opens_with_its_rules(room: str) -> None:
    doc = importlib.import_module(f"studiobridge.{room}").__doc__ or ""
    assert len(doc.strip().splitlines()) >= 3, f"{room}/__init__.py says too little of its rules"


def test_nothing_else_at_the_top() -> None:
    top = PACKAGE.parent
    allowed = {
        "README.md",
        "DEVELOPERS.md",
        "pyproject.toml",
        "studiobridge",
        "config",
        "tests",
        "deploy",
        "LICENSE",
    }
    found = {p.name for p in top.iterdir() if not p.name.startswith(".")}
    made = {name for name in found if name.endswith(".egg-info") or name in ("build", "dist")}
    assert found - made <= allowed

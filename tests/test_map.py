"""DEVELOPERS.md names files and what is in them: each is there, and has what is said to be in it."""

from __future__ import annotations

import ast
import re
from functools import cache
from pathlib import Path

TOP = Path(__file__).parent.parent
SUFFIXES = "py|js|css|html|yaml|md|po|svg|lock|in|service|timer|json|toml|cfg"
# what is said of files that are not there: an example, or what a command makes
EXAMPLES = {"panel/texts/fr.po", "met.yaml"}


def said() -> str:
    return (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")


@cache
def files() -> tuple[str, ...]:
    """All that belongs to the repository, from its top."""
    rooms = ("studiobridge", "tests", "deploy", "config", ".ci")
    found = [p for room in rooms for p in (TOP / room).rglob("*") if "__pycache__" not in p.parts]
    found += [p for p in TOP.iterdir() if p.is_file()]
    return tuple(p.relative_to(TOP).as_posix() for p in found)


def called(name: str) -> list[str]:
    """The files whose path ends so, from a folder on; `*` is any part of a name."""
    end = re.compile("(^|/)" + re.escape(name).replace(r"\*", "[^/]*") + "$")
    return [file for file in files() if end.search(file)]


@cache
def names_in(file: str) -> frozenset[str]:
    """Every name that a file defines or uses."""
    found: set[str] = set()
    for node in ast.walk(ast.parse((TOP / file).read_text(encoding="utf-8"))):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef | ast.alias):
            found.add(node.name)
        elif isinstance(node, ast.Name):
            found.add(node.id)
        elif isinstance(node, ast.Attribute | ast.arg):
            found.add(node.attr if isinstance(node, ast.Attribute) else node.arg)
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            found.add(node.value)
    return frozenset(found)


def lacks(name: str, file: str) -> bool:
    """Has no file of that name what is said to be in it?"""
    places = [place for place in called(file) if place.endswith(".py")]
    return not any(set(name.split(".")) <= names_in(place) for place in places)


def test_every_file_it_names_is_there() -> None:
    named = set(re.findall(rf"`([\w.*-]+(?:/[\w.*-]+)*\.(?:{SUFFIXES}))`", said()))
    named |= set(re.findall(r"`((?:studiobridge|tests|deploy|config|\.ci)/[\w./*-]+\w)`", said()))
    assert len(named) > 200
    missing = sorted(n for n in named - EXAMPLES if "SUBJECT" not in n and not called(n))
    assert missing == []


def test_what_it_says_is_in_a_file_is_in_it() -> None:
    """`name` (`file.py`), `name` in `file.py`, `file.py` (`name`), `room/file.name`."""
    name, file = r"`([A-Za-z_]\w*(?:\.\w+)*)(?:\([^`]*\))?`", r"`([\w/]+\.py)`"
    pairs = re.findall(rf"{name}\s+(?:\(|in\s+|of\s+){file}", said())
    pairs += [(b, a) for a, b in re.findall(rf"{file}\s+\({name}", said())]
    dotted = re.findall(r"`([\w/]+)\.([a-z_]\w*)(?:\([^`]*\))?`", said())
    modules = [(word, f"{at}.py") for at, word in dotted if not re.fullmatch(SUFFIXES, word)]
    pairs += [(word, at) for word, at in modules if called(at)]
    assert len(pairs) > 50
    assert sorted({pair for pair in pairs if lacks(*pair)}) == []


def test_every_name_of_ours_is_somewhere() -> None:
    """A constant, a class, a private name: renamed or removed, it may not be named any more."""
    named = set(re.findall(r"`(_\w+|[A-Z][A-Z_]{3,}|[A-Z][a-z]+(?:[A-Z][a-z]+)+)`", said()))
    code = [file for file in files() if Path(file).suffix in (".py", ".js", "")]
    there: set[str] = set()
    for place in code:
        if (TOP / place).is_file():
            there |= set(re.findall(r"\w+", (TOP / place).read_text(errors="ignore")))
    assert len(named) > 50
    assert sorted(named - there) == []

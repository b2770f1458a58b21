"""Every text of the page, out of where it stands: templates, Python, scripts."""

from __future__ import annotations

import ast
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

import jinja2
import polib  # type: ignore[import-untyped]
from jinja2 import nodes

from studiobridge.panel.texts import fits, forms

PACKAGE = Path(__file__).parents[2]
# where texts of the page are written; commands and the bridge speak English
ROOMS = ("panel", "shown")
# `say("…")` of a script, its text in double quotes
_SAID = re.compile(r"\bsay\(\s*(\"(?:[^\"\\\n]|\\.)*\")")
Key = tuple[str, str]  # the sense, mostly none, and the text


@dataclass(slots=True)
class Found:
    """A text: its plural, and where it is said."""

    plural: str = ""
    where: list[str] = field(default_factory=list)


def collected() -> dict[Key, Found]:
    """Every text that a catalogue needs."""
    found: dict[Key, Found] = {}
    for where, sense, text, plural in _all():
        entry = found.setdefault((sense, text), Found())
        entry.plural = entry.plural or plural
        entry.where.append(where)
    return found


def of_scripts() -> list[str]:
    """What scripts say: this goes along with each page."""
    return sorted({text for _, _, text, _ in _scripts()})


def _all() -> Iterator[tuple[str, str, str, str]]:
    yield from _templates()
    for room in ROOMS:
        for path in sorted((PACKAGE / room).rglob("*.py")):
            yield from _python(path)
    yield from _scripts()


def _templates() -> Iterator[tuple[str, str, str, str]]:
    made = jinja2.Environment(trim_blocks=True, lstrip_blocks=True, autoescape=True)
    for path in sorted((PACKAGE / "panel" / "pages").glob("*.html")):
        for call in made.parse(path.read_text(encoding="utf-8")).find_all(nodes.Call):
            name = call.node.name if isinstance(call.node, nodes.Name) else ""
            if name not in ("_", "ngettext"):
                continue
            texts = [arg.value for arg in call.args if isinstance(arg, nodes.Const)]
            sense = next(
                (
                    str(k.value.value)
                    for k in call.kwargs
                    if k.key == "sense" and isinstance(k.value, nodes.Const)
                ),
                "",
            )
            if texts and isinstance(texts[0], str):
                plural = str(texts[1]) if name == "ngettext" else ""
                yield f"{path.name}:{call.lineno}", sense, texts[0], plural


def _python(path: Path) -> Iterator[tuple[str, str, str, str]]:
    text = path.read_text(encoding="utf-8")
    if "shown.tongue" not in text:
        return  # another `say`, of something else
    for node in ast.walk(ast.parse(text)):
        if not isinstance(node, ast.Call):
            continue
        name = node.func.id if isinstance(node.func, ast.Name) else ""
        if isinstance(node.func, ast.Attribute):
            name = node.func.attr
        if name not in ("say", "say_many", "later") or not node.args:
            continue
        texts = [a.value for a in node.args if isinstance(a, ast.Constant)]
        senses = [k.value for k in node.keywords if k.arg == "sense"]
        sense = next((str(s.value) for s in senses if isinstance(s, ast.Constant)), "")
        if texts and isinstance(texts[0], str):
            plural = str(texts[1]) if name == "say_many" else ""
            yield f"{path.name}:{node.lineno}", sense, texts[0], plural


def senses_in_the_air() -> list[str]:
    """Where something is said in a sense that no text written down has: it stays English."""
    known = {sense for sense, _ in collected()}
    found = []
    for room in ROOMS:
        for path in sorted((PACKAGE / room).rglob("*.py")):
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                if not isinstance(node, ast.Call) or not isinstance(node.func, ast.Name):
                    continue
                if node.func.id != "say" or isinstance(node.args[0], ast.Constant):
                    continue
                senses = [k.value for k in node.keywords if k.arg == "sense"]
                for sense in senses:
                    said = sense.value if isinstance(sense, ast.Constant) else ""
                    if isinstance(said, str) and said not in known:
                        found.append(f"{path.name}:{node.lineno}: {said}")
    return found


def _scripts() -> Iterator[tuple[str, str, str, str]]:
    for path in sorted((PACKAGE / "panel" / "static").glob("*.js")):
        text = path.read_text(encoding="utf-8")
        for match in _SAID.finditer(text):
            line = text.count("\n", 0, match.start()) + 1
            # what stands behind // is an example
            if "//" not in text[text.rfind("\n", 0, match.start()) + 1 : match.start()]:
                yield f"{path.name}:{line}", "", json.loads(match[1]), ""


def wrong_in(catalogue: polib.POFile, texts: Mapping[Key, Found]) -> list[str]:
    """What a catalogue lacks, has too much, or has otherwise than its text. A line each."""
    had = {(e.msgctxt or "", e.msgid): e for e in catalogue if not e.obsolete and not e.fuzzy}
    lines = [
        f"lacks {_named(key)} ({', '.join(found.where[:3])})"
        for key, found in texts.items()
        if key not in had or not all(forms(had[key])) or had[key].msgid_plural != found.plural
    ]
    lines.extend(f"has {_named(key)}, which nothing says" for key in had if key not in texts)
    lines.extend(
        f"has other places in braces for {_named(key)}"
        for key, entry in had.items()
        if key in texts and not fits(entry)
    )
    return lines


def _named(key: Key) -> str:
    sense, text = key
    return json.dumps(text, ensure_ascii=False) + (f" (sense {sense})" if sense else "")

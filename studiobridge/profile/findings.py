"""What is wrong in a file or doubtful, with its place; pydantic's words in ours."""

from __future__ import annotations

import difflib
from collections.abc import Iterable
from dataclasses import dataclass, field

from pydantic import BaseModel, ValidationError

from studiobridge.profile.shape import LookShape, PresetShape, ProfileShape
from studiobridge.profile.text import Document, Path, Problem


@dataclass(frozen=True, slots=True)
class Findings:
    """All problems are collected; nothing stops at the first."""

    document: Document
    problems: list[Problem] = field(default_factory=list)
    warnings: list[Problem] = field(default_factory=list)


class Part:
    """A reader of one part of a profile; what it finds out goes to the findings of the whole."""

    def __init__(self, shape: ProfileShape, findings: Findings) -> None:
        self.shape = shape
        self.findings = findings

    def wrong(self, path: Path, what: str, todo: str = "", key: bool = False) -> None:
        found = self.findings
        found.problems.append(found.document.problem(path, what, todo, key))

    def doubt(self, path: Path, what: str, todo: str = "", key: bool = False) -> None:
        found = self.findings
        found.warnings.append(found.document.problem(path, what, todo, key))


def nearest(name: str, known: Iterable[str]) -> str:
    """What to do about an unknown name: the nearest known one, or all of them."""
    names = list(known)
    close = difflib.get_close_matches(name, names, n=1, cutoff=0.6)
    if close:
        return f"did you mean '{close[0]}'?"
    if not names:
        return "there are none"
    some = ", ".join(names[:12])
    return f"known: {some}{', …' if len(names) > 12 else ''}"


# ---- pydantic's words to ours ------------------------------------------------------------


def from_validation(document: Document, error: ValidationError) -> list[Problem]:
    """What does not have the shape of a profile, in the words of its file."""
    problems = []
    for item in error.errors(include_url=False):
        path: Path = tuple(p for p in item["loc"] if p not in ("[key]",))
        kind = item["type"]
        last = str(path[-1]) if path else ""
        if kind == "extra_forbidden":
            todo = nearest(last, _keys_of(_model_path(path[:-1])))
            problems.append(document.problem(path, f"unknown key '{last}'", todo, key=True))
        elif kind == "missing":
            where = path[:-1]
            problems.append(document.problem(where, f"'{last}' is missing", "add it", key=True))
        elif kind == "literal_error":
            expected = str(item.get("ctx", {}).get("expected", ""))
            what = f"'{item['input']}' is not one of {expected}"
            known = [word.strip(" '") for word in expected.replace(" or ", ",").split(",")]
            todo = nearest(str(item["input"]), known)
            if last == "format":
                what, todo = f"format {item['input']} is not known here", "write 'format: 1'"
            problems.append(
                document.problem(path, what, todo if todo.startswith(("did", "write")) else "")
            )
        elif kind == "value_error":
            text = str(item["msg"]).removeprefix("Value error, ")
            what, _, todo = text.partition("; ")
            key = "[key]" in item["loc"]
            problems.append(document.problem(path, what, todo, key=key))
        elif kind in ("model_type", "dict_type", "model_attributes_type"):
            problems.append(document.problem(path, f"'{last}' is a mapping of keys to values"))
        elif kind == "list_type":
            problems.append(document.problem(path, f"'{last}' is a list", "write it like [a, b]"))
        elif kind == "too_short":
            problems.append(document.problem(path, f"'{last}' is empty", key=True))
        else:
            what = f"'{last}': {str(item['msg'])[0].lower()}{str(item['msg'])[1:]}"
            problems.append(document.problem(path, what))
    unique = {(p.line, p.column, p.what): p for p in problems}
    return list(unique.values())


def _keys_of(path: Path) -> list[str]:
    """The keys that may stand at a path of the profile."""
    model: object = ProfileShape
    for part in path:
        if not (isinstance(model, type) and issubclass(model, BaseModel)):
            break
        fields = {f.alias or n: f.annotation for n, f in model.model_fields.items()}
        # a look's own keys are the names of devices, each with a preset
        unknown = PresetShape if model is LookShape else None
        model = fields.get(str(part), unknown)
        model = _inner(model)
    if isinstance(model, type) and issubclass(model, BaseModel):
        return [f.alias or n for n, f in model.model_fields.items()]
    return []


def _inner(annotation: object) -> object:
    """The model inside Optional, list or dict of it; a dict's or list's next part is skipped."""
    seen = [annotation]
    while seen:
        current = seen.pop()
        if isinstance(current, type) and issubclass(current, BaseModel):
            return current
        seen.extend(getattr(current, "__args__", ()))
    return annotation


def _model_path(path: Path) -> Path:
    """A path without the parts that are names a person made up or places in a list."""
    named = {"circuits", "dialects", "devices", "looks", "switches", "variations"}
    out: list[str | int] = []
    skip = False
    for part in path:
        if skip or isinstance(part, int):
            skip = False
            continue
        out.append(part)
        skip = part in named
    return tuple(out)

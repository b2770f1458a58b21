"""What may stand at a place of a profile, read off `shape.py`: its keys, its words, an example.

For sentences about what does not fit there, and for guesses at what was meant (mistakes.py).
"""

from __future__ import annotations

import types
import typing
from dataclasses import dataclass
from functools import lru_cache
from typing import Annotated, Any, Literal, Union

from pydantic import BaseModel, WithJsonSchema

from studiobridge.profile.shape import ProfileShape
from studiobridge.profile.text import Path

# Deeper than any shape goes.
DEEPEST = 12


@dataclass(frozen=True, slots=True)
class Place:
    """What belongs at one path: the types that are tried there, and what is said of them."""

    types: tuple[Any, ...]
    metadata: tuple[Any, ...] = ()
    # may it be left out?
    needed: bool = False

    @property
    def model(self) -> type[BaseModel] | None:
        return next((t for t in self.types if _is_model(t)), None)

    def keys(self) -> list[str]:
        """The keys that may stand here."""
        model = self.model
        return [] if model is None else [f.alias or n for n, f in model.model_fields.items()]

    def needs(self) -> list[str]:
        """The keys that must stand here."""
        model = self.model
        fields = {} if model is None else model.model_fields
        return [f.alias or n for n, f in fields.items() if f.is_required()]

    def words(self) -> list[object]:
        """The only values that may stand here, where they can be counted."""
        found: list[object] = []
        for kind in self.types:
            if typing.get_origin(kind) is Literal:
                found.extend(typing.get_args(kind))
        for said in self._said():
            found.extend(said.get("enum", ()))
        return found

    def examples(self) -> list[object]:
        """Values that are read here without a complaint."""
        found = [e for said in self._said() for e in said.get("examples", ())]
        return [*found, *self.words()]

    def holds(self, kind: type) -> bool:
        """Is it a `dict` or a `list` of things that belongs here?"""
        return any(typing.get_origin(t) is kind or t is kind for t in self.types)

    def _said(self) -> list[dict[str, Any]]:
        return [
            m.json_schema
            for m in self.metadata
            if isinstance(m, WithJsonSchema) and m.json_schema is not None
        ]


def _is_model(kind: object) -> bool:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _place(annotation: object, metadata: tuple[Any, ...] = (), needed: bool = False) -> Place:
    """A type taken apart: `X | None` is X, `Annotated[X, m]` is X with m."""
    found: list[Any] = []
    more = list(metadata)
    todo = [annotation]
    while todo:
        kind = todo.pop(0)
        origin = typing.get_origin(kind)
        if origin is Annotated:
            inner, *rest = typing.get_args(kind)
            more.extend(rest)
            todo.insert(0, inner)
        elif origin in (Union, types.UnionType):
            todo[:0] = typing.get_args(kind)
        elif kind is not type(None):
            found.append(kind)
    return Place(tuple(found), tuple(more), needed)


WHOLE = Place((ProfileShape,))


@lru_cache(maxsize=4096)
def place_at(path: Path) -> Place | None:
    """What belongs at a path; None where nothing may stand."""
    place = WHOLE
    for part in path:
        inner = _inside(place, part)
        if inner is None:
            return None
        place = inner
    return place


def _inside(place: Place, part: str | int) -> Place | None:
    for kind in place.types:
        if _is_model(kind):
            for name, field in kind.model_fields.items():
                if (field.alias or name) == part:
                    return _place(field.annotation, tuple(field.metadata), field.is_required())
            extra = kind.__annotations__.get("__pydantic_extra__")
            if extra is not None:
                hints = typing.get_type_hints(kind, include_extras=True)
                return _place(typing.get_args(hints["__pydantic_extra__"])[1])
        elif typing.get_origin(kind) is dict:
            return _place(typing.get_args(kind)[1])
        elif typing.get_origin(kind) is list:
            one = _place(typing.get_args(kind)[0])
            return one if isinstance(part, int) else _inside(one, part)
    return None


def sample(place: Place, depth: int = 0) -> object:
    """The least that may stand at a place: its needed keys with an example each."""
    examples = place.examples()
    if examples:
        return examples[0]
    model = place.model
    if model is not None and depth < DEEPEST:
        made: dict[str, object] = {}
        for name in place.needs():
            inner = _inside(place, name)
            made[name] = sample(inner, depth + 1) if inner is not None else None
        return made
    if place.holds(list):
        return []
    if place.holds(dict):
        return {}
    return 1 if int in place.types else "text"

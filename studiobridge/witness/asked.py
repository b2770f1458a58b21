"""What the witness may be asked, as a message says it. Who reads it answers by its id, once."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field

# The largest question (bytes): the levels of some dozen lights fit.
LONGEST_ASK = 4096


class Cannot(Exception):
    """What was asked cannot be done; the text says why."""


class AskBody(BaseModel):
    """A message on witness/ask."""

    model_config = ConfigDict(extra="forbid", frozen=True, defer_build=True, allow_inf_nan=False)

    id: str = Field(min_length=1, max_length=64)
    what: Literal["look", "still", "preview", "keep"]
    look: str | None = Field(default=None, max_length=40)
    lights: dict[str, dict[Literal["level", "cct"], float | None]] = Field(default_factory=dict)
    until: float | None = None

"""Text from outside, so that nothing in it drives a terminal, a log or a page."""

from __future__ import annotations

# How much of what stands in a file a sentence about it quotes (characters).
QUOTED = 40


def plain(text: str) -> str:
    """The text with every control and direction character replaced."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def quoted(value: object) -> str:
    """What stands in a file, cut and in quotes, for a sentence about it."""
    return f"'{plain(str(value)[:QUOTED])}'"

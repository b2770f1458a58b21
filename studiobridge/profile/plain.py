"""Text from outside, so that nothing in it drives a terminal, a log or a page."""

from __future__ import annotations

# How much of what stands in a file a sentence about it quotes (characters).
QUOTED = 40


def plain(text: str) -> str:
    """The text with every control and direction character replaced."""
    return "".join(c if c.isprintable() else "\N{REPLACEMENT CHARACTER}" for c in text)


def as_written(value: object) -> str:
    """A value as it would stand in a profile: `yes` words and lists as YAML has them."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        some = ", ".join(f"{key}: {as_written(part)}" for key, part in list(value.items())[:3])
        return f"{{{some}{', …' if len(value) > 3 else ''}}}"
    if isinstance(value, list):
        some = ", ".join(as_written(part) for part in value[:3])
        return f"[{some}{', …' if len(value) > 3 else ''}]"
    return str(value)


def quoted(value: object) -> str:
    """What stands in a file, cut and in quotes, for a sentence about it."""
    text = as_written(value)
    return f"'{plain(text if len(text) <= QUOTED else text[: QUOTED - 1] + '…')}'"

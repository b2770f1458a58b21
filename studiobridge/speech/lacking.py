"""A point that should be heard somewhere and is never there, though its device speaks.

A dialect that says `now.watt` where the device says `now.Watt` reads nothing wrong: a message may
say only what has changed, so a field that is missing in one is no fault. One that was missing in
the first few messages and has never been heard is, most likely, spelt otherwise.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence

from studiobridge.profile.model import Point
from studiobridge.speech.encode import shown

# A field is said to be lacking after so many messages without it, if it was never heard.
A_FEW = 3
# So much of a message is looked through for what it has instead: whoever writes it may write much.
MOST_LEAVES = 200
DEEPEST = 8
# How many names are said at most.
MOST_NAMED = 3


class Lacking:
    """Counts, by device and point, and forgets what has been heard once."""

    def __init__(self) -> None:
        # points that are heard as a field and never have been, with the messages that lacked it
        self._without: dict[tuple[str, Point], int] = {}
        self._said: dict[str, dict[Point, str]] = {}
        # devices of which something else is lacking than when this was emptied last
        self.changed: set[str] = set()

    def expect(self, device: str, point: Point) -> None:
        self._without[(device, point)] = 0

    def heard(self, device: str, point: Point) -> None:
        if self._without.pop((device, point), 0) >= A_FEW:
            self._clear(device, point)

    def missed(
        self,
        device: str,
        point: Point,
        topic: str,
        path: Sequence[str | int],
        document: object,
    ) -> None:
        """A message without this field."""
        count = self._without.get((device, point))
        if count is None:
            return  # it was there before: this message says only what has changed
        self._without[(device, point)] = count + 1
        if count + 1 == A_FEW:
            wanted = ".".join(str(part) for part in path)
            text = f"{_quoted(topic)} speaks, but has no {_quoted(wanted)}"
            self._say(device, point, f"{text}; it has {instead(wanted, leaves(document))}")

    def described(self, device: str, topic: str, without: Iterable[Point], has: list[str]) -> None:
        """A device described itself: all it has, and the points that nothing of it is for."""
        for point in list(self._said.get(device, ())):
            self._clear(device, point)
        for point in without:
            wanted = point.replace("_", "-")
            text = f"{_quoted(topic)} describes nothing for {point}"
            self._say(device, point, f"{text}; it has {instead(wanted, has)}")

    def of(self, device: str) -> list[str]:
        """A sentence a point."""
        return [text for _, text in sorted(self._said.get(device, {}).items())]

    def why(self, device: str, point: Point) -> str | None:
        return self._said.get(device, {}).get(point)

    def _say(self, device: str, point: Point, text: str) -> None:
        self._said.setdefault(device, {})[point] = text
        self.changed.add(device)

    def _clear(self, device: str, point: Point) -> None:
        if self._said.get(device, {}).pop(point, None) is not None:
            self.changed.add(device)


def leaves(document: object) -> list[str]:
    """The dotted paths of a message, as a dialect would name them; the first of them."""
    found: list[str] = []
    todo: list[tuple[str, object]] = [("", document)]
    while todo and len(found) < MOST_LEAVES:
        path, value = todo.pop()
        below: list[tuple[str, object]] = []
        if path.count(".") < DEEPEST:
            if isinstance(value, dict):
                below = [(str(key), one) for key, one in list(value.items())[:MOST_LEAVES]]
            elif isinstance(value, list):
                below = [(str(n), one) for n, one in enumerate(value[:MOST_LEAVES])]
        if below:
            todo.extend((f"{path}.{key}" if path else key, one) for key, one in reversed(below))
        elif path and not isinstance(value, dict | list):
            found.append(path)
    return found


def instead(wanted: str, has: list[str]) -> str:
    """The nearest of what there is; where nothing is near, the first of it."""
    if not has:
        return "nothing in it"
    folded: dict[str, str] = {}
    for name in has:
        folded.setdefault(name.casefold(), name)
    last = wanted.casefold().rpartition(".")[2]
    near = [folded[n] for n in difflib.get_close_matches(wanted.casefold(), folded, 2, 0.75)]
    near += [name for key, name in folded.items() if key.rpartition(".")[2] == last]
    names = list(dict.fromkeys(near)) or has
    said = [_quoted(name) for name in names[:MOST_NAMED]]
    if len(names) > MOST_NAMED:
        return f"{', '.join(said)} and more"
    return " and ".join(filter(None, (", ".join(said[:-1]), said[-1])))


def _quoted(name: str) -> str:
    """A topic or a field, cut short and safe to print."""
    return f"`{shown(name)[1:-1]}`"

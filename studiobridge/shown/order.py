"""The order in which devices are listed: as the profile has them, each behind what feeds it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

ON_BATTERY = "on battery"


def by_feed(
    feeds: Mapping[str, str | None], circuits: Iterable[str] = ()
) -> list[tuple[str, list[tuple[int, str]]]]:
    """Each circuit with its devices, and how many plugs deep each hangs on it.

    `feeds`: for each device, in the profile's order, what feeds it (None: its battery). Circuits
    come in the order given, then in that of their first device. Nothing is left out: what hangs
    on something that is no device is listed below that.
    """
    below: dict[str, list[str]] = {name: [] for name in circuits}
    for name, feed in feeds.items():
        below.setdefault(ON_BATTERY if feed is None else feed, []).append(name)
    listed: set[str] = set()

    def branch(name: str, depth: int) -> Iterable[tuple[int, str]]:
        for child in below.get(name, ()):
            if child not in listed:
                listed.add(child)
                yield depth, child
                yield from branch(child, depth + 1)

    roots = [name for name in below if name not in feeds and name != ON_BATTERY]
    found = [(root, list(branch(root, 0))) for root in (*roots, ON_BATTERY)]
    # a circle of feeds is refused in a profile; from outside it may come all the same
    lost = [(0, name) for name in feeds if name not in listed]
    return [(root, rows) for root, rows in [*found, ("elsewhere", lost)] if rows]

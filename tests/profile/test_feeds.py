"""Who feeds whom: every circle is found and named whole, whatever the names and the order."""

from __future__ import annotations

import networkx
import pytest
from hypothesis import given
from hypothesis import strategies as st

from studiobridge.profile import ProfileError, read_profile_text
from studiobridge.profile.devices import DEEPEST_FEED

HEAD = "format: 1\nset: s\nmains: {voltage: 230 V, circuits: {wall: {breaker: 10 A}}}\ndevices:\n"


def fed(feeds: dict[str, str]) -> str:
    return HEAD + "".join(f"  {d}: {{kind: plug, fed_by: {by}}}\n" for d, by in feeds.items())


def circles(feeds: dict[str, str]) -> list[str]:
    """What is said of circles; [] when the profile reads."""
    try:
        read_profile_text(fed(feeds))
    except ProfileError as error:
        said = [problem.what for problem in error.problems]
        assert all(what.startswith("a circle of feeds: ") for what in said), said
        return [what.removeprefix("a circle of feeds: ") for what in said]
    return []


@pytest.mark.parametrize(
    ("feeds", "said"),
    [
        ({"p": "o", "o": "p"}, ["p → o → p"]),
        ({"p": "q", "q": "p"}, ["p → q → p"]),
        ({"o": "p", "p": "o"}, ["o → p → o"]),
        ({"c": "b", "b": "a", "a": "c"}, ["c → b → a → c"]),
        ({"b": "c", "c": "a", "a": "b"}, ["b → c → a → b"]),
        ({"z": "z"}, ["z → z"]),
        ({"a": "wall", "z": "z", "b": "a"}, ["z → z"]),
        # two at once, and what hangs on one of them
        ({"p": "o", "o": "p", "d": "c", "c": "d"}, ["p → o → p", "d → c → d"]),
        ({"tail": "p", "p": "o", "o": "p"}, ["p → o → p"]),
        ({"p": "o", "o": "p", "tail": "o", "end": "tail"}, ["p → o → p"]),
        ({"end": "tail", "tail": "o", "p": "o", "o": "p"}, ["p → o → p"]),
    ],
    ids=lambda v: str(v)[:40],
)
def test_every_circle_is_named_whole_from_its_first_in_the_file(
    feeds: dict[str, str], said: list[str]
) -> None:
    assert circles(feeds) == said


def test_a_circle_is_shown_where_its_first_device_is_fed() -> None:
    with pytest.raises(ProfileError) as caught:
        read_profile_text(fed({"tail": "p", "o": "p", "p": "o"}), "kiln.yaml")
    (problem,) = caught.value.problems
    assert str(problem).startswith("kiln.yaml:6:27: a circle of feeds: o → p → o")


@given(st.data())
def test_the_circles_are_those_of_a_graph_library(data: st.DataObject) -> None:
    names = data.draw(st.permutations([f"d{i}" for i in range(data.draw(st.integers(1, 9)))]))
    feeds = {name: data.draw(st.sampled_from([*names, "wall"])) for name in names}
    graph = networkx.DiGraph(list(feeds.items()))
    wanted = []
    for circle in networkx.simple_cycles(graph):
        start = circle.index(min(circle, key=names.index))
        turned = [*circle[start:], *circle[:start]]
        wanted.append(" → ".join([*turned, turned[0]]))
    assert sorted(circles(feeds)) == sorted(wanted)


@given(st.data())
def test_without_circles_everything_upstream_is_known(data: st.DataObject) -> None:
    count = data.draw(st.integers(1, 12))
    tree = {
        f"d{i}": data.draw(st.sampled_from(["wall", *(f"d{j}" for j in range(i))]))
        for i in range(count)
    }
    feeds = {name: tree[name] for name in data.draw(st.permutations(list(tree)))}
    devices = read_profile_text(fed(feeds)).profile.devices
    graph = networkx.DiGraph(list(feeds.items()))
    for name, device in devices.items():
        path = networkx.shortest_path(graph, name, "wall")
        assert device.feeds == tuple(path[1:-1])
        assert device.circuit == "wall"


def test_a_long_circle_is_a_circle_and_not_a_long_row() -> None:
    n = DEEPEST_FEED + 5
    names = [f"d{i}" for i in range(n)]
    (said,) = circles({name: names[(i + 1) % n] for i, name in enumerate(names)})
    assert said == " → ".join([*names, "d0"])


@pytest.mark.parametrize("turned", [False, True])
def test_how_many_plugs_may_hang_one_behind_another(turned: bool) -> None:
    def row(n: int) -> str:
        feeds = {f"d{i}": f"d{i - 1}" if i else "wall" for i in range(n)}
        return fed(dict(reversed(feeds.items())) if turned else feeds)

    deepest = read_profile_text(row(DEEPEST_FEED + 1)).profile.devices[f"d{DEEPEST_FEED}"]
    assert len(deepest.feeds) == DEEPEST_FEED
    with pytest.raises(ProfileError) as caught:
        read_profile_text(row(DEEPEST_FEED + 30))
    (problem,) = caught.value.problems
    assert f"hangs on more than {DEEPEST_FEED} plugs in a row" in problem.what

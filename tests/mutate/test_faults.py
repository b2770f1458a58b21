"""The faults themselves: what is changed, what is left alone, and that each still reads."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

from tests.mutate.__main__ import ROOT, chosen
from tests.mutate.equivalent import EQUIVALENT
from tests.mutate.faults import faults_in


def put(source: str) -> set[str]:
    code = source.encode()
    return {fault.put_into(code).decode() for fault in faults_in("x.py", code)}


@pytest.mark.parametrize(
    ("source", "among"),
    [
        ("a < b", {"(a <= b)", "(a >= b)"}),
        ("a == b", {"(a != b)"}),
        ("a in b", {"(a not in b)"}),
        ("low <= x < high", {"(low < x < high)", "(low <= x <= high)"}),
        ("a and b", {"(a or b)", "(a)", "(b)"}),
        ("not a", {"(a)"}),
        ("a + b", {"(a - b)"}),
        ("a[1]", {"a[2]", "a[0]"}),
        ("a[:3]", {"a[:4]", "a[:2]"}),
        ("x = True", {"x = False"}),
        ("min(a, b)", {"max(a, b)"}),
        ("a.b = 1", {"pass", "a.b = 2"}),
        ("f(x)", {"pass"}),
        ("raise Error", {"pass"}),
        ("if ready:\n    x = y", {"if (not (ready)):\n    x = y"}),
        ("[a for a in b if a.on]", {"[a for a in b if True]"}),
        ("def f():\n    return x", {"def f():\n    return None"}),
        ("f(é < b)", {"f((é <= b))"}),
    ],
)
def test_what_is_changed(source: str, among: set[str]) -> None:
    assert among <= put(source)


@pytest.mark.parametrize(
    "source",
    [
        '"""Words."""',
        "x: Literal[1]",
        "def f(a: int | None) -> A | B: ...",
        "@dataclass(frozen=True)\nclass A: ...",
        "assert a < b",
        "import a",
        "from a import b",
        "f'{a + 1}'",
        "__all__ = ['a']",
        "Scalar = str | int",
        f"TABLE = ({'1, ' * 40})",
        "x = 'a' + b",
    ],
)
def test_what_is_left_alone(source: str) -> None:
    assert put(source) in (set(), {"pass"})


def test_every_fault_of_the_house_reads_and_is_one() -> None:
    for room in ("speech", "figures"):
        for file in sorted((ROOT / "studiobridge" / room).glob("*.py")):
            source = file.read_bytes()
            before = ast.dump(ast.parse(source))
            for fault in faults_in(str(file), source)[::10]:
                after = fault.put_into(source)
                assert ast.dump(ast.parse(after)) != before, fault
                assert fault.diff(source)


def test_what_is_said_to_be_equivalent_still_stands_in_the_code() -> None:
    for path, *diff in EQUIVALENT:
        source = (ROOT / path).read_bytes()
        assert any(list(f.diff(source)) == diff for f in faults_in(path, source)), (path, diff)


def test_a_room_a_file_and_a_line_can_be_chosen() -> None:
    whole = chosen("speech", None)
    assert {Path(f.path).name for f in whole} >= {"encode.py", "homie.py", "maps.py", "speech.py"}
    some = chosen("studiobridge/speech/encode.py", None)
    assert {f.path for f in some} == {"studiobridge/speech/encode.py"}
    line = some[0].line
    assert {f.line for f in chosen("speech", f"encode.py:{line}:")} == {line}

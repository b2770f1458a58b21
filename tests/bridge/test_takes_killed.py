"""The real daemon over real Mosquitto, killed in the middle of a take."""

from __future__ import annotations

import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from studiobridge.bridge.reading import Reader
from studiobridge.bridge.tables import record_path
from studiobridge.control.taken import Taken
from tests.brokers import needs_mosquitto
from tests.panel.studio import Studio, studio, until

pytestmark = needs_mosquitto
CAMERA = "camera"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    with studio(tmp_path_factory.mktemp("takes"), page_too=False) as found:
        must(found, "up")
        yield found


def must(made: Studio, *what: str) -> None:
    done = made.command(*what)
    assert done.returncode == 0, f"{what}: {done.stdout}{done.stderr}"


def takes(made: Studio) -> list[Taken]:
    place = record_path(Path(made.env["STUDIOBRIDGE_DATA"]), made.profile.name)
    with closing(Reader(place)) as reader:
        return reader.takes()


def has(made: Studio, n: int, ended: bool) -> bool:
    found = takes(made)
    return len(found) == n and (found[-1].ended is not None) is ended


def kill_in_the_middle(made: Studio, n: int) -> float:
    """Roll, and when the record knows of it kill the bridge. Returns when it began to roll."""
    began = time.monotonic()
    made.room.roll(CAMERA, True)
    until(lambda: has(made, n, False), f"take {n} to be in the record")
    time.sleep(0.5)
    made.bridge.kill()
    return began


def killed_in_the_middle_it_goes_on_as_the_same_take(made: Studio) -> None:
    began = kill_in_the_middle(made, 1)
    # what is in the record is a take cut short, for whoever reads it now
    assert has(made, 1, False)
    time.sleep(1.0)
    made.bridge.start().said("running on")
    until(lambda: bool(takes(made)[0].happened), "the next bridge to hear that it still rolls")
    made.room.roll(CAMERA, False)
    until(lambda: has(made, 1, True), "the take to end")
    lasted = time.monotonic() - began
    (take,) = takes(made)
    assert 3.0 < take.seconds <= lasted + 0.1
    assert [h.what for h in take.happened if h.device == CAMERA] == ["unsure"]
    assert (take.ended_by, take.ended_off) == ("report", 0.0)
    must(made, "takes", "1", "--good")
    assert takes(made)[0].mark == "good"


def what_stopped_while_no_bridge_ran_is_ended_as_inferred(made: Studio) -> None:
    kill_in_the_middle(made, 2)
    made.room.roll(CAMERA, False)
    time.sleep(1.5)
    made.bridge.start().said("running on")
    until(lambda: has(made, 2, True), "the take to end")
    take = takes(made)[-1]
    assert take.ended_by == "inferred"
    assert take.ended_why == "the bridge began anew"
    assert take.ended_off is not None and 1.5 <= take.ended_off < 20.0
    # the next is the next
    made.room.roll(CAMERA, True)
    until(lambda: has(made, 3, False), "take 3 to be in the record")
    made.room.roll(CAMERA, False)
    until(lambda: has(made, 3, True), "take 3 to end")


def a_mark_that_was_answered_outlives_a_kill(made: Studio) -> None:
    must(made, "takes", "3", "--again", "--note", "a car")
    made.bridge.kill()
    take = takes(made)[-1]
    assert (take.number, take.mark, take.note) == (3, "again", "a car")
    made.bridge.start().said("running on")


def list_and_bad_input_of_the_command(made: Studio) -> None:
    done = made.command("takes", "--csv")
    out, err = done.stdout, done.stderr
    assert done.returncode == 0, err
    assert [line.split(",")[0] for line in out.splitlines()] == ["take", "1", "2", "3"]
    done = made.command("takes")
    out, err = done.stdout, done.stderr
    assert done.returncode == 0, err
    assert max(len(line) for line in out.splitlines()) <= 90  # it fits a sheet of A4
    assert "good" in out and "again" in out and "a car" in out
    assert out.count("*") >= 2  # take 2 ended as inferred, and what the sign means
    for wrong in (
        ("takes", "0"),
        ("takes", "x"),
        ("takes", "-1"),
        ("takes", "99"),
        ("takes", "1", "2"),
        ("takes", "match"),
        ("takes", "--good"),
        ("takes", "1", "--good", "--again"),
        ("takes", "1", "--all"),
        ("takes", "1", "--note", " "),
        ("takes", "1", "--note", "x" * 301),
        ("takes", "--day", "yesterday"),
        ("takes", "--csv", "--json"),
        ("takes", "99", "--good"),
        ("takes", "1", "--differs", "--csv"),
    ):
        done = made.command(*wrong)
        assert done.returncode == 2, f"{wrong}: {done.stdout}{done.stderr}"
        assert "Traceback" not in done.stderr


def test_takes_through_kills(made: Studio) -> None:
    """One after the other: each takes up the takes that those before it left in the record."""
    killed_in_the_middle_it_goes_on_as_the_same_take(made)
    what_stopped_while_no_bridge_ran_is_ended_as_inferred(made)
    a_mark_that_was_answered_outlives_a_kill(made)
    list_and_bad_input_of_the_command(made)

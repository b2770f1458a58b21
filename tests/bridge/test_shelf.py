"""A folder of profiles: a bridge that waits for its first set, and takes up what appears there."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import threading
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest

from studiobridge.bridge import service
from studiobridge.bridge.service import run_sets
from studiobridge.bridge.settings import BrokerSettings, Settings, load_settings
from studiobridge.bridge.shelf import Shelf, files_in
from studiobridge.rehearsal.embedded import EmbeddedBroker

CONFIG = Path(__file__).parents[2] / "config"
ONE = (CONFIG / "one-plug-one-light.yaml").read_text(encoding="utf-8")


def settings_for(port: int, data: Path) -> Settings:
    return Settings(broker=BrokerSettings(host="127.0.0.1", port=port), data=data)


async def until(true: Callable[[], bool], what: str) -> None:
    async with asyncio.timeout(15):
        while not true():
            await asyncio.sleep(0.02)
    assert true(), what


@pytest.fixture
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(service, "LOOK_EVERY", 0.05)


def evening(
    paths: list[Path],
    settings: Settings,
    said: list[str],
    plays: Callable[[asyncio.Task[int]], Awaitable[None]],
) -> int:
    async def play() -> int:
        running = asyncio.create_task(run_sets(paths, settings, said.append))
        await plays(running)
        os.kill(os.getpid(), signal.SIGTERM)
        return await asyncio.wait_for(running, 15)

    return asyncio.run(play())


def test_a_bridge_without_a_profile_waits_and_says_so_to_its_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, quick: None
) -> None:
    """No broker is there either: a machine that was set up a minute ago is no machine that failed."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(10)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        (tmp_path / "sets").mkdir()
        said: list[str] = []

        async def plays(running: asyncio.Task[int]) -> None:
            await until(lambda: bool(said), "it says what it waits for")
            await asyncio.sleep(0.2)
            assert not running.done()

        assert evening([tmp_path / "sets"], settings_for(1, tmp_path), said, plays) == 0
        told = manager.recv(4096).decode()
    assert told.startswith("READY=1\n") and "no set is described yet" in told
    assert len([line for line in said if "no set is described yet" in line]) == 1


def test_a_set_is_taken_up_when_its_profile_appears_and_a_bad_file_stands_in_nobodys_way(
    tmp_path: Path, quick: None
) -> None:
    sets = tmp_path / "sets"
    sets.mkdir()
    said: list[str] = []

    async def plays(running: asyncio.Task[int]) -> None:
        (sets / "half.yaml").write_text("format: 1\nset: half\n")
        (sets / "met.yaml").write_text("# the book\nmet: 1\ndevices: {}\n")
        await until(lambda: any("half.yaml" in line for line in said), "what is wrong is said")
        (sets / "one.yaml").write_text(ONE)
        await until(lambda: any("shelf-corner: running on" in s for s in said), "the set runs")
        # the same set once more, and the bad one mended: each by itself
        (sets / "two.yaml").write_text(ONE)
        (sets / "half.yaml").write_text(ONE.replace("shelf-corner", "half").replace("shelf/", "half/").replace("shelf-panel", "half-panel"))  # fmt: skip
        os.kill(os.getpid(), signal.SIGHUP)
        await until(lambda: any("half: running on" in s for s in said), "the mended one runs")
        assert not running.done()

    with EmbeddedBroker() as broker:
        port = int(broker.url.rpartition(":")[2])
        assert evening([sets], settings_for(port, tmp_path / "data"), said, plays) == 0
    assert any("two.yaml" in line and "of the same name" in line for line in said)
    assert len([line for line in said if "half.yaml" in line]) == 1  # once, not at every look
    assert not any("met.yaml" in line for line in said)


def test_a_named_file_still_has_to_be_good(tmp_path: Path) -> None:
    (tmp_path / "sets").mkdir()
    (tmp_path / "bad.yaml").write_text("format: 1\n")
    said: list[str] = []
    paths = [tmp_path / "bad.yaml", tmp_path / "sets"]
    assert asyncio.run(run_sets(paths, settings_for(1, tmp_path), said.append)) == 2


def test_what_lies_in_a_folder_and_is_looked_at_once(tmp_path: Path) -> None:
    for name in ("b.yaml", "a.yml", ".hidden.yaml", "c.yaml~", "c.yaml.new", "notes.txt"):
        (tmp_path / name).write_text("x: 1\n")
    (tmp_path / "folder.yaml").mkdir()
    (tmp_path / "gone.yaml").symlink_to(tmp_path / "nowhere")
    assert [path.name for path in files_in(tmp_path)] == ["a.yml", "b.yaml"]
    shelf = Shelf([tmp_path])
    assert [path.name for path in shelf.fresh()] == ["a.yml", "b.yaml"]
    assert shelf.fresh() == []
    (tmp_path / "b.yaml").write_text("x: 22\n")
    assert [path.name for path in shelf.fresh()] == ["b.yaml"]
    assert not Shelf([]) and shelf


def test_the_environment_names_the_user(tmp_path: Path) -> None:
    """A service with a user of its own reads the same settings as the commands."""
    file = tmp_path / "s.yaml"
    file.write_text("broker: {host: h, user: operator}\nprofiles: [sets]\npanel: {ca: ca.crt}\n")
    found = load_settings(file, {"STUDIOBRIDGE_USER": "bridge"})
    assert found.broker.user == "bridge" and load_settings(file, {}).broker.user == "operator"
    assert found.profiles == (tmp_path / "sets",) and found.panel.ca == tmp_path / "ca.crt"


def test_a_copy_under_another_name_is_no_second_set_on_the_same_gear(
    tmp_path: Path, quick: None
) -> None:
    """A lockout binds the set that knows of it: another one would switch the same plug on."""
    sets = tmp_path / "sets"
    sets.mkdir()
    (sets / "corner.yaml").write_text(ONE)
    said: list[str] = []

    async def plays(running: asyncio.Task[int]) -> None:
        await until(lambda: any("shelf-corner: running on" in s for s in said), "the set runs")
        (sets / "other.yaml").write_text(ONE.replace("shelf-corner", "other"))
        await until(lambda: any("other" in line for line in said), "the copy was looked at")
        await asyncio.sleep(0.1)

    with EmbeddedBroker() as broker:
        port = int(broker.url.rpartition(":")[2])
        assert evening([sets], settings_for(port, tmp_path / "data"), said, plays) == 0
    assert not any("other: running on" in line for line in said)
    assert any("other.yaml" in s and "both tell the gear at shelf/plug/in" in s for s in said), said


def test_reading_a_new_profile_stops_nothing_that_runs(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, quick: None
) -> None:
    """A bridge that stands still for 1.6 s cuts its link, and a large file takes longer to read."""
    (tmp_path / "sets").mkdir()
    began: list[int] = []
    free = threading.Event()

    waited: list[bool] = []

    def slowly(path: Path, say: Callable[[str], None]) -> None:
        began.append(1)
        waited.append(free.wait(2))

    monkeypatch.setattr(service, "load", slowly)

    async def plays(running: asyncio.Task[int]) -> None:
        (tmp_path / "sets" / "large.yaml").write_text(ONE)
        await until(lambda: bool(began), "it is being read")
        free.set()  # by the very loop that would stand still

    assert evening([tmp_path / "sets"], settings_for(1, tmp_path), [], plays) == 0
    assert waited == [True]

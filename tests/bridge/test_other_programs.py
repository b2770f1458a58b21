"""What config/from-other-programs.md shows, run as it stands there, and looks saved by command."""

from __future__ import annotations

import asyncio
import json
import os
import re
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from studiobridge.bridge.reading import Reader
from studiobridge.bridge.tables import record_path
from studiobridge.profile import read_profile
from studiobridge.rehearsal.live import LiveRoom
from tests.bridge.test_set import Stage, stage
from tests.brokers import broker_of, needs_mosquitto

CONFIG = Path(__file__).parents[2] / "config"
pytestmark = needs_mosquitto

SET = "shelf-corner"
BLOCK = re.compile(r"^```(python|sh)\n(.*?)^```", re.M | re.S)


def environment(s: Stage, folder: Path) -> dict[str, str]:
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    return {
        **clean,
        "HOME": str(folder),
        "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}",
        "STUDIOBRIDGE_SET": SET,
        "STUDIOBRIDGE_BROKER": f"mqtt://127.0.0.1:{s.port}",
    }


async def run(s: Stage, folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return await asyncio.to_thread(
        subprocess.run,
        words,
        env=environment(s, folder),
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=60,
    )


def test_every_example_for_other_programs_works(tmp_path: Path) -> None:
    text = (CONFIG / "from-other-programs.md").read_text(encoding="utf-8")
    blocks = BLOCK.findall(text)
    assert [kind for kind, _ in blocks] == ["python", "sh", "sh"]
    assert all(len(list(filter(None, code.split("\n")))) <= 3 for _, code in blocks)
    python, shell, client = (code for _, code in blocks)
    assert "-p 1883" in client

    async def evening(s: Stage) -> None:
        said = await run(s, tmp_path, sys.executable, "-c", python)
        assert said.returncode == 0, said.stderr
        assert said.stdout.strip(), said.stderr
        await s.until(lambda: s.state == "ready")
        (tmp_path / "shelf-corner.yaml").symlink_to(tmp_path / "one-plug-one-light.yaml")
        said = await run(s, tmp_path, "sh", "-ec", shell)
        assert said.returncode == 0, said.stderr
        look = json.loads((tmp_path / "as-i-left-it.json").read_text())
        assert look["title"] == "As I left it"
        assert look["lights"][0]["level"] == pytest.approx(55, abs=1)
        said = await run(s, tmp_path, "sh", "-ec", client.replace("1883", str(s.port)))
        assert said.returncode == 0, said.stderr
        await s.until(lambda: s.state == "dark", 30)

    with broker_of("mosquitto", tmp_path) as port:

        async def whole() -> None:
            async with stage(port, tmp_path, "one-plug-one-light") as s:
                await evening(s)

        asyncio.run(whole())
    reader = Reader(record_path(tmp_path / "data", SET))
    asked = {(r["what"], r["by"]) for r in reader.requests()}
    reader.close()
    assert {("up", "my script"), ("down", "door script")} <= asked


def test_a_look_is_saved_by_command_and_known_at_once(tmp_path: Path) -> None:
    path = tmp_path / "one-plug-one-light.yaml"

    async def evening(s: Stage) -> None:
        assert (await s.ask("up")).code == 0
        await s.until(lambda: s.state == "ready")
        s.room.touch("shelf-light", level=33.0)
        await s.until(lambda: s.state == "adrift")
        command = ("studiobridge", "look", "save", "on", "--title", "Spät", "--json")
        said = await run(s, tmp_path, *command)
        assert said.returncode == 0, said.stderr
        assert json.loads(said.stdout)["detail"]["presets"]["shelf-light"]["level"] == 33.0
        assert read_profile(path).profile.looks["on"].presets["shelf-light"].level == 33.0
        assert (await s.ask("up", look="on")).code == 0
        await s.until(lambda: s.state == "ready")
        # the name is taken now
        s.room.touch("shelf-light", level=70.0)
        await s.until(lambda: s.state == "adrift")
        again = await s.ask("save_look", look="on")
        assert again.code == 1
        assert "there is a look 'on' already" in again.text
        assert (await s.ask("save_look", look="on", replace=True)).code == 0
        await s.until(lambda: s.state == "ready")
        assert read_profile(path).profile.looks["on"].presets["shelf-light"].level == 70.0
        # a file that nobody may write
        path.chmod(stat.S_IRUSR)
        if os.geteuid() != 0:
            refused = await s.ask("save_look", look="third")
            assert refused.code == 1
            assert "write-protected" in refused.text
        path.chmod(0o644)
        ends = await run(s, tmp_path, "studiobridge", "keep", "--json")
        assert json.loads(ends.stdout)["code"] == 0

    with broker_of("embedded", tmp_path) as port:

        async def whole() -> None:
            async with stage(port, tmp_path, "one-plug-one-light") as s:
                await evening(s)

        asyncio.run(whole())


DIES = """
import os
from studiobridge.bridge import saving
write = saving.save_look
def and_dies(*what):
    write(*what)
    os._exit(137)
saving.save_look = and_dies
"""
MAIN = "from studiobridge.cli import main; main()"


def test_killed_between_the_file_and_the_answer_the_look_is_whole_and_asked_again_it_is_done(
    tmp_path: Path,
) -> None:
    """The bridge ends when the file is replaced and nobody was told; the next one reads it."""
    path = tmp_path / "shelf.yaml"
    text = (CONFIG / "one-plug-one-light.yaml").read_text(encoding="utf-8")
    path.write_text(text.replace("boots_in: 3 s", "boots_in: 0.3 s"), encoding="utf-8")
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    with broker_of("mosquitto", tmp_path) as port:
        env = {
            **clean,
            "HOME": str(tmp_path),
            "STUDIOBRIDGE_BROKER": f"mqtt://127.0.0.1:{port}",
            "STUDIOBRIDGE_DATA": str(tmp_path / "data"),
            "STUDIOBRIDGE_SET": SET,
        }

        def ask(*what: str) -> subprocess.CompletedProcess[str]:
            command = [sys.executable, "-c", MAIN, "ask", *what]
            return subprocess.run(command, env=env, capture_output=True, text=True, timeout=60)

        def bridge(before: str = "") -> subprocess.Popen[bytes]:
            command = [sys.executable, "-c", before + MAIN, "run", str(path)]
            silent = subprocess.DEVNULL
            started = subprocess.Popen(command, env=env, stdout=silent, stderr=silent)
            end = time.monotonic() + 20
            while ask("ping").returncode != 0:
                assert time.monotonic() < end
            return started

        with LiveRoom(read_profile(path).profile, "127.0.0.1", port):
            first = bridge(DIES)
            assert ask("up").returncode == 0
            assert ask("save_look", "--look", "evening").returncode == 3
            assert first.wait(20) == 137
            saved = path.read_bytes()
            assert read_profile(path).profile.looks["evening"].presets["shelf-light"].level == 55.0
            second = bridge()
            try:
                # what the broker kept of a light proves nothing: it is told, and says so itself
                assert ask("up").returncode == 0
                again = ask("save_look", "--look", "evening")
                assert again.returncode == 0, again.stderr
                assert path.read_bytes() == saved, "it says so already: nothing is written"
                assert ask("up", "--look", "evening").returncode == 0
            finally:
                second.terminate()
                second.wait(20)

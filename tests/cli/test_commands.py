"""The commands as real processes: exit codes, pipes, JSON shapes, drawings."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import time
import xml.etree.ElementTree as ElementTree
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from studiobridge.cli import draw
from studiobridge.profile import read_profile
from studiobridge.rehearsal.live import LiveRoom
from studiobridge.shown import drift_words
from tests.brokers import broker_of, needs_mosquitto
from tests.panel.studio import quick

CONFIG = Path(__file__).parents[2] / "config"
CORNER = CONFIG / "wheel-corner.yaml"
EXAMPLES = [p for p in sorted(CONFIG.glob("*.yaml")) if not p.name.startswith("settings")]


def studiobridge(
    *args: object, home: Path, timeout: float = 90, **env: str
) -> subprocess.CompletedProcess[str]:
    clean = {k: v for k, v in os.environ.items() if not k.startswith("STUDIOBRIDGE")}
    return subprocess.run(
        [sys.executable, "-c", "from studiobridge.cli import main; main()", *map(str, args)],
        env={**clean, "HOME": str(home), **env},
        capture_output=True,
        text=True,
        timeout=timeout,
    )


# ---- looking at profiles ------------------------------------------------------------------------


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.name)
def test_every_example_passes_check(path: Path, tmp_path: Path) -> None:
    done = studiobridge("check", path, home=tmp_path)
    assert done.returncode == 0, done.stderr
    assert "Nothing is wrong with it" in done.stdout


def test_check_says_everything_and_ends_with_2(tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    bad.write_text(CORNER.read_text().replace("64 %", "64", 1).replace("kind: amp", "kind: apm", 1))
    done = studiobridge("check", bad, home=tmp_path)
    assert done.returncode == 2
    assert "Traceback" not in done.stderr
    lines = done.stderr.strip().split("\n")
    assert len(lines) == 2
    assert all(re.match(rf"{re.escape(str(bad))}:\d+:\d+: ", line) for line in lines)
    as_json = studiobridge("check", bad, "--json", home=tmp_path)
    found = json.loads(as_json.stdout)
    assert as_json.returncode == 2
    assert [p["line"] for p in found["problems"]] == sorted(p["line"] for p in found["problems"])


def test_an_order_that_cannot_be_ends_with_2(tmp_path: Path) -> None:
    bad = tmp_path / "bad.yaml"
    text = CORNER.read_text().replace(
        "Powered monitors, fed_by: amp-plug", "Powered monitors, fed_by: desk-strip"
    )
    assert text != CORNER.read_text()
    bad.write_text(text)
    done = studiobridge("check", bad, home=tmp_path)
    assert done.returncode == 2
    assert "plug of its own" in done.stderr


@pytest.mark.parametrize(
    ("args", "code"),
    [
        (["plan", CORNER, "sideways"], 2),
        (["plan", CORNER, "up", "--look", "noon"], 2),
        (["plan", "nowhere.yaml", "up"], 2),
        (["frobnicate"], 2),
        (["check"], 2),
        (["status"], 2),
        (["status", "--set", "No Such/Set"], 2),
        (["rolling", "maybe", "--set", "x"], 2),
        (["cut", "--set", "x"], 2),
        (["record", "--set", "x"], 2),
        (["run"], 2),
        (["lockout", "key", "--set", "x"], 2),
        (["version"], 0),
        (["--help"], 0),
        (["schema"], 0),
    ],
    ids=lambda v: " ".join(str(x).rsplit("/", 1)[-1] for x in v) if isinstance(v, list) else "",
)
def test_exit_codes_and_no_traceback(args: list[object], code: int, tmp_path: Path) -> None:
    done = studiobridge(*args, home=tmp_path)
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    assert code == 0 or done.stderr.strip()


@pytest.mark.parametrize("number", ["9" * 26, "9" * 5000, "-1", "0", "٣²", "1.5", "nan"])
def test_a_session_that_cannot_be_is_bad_input(number: str, tmp_path: Path) -> None:
    """Before a record is looked for: its database takes no number of any size."""
    done = studiobridge("record", "--set", "x", "--session", number, home=tmp_path)
    assert done.returncode == 2
    assert "--session" in done.stderr
    assert "Traceback" not in done.stderr


def test_no_broker_ends_with_3(tmp_path: Path) -> None:
    done = studiobridge(
        "status", "--set", "x", home=tmp_path, STUDIOBRIDGE_BROKER="mqtt://127.0.0.1:1"
    )
    assert done.returncode == 3
    assert "not reached" in done.stderr


def test_plan_json_has_its_shape(tmp_path: Path) -> None:
    done = studiobridge("plan", CORNER, "up", "--json", home=tmp_path)
    found = json.loads(done.stdout)
    assert {"set", "request", "look", "ready_in_s", "steps"} <= set(found)
    for step in found["steps"]:
        assert {"n", "at_s", "device", "action", "value", "waits_for", "why"} <= set(step)
        assert step["why"]
    assert found["ready_in_s"] == max(step["until_s"] for step in found["steps"])


def test_a_pipe_gets_no_escape_codes(tmp_path: Path) -> None:
    for args in (["plan", CORNER, "up"], ["plan", CORNER, "down"], ["--help"]):
        done = studiobridge(*args, home=tmp_path, FORCE_COLOR="")
        assert "\x1b" not in done.stdout


def test_help_imports_nothing_heavy(tmp_path: Path) -> None:
    program = (
        "import sys; sys.argv = ['studiobridge', '--help']\n"
        "from studiobridge.cli import main\n"
        "try: main()\nexcept SystemExit: pass\n"
        "heavy = {'paho', 'sqlalchemy', 'pydantic', 'yaml', 'iotcore'} & set(sys.modules)\n"
        "print('heavy:', sorted(heavy))"
    )
    out = subprocess.run(
        [sys.executable, "-c", program], capture_output=True, text=True, check=True
    )
    assert out.stdout.strip().endswith("heavy: []")


# ---- drawings --------------------------------------------------------------------------------------


def planned(request: str, tmp_path: Path) -> list[dict[str, object]]:
    done = studiobridge("plan", CORNER, request, "--json", home=tmp_path)
    steps: list[dict[str, object]] = json.loads(done.stdout)["steps"]
    return steps


@pytest.mark.parametrize("width", [60, 80, 120, 160])
def test_the_chart_fits_and_has_a_line_for_every_device(width: int, tmp_path: Path) -> None:
    steps = planned("up", tmp_path)
    lines = draw.chart(steps, width)
    assert max(len(line) for line in lines) <= width
    for device in {str(step["device"]) for step in steps}:
        (line,) = [x for x in lines if x.split()[:1] == [device]]
        assert any(pattern in line for pattern in draw.PATTERN.values())


def test_the_picture_has_every_step_once_at_its_time(tmp_path: Path) -> None:
    svg = tmp_path / "up.svg"
    assert studiobridge("plan", CORNER, "up", "--svg", svg, home=tmp_path).returncode == 0
    root = ElementTree.fromstring(svg.read_text())
    space = "{http://www.w3.org/2000/svg}"
    bars = {
        int(r.get("data-step") or 0): r for r in root.iter(f"{space}rect") if r.get("data-step")
    }
    steps = {int(str(s["n"])): s for s in planned("up", tmp_path)}
    assert set(bars) == set(steps)
    order = sorted(steps, key=lambda n: float(str(steps[n]["at_s"])))
    places = [float(bars[n].get("x") or 0) for n in order]
    assert places == sorted(places)
    titles = "".join(t.text or "" for t in root.iter(f"{space}title"))
    assert all(str(s["device"]) in titles for s in steps.values())
    assert "http" not in svg.read_text().replace("http://www.w3.org/2000/svg", "")


def test_the_picture_in_config_is_the_one_the_command_draws(tmp_path: Path) -> None:
    svg = tmp_path / "up.svg"
    studiobridge("plan", CORNER, "up", "--svg", svg, home=tmp_path)
    kept = CONFIG / "wheel-corner.up.svg"
    assert kept.read_text() == svg.read_text(), (
        "studiobridge plan … up --svg config/wheel-corner.up.svg"
    )


def test_names_from_outside_do_not_drive_a_terminal() -> None:
    nasty = "key\x1b[2J\u202e<b>"
    entry = {
        "device": nasty,
        "point": "level",
        "wanted": 64,
        "reported": 80,
        "stops": 0.32,
        "percent": 16,
        "for_s": 2,
    }
    assert "\x1b" not in drift_words.drift_line([entry])
    step = {
        "n": 1,
        "at_s": 0,
        "until_s": 1,
        "device": nasty,
        "action": "set",
        "value": "",
        "circuit": nasty,
    }
    assert all(c.isprintable() for line in draw.chart([step], 80) for c in line)
    ElementTree.fromstring(draw.picture(nasty, [step], nasty))


@pytest.mark.parametrize(
    ("entry", "said"),
    [
        (
            {"point": "level", "wanted": 64, "reported": 80, "stops": 0.3219, "percent": 16},
            "+0.32 stop",
        ),
        (
            {"point": "level", "wanted": 64, "reported": 32, "stops": -1.0, "percent": -32},
            "−1.00 stop",
        ),
        ({"point": "level", "wanted": 64, "reported": 0, "stops": None, "percent": -64}, "dark"),
        ({"point": "cct", "wanted": 4300, "reported": 4500, "mired": -10.3}, "10 mired cooler"),
        ({"point": "switch", "wanted": True, "reported": False}, "off, meant to be on"),
        ({"point": "online", "wanted": True, "reported": None}, "silent"),
    ],
)
def test_drift_in_a_persons_words(entry: dict[str, object], said: str) -> None:
    assert drift_words.by_how_much(entry) == said


# ---- against a running set --------------------------------------------------------------------------


@needs_mosquitto
def test_an_evening_by_commands(tmp_path: Path) -> None:
    """No bridge first (the command runs the set itself), then the daemon, from other processes."""
    path = tmp_path / "shelf.yaml"
    text = (CONFIG / "one-plug-one-light.yaml").read_text(encoding="utf-8")
    path.write_text(quick(text), encoding="utf-8")
    profile = read_profile(path).profile
    with (
        broker_of("mosquitto", tmp_path) as port,
        LiveRoom(profile, "127.0.0.1", port, pace=5) as room,
    ):
        env = {
            "STUDIOBRIDGE_BROKER": f"mqtt://127.0.0.1:{port}",
            "STUDIOBRIDGE_DATA": str(tmp_path / "data"),
        }
        none = studiobridge("up", "--set", "shelf-corner", home=tmp_path, **env)
        assert none.returncode == 3
        assert "studiobridge run" in none.stderr
        here = studiobridge("up", "--profile", path, home=tmp_path, **env)
        assert here.returncode == 0, here.stderr
        assert "runs the set itself" in here.stderr
        assert "ready in" in here.stdout
        assert room.room.devices["shelf-light"].level == pytest.approx(55, abs=1)
        daemon = subprocess.Popen(
            [sys.executable, "-c", "from studiobridge.cli import main; main()", "run", str(path)],
            env={**os.environ, **env, "HOME": str(tmp_path)},
            stderr=subprocess.PIPE,
            text=True,
        )
        try:
            assert daemon.stderr is not None
            assert "running on" in daemon.stderr.readline()
            env["STUDIOBRIDGE_SET"] = "shelf-corner"

            def comes_to(test: Callable[[dict[str, Any]], bool]) -> dict[str, Any]:
                end = time.monotonic() + 60.0
                while True:
                    said = studiobridge("status", "--json", home=tmp_path, **env).stdout
                    found: dict[str, Any] = json.loads(said)
                    if test(found):
                        return found
                    assert time.monotonic() < end, found

            comes_to(lambda found: found["state"] != "unheard")  # it listens first
            room.touch("shelf-light", level=80.0)
            status = comes_to(lambda found: bool(found["devices"]["shelf-light"]["drift"]))
            assert {"set", "state", "look", "devices"} <= set(status)
            light = status["devices"]["shelf-light"]
            assert {
                "online",
                "switch",
                "level",
                "cct",
                "watts",
                "preset",
                "drift",
                "lockout",
            } <= set(light)
            assert status["state"] == "adrift", status
            drift = json.loads(studiobridge("drift", "--json", home=tmp_path, **env).stdout)
            assert {entry["device"] for entry in drift} == {"shelf-light"}
            shown = studiobridge("status", home=tmp_path, **env)
            assert "+0.54 stop" in shown.stdout  # log2(80 / 55)
            assert studiobridge("restore", home=tmp_path, **env).returncode == 0
            assert studiobridge("up", "--look", "noon", home=tmp_path, **env).returncode == 2
            locked = studiobridge(
                "lockout", "shelf-light", "--by", "Ana", "--why", "a cable", home=tmp_path, **env
            )
            assert locked.returncode == 0
            assert "Pull the plug" in locked.stdout
            assert "Ana" in studiobridge("status", home=tmp_path, **env).stdout
            assert studiobridge("release", "shelf-light", home=tmp_path, **env).returncode == 0
            down = studiobridge("down", home=tmp_path, **env)
            assert down.returncode == 0, down.stderr
            cut = studiobridge("cut", "--yes", home=tmp_path, **env)
            assert cut.returncode == 0
            assert "no substitute for the breaker" in cut.stderr
        finally:
            daemon.terminate()
            assert daemon.wait(10) == 0
        sessions = json.loads(studiobridge("record", "--json", home=tmp_path, **env).stdout)
        assert sessions[0]["closed"] is not None
        timeline = studiobridge("record", "--session", sessions[0]["session"], home=tmp_path, **env)
        assert "shelf-light: set" in timeline.stdout
        csv = studiobridge("record", "--drift", "--csv", home=tmp_path, **env)
        assert csv.stdout.startswith("drift,device,point")


# the two others are played scene by scene in test_rehearse
PLAYED = [p for p in EXAMPLES if p.stem not in ("wheel-corner", "one-plug-one-light")]


@pytest.mark.parametrize("path", PLAYED, ids=lambda p: p.name)
def test_rehearse_ends_well_and_leaves_nothing(path: Path, tmp_path: Path) -> None:
    before = path.read_bytes()
    done = studiobridge("rehearse", path, "--pace", "8", home=tmp_path, TMPDIR=str(tmp_path))
    assert done.returncode == 0, done.stdout + done.stderr
    assert "Every scene ended as it should" in done.stdout
    if "e131" in path.read_text():  # its frames came to the simulated fixture
        assert "nothing else can tell: hair is at 4" in done.stdout
    if path.name == "spare-room.yaml":  # a dial comes back at full: a hand has to turn it
        assert "key is at 93 to 100 % by its watts, not at 60 %: turn it down" in done.stdout
        assert "laptop: shutting down" not in done.stdout
    assert path.read_bytes() == before
    assert list(tmp_path.glob("studiobridge-*")) == []
    assert "\x1b" not in done.stdout


def test_whoever_reads_enough_is_no_failure_and_a_full_disk_is_a_sentence(tmp_path: Path) -> None:
    """`studiobridge light set.yaml | head -1` under `set -o pipefail`, and `> /dev/full`.

    With output that waits for its end, as on most machines: one told not to let it wait forgives more.
    """
    start = "from studiobridge.cli import main; main()"
    command = [sys.executable, "-c", start, "light", str(CORNER)]
    env = {k: v for k, v in os.environ.items() if k != "PYTHONUNBUFFERED"}
    if not Path("/dev/full").exists():
        pytest.skip("no /dev/full here")
    piped = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=env
    )
    assert piped.stdout is not None and piped.stderr is not None
    piped.stdout.close()
    assert (piped.stderr.read(), piped.wait(60)) == ("", 0)
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            command, stdout=full, stderr=subprocess.PIPE, text=True, timeout=60, env=env
        )
    assert done.returncode == 2
    assert done.stderr == "studiobridge: No space left on device\n"

"""The wheel is whole: what the code opens is in it, and it runs where nothing else of ours is."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]

# Opens whatever the code opens besides Python: each template, each file of the page, the sheet.
OPENS = """
import json, sys
from importlib.metadata import distribution
from pathlib import Path
import studiobridge
here = Path(studiobridge.__file__).parent
assert str(here).startswith(sys.argv[1]), here
from studiobridge.panel import app, board, files, texts
from studiobridge.profile import profile_schema, read_profile
from studiobridge.shown import sheet
drawn = board.environment()
assert {"en", "de"} <= set(texts.tongues()), texts.tongues()
for name in drawn.list_templates():
    drawn.get_template(name)
profile = read_profile(Path(sys.argv[2])).profile
look = profile.default_look
assert "</html>" in sheet.page(profile, look, profile.looks[look].presets)
assert json.loads((here / "profile/profile.schema.json").read_text()) == profile_schema()
for name in ("LICENSE", "NOTICE"):
    assert [f for f in distribution("studiobridge").files if f.name == name], name
print(*sorted(drawn.list_templates()), *sorted(f.name for f in files.STATIC.iterdir()))
"""


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel and a source distribution, made as `python -m build` has them made."""
    folder = tmp_path_factory.mktemp("built")
    command = [sys.executable, "-m", "hatchling", "build", "-d", str(folder)]
    subprocess.run(command, cwd=TOP, check=True, capture_output=True, timeout=120)
    return folder


def test_both_are_fit_for_an_index(built: Path) -> None:
    files = sorted(built.iterdir())
    assert [f.suffix for f in files] == [".whl", ".gz"]
    command = [sys.executable, "-m", "twine", "check", "--strict", *files]
    done = subprocess.run(command, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stdout + done.stderr


def test_every_file_of_ours_is_in_the_wheel(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    package = TOP / "studiobridge"
    ours = {p.relative_to(TOP).as_posix() for p in package.rglob("*") if p.is_file()}
    ours = {name for name in ours if "__pycache__" not in name}
    more = {name for name in names if ".dist-info/" not in name} - ours
    assert ours - names == set()
    assert more == {"studiobridge/profile/profile.schema.json"}


def test_installed_alone_it_opens_all_it_needs(built: Path, tmp_path: Path) -> None:
    (wheel,) = built.glob("*.whl")
    target = tmp_path / "there"
    command = [
        sys.executable,
        "-m",
        "pip",
        "install",
        "--quiet",
        "--no-deps",
        "--no-index",
        "--no-compile",
    ]
    command += ["--disable-pip-version-check", "--target", str(target), str(wheel)]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    env = {**os.environ, "PYTHONPATH": str(target)}
    profile = TOP / "config" / "wheel-corner.yaml"
    done = subprocess.run(
        [sys.executable, "-c", OPENS, target, profile],
        env=env,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert {"shell.html", "parts_hand.html", "page.js", "base.css", "room.css", "hand.css"} <= set(
        done.stdout.split()
    )
    command = [str(target / "bin" / "studiobridge"), "check", str(profile)]
    done = subprocess.run(command, env=env, cwd=tmp_path, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "wheel-corner: 23 devices" in done.stdout

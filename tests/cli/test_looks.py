"""The looks of a profile file, listed and shown without a bridge; what is asked must be known."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import pytest

from studiobridge.cli import main

CONFIG = Path(__file__).parents[2] / "config"


@pytest.fixture(autouse=True)
def nowhere(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """No settings of whoever runs this."""
    monkeypatch.setenv("STUDIOBRIDGE_SETTINGS", str(tmp_path / "settings.yaml"))
    monkeypatch.delenv("STUDIOBRIDGE_SET", raising=False)
    monkeypatch.setenv("COLUMNS", "80")
    (tmp_path / "settings.yaml").write_text(
        f"broker: {{host: 127.0.0.1, port: 1}}\nprofiles: [{CONFIG / 'wheel-corner.yaml'},"
        f" {CONFIG / 'one-plug-one-light.yaml'}]\n"
    )


def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: object
) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["studiobridge", *map(str, words)])
    with pytest.raises(SystemExit) as end:
        main()
    said = capsys.readouterr()
    return int(end.value.code or 0), said.out, said.err


def test_looks_are_listed_and_one_is_shown(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    corner = ("--profile", CONFIG / "wheel-corner.yaml")
    code, out, _ = run(monkeypatch, capsys, "look", "list", *corner)
    assert code == 0
    assert "A lesson, facing the wheel" in out
    assert all(len(line) <= 80 for line in out.splitlines())
    code, out, _ = run(monkeypatch, capsys, "look", "show", "lesson", *corner, "--json")
    shown = json.loads(out)
    lights = {light["device"]: light for light in shown["lights"]}
    assert (lights["key"]["level"], lights["key"]["cct"]) == (64.0, 4300.0)
    assert (lights["key"]["by_hand"], lights["rim"]["by_hand"]) == (False, True)
    # the figures of the light at the mark are those of `light`
    _, out, _ = run(monkeypatch, capsys, "light", CONFIG / "wheel-corner.yaml", "--json")
    whole = json.loads(out)["whole"]
    assert shown["at_the_mark"]["lux"] == pytest.approx(whole["lux"], abs=0.1)
    code, out, _ = run(monkeypatch, capsys, "look", "show", "lesson", *corner)
    assert "by hand" in out
    assert "at the mark:" in out


def test_the_profile_is_found_by_the_set_in_the_settings(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    code, out, _ = run(monkeypatch, capsys, "look", "list", "--set", "shelf-corner", "--json")
    assert code == 0
    assert json.loads(out)["looks"] == [{"look": "day", "title": "", "lights": ["shelf-light"]}]


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (["look", "list"], 2, "which profile?"),
        (["look", "list", "--set", "nobody"], 2, "which profile?"),
        (["look", "show", "none", "--set", "wheel-corner"], 2, "it has: lesson, glaze"),
        (["look", "save", "evening", "--set", "wheel-corner"], 3, ""),
        (["ask", "dance", "--set", "wheel-corner"], 2, "nothing is asked for with 'dance'"),
        (["ask", "up", "--set", "Wheel"], 2, "is not a name of a set"),
        (["ask", "ping", "--set", "wheel-corner", "--json"], 3, ""),
    ],
)
def test_what_cannot_be_is_said_with_its_code(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    words: list[str],
    code: int,
    said: str,
) -> None:
    got, out, err = run(monkeypatch, capsys, *words)
    assert (got, out) == (code, "")
    assert err.strip()
    assert said in err

"""A look before it is set: against pictures taken then, the mixing of two whites, the command."""

from __future__ import annotations

import json
import sys
import time
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from studiobridge.cli import main
from studiobridge.craft.light import Dimmer
from studiobridge.witness import keeping
from studiobridge.witness.learned import Share
from studiobridge.witness.mixing import parts, whites_of
from studiobridge.witness.preview import At, amount_at, developed, preview
from tests.witness.little_room import LittleRoom

SHAPE = (270, 480)
SET = """\
format: 1
set: corner
mains: {voltage: 230 V, circuits: {wall: {breaker: 10 A, curve: B}}}
devices:
  key: {kind: light, fed_by: wall, draws: 20 W, proof: picture}
  fill: {kind: light, fed_by: wall, draws: 20 W, proof: picture}
  lantern: {kind: light, fed_by: wall, draws: 20 W, proof: picture}
looks: {lesson: {key: {level: 50 %}, fill: {level: 80 %}, lantern: {level: 10 %}}}
"""


@pytest.fixture(scope="module")
def room() -> LittleRoom:
    return LittleRoom(5, SHAPE, dark=0.02)


def test_a_preview_is_the_picture_that_is_taken_then(room: LittleRoom) -> None:
    dice = np.random.default_rng(1)
    for _ in range(4):
        amounts = {name: float(dice.uniform(0.1, 1.0)) for name in room.shares}
        made = preview(room.learned, {n: At(amount=a) for n, a in amounts.items()})
        # of this small picture's grain JPEG takes more than of a large one's
        taken = room.frame(room.light(amounts), jpeg=95)
        assert np.abs(made.astype(float) - taken).mean() <= 2.0  # what is asked
        # and it is not any picture that is as near
        assert np.abs(made.astype(float) - room.frame(room.light())).mean() > 4.0


def test_levels_go_by_what_the_lamp_was_seen_to_do(room: LittleRoom) -> None:
    learned = replace(room.learned, dimmers={"key": ((25.0, 0.05), (50.0, 0.2), (100.0, 1.0))})
    assert amount_at(learned, "key", 50.0) == pytest.approx(0.2)
    assert amount_at(learned, "key", 0.0) == 0.0
    assert 0.2 < amount_at(learned, "key", 75.0) < 1.0
    assert amount_at(learned, "fill", 50.0) == 0.5
    assert amount_at(learned, "fill", 50.0, Dimmer("square")) == 0.25
    by_level = preview(learned, {"key": At(level=50.0)})
    assert (by_level == preview(learned, {"key": At(amount=0.2)})).all()


def test_nonsense_is_refused_by_name(room: LittleRoom) -> None:
    for at in (At(level=101.0), At(level=float("nan")), At(amount=-0.1), At(amount=float("inf"))):
        with pytest.raises(ValueError, match="key"):
            preview(room.learned, {"key": at})
    with pytest.raises(ValueError, match="nobody"):
        preview(room.learned, {"nobody": At(amount=1.0)})
    with pytest.raises(ValueError, match="key"):
        two = replace(
            room.learned, shares=(Share("key", 2700.0, room.dark), Share("key", 6500.0, room.dark))
        )
        preview(two, {"key": At(amount=1.0, cct=float("nan"))})


def test_the_table_is_the_curve(room: LittleRoom) -> None:
    light = np.random.default_rng(2).uniform(-0.1, 1.2, (60, 80, 3)).astype(np.float32) ** 2
    off = developed(room.curve, light).astype(int) - room.curve.codes(light)
    assert np.abs(off).max() <= 1 and (off != 0).mean() < 0.02
    assert developed(room.curve, np.full((2, 2, 3), np.nan, np.float32)).max() == 0


def test_light_of_two_whites_is_mixed_as_light_mixes(room: LittleRoom) -> None:
    """Against colour-science: the share of each end that has the white asked for."""
    import colour

    def xyz(kelvin: float) -> np.ndarray:
        return np.asarray(
            colour.xy_to_XYZ(
                colour.UCS_uv_to_xy(colour.temperature.CCT_to_uv_Ohno2013([kelvin, 0.0]))
            )
        )

    def lit(kelvin: float, over: float) -> np.ndarray:
        """By a camera of ITU-R BT.709; what it is balanced for is in both alike."""
        rgb = colour.RGB_COLOURSPACES["ITU-R BT.709"].matrix_XYZ_to_RGB @ xyz(kelvin)
        return np.full((*SHAPE, 3), 0.3 * over * rgb[::-1], np.float32)

    for over in (1.0, 0.7):
        shares = (Share("key", 2700.0, lit(2700.0, over)), Share("key", 6500.0, lit(6500.0, 1.0)))
        learned = replace(room.learned, shares=shares)
        for kelvin in (3200.0, 4300.0, 5600.0):
            (_, warm), (_, cool) = parts(learned, "key", kelvin)
            assert warm + cool == pytest.approx(1.0)
            both = warm * over * xyz(2700.0) + cool * xyz(6500.0)
            made = colour.temperature.uv_to_CCT_Ohno2013(colour.UCS_to_uv(colour.XYZ_to_UCS(both)))[
                0
            ]
            assert 1e6 / made == pytest.approx(1e6 / kelvin, abs=0.5)
            whites = whites_of(learned.shares_of("key"))
            assert whites is not None
            assert whites.made((warm, cool)) == pytest.approx(kelvin, rel=0.002)
        assert [(s.cct, w) for s, w in parts(learned, "key", 2000.0)] == [(2700.0, 1.0)]
        assert [(s.cct, w) for s, w in parts(learned, "key", 9000.0)] == [(6500.0, 1.0)]
        assert [w for _, w in parts(learned, "key", None)] == [0.5, 0.5]


def test_twelve_lamps_in_time() -> None:
    plain = np.full((540, 960, 3), 0.08, np.float32)
    room = LittleRoom(5, (540, 960))
    shares = tuple(Share(f"lamp-{n}", None, plain) for n in range(12))
    learned = replace(room.learned, shares=shares, dark=plain)
    lights = {f"lamp-{n}": At(amount=0.7) for n in range(12)}
    took = []
    for _ in range(3):
        begun = time.process_time()
        preview(learned, lights)
        took.append(time.process_time() - begun)
    assert min(took) < 0.2  # what is asked


# ---- the command ---------------------------------------------------------------------------


def run(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *said: object
) -> tuple[int, str, str]:
    monkeypatch.setattr(sys, "argv", ["studiobridge", "look", "preview", *map(str, said)])
    with pytest.raises(SystemExit) as end:
        main()
    out = capsys.readouterr()
    return int(end.value.code or 0), out.out, out.err


@pytest.fixture
def corner(tmp_path: Path, room: LittleRoom) -> Path:
    path = tmp_path / "corner.yaml"
    path.write_text(SET, encoding="utf-8")
    keeping.save(room.learned, keeping.folder_of(path))
    return path


def test_the_command_writes_the_picture_and_says_what_is_not_in_it(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    corner: Path,
    room: LittleRoom,
    tmp_path: Path,
) -> None:
    file = tmp_path / "lesson.png"
    code, out, _ = run(monkeypatch, capsys, "lesson", "-o", file, "--profile", corner)
    assert code == 0
    assert "lantern was not learned" in out and "a picture is no meter" in out
    assert "cloth is not in this look" in out
    made = cv2.imread(str(file))
    taken = room.frame(room.light({"key": 0.5, "fill": 0.8}), jpeg=95)
    assert np.abs(made.astype(float) - taken).mean() <= 2.0
    code, out, _ = run(
        monkeypatch, capsys, "lesson", "-o", file, "--profile", corner,
        "--light", "key=+1 stop", "--light", "fill=20 %", "--json",
    )  # fmt: skip
    said = json.loads(out)
    assert code == 0 and "no meter" in said["note"]
    assert said["lights"]["key"]["share_of_full"] == 1.0
    assert said["lights"]["fill"]["share_of_full"] == pytest.approx(0.2, abs=0.01)


@pytest.mark.parametrize(
    ("said", "names"),
    [
        (("market",), "no look"),
        (("lesson", "--light", "key"), "key=50%"),
        (("lesson", "--light", "key=170%"), "key"),
        (("lesson", "--light", "key=nan%"), "key"),
        (("lesson", "--light", "lamp=50%"), "lamp"),
        (("lesson", "--light", "lantern=50%"), "lantern"),
        (("lesson", "--light", "cloth=50%"), "cloth"),
        (("lesson", "--light", "key=+5 mired"), "key"),
    ],
)
def test_what_cannot_be_is_said(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    corner: Path,
    tmp_path: Path,
    said: tuple[str, ...],
    names: str,
) -> None:
    file = tmp_path / "x.png"
    code, _, err = run(monkeypatch, capsys, *said, "-o", file, "--profile", corner)
    assert code == 2 and names in err and "Traceback" not in err
    assert not file.exists()


def test_nothing_learned_another_ending_no_such_folder(
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    corner: Path,
    tmp_path: Path,
) -> None:
    code, _, err = run(monkeypatch, capsys, "lesson", "-o", tmp_path / "x.gif", "--profile", corner)
    assert code == 2 and ".png" in err
    code, _, err = run(
        monkeypatch, capsys, "lesson", "-o", tmp_path / "no" / "x.png", "--profile", corner
    )
    assert code == 2 and "x.png" in err
    (keeping.folder_of(corner) / keeping.LEARNED).unlink()
    code, _, err = run(monkeypatch, capsys, "lesson", "-o", tmp_path / "x.png", "--profile", corner)
    assert code == 2 and "witness learn" in err

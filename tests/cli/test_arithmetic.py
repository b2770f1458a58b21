"""light, mains, room and sheet as a person uses them: the worked numbers, refusals, files."""

from __future__ import annotations

import json
import re
import sys
from dataclasses import replace
from pathlib import Path

import pytest
import yaml

from studiobridge.cli import main
from studiobridge.cli.doubts import about_picture
from studiobridge.figures.light import light_of
from studiobridge.profile import read_profile
from studiobridge.profile.model import PictureTolerance, Preset
from studiobridge.shown.light import white_lines
from tests.cli.conftest import Run
from tests.cli.test_commands import CONFIG, CORNER, EXAMPLES


def changed(tmp_path: Path, *swaps: tuple[str, str]) -> Path:
    text = CORNER.read_text(encoding="utf-8")
    for old, new in swaps:
        assert old in text, old
        text = text.replace(old, new, 1)
    path = tmp_path / "corner.yaml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("command", ["light", "mains", "room", "setup", "shutter"])
@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_every_example_is_answered(command: str, path: Path, inside: Run) -> None:
    done = inside(command, path)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()
    assert "\x1b" not in done.stdout
    assert json.loads(inside(command, path, "--json").stdout)


def test_light_of_the_corner(inside: Run) -> None:
    """1900 lx at 1 m, 64 %, 1.74 m away, 46.4 degrees: 1900 x 0.64 / 1.74^2 x cos = 277 lx."""
    found = json.loads(inside("light", CORNER, "--json").stdout)
    key = next(f for f in found["fixtures"] if f["device"] == "key")
    away2 = (2.05 - 0.88) ** 2 + 1.1**2 + (1.95 - 1.28) ** 2
    # the plane looks at the lens: 1.47 m out and 7 cm up
    cosine = ((2.05 - 0.88) * 1.47 + (1.95 - 1.28) * 0.07) / (
        away2**0.5 * (1.47**2 + 0.07**2) ** 0.5
    )
    assert key["lux"] == pytest.approx(1900 * 0.64 / away2 * cosine, rel=1e-4)
    assert found["whole"]["ratio"] == pytest.approx(2.0, abs=0.05)
    text = inside("light", CORNER).stdout
    assert re.search(r"together +420 lx ± 0\.3 stop on the face", text)
    assert "key to fill  2.0:1 ± 0.5 stop (+1.0 stop), key alone over fill" in text
    assert "key and fill over fill 3.0:1 ± 0.3 stop" in text
    assert "f/2.9 ± 0.3 stop at 1/50 s, ISO 250 (meter standard ISO 2720)" in text
    # all that reaches the cloth, not only what is aimed at it: 319 lx, and 24 % of it reflected
    assert re.search(
        r"cloth +0\.9 ± 0\.\d stop above a grey card; 0\.4 ± 0\.\d stop below the", text
    )
    assert re.search(
        r"even within 0\.6 ± 0\.\d stop in the picture, lower right 0\.\d stop under", text
    )
    assert re.search(r"throws 1[01]\d lx ± 0\.\d stop of 41\d\d K on the subject's back", text)
    assert found["sure"]["lux"] == pytest.approx(0.29, abs=0.05)
    assert found["sure"]["coverage"] == "about 95 of 100"


def test_in_a_narrow_terminal_a_light_is_a_row_and_what_more_there_is_a_line(
    monkeypatch: pytest.MonkeyPatch, inside: Run
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    for path in (CORNER, CONFIG / "market-stall.yaml"):
        lines = inside("light", path).stdout.splitlines()
        assert max(map(len, lines)) <= 80
        first = lines.index(next(line for line in lines if line.startswith("light ")))
        rows = lines[first + 1 : lines.index("", first)]
        named = [row.split()[0] for row in rows if not row.startswith("  ")]
        assert set(named) < {"key", "fill", "rim", "hair", "wash"} | {
            *("edge-left", "edge-right", "left-panel", "right-panel"),
        }
        # a row a light, one line more at most, and one cell in feet that goes on
        assert len(rows) <= 2 * len(named) + 1


def test_a_set_in_feet_has_its_light_in_foot_candles_too(inside: Run) -> None:
    """1 fc is 10.764 lx: 342 lx are 32 fc, and what was read in fc is told so."""
    stall = CONFIG / "market-stall.yaml"
    said = inside("light", stall, "--meter", "face 19 fc left-panel").stdout
    assert re.search(r"together +3\d\d lx ± 0\.\d stop \(3\d fc\) on the face", said)
    assert re.search(r"reading 1 +19 fc at the face, left-panel: taken as it is", said)
    assert " fc" not in inside("light", CORNER).stdout
    asked = inside("light", CONFIG / "two-person-table.yaml").stdout
    # 190 fc at 1 m and 58 % squared on 65.4 in (1.661 m): 23.2 fc, and its meter has a dome, which
    # reads (1 + cos 42) / 2 of them
    assert "--meter 'face 20.2 fc left-face' with what it says" in asked


def test_a_lamp_of_the_room_is_not_told_as_one_of_the_set(tmp_path: Path, inside: Run) -> None:
    path = changed(tmp_path, ("shutter: 1/50 s", "shutter: 1/60 s"))
    said = inside("light", path).stdout
    assert "lamps straight on the mains (a ceiling light left on) at 100 Hz may show bands" in said


def test_a_light_beside_the_face_is_told_by_the_cheek_it_lights(inside: Run) -> None:
    """1.37 m away, 3 cm behind the face: 260 lx at 1 m, half of it, and 1.3 of 1.37 m to the side."""
    text = inside("light", CORNER).stdout
    assert re.search(r"^edge-left +- +60 lx left", text, re.MULTILINE)
    assert re.search(r"^edge-right +- +60 lx right", text, re.MULTILINE)
    assert "from the side" in text
    found = json.loads(inside("light", CORNER, "--json").stdout)
    edge = next(f for f in found["fixtures"] if f["device"] == "edge-left")
    away2 = 1.3**2 + 0.03**2 + 0.42**2
    # it is aimed at the cloth, and the face is so far off its axis
    off = (1.3 * 1.3 + 0.67 * -0.03 + 0.5 * 0.42) / (away2 * (1.3**2 + 0.67**2 + 0.5**2)) ** 0.5
    assert edge["cheek"] == pytest.approx(130 / away2 * off * 1.3 / away2**0.5, rel=1e-3)


def test_a_meter_with_a_dome_reads_what_a_dome_gets(tmp_path: Path, inside: Run) -> None:
    """Key 401 lx from 46 degrees, fill 193 from 44, rim 46 from 113, the small lamps 62 each from
    beside: (1 + cos) / 2 of each is 582 lx, and N = sqrt(582 x 0.02 x 250 / 330), ISO 2720."""
    path = changed(tmp_path, ("picture:\n", "picture:\n  meter: dome\n"))
    found = json.loads(inside("light", path, "--json").stdout)
    assert found["whole"]["lux"] == pytest.approx(416, abs=1)
    assert found["whole"]["dome"] == pytest.approx(582, abs=2)
    assert found["exposure"]["aperture"] == pytest.approx(2.97, abs=0.01)
    text = inside("light", path).stdout
    assert "on the face, flat to the camera; a dome reads 580 lx" in text
    # as `setup` checks it with the key alone: 277 lx at 46 degrees, (1 + cos) / 2 over cos
    assert re.search(r"^key .* a dome reads 340 lx", text, re.MULTILINE)
    assert "key alone: 340 lx" in inside("setup", path).stdout
    assert "(meter standard ISO 2720, read with a dome)" in text


def test_mains_of_the_corner(inside: Run) -> None:
    found = json.loads(inside("mains", CORNER, "--hours", 3, "--json").stdout)
    bench = next(load for load in found["loads"] if load["circuit"] == "bench")
    assert bench["watts"] == pytest.approx(
        72 * (0.64 + 0.4 * 0.64 * 0.36) + 48 * (0.32 + 0.4 * 0.32 * 0.68) + 30 + 9, abs=1e-4
    )
    assert found["kwh"] == pytest.approx(found["watts"] * 3 / 1000, abs=1e-4)
    assert found["cost"] == [pytest.approx(found["kwh"] * 0.22, abs=1e-4), "EUR"]
    assert "licensed electrician" in found["caution"]


def test_room_of_the_corner(inside: Run) -> None:
    found = json.loads(inside("room", CORNER, "--json").stdout)
    assert found["budget"]["total"] == pytest.approx(0.18 + 0.70 + 0.62 + 0.45 + 0.40 + 0.48)
    assert found["budget"]["left"] == pytest.approx(3.6 - 2.83)
    assert found["framing"]["distance"] == pytest.approx((1.47**2 + 0.07**2) ** 0.5, abs=1e-4)


# ---- refusals ----------------------------------------------------------------------------


def test_an_overload_refuses_unless_it_is_allowed(tmp_path: Path, inside: Run) -> None:
    path = changed(tmp_path, ("wall:  {breaker: 10 A", "wall:  {breaker: 1 A"))
    done = inside("check", path)
    assert done.returncode == 2
    assert re.search(rf"{re.escape(str(path))}:\d+:\d+: circuit wall", done.stderr)
    assert "more than the 0.8 A" in done.stderr
    assert "licensed electrician" in done.stderr
    allowed = inside("check", path, "--allow-overload")
    assert allowed.returncode == 0
    assert "OVERLOAD ALLOWED" in allowed.stdout
    assert "more than the 0.8 A" in allowed.stdout
    as_json = json.loads(inside("check", path, "--json").stdout)
    assert as_json["good"] is False


def test_an_inrush_over_the_band_refuses(tmp_path: Path, inside: Run) -> None:
    path = changed(tmp_path, ("inrush: 14 A\n    boots_in: 3 s", "inrush: 34 A\n    boots_in: 3 s"))
    done = inside("check", path)
    assert done.returncode == 2
    assert "switching wall-plug on asks up to 34 A" in done.stderr


def test_near_the_limit_warns_and_passes(tmp_path: Path, inside: Run) -> None:
    path = changed(tmp_path, ("draws: 90 W", "draws: 2400 W"))
    done = inside("check", path)
    assert done.returncode == 0
    assert "close to the 8.0 A" in done.stdout


def test_whites_apart_warn_unless_they_are_meant(tmp_path: Path, inside: Run) -> None:
    path = changed(tmp_path, ("    whites: meant", "    #"))
    done = inside("check", path)
    assert done.returncode == 0
    assert "are 17 mired apart, more than 15" in done.stdout
    assert "mired apart" not in inside("check", CORNER).stdout


def test_a_tint_off_the_cameras_warns(tmp_path: Path, inside: Run) -> None:
    """Both lamps green by 0.008: over the 0.006 of ANSI C78.377 (from memory), unless the camera is
    set to that; then the lights at the edge, taken for plain, are what is another white."""
    green = tuple(
        (f"    role: {name}\n", f"    role: {name}\n    duv: 0.008\n") for name in ("key", "fill")
    )
    meant = ("    whites: meant", "    #")
    said = inside("check", changed(tmp_path, *green, meant)).stdout
    assert "its mixed white is Duv 0.0080 to the green side of the Planckian locus" in said
    assert "ANSI C78.377" in said
    camera = ("picture:\n", "picture:\n  duv: 0.008\n")
    said = inside("check", changed(tmp_path, *green, meant, camera)).stdout
    assert "its mixed white" not in said
    assert "are Duv 0.0080 apart, key the greener one" in said
    said = inside("check", changed(tmp_path, *green)).stdout
    assert "Duv" not in said


@pytest.mark.parametrize("kelvin", [1000, 1500, 4000, 12_500, 20_000, 25_000])
@pytest.mark.parametrize("locus", ["planckian", "daylight"])
def test_every_white_a_profile_allows_is_lit_and_checked(kelvin: float, locus: str) -> None:
    """With the key as green and as magenta as may be: a line of the white, or why there is none."""
    read = read_profile(CORNER)
    made = read.profile
    looks = {
        name: replace(
            look,
            whites_meant=False,
            presets={n: replace(p, cct=kelvin) for n, p in look.presets.items()},
        )
        for name, look in made.looks.items()
    }
    for duv in (-0.05, 0.0, 0.05):
        devices = {**made.devices, "key": replace(made.devices["key"], duv=duv)}
        picture = replace(made.picture, daylight=locus == "daylight")
        other = replace(made, devices=devices, picture=picture, looks=looks)
        said = [problem.what for problem in about_picture(replace(read, profile=other))]
        found = light_of(other, "lesson", looks["lesson"].presets)
        assert found.off_tint is not None
        assert "white" in dict(white_lines(found))
        for side, off in (("green", found.off_tint), ("magenta", -found.off_tint)):
            assert any(f"to the {side} side" in what for what in said) == (off > 0.006)


def test_a_white_that_is_held_and_not_known_is_doubted() -> None:
    """Else nothing would be held, and nobody would know."""
    read = read_profile(CORNER)
    for hold, said in (({"duv": 0.003}, True), ({"white": 5.0}, True), ({"face": 0.2}, False)):
        looks = {
            name: replace(look, presets={**look.presets, "key": Preset(50.0, None)})
            for name, look in read.profile.looks.items()
        }
        picture = replace(read.profile.picture, hold=PictureTolerance(**hold))
        for whites, doubted in ((looks, said), (read.profile.looks, False)):
            other = replace(read.profile, picture=picture, looks=whites)
            found = [p.what for p in about_picture(replace(read, profile=other))]
            why = "the white of the look 'lesson' cannot be held: no CCT given for key"
            assert any(text.startswith(why) for text in found) == doubted


def test_a_shutter_that_bands_warns(tmp_path: Path, inside: Run) -> None:
    """1/60 s under 50 Hz mains: handbooks, from memory."""
    path = changed(tmp_path, ("shutter: 1/50 s", "shutter: 1/60 s"))
    assert "100 Hz may show bands" in inside("check", path).stdout


def test_the_safe_shutters_of_the_corner(tmp_path: Path, inside: Run) -> None:
    """50 Hz at 25 fps: 1/50 s is 180 degrees and safe; at 24 fps it is 172.8 (handbooks, from
    memory), and 1/48 s, as it is set then, bands."""
    found = json.loads(inside("shutter", CORNER, "--json").stdout)
    first = found["shutters"][0]
    assert (first["seconds"], first["angle"], first["stops"]) == (0.02, 180.0, 0.0)
    assert [s["safe"] for s in found["shutters"]] == sorted(
        (s["safe"] for s in found["shutters"]), reverse=True
    )
    assert {light["source"] for light in found["lights"]} >= {"lamps straight on the mains", "key"}
    film = changed(tmp_path, ("frames: 25 fps", "frames: 24 fps"), ("1/50 s", "180 deg"))
    text = inside("shutter", film).stdout
    assert re.search(r"1/50 s +172\.8° +0\.46 % +rim +0\.1 stop less light", text)
    assert "1/48 s (180° at 24 fps), as it is set, may show bands" in text
    assert "safe: 1/50 s (172.8° at 24 fps)" in inside("light", film).stdout
    said = inside("check", film).stdout
    assert "see 'studiobridge shutter' (safe: 1/50 s (172.8° at 24 fps)" in " ".join(said.split())
    gone = inside("shutter", CORNER, "--look", "matinee")
    assert gone.returncode == 2
    assert "matinee" in gone.stderr


def test_a_framing_that_does_not_fit_warns(tmp_path: Path, inside: Run) -> None:
    path = changed(tmp_path, ("fits: head-and-shoulders", "fits: full-length"))
    done = inside("check", path)
    assert "full-length does not fit: it does from 3.10 m" in done.stdout


def test_a_chain_deeper_than_the_room_warns(tmp_path: Path, inside: Run) -> None:
    path = changed(tmp_path, ("wheel: 62 cm", "wheel: 1.62 m"))
    assert "the chain is 3.83 m deep, the room 3.60 m" in inside("check", path).stdout


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("cct: 4300 K}\n    fill", "cct: 0 K}\n    fill", "is outside 1000 to 25000 K"),
        ("from_back: 2.05 m", "from_back: -2 m", "is outside 0 to 100 m"),
        ("output: 1900 lx at 1 m", "output: 0 lx at 1 m", "is outside 0.001"),
        ("output: 1900 lx at 1 m", "output: 1900 lx at 0 m", "is outside 0.001"),
        ("output: 1900 lx at 1 m", "output: 1900 lx", "is not an output; write it like"),
        ("aperture: f/2.8", "aperture: f/0", "is no aperture"),
        ("wall:  {breaker: 10 A, curve: B}", "wall:  {curve: B}", "'breaker' is missing"),
        ("wall:  {breaker: 10 A", "wall:  {breaker: 0 A", "a breaker is above 0 A"),
        ("shutter: 1/50 s", "shutter: 1/20 s", "is longer than a frame at 25 fps"),
        ("section: 1.5 mm²", "section: 1.7 mm²", "no figure for 1.7 mm²"),
        ("beam: 95 deg", "beam: 200 deg", "is outside 1 to 179"),
        ("across: -1.1 m", "across: -2.1 m", "is 2.1 m from the middle of a room 2.9 m wide"),
        ("from_back: 2.05 m", "from_back: 4 m", "of a room 3.6 m deep"),
        ("height: 1.95 m, aim: mark", "height: 1.95 m, aim: clth", "did you mean 'cloth'?"),
        ("10 %: 3 %, 30 %: 17 %", "10 %: 30 %, 30 %: 17 %", "measured points rise"),
        ("80 %: 76 %, 100 %: 100 %", "80 %: 76 %", "the last one is 100 %: 100 %"),
        (
            "wider-lens: {title: A wider lens, to-the-lens",
            "wider-lens: {title: A wider lens, to-lens",
            "has no 'to-lens' to vary",
        ),
        ("price: 0.22 EUR/kWh", "price: cheap", "is not a price of energy"),
        ("sensor: 23.5 x 15.6 mm", "sensor: big", "is not a sensor's size"),
        ("camera: camera\n", "camera: key\n", "there is no camera 'key'"),
        ("holds: 3.7 Wh", "holds: 0 Wh", "is outside 0.1"),
    ],
)
def test_what_cannot_be_gets_a_sentence_and_a_place(
    old: str,
    new: str,
    said: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """By the entry point itself, in this process: that many processes would take a minute."""
    path = changed(tmp_path, (old, new))
    for command in ("check", "light"):
        monkeypatch.setattr(sys, "argv", ["studiobridge", command, str(path)])
        with pytest.raises(SystemExit) as ended:
            main()
        err = capsys.readouterr().err
        assert ended.value.code == 2
        assert said in err
        assert re.search(rf"{re.escape(str(path))}:\d+:\d+: ", err)


def test_an_unknown_look_is_refused(inside: Run) -> None:
    done = inside("light", CORNER, "--look", "lessn")
    assert done.returncode == 2
    assert "it has: lesson, glaze" in done.stderr


def test_a_missing_figure_is_said_in_the_words_of_the_set(tmp_path: Path, inside: Run) -> None:
    path = changed(tmp_path, ("    output: 1750 lx at 1 m\n", ""))
    done = inside("light", path)
    assert done.returncode == 0
    assert "missing: no output given for fill: ratio not computed" in done.stdout


# ---- the sheet ---------------------------------------------------------------------------


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
@pytest.mark.parametrize("ending", ["html", "svg"])
def test_a_sheet_is_one_file_that_asks_nothing_of_a_network(
    path: Path, ending: str, tmp_path: Path, inside: Run
) -> None:
    out = tmp_path / f"sheet.{ending}"
    done = inside("sheet", path, "-o", out)
    assert done.returncode == 0, done.stderr
    text = out.read_text(encoding="utf-8")
    fetched = re.findall(r"""(?:src|href|url)\s*[=(]\s*["']?(?!#)([^"')>\s]+)""", text)
    assert fetched == []
    assert "http" not in text.replace("http://www.w3.org/2000/svg", "")
    profile = yaml.safe_load(path.read_text(encoding="utf-8"))
    for name in profile["looks"][next(iter(profile["looks"]))]:
        if name in profile["devices"] and (ending == "html" or "place" in profile["devices"][name]):
            assert name in text


def test_the_drawing_in_the_readme_is_todays(tmp_path: Path, inside: Run) -> None:
    out = tmp_path / "sheet.svg"
    inside("sheet", CORNER, "-o", out)
    kept = CONFIG / "wheel-corner.sheet.svg"
    assert kept.read_text() == out.read_text(), f"studiobridge sheet … -o {kept.name}"


def test_a_sheet_marks_what_is_set_by_hand(tmp_path: Path, inside: Run) -> None:
    out = tmp_path / "sheet.html"
    inside("sheet", CORNER, "-o", out, "--look", "glaze")
    text = out.read_text(encoding="utf-8")
    assert text.count("</span>by hand</span>") == 3  # rim and the two edge lamps
    assert "look <strong>glaze</strong>" in text
    assert "40 %, 4300 K" in text  # the key of this look


def test_a_sheet_elsewhere_is_refused(tmp_path: Path, inside: Run) -> None:
    done = inside("sheet", CORNER, "-o", tmp_path / "sheet.docx")
    assert done.returncode == 2
    assert "an .html or an .svg file" in done.stderr
    done = inside("sheet", CORNER, "-o", tmp_path / "nowhere" / "s.html")
    assert done.returncode == 2
    assert "cannot be written" in done.stderr


def test_markup_in_a_title_is_only_text(tmp_path: Path, inside: Run) -> None:
    nasty = "<script>alert(1)</script>"
    path = changed(tmp_path, ("title: Pottery wheel corner", f'title: "{nasty}"'))
    for ending in ("html", "svg"):
        out = tmp_path / f"s.{ending}"
        assert inside("sheet", path, "-o", out).returncode == 0
        assert nasty not in out.read_text(encoding="utf-8")


def test_room_says_how_near_a_framing_is_and_what_is_no_backdrop(
    tmp_path: Path, inside: Run
) -> None:
    """Of a sensor of 15.6 mm 16:9 leaves 13.2 mm, half a centimetre too little."""
    path = changed(
        tmp_path, ("fits: head-and-shoulders", "fits: head-and-shoulders\n  aspect: 16:9")
    )
    said = inside("room", path).stdout
    assert "head-and-shoulders (what is asked for) just does not fit" in said
    aside = changed(tmp_path, ("across: 0 m, height: 1.2 m}", "across: 0.6 m, height: 1.2 m}"))
    said = inside("room", aside).stdout
    assert "on the left" in said and "% of the picture is not backdrop" in said


def test_a_framing_far_too_wide_warns(tmp_path: Path, inside: Run) -> None:
    path = changed(tmp_path, ("focal: 24 mm", "focal: 10 mm"))
    assert "head-and-shoulders is too loose" in inside("check", path).stdout


def keys_of(shape: object) -> set[str]:
    if isinstance(shape, dict):
        return set(shape).union(*(keys_of(value) for value in shape.values()))
    if isinstance(shape, list):
        return set().union(*(keys_of(item) for item in shape))
    return set()


def test_every_key_that_room_prints_is_described(inside: Run) -> None:
    found = json.loads(inside("room", CORNER, "--json").stdout)
    rows = (CONFIG.parent / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    row = next(line for line in rows if line.startswith("| `room --json`"))
    assert {"seen", "face", "lacks", "variations"} <= keys_of(found)
    assert {key for key in keys_of(found) if f"`{key}`" not in row} == set()


def test_a_key_that_is_not_good_is_a_doubt_and_says_why(tmp_path: Path, inside: Run) -> None:
    text = (CONFIG / "green-cloth.yaml").read_text(encoding="utf-8")
    cloth = tmp_path / "cloth.yaml"
    cloth.write_text(text, encoding="utf-8")
    assert "doubt" not in inside("check", cloth).stdout
    said = inside("light", cloth).stdout
    assert "cloth keyed  good, by common practice" in said
    assert re.search(r"good: throws green \d\.\d stops under the key", said)
    assert "nothing to key" in inside("light", cloth, "--look", "plain").stdout
    old, new = "cloth: {level: 32 %", "cloth: {level: 100 %"
    assert old in text
    cloth.write_text(text.replace(old, new), encoding="utf-8")
    done = inside("check", cloth)
    assert done.returncode == 0
    assert "in the look 'keyed' the key of cloth" in done.stdout
    assert "another level" in done.stdout
    sheet = tmp_path / "sheet.html"
    inside("sheet", cloth, "-o", sheet)
    assert "cloth keyed" in sheet.read_text(encoding="utf-8")


def test_a_chain_of_nothing_is_drawn(tmp_path: Path, inside: Run) -> None:
    path = tmp_path / "flat.yaml"
    path.write_text(
        "format: 1\nset: flat\ndevices:\n  lamp: {kind: light, fed_by: battery, proof: none}\n"
        "room: {chain: {wall: 0 m}}\n"
    )
    done = inside("room", path)
    assert done.returncode == 0, done.stderr
    assert "wall" in done.stdout

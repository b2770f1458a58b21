"""`setup` as a person uses it: tapes, aims, meter, the way back, and as JSON."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import pytest

from tests.cli.conftest import Run
from tests.cli.test_arithmetic import keys_of
from tests.cli.test_commands import CONFIG, CORNER

STALL = CONFIG / "market-stall.yaml"


def lines_of(inside: Run, *args: object) -> list[str]:
    done = inside("setup", *args)
    assert done.returncode == 0, done.stderr
    return done.stdout.split("\n")


def test_setup_of_the_stall(tmp_path: Path, inside: Run) -> None:
    """Tapes by Pythagoras: a wall of 15 ft, the left panel 8 ft 9 in out and 4 ft 3 in left of the
    middle: sqrt(3.25^2 + 8.75^2) = 9.334 ft and sqrt(11.75^2 + 8.75^2) = 14.650 ft; aimed down
    1 ft 9 in on sqrt(3.75^2 + 4.25^2) = 5.668 ft: 17 degrees, turned atan(4.25 / 3.75) = 49."""
    text = lines_of(inside, STALL)
    panel = next(line for line in text if "left-panel: tapes" in line)
    assert "tapes 9 ft 4 in left, 14 ft 7 3/4 in right; its middle 6 ft 10 in up" in panel
    assert "aimed at the mark, 5 ft 1 in up: 17° down, 49° right of straight at the wall" in panel
    cloth = next(line for line in text if "cloth: by the middle line and a square" in line)
    assert "1 ft out from the back wall" in cloth
    assert "its ends 4 ft 6 in left and 4 ft 6 in right of the middle" in cloth
    # 8 ft high about its middle at 4 ft 4 in
    assert "its middle 4 ft 4 in up, its top edge 8 ft 4 in, its lower edge 4 in" in cloth
    # from (2 ft 3 in right, 3 ft 3 in out) to the mark 5 ft out: atan(2.25 / 1.75) = 52 degrees
    hair = next(line for line in text if "hair: tapes" in line)
    assert "43° down, 52° from straight out from the wall, to the left wall" in hair
    assert "on a boom with the cross below the lamp" in hair
    assert any(re.search(r"up to 0\.\d stop more by what walls bounce", line) for line in text)
    assert any(re.search(r"left-panel alone: \d+ lx ± \d\.\d stop: \d+ to", x) for x in text)
    assert any("wash: dial to 60 %, 3400 K; its plug then meters about 15.4 W" in x for x in text)
    # as `light` says it: what the lens is asked for, and the cloth beside the face
    assert re.search(
        r"exposure: f/[\d.]+ ± [\d.]+ stop at 1/60 s, ISO 400; set to f/2.8", str(text)
    )
    assert re.search(r"cloth: .*below the subject \(incident\)", str(text))
    order = [found[1] for line in text if (found := re.match(r" *\d+  ([a-z-]+):", line))]
    stood = ["cloth", "hair", "mark", "wash", "left-panel", "right-panel", "prompter", "camera"]
    at = order.index("cloth")
    assert order[at : at + 8] == stood
    assert any("local code and a licensed electrician" in line for line in text)
    on_the_wall = tmp_path / "wall.html"
    assert inside("sheet", STALL, "-o", on_the_wall).returncode == 0
    sheet = on_the_wall.read_text()
    assert "17° down, 49° right" in sheet  # as it is turned when it is put up, not where it stands
    assert "43° down, facing out, 52° to the left wall" in sheet
    leads = inside("mains", STALL).stdout
    assert "lead of wash-tap: 30 ft of 16 AWG" in leads


def test_struck_the_other_way_round_and_cold(tmp_path: Path, inside: Run) -> None:
    text = "\n".join(lines_of(inside, STALL, "--strike"))
    came = [text.index(f"  {name}:") for name in ("camera", "left-panel", "hair", "cloth")]
    assert came == sorted(came)
    assert "left-panel and right-panel: 1 min 30 s to cool" in text
    assert "prompter has a battery of its own: close it by hand" in text
    corner = lines_of(inside, CORNER, "--strike")
    assert "monitors: off first, before what they listen to" in corner[3]


def test_setup_for_a_program(inside: Run) -> None:
    found = json.loads(inside("setup", STALL, "--json").stdout)
    panel = next(s for s in found["spots"] if s["device"] == "left-panel")
    foot = 0.3048
    assert panel["tapes"]["left"] == pytest.approx((3.25**2 + 8.75**2) ** 0.5 * foot, abs=1e-4)
    assert panel["aim"]["tilt"] == pytest.approx(-17.16, abs=0.01)
    assert found["sections"][0]["title"] == "Bring"
    lit = json.loads(inside("light", STALL, "--json").stdout)
    for fixture in lit["fixtures"]:
        if fixture["lux"]:
            check = next(c for c in found["checks"] if c["on"] == [fixture["device"]])
            assert check["flat"] == pytest.approx(fixture["lux"])
            assert check["dome"] > check["flat"]  # lit from the side, a dome sees more of it
    assert found["checks"][-1]["flat"] == pytest.approx(lit["whole"]["lux"])
    refused = inside("setup", STALL, "--look", "nightfall")
    assert refused.returncode == 2
    assert "nightfall" in refused.stderr and "Traceback" not in refused.stderr


def test_the_room_from_the_side_is_a_file_of_its_own(tmp_path: Path, inside: Run) -> None:
    out = tmp_path / "side.svg"
    done = inside("sheet", STALL, "--side", "-o", out)
    assert done.returncode == 0, done.stderr
    text = out.read_text(encoding="utf-8")
    ElementTree.fromstring(text)
    assert "6 ft 10 in up, 17° down" in text and "ceiling 10 ft up" in text
    refused = inside("sheet", STALL, "--side", "-o", tmp_path / "x.html")
    assert refused.returncode == 2 and "the room from the side is an .svg file" in refused.stderr


def test_every_key_that_setup_prints_is_described(inside: Run) -> None:
    found = json.loads(inside("setup", STALL, "--json").stdout)
    rows = (CONFIG.parent / "DEVELOPERS.md").read_text(encoding="utf-8").splitlines()
    row = next(line for line in rows if line.startswith("| `setup --json`"))
    assert {"tapes", "tilt", "dome", "awg", "about"} <= keys_of(found)
    assert {key for key in keys_of(found) if f"`{key}`" not in row} == set()


def test_what_is_brought_is_a_page_of_the_sheet_where_it_is_asked_for(
    tmp_path: Path, inside: Run
) -> None:
    def sheet(*more: object) -> str:
        out = tmp_path / "wall.html"
        done = inside("sheet", STALL, "-o", out, *more)
        assert done.returncode == 0, done.stderr
        return out.read_text(encoding="utf-8")

    assert "lead of wash-tap, 30 ft of 16 AWG" not in sheet()
    assert "lead of wash-tap, 30 ft of 16 AWG" in sheet("--pack")
    svg = tmp_path / "wall.svg"
    refused = inside("sheet", STALL, "-o", svg, "--pack")
    assert refused.returncode == 2 and "is in an .html file" in refused.stderr


@pytest.mark.parametrize("command", ["check", "light", "room", "setup"])
def test_a_camera_on_the_mark_itself_is_no_traceback(
    command: str, tmp_path: Path, inside: Run
) -> None:
    path = tmp_path / "stall.yaml"
    place = "{from_back: 12 ft 8 in, height: 4 ft 10 in, aim: mark}"
    text = STALL.read_text(encoding="utf-8")
    assert place in text
    path.write_text(text.replace(place, "{from_back: 5 ft, height: 5 ft 1 in}"), encoding="utf-8")
    done = inside(command, path)
    assert done.returncode in (0, 2), done.stderr
    assert "Traceback" not in done.stderr


def test_what_stands_on_the_walls_own_line_is_still_json(tmp_path: Path, inside: Run) -> None:
    """Two tapes along the wall never cross there: JSON has no word for how far they may be off."""
    text = STALL.read_text().replace("from_back: 1 ft,", "from_back: 0 ft,", 1)
    assert "from_back: 0 ft," in text
    flat = tmp_path / "flat.yaml"
    flat.write_text(text)
    done = inside("setup", flat, "--json")
    assert done.returncode == 0, done.stderr
    cloth = next(s for s in json.loads(done.stdout)["spots"] if s["device"] == "cloth")
    assert cloth["tapes"]["off"] is None

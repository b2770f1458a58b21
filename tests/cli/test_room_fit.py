"""`room --fit` as a person uses it: the answer first, in the set's own lengths, and refusals."""

from __future__ import annotations

import json
import math
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from studiobridge.cli import main
from studiobridge.cli.app import app
from studiobridge.figures.framing import framing
from studiobridge.profile import read_profile

CONFIG = Path(__file__).parents[2] / "config"
CORNER = CONFIG / "wheel-corner.yaml"
EXAMPLES = sorted(p for p in CONFIG.glob("*.yaml") if "settings" not in p.name)


def asked(path: Path, *words: str) -> Result:
    return CliRunner().invoke(app, ["room", str(path), "--fit", *words])


def refused(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str
) -> str:
    monkeypatch.setattr("sys.argv", ["studiobridge", "room", str(CORNER), "--fit", *words])
    with pytest.raises(SystemExit) as ended:
        main()
    assert ended.value.code == 2
    said = capsys.readouterr()
    assert said.out == ""
    return said.err


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.stem)
def test_every_example_is_answered_at_80_columns(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    done = asked(path)
    assert done.exit_code == 0, done.output
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    assert json.loads(asked(path, "--json").stdout)["missing"] is not None


def test_one_question_is_one_sentence_first() -> None:
    """A lens focused near shows side (s - f) / f: 0.80 m high on 15.6 mm at 24 mm from
    24 mm (1 + 0.80 / 0.0156) = 1.255 m. The face is 7 cm below the lens, so 1.253 m along; with
    18 + 70 cm behind the mark and 30 cm of rig it is 2.433 m: the next centimetre is 2.44 m."""
    needed = 0.024 * (1 + 0.80 / 0.0156)
    depth = math.ceil(100.0 * (0.18 + 0.70 + math.sqrt(needed**2 - 0.07**2) + 0.30)) / 100.0
    said = asked(CORNER, "--without", "small-prompter", "--lens", "24mm").stdout
    assert said.splitlines()[0] == (
        f"{depth:.2f} m (8 ft) deep, {3.6 - depth:.2f} m left; head-and-shoulders fits"
        f" from {needed:.2f} m with 24 mm; cloth covers the picture; what gives way: small-prompter"
    )


def test_a_link_names_the_variation_that_shortens_it() -> None:
    by_link = asked(CORNER, "--without", "way-through,camera-and-prompter", "--lens", "16mm")
    by_name = asked(CORNER, "--without", "no-way-through,small-prompter", "--lens", "16 mm")
    assert by_link.exit_code == 0
    assert by_link.stdout == by_name.stdout
    far = asked(CORNER, "--without", "way-through", "--lens", "35mm").stdout
    assert "no-way-through saves nothing here: 35 mm asks for that distance anyway" in far


def test_feet_come_first_in_a_set_in_feet() -> None:
    said = asked(CONFIG / "two-person-table.yaml").stdout
    metric = re.compile(r"[0-9] (m|cm)\b")
    assert metric.search(said)
    for line in filter(metric.search, said.splitlines()):
        feet = re.search(r"[0-9] (ft|in)\b", line)
        assert feet is not None, line
        assert feet.start() < metric.search(line).start(), line  # type: ignore[union-attr]


def test_a_row_a_lens_is_drawn_and_too_many_are_cut_with_a_reason() -> None:
    said = asked(CORNER, "--lens", "20mm,50mm").stdout
    rows = [line for line in said.splitlines() if re.match(r"(20|50) mm", line)]
    assert len(rows) == 4
    assert all("█" in row for row in rows)
    assert "TOO DEEP" in rows[2]
    lenses = ",".join(f"{f}mm" for f in range(16, 28))
    every = "head-and-shoulders,half-length,full-length"
    long = asked(CORNER, "--lens", lenses, "--framing", every)
    assert re.search(r"and \d+ more rows: no more are read at once; --json has all", long.stdout)
    assert "\nhead-and-shoulders\n16 mm" in long.stdout  # a heading over its lenses
    whole = json.loads(asked(CORNER, "--lens", lenses, "--framing", every, "--json").stdout)
    assert {(r["focal"], r["framing"]) for r in whole["rows"]} == {
        (float(f), name) for f in range(16, 28) for name in every.split(",")
    }


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--framing", "half-legth"), "did you mean 'half-length'?"),
        (("--without", "smal-prompter"), "did you mean 'small-prompter'?"),
        (("--without", "stool"), "'stool' is a link of the chain, and none shortens it"),
        (("--without", ","), "none is empty"),
        (("--lens", "wide"), "'wide' is not a focal length"),
        (("--lens", "nan mm"), "is not a focal length"),
        (("--lens", "0 mm"), "is outside 1 to 2000"),
        (("--lens", ",".join(f"{n}mm" for n in range(20, 40))), "ask for 12 at most"),
        (("--backdrop", "key"), "there is no backdrop 'key'; known: cloth"),
    ],
)
def test_what_cannot_be_asked_is_refused_with_the_nearest(
    words: tuple[str, ...],
    said: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    assert said in refused(monkeypatch, capsys, *words)


def test_two_that_exclude_each_other_are_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = CORNER.read_text(encoding="utf-8").replace(
        "    wider-lens:", "    bench-away: {way-through: 20 cm}\n    wider-lens:"
    )
    path = tmp_path / "corner.yaml"
    path.write_text(text, encoding="utf-8")
    monkeypatch.setattr("tests.cli.test_room_fit.CORNER", path)
    err = refused(monkeypatch, capsys, "--without", "no-way-through,bench-away")
    assert "'no-way-through' and 'bench-away' both change 'way-through': choose one" in err
    assert "several variations shorten it" in refused(
        monkeypatch, capsys, "--without", "way-through"
    )


def test_what_is_missing_is_said_and_ends_well() -> None:
    bare = asked(CONFIG / "spare-room.yaml")
    assert bare.exit_code == 0
    assert "missing: no sensor size given: nothing is solved for a lens" in bare.stdout
    no_chain = asked(CONFIG / "green-cloth.yaml")
    assert no_chain.exit_code == 0
    assert no_chain.stdout.startswith("how deep in all is not known; head-and-shoulders fits from")
    assert "missing: no chain given in the room" in no_chain.stdout


@pytest.mark.parametrize("focal", ["1mm", "2000mm"])
def test_the_strangest_lenses_are_answered(focal: str) -> None:
    done = asked(CORNER, "--lens", focal)
    assert done.exit_code == 0, done.output
    assert ("TOO LOOSE" if focal == "1mm" else "TOO DEEP") in done.stdout


def test_what_is_recommended_fits_when_it_is_written_into_the_profile(tmp_path: Path) -> None:
    """The link as it is printed, in a file: 18 + 70 + 62 cm and the link are before the lens."""
    first = asked(CORNER, "--lens", "20mm").stdout
    assert "what gives way: no-way-through and small-prompter" in first.splitlines()[0]
    found = re.search(r"to-the-lens is (0\.\d\d) m", first)
    assert found is not None
    link = float(found[1])
    text = CORNER.read_text(encoding="utf-8")
    for old, new in (
        ("way-through: 45 cm", "way-through: 0 cm"),
        ("to-the-lens: 40 cm", f"to-the-lens: {link:.2f} m"),
        ("camera-and-prompter: 48 cm", "camera-and-prompter: 30 cm"),
        ("from_back: 2.35 m, across: 0 m", f"from_back: {1.5 + link:.2f} m, across: 0 m"),
        ("focal: 24 mm", "focal: 20 mm"),
    ):
        assert old in text, old
        text = text.replace(old, new, 1)
    built = tmp_path / "built.yaml"
    built.write_text(text, encoding="utf-8")
    fits = read_profile(built).profile
    seen = framing(fits, [])
    assert seen is not None
    assert next(f for f in seen.fits if f.framing == "head-and-shoulders").fits

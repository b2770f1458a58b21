"""A device or a look is added to a file: text is inserted, and nothing that was there changes."""

from __future__ import annotations

import difflib
import json
import os
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from studiobridge.craft.chroma import Colour
from studiobridge.profile import keep, read_profile_text
from studiobridge.profile.adding import (
    Newcomer,
    add_device,
    save_look,
    with_device,
    with_look,
)
from studiobridge.profile.keep import CannotKeep
from studiobridge.profile.model import Preset
from studiobridge.profile.text import read_document

CONFIG = Path(__file__).parents[2] / "config"
EXAMPLES = {
    path.name: path.read_bytes()
    for path in sorted(CONFIG.glob("*.yaml"))
    if b"set:" in path.read_bytes()
}
EXAMPLES.pop("settings.example.yaml", None)

DIALECT = {
    "switch": {
        "tell": {"topic": "{at}/new/in", "words": {"on": "1", "off": "0"}},
        "hear": {"topic": "{at}/new/out", "words": {"on": "1", "off": "0"}},
    },
    "ask": {"topic": "{at}/new/report", "payload": 'what "is" it?'},
}


def newcomer(feed: str, name: str = "new-plug", speaks: str = "new-make") -> Newcomer:
    device = {
        "kind": "plug",
        "title": "Über der Tür: #2",
        "fed_by": feed,
        "speaks": speaks,
        "at": "new/one",
    }
    return Newcomer(name, device, DIALECT)


def only_inserted(before: bytes, after: bytes) -> bool:
    """Is every byte of the old file in the new one, in the same order?"""
    rest = iter(after)
    return all(byte in rest for byte in before)


@pytest.mark.parametrize("name", EXAMPLES)
@pytest.mark.parametrize("way", ["as it is", "crlf", "no last line end", "bom"])
def test_a_device_joins_every_example(name: str, way: str) -> None:
    data = EXAMPLES[name]
    if way == "crlf":
        data = data.replace(b"\n", b"\r\n")
    elif way == "no last line end":
        data = data.rstrip(b"\n")
    elif way == "bom":
        data = b"\xef\xbb\xbf" + data
    before = read_profile_text(data).profile
    new = with_device(data, name, newcomer(next(iter(before.circuits))))
    after = read_profile_text(new).profile
    assert list(after.devices) == [*before.devices, "new-plug"]
    assert after.devices["new-plug"].title == "Über der Tür: #2"
    assert {n: after.devices[n] for n in before.devices} == dict(before.devices)
    assert dict(after.looks) == dict(before.looks)
    assert only_inserted(data, new)
    assert new.endswith(b"\n") == data.endswith(b"\n")
    assert (b"\r\n" in new) == (b"\r\n" in data)
    if way == "crlf":
        assert new.count(b"\n") == new.count(b"\r\n")
    # what is inserted is two whole pieces: the lines of the dialect, the line of the device
    lines = difflib.ndiff(data.decode().splitlines(), new.decode().splitlines())
    assert not [line for line in lines if line.startswith("- ")]


# ---- files written in every manner -----------------------------------------------------------

COMMENT = st.sampled_from(["", "  # why\tso", " #", "\t# a tab before", "  # 'x: {y' ]"])
PLUG = "{kind: plug, fed_by: wall, speaks: relay, at: a/%d}"


@st.composite
def files(draw: st.DrawFn) -> str:
    """The same small set in a manner of its own: sections in any order, braces or lines."""
    new = draw(st.sampled_from(["\n", "\r\n"]))
    count = draw(st.integers(1, 3))
    gap = draw(st.sampled_from(["", new, f"# between\tthem{new}", f"{new}#{new}{new}"]))
    anchored = draw(st.booleans())
    step = draw(st.sampled_from([1, 2, 4]))
    pad = " " * step

    def note() -> str:
        return draw(COMMENT)

    relay = '{switch: {tell: {topic: "{at}/in"}, hear: {topic: "{at}/out"}}}'
    plugs = [(f"plug-{i}", PLUG % i) for i in range(count)]
    lamps = [("left", "{kind: light, fed_by: plug-0, draws: 9 W}")]
    if anchored:
        lamps = [
            ("left", "&lamp {kind: light, fed_by: plug-0, draws: 9 W}"),
            ("right", "*lamp"),
        ]
    devices = [*plugs, *lamps] if draw(st.booleans()) else [*lamps, *plugs]
    how = draw(st.sampled_from(["flow", "flow over lines", "block", "block deep", "json"]))
    if how == "json" and not anchored:
        said = ", ".join(
            f'"{n}": {{"kind": "plug", "fed_by": "wall", "speaks": "relay", "at": "a/{i}"}}'
            if n.startswith("plug")
            else f'"{n}": {{"kind": "light", "fed_by": "plug-0", "draws": "9 W"}}'
            for i, (n, _) in enumerate(devices)
        )
        entries = f"devices: {{{said}}}{note()}"
    elif how.startswith("flow"):
        between = f",{new}{pad}" if how == "flow over lines" else ", "
        said = between.join(f"{n}: {text}" for n, text in devices)
        last = draw(st.sampled_from(["", ",", " ", f"{new}{pad}"]))
        entries = f"devices: {{{said}{last}}}{note()}"
    else:
        lines = [f"devices:{note()}"]
        for n, text in devices:
            deep = how == "block deep" and not text.startswith(("*", "&"))
            if deep:
                lines.append(f"{pad}{n}:{note()}")
                pairs = text.strip("{}").split(", ")
                lines += [f"{pad}{pad}{pair}{note()}" for pair in pairs]
            else:
                lines.append(f"{pad}{n}: {text}{note()}")
            if draw(st.booleans()):
                lines.append(f"{pad}# after {n}")
        entries = new.join(lines)
    look = draw(
        st.sampled_from(
            [
                "",
                "looks: {}",
                "looks: {day: {left: {level: 40 %}}}",
                f"looks:{new}{pad}day: {{left: {{level: 40 %}}}}  # by hand",
                f"looks:{new}{pad}day:{new}{pad}{pad}title: >-{new}{pad}{pad}{pad}By day{new}{pad}{pad}{pad}# no comment",
                f"looks:{new}{pad}day:{new}{pad}{pad}left:{new}{pad}{pad}{pad}level: 40 %",
            ]
        )
    )
    sections = [
        f"title: >-{new}{pad}A shelf{new}{pad}# not a comment{new}"
        if draw(st.booleans())
        else "title: 'A: shelf'",
        "mains: {circuits: {wall: {breaker: 10 A}}}",
        f"dialects: {{relay: {relay}}}"
        if draw(st.booleans())
        else f"dialects:{new}{pad}relay: {relay}",
        entries,
        look,
    ]
    order = draw(st.permutations([s for s in sections if s]))
    start = draw(st.sampled_from(["", f"# a head{new}", f"%YAML 1.2{new}---{new}", f"---{new}"]))
    end = draw(st.sampled_from(["", new, f"{new}# the end{new}", f"{new}...{new}"]))
    return (
        start + f"format: 1{new}set: shelf{new}" + gap.join(s + new for s in order).rstrip() + end
    )


@settings(max_examples=80, deadline=None)
@given(text=files(), known=st.booleans())
def test_a_device_joins_a_file_in_any_manner(text: str, known: bool) -> None:
    data = text.encode()
    before = read_profile_text(data).profile
    new = with_device(data, "shelf.yaml", newcomer("wall"))
    after = read_profile_text(new).profile
    assert list(after.devices) == [*before.devices, "new-plug"]
    assert {n: after.devices[n] for n in before.devices} == dict(before.devices)
    assert only_inserted(data, new)
    if b"\r\n" in data:
        assert new.count(b"\n") == new.count(b"\r\n")


@pytest.mark.parametrize("new", ["\n", "\r\n"])
def test_a_look_goes_above_what_ends_a_file_behind_a_block_of_text(new: str) -> None:
    data = EXAMPLES["one-plug-one-light.yaml"].replace(b"looks:", b"was:")
    head, _, _ = data.partition(b"\nwas:")
    text = head.decode().replace("\r\n", "\n").replace("\ntitle:", "\n# title:")
    text = new.join(f"{text}\ntitle: >-\n  A shelf\n...\n".split("\n"))
    added = with_look(text.encode(), "x", "evening", {"shelf-light": Preset(20.0, 3000.0)})
    assert added.decode().endswith(f"{new}...{new}")
    assert read_profile_text(added).profile.looks["evening"].presets["shelf-light"].level == 20.0


@settings(max_examples=80, deadline=None)
@given(text=files(), name=st.sampled_from(["evening", "on", "no", "true", "7", "null", "a-b"]))
def test_a_look_joins_a_file_in_any_manner(text: str, name: str) -> None:
    data = text.encode()
    before = read_profile_text(data).profile
    new = with_look(data, "shelf.yaml", name, {"left": Preset(59.1)}, "Abend: 'spät' #1")
    after = read_profile_text(new).profile
    assert after.looks[name].presets == {"left": Preset(59.1)}
    assert after.looks[name].title == "Abend: 'spät' #1"
    assert list(after.looks) == [*before.looks, name]
    assert all(after.looks[n] == look for n, look in before.looks.items())
    assert only_inserted(data, new)
    # said once more it is there already, and nothing is written
    assert with_look(new, "shelf.yaml", name, {"left": Preset(59.1)}) == new


@pytest.mark.parametrize("name", ["on", "no", "off", "true", "null", "12"])
def test_a_name_that_others_read_as_a_yes_or_a_number_stands_in_quotes(name: str) -> None:
    data = EXAMPLES["one-plug-one-light.yaml"]
    new = with_look(data, "x", name, {"shelf-light": Preset(20.0, 3000.0)})
    assert f'"{name}":'.encode() in new
    import yaml

    assert name in yaml.safe_load(new)["looks"]


# ---- what is refused -------------------------------------------------------------------------


def test_a_name_that_is_taken_is_said_with_its_line() -> None:
    data = EXAMPLES["one-plug-one-light.yaml"]
    line = data.decode().split("\n").index("  shelf-light:") + 1
    with pytest.raises(CannotKeep, match=rf"x\.yaml:{line}: .*'shelf-light'"):
        with_device(data, "x.yaml", newcomer("wall", "shelf-light"))
    with pytest.raises(CannotKeep, match="'wall'"):
        with_device(data, "x.yaml", newcomer("wall", "wall"))


def test_a_dialect_that_says_something_else_is_not_taken_for_this_one() -> None:
    data = EXAMPLES["one-plug-one-light.yaml"]
    with pytest.raises(CannotKeep, match="dialect 'relay' says something else"):
        with_device(data, "x.yaml", newcomer("wall", speaks="relay"))


def test_a_dialect_that_is_there_already_is_not_written_again() -> None:
    data = EXAMPLES["one-plug-one-light.yaml"]
    relay = read_document(data, "x").root.get("dialects").get("relay").value()  # type: ignore[union-attr]
    device = {"kind": "plug", "fed_by": "wall", "speaks": "relay", "at": "shelf/second"}
    new = with_device(data, "x.yaml", Newcomer("second", device, relay))  # type: ignore[arg-type]
    assert new.count(b"relay:") == data.count(b"relay:")
    assert read_profile_text(new).profile.devices["second"].hears == {"switch"}


def test_a_device_that_does_not_fit_is_refused_with_the_reason(tmp_path: Path) -> None:
    path = tmp_path / "shelf.yaml"
    path.write_bytes(EXAMPLES["one-plug-one-light.yaml"])
    with pytest.raises(CannotKeep, match="nothing is called 'cellar'"):
        add_device(path, newcomer("cellar"))
    assert list(tmp_path.iterdir()) == [path]


def test_a_look_that_is_there_is_refused_unless_it_is_to_be_another() -> None:
    data = EXAMPLES["wheel-corner.yaml"]
    with pytest.raises(CannotKeep, match=r"corner:\d+: there is a look 'lesson' already"):
        with_look(data, "corner", "lesson", {"key": Preset(10.0, 4300.0)})


def test_a_look_anew_leaves_what_is_not_said_and_every_comment() -> None:
    data = EXAMPLES["wheel-corner.yaml"]
    before = read_profile_text(data).profile.looks
    # its white goes, and it is coloured: the preset is written as a whole
    wanted = {"key": Preset(59.1, 4350.0), "fill": Preset(12.0)}
    new = with_look(data, "corner", "lesson", wanted, "As tried", anew=True)
    after = read_profile_text(new).profile.looks
    assert after["lesson"].title == "As tried"
    assert after["lesson"].presets["key"] == Preset(59.1, 4350.0)
    assert after["lesson"].presets["fill"] == Preset(12.0)
    untouched = [n for n in before["lesson"].presets if n not in wanted]
    assert untouched
    for name in untouched:
        assert after["lesson"].presets[name] == before["lesson"].presets[name]
    comments = [line.split("#", 1)[1] for line in data.decode().split("\n") if "#" in line]
    assert [line.split("#", 1)[1] for line in new.decode().split("\n") if "#" in line] == comments


def test_a_colour_is_a_preset_too() -> None:
    data = EXAMPLES["green-cloth.yaml"]
    profile = read_profile_text(data).profile
    coloured = next(
        n
        for look in profile.looks.values()
        for n, p in look.presets.items()
        if p.colour is not None
    )
    new = with_look(data, "cloth", "as-it-is", {coloured: Preset(40.0, None, Colour(0.31, 0.55))})
    colour = read_profile_text(new).profile.looks["as-it-is"].presets[coloured].colour
    assert colour is not None
    assert (colour.x, colour.y) == pytest.approx((0.31, 0.55), abs=1e-4)


# ---- the file itself -------------------------------------------------------------------------


def test_a_link_is_followed_and_the_rights_stay(tmp_path: Path) -> None:
    real = tmp_path / "there" / "shelf.yaml"
    real.parent.mkdir()
    real.write_bytes(EXAMPLES["one-plug-one-light.yaml"])
    real.chmod(0o640)
    link = tmp_path / "shelf.yaml"
    link.symlink_to(real)
    save_look(link, "evening", {"shelf-light": Preset(20.0, 3000.0)})
    assert link.is_symlink()
    assert stat.S_IMODE(real.stat().st_mode) == 0o640
    assert "evening" in read_profile_text(real.read_bytes()).profile.looks


def test_what_an_editor_saved_meanwhile_is_in_the_file_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "shelf.yaml"
    path.write_bytes(EXAMPLES["one-plug-one-light.yaml"])
    beside, saved = keep._write_beside, []

    def meanwhile(of: Path, to: Path, content: bytes, like: os.stat_result) -> None:
        if not saved:
            saved.append(
                of.write_bytes(of.read_bytes().replace(b"Shelf corner", b"Shelf by the door"))
            )
        beside(of, to, content, like)

    monkeypatch.setattr(keep, "_write_beside", meanwhile)
    save_look(path, "evening", {"shelf-light": Preset(20.0, 3000.0)})
    profile = read_profile_text(path.read_bytes()).profile
    assert profile.title == "Shelf by the door"
    assert list(profile.looks) == ["day", "evening"]


def test_a_full_disk_leaves_the_file_as_it_was(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "shelf.yaml"
    path.write_bytes(EXAMPLES["one-plug-one-light.yaml"])

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(keep.os, "fsync", full)
    with pytest.raises(CannotKeep, match="No space left"):
        save_look(path, "evening", {"shelf-light": Preset(20.0, 3000.0)})
    assert path.read_bytes() == EXAMPLES["one-plug-one-light.yaml"]
    assert list(tmp_path.iterdir()) == [path]


def test_a_new_file_is_whole_or_not_there_and_never_over_another(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "new.yaml"

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    def no_second_names(*paths: object) -> None:
        raise OSError(1, "Operation not permitted")

    with monkeypatch.context() as patch:
        patch.setattr(keep.os, "fsync", full)
        with pytest.raises(CannotKeep, match="No space left"):
            keep.write_new(path, b"format: 1")
    assert list(tmp_path.iterdir()) == []
    with monkeypatch.context() as patch:
        patch.setattr(keep.os, "link", no_second_names)
        keep.write_new(path, b"format: 1")
    for text in (b"format: 2", b"format: 3"):
        with pytest.raises(CannotKeep, match="is there already"):
            keep.write_new(path, text)
    assert path.read_bytes() == b"format: 1"
    assert list(tmp_path.iterdir()) == [path]
    # of many at once one is written, and the others are told
    other = tmp_path / "other.yaml"

    code = "import sys; from pathlib import Path; from studiobridge.profile.keep import *\n"
    code += (
        "try: write_new(Path(sys.argv[1]), sys.argv[2].encode())\nexcept CannotKeep: sys.exit(1)"
    )
    racing = [subprocess.Popen([sys.executable, "-c", code, str(other), str(n)]) for n in range(3)]
    ends = [one.wait(30) for one in racing]
    assert sorted(ends) == [0, 1, 1]
    assert other.read_bytes() == b"%d" % ends.index(0)


def test_two_saves_at_once_are_both_in_the_file(tmp_path: Path) -> None:
    path = tmp_path / "shelf.yaml"
    path.write_bytes(EXAMPLES["one-plug-one-light.yaml"])
    names = [f"look-{n}" for n in range(4)]
    with ThreadPoolExecutor(4) as pool:
        list(pool.map(lambda n: save_look(path, n, {"shelf-light": Preset(20.0, 3000.0)}), names))
    assert set(read_profile_text(path.read_bytes()).profile.looks) == {"day", *names}


def test_a_file_in_old_words_takes_a_new_device_too() -> None:
    text = EXAMPLES["one-plug-one-light.yaml"].decode()
    old = text.replace("dialects:", "wires:").replace("speaks: relay", "wire: relay")
    assert "wires:" in old
    new = with_device(old.encode(), "x", newcomer("wall")).decode()
    assert "dialects:" not in new
    assert read_profile_text(new).profile.devices["new-plug"].hears == {"switch"}


def test_what_a_look_inherits_cannot_be_taken_away_from_it() -> None:
    data = EXAMPLES["wheel-corner.yaml"]
    with pytest.raises(CannotKeep, match=r"corner:\d+: 'glaze' takes .* from 'lesson'"):
        with_look(data, "corner", "glaze", {"fill": Preset(30.0)}, anew=True)


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_any_look_anew_says_what_it_was_to_say_or_nothing_is_written(data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(sorted(EXAMPLES)))
    file = EXAMPLES[name]
    if data.draw(st.booleans()):
        file = file.replace(b"\n", b"\r\n")
    before = read_profile_text(file).profile
    look = data.draw(st.sampled_from(sorted(before.looks)))
    lights = [d for d in before.devices.values() if d.fixture]
    wanted = {}
    names = st.sampled_from([d.name for d in lights])
    for device in map(before.devices.get, data.draw(st.lists(names, min_size=1, unique=True))):
        assert device is not None
        low, high = device.level_range or (1.0, 100.0)
        level = data.draw(st.integers(round(low * 10), round(high * 10))) / 10
        white = None
        if "cct" in device.tells or device.speaks is None:
            least, most = device.cct_range or (3000.0, 5000.0)
            whites = st.integers(round(least), round(most)).map(float)
            white = data.draw(st.one_of(st.none(), whites))
        wanted[device.name] = Preset(level, white)
    try:
        new = with_look(file, name, look, wanted, anew=True)
    except CannotKeep as cannot:
        # a white that is inherited cannot be taken away, nor one that no dialect of it tells
        assert "by hand" in str(cannot) or "does not fit" in str(cannot)
        return
    after = read_profile_text(new).profile
    assert {n: after.looks[look].presets[n] for n in wanted} == wanted
    for light, preset in before.looks[look].presets.items():
        if light not in wanted:
            assert after.looks[look].presets[light] == preset
    assert dict(after.devices).keys() == dict(before.devices).keys()
    comments = [line.partition("#")[2] for line in file.decode().splitlines() if "#" in line]
    assert [line.partition("#")[2] for line in new.decode().splitlines() if "#" in line] == comments


@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_a_file_without_dialects_gets_its_first_above_the_devices_and_their_comment(
    end: str,
) -> None:
    lines = [
        "format: 1",
        "set: shelf",
        "mains: {circuits: {wall: {breaker: 10 A}}}",
        "",
        "# what hangs here",
        "# and where",
        "devices: {strip: {kind: plug, fed_by: wall}}",
    ]
    new = with_device(end.join(lines).encode(), "x", newcomer("wall")).decode()
    assert read_profile_text(new).profile.devices["new-plug"].hears == {"switch"}
    made = new.split(end)
    assert made[:4] == lines[:4]
    assert made[4:6] == ["dialects:", "  new-make:"]
    assert made[-4:-1] == ["", "# what hangs here", "# and where"]
    # in the manner of the braces it stands in
    assert ", new-plug: {kind: plug, " in made[-1]


def test_in_a_file_of_json_it_is_json() -> None:
    text = (
        '{"format": 1, "set": "shelf", "mains": {"circuits": {"wall": {"breaker": "10 A"}}},'
        ' "devices": {"strip": {"kind": "plug", "fed_by": "wall"}}}'
    )
    new = with_device(text.encode(), "x", newcomer("wall"))
    assert list(json.loads(new)["devices"]) == ["strip", "new-plug"]
    assert read_profile_text(new).profile.devices["new-plug"].hears == {"switch"}

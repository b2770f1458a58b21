"""What was learned, on disk: as it was written, private, whole or not at all, and no trap."""

import json
import pickle
import zipfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from studiobridge.profile.model import Region
from studiobridge.witness.keeping import LEARNED, folder_of, keep_picture, kept_pictures, load, save
from studiobridge.witness.learned import Curve, Kept, Learned, Share
from studiobridge.witness.stored import CannotRead

DICE = np.random.default_rng(3)


def learned(made: str = "2026-11-27T01:00:00+00:00") -> Learned:
    light = np.tile((np.arange(256, dtype=np.float32) / 251) ** 2.2 + 1e-6, (3, 1))
    light = (light + np.arange(256, dtype=np.float32) * 1e-6).astype(np.float32)

    def picture() -> np.ndarray:
        return DICE.uniform(0, 1, (32, 48, 3)).astype(np.float32)

    return Learned(
        "wheel-corner",
        made,
        Curve(light, np.full((3, 256), 0.02, np.float32)),
        picture() / 100,
        (
            Share("key", 2700.0, picture()),
            Share("key", 6500.0, picture()),
            Share("rim", None, picture()),
        ),
        {"key": ((10.0, 0.1), (100.0, 1.0)), "rim": ((100.0, 1.0),)},
        0.001,
        0.0001,
        251,
        0.03,
        "abc",
        screen=Region(0.1, 0.2, 0.9, 0.8),
        camera={"exposure": "by hand"},
    )


def test_it_is_read_as_it_was_written_and_only_the_user_may(tmp_path: Path) -> None:
    folder, was = folder_of(tmp_path / "corner.yaml"), learned()
    save(was, folder)
    found = load(folder)
    assert folder.name == "corner.witness"
    assert (found.dimmers, found.screen, found.clips) == (was.dimmers, was.screen, was.clips)
    assert [(s.device, s.cct) for s in found.shares] == [(s.device, s.cct) for s in was.shares]
    np.testing.assert_allclose(found.shares[1].light, was.shares[1].light, rtol=1e-3, atol=1e-7)
    assert {path.stat().st_mode & 0o777 for path in folder.iterdir()} == {0o600}


def test_a_second_learning_takes_the_place_of_the_first(tmp_path: Path) -> None:
    save(learned(), tmp_path)
    save(learned("2026-11-28T01:00:00+00:00"), tmp_path)
    assert load(tmp_path).made.startswith("2026-11-28")
    assert len(list(tmp_path.glob("*.npz"))) == 1


def test_a_picture_has_nothing_of_what_does_not_count(tmp_path: Path) -> None:
    codes = DICE.integers(1, 255, (32, 48, 3)).astype(np.uint8)
    counts = np.ones((32, 48), bool)
    counts[8:24, 10:20] = False
    keep_picture(Kept("lesson", "2026-11-27T01:00:00+00:00", codes, counts, {"key": 0.5}), tmp_path)
    (found,) = kept_pictures(tmp_path).values()
    np.testing.assert_array_equal(found.counts, counts)
    np.testing.assert_array_equal(found.codes[counts], codes[counts])
    assert not found.codes[~counts].any()
    assert found.amounts == {"key": 0.5}


@pytest.mark.parametrize(
    "key, value",
    [
        ("version", 99),
        ("clips", float("nan")),
        ("clips", 10**400),
        ("set", "../up"),
        ("lights", "key"),
        ("arrays", {"file": "../../etc/passwd", "sha256": "0"}),
        ("picture", {"columns": 10**9, "rows": 10**9}),
        ("dimmers", {"key": [[1]]}),
        ("regions", {"face": [0.5, 0.5, 0.1, 0.1]}),
    ],
)
def test_a_file_that_was_tampered_with_is_named(tmp_path: Path, key: str, value: object) -> None:
    save(learned(), tmp_path)
    path = tmp_path / "learned.json"
    said = json.loads(path.read_text())
    path.write_text(json.dumps({**said, key: value}))
    with pytest.raises(CannotRead, match=r"learned\.json"):
        load(tmp_path)


def test_damaged_arrays_are_named(tmp_path: Path) -> None:
    save(learned(), tmp_path)
    (path,) = tmp_path.glob("*.npz")
    path.write_bytes(path.read_bytes()[:-100])
    with pytest.raises(CannotRead, match="npz is damaged"):
        load(tmp_path)


class _Trap:
    def __reduce__(self) -> tuple[object, ...]:
        return (pytest.fail, ("it was unpickled",))


def test_nothing_is_unpickled(tmp_path: Path) -> None:
    import hashlib

    save(learned(), tmp_path)
    (path,) = tmp_path.glob("*.npz")
    with zipfile.ZipFile(path, "w") as packed:
        for name in ("light", "sure", "dark", "share0", "share1", "share2"):
            head = b"\x93NUMPY\x01\x00v\x00"
            text = b"{'descr': '|O', 'fortran_order': False, 'shape': (3, 256), }"
            packed.writestr(
                f"{name}.npy", head + text.ljust(117) + b"\n" + pickle.dumps([_Trap()] * 768)
            )
    said = json.loads((tmp_path / "learned.json").read_text())
    said["arrays"]["sha256"] = hashlib.sha256(path.read_bytes()).hexdigest()
    (tmp_path / "learned.json").write_text(json.dumps(said))
    with pytest.raises(CannotRead, match="damaged"):
        load(tmp_path)


def test_where_nothing_was_learned(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        load(tmp_path)


def test_pictures_are_held_in_half_the_memory_and_can_be_replaced_as_others(tmp_path: Path) -> None:
    save(learned(), tmp_path)
    share = load(tmp_path).shares[0]
    assert share.light.dtype == np.float32
    np.testing.assert_array_equal(share.thinned(8), share.light[::8, ::8])
    held = [getattr(share, name) for kind in type(share).__mro__ for name in _slots(kind)]
    assert sum(part.nbytes for part in held if isinstance(part, np.ndarray)) == 2 * 32 * 48 * 3
    brighter = replace(share, light=share.light * 2)
    np.testing.assert_allclose(brighter.light, 2 * share.light, rtol=1e-3)


def _slots(kind: type) -> list[str]:
    """What an instance holds itself, without what is reckoned when it is asked for."""
    names = [name for name in getattr(kind, "__slots__", ()) if not name.startswith("__")]
    return [name for name in names if not (name == "light" and kind is Share)]


def test_what_was_not_held_to_account_is_kept_as_none_and_read_from_older_files(
    tmp_path: Path,
) -> None:
    save(replace(learned(), error=None), tmp_path)
    assert load(tmp_path).error is None
    said = json.loads((tmp_path / LEARNED).read_text(encoding="utf-8"))
    assert said["error_stops"] is None
    said["error_stops"] = 0.0  # as it was written before
    (tmp_path / LEARNED).write_text(json.dumps(said), encoding="utf-8")
    assert load(tmp_path).error is None

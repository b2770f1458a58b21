"""Screen, white, framing, automatic and preview, held against rendered rooms: figures, no verdict.

    python -m tests.outside.witnessed.pictured [--rooms wheel-corner,room-1] [--trials 12]

The camera's true curve and the true pictures a lamp are given: what learning costs is another row.
"""

from __future__ import annotations

import argparse
import math
import time
from collections import defaultdict

import cv2
import numpy as np

from studiobridge.profile.model import Region
from studiobridge.witness.automatic import Automatic
from studiobridge.witness.framing import Framer
from studiobridge.witness.learned import Curve, Kept, Learned, Share
from studiobridge.witness.preview import At, preview
from studiobridge.witness.screen import screen
from studiobridge.witness.white import white
from tests.outside.witnessed.camera import QUALITY, READ, SHOT, Camera, Moved
from tests.outside.witnessed.rooms import NAMES, SIZE, Rendered, folder, rendered

GRID = 9


def learned_of(room: Rendered, camera: Camera) -> Learned:
    light = camera.light_of_codes().astype(np.float32)
    light = np.maximum.accumulate(light + np.arange(256, dtype=np.float32) * 1e-8, axis=1)
    exposed = np.float32(camera.exposure)
    shares = [
        Share(lamp, cct, picture * exposed)
        for lamp, whites in room.shares.items()
        for cct, picture in whites.items()
    ]
    regions = {
        name: Region(*room.regions[name]) if name in room.regions else None
        for name in ("face", "card", "screen")
    }
    return Learned(
        room.name, "", Curve(light, np.full_like(light, 0.02)), room.dark, tuple(shares), {},
        READ, SHOT, 254, 0.0, "", **regions,
    )  # fmt: skip


def large(light: np.ndarray) -> np.ndarray:
    return cv2.resize(light, SIZE, interpolation=cv2.INTER_LINEAR)


def hidden_of(room: Rendered, pose: int) -> np.ndarray:
    grown = cv2.dilate(room.hidden[pose].astype(np.uint8), np.ones((5, 5), np.uint8))
    return cv2.resize(grown, SIZE, interpolation=cv2.INTER_NEAREST) > 0


def evenness(light: np.ndarray, box: tuple[float, ...], clear: np.ndarray) -> float:
    """Brightest over darkest of 9 × 9 places, by hand: of the light itself, before any camera."""
    height, width = light.shape[:2]
    left, top, right, bottom = (box[0] * width, box[1] * height, box[2] * width, box[3] * height)
    bright = light @ np.array([0.0722, 0.7152, 0.2126])
    means = []
    for row in range(GRID):
        for column in range(GRID):
            ys = slice(
                round(top + (bottom - top) * row / GRID),
                round(top + (bottom - top) * (row + 1) / GRID),
            )
            xs = slice(
                round(left + (right - left) * column / GRID),
                round(left + (right - left) * (column + 1) / GRID),
            )
            if clear[ys, xs].mean() >= 0.4:
                means.append(bright[ys, xs][clear[ys, xs]].mean())
    return math.log2(max(means) / min(means))


def some(room: Rendered, dice: np.random.Generator, by: float) -> dict[str, float]:
    return {
        n: float(level * 2.0 ** dice.uniform(-by, by))
        for n, (level, _) in room.look.items()
        if n in room.lamps
    }


def of_look(room: Rendered) -> tuple[dict[str, float], dict[str, float]]:
    return (
        {n: level for n, (level, _) in room.look.items() if n in room.lamps},
        {n: cct for n, (_, cct) in room.look.items()},
    )


def judge(name: str, trials: int, found: dict[str, list[float]]) -> None:
    room = rendered(name, make=False)
    dice = np.random.default_rng(abs(hash(name)) % 1000 if False else sum(map(ord, name)))
    levels, ccts = of_look(room)
    for curve in ("film", "srgb"):
        camera = Camera(curve, seed=len(name))
        learned = learned_of(room, camera)
        light = room.mixed(levels)
        kept = Kept("look", "", camera.frame(light), np.ones((SIZE[1], SIZE[0]), bool))
        framer = Framer(kept)
        before = learned.curve.linear(kept.codes)
        poses: list[int | None] = [None, *range(len(room.posed))]
        for trial in range(trials):
            pose = poses[trial % len(poses)]
            now = some(room, dice, 0.8)
            picture = room.mixed(now, pose=pose)
            hidden = (
                hidden_of(room, pose) if pose is not None else np.zeros(kept.counts.shape, bool)
            )
            usable = None if pose is None else ~hidden
            who = "nobody" if pose is None else "somebody"
            codes = camera.frame(picture)
            linear = learned.curve.linear(codes)
            # ---- still: no alarm
            start = time.process_time()
            there = framer.look(codes, usable)
            found["ms framing"].append(1e3 * (time.process_time() - start))
            found[f"still, {who}: not told (share)"].append(there is None)
            if there is not None:
                found[f"still, {who}: alarm"].append(there.moved)
                found[f"still, {who}: softer"].append(there.softer or 0.0)
            blind = framer.look(codes, None)
            found[f"still, {who}, no mask: alarm"].append(blind is not None and blind.moved)
            # ---- moved by 1 % of the width and more
            angle, far = dice.uniform(0, 2 * np.pi), 9.6 * dice.choice([1.0, 1.5, 3.0, 6.0])
            turn, zoom = (
                (dice.uniform(-2, 2), dice.uniform(0.97, 1.03)) if trial % 3 == 0 else (0.0, 1.0)
            )
            put = Moved(far * np.cos(angle), far * np.sin(angle), turn, zoom)
            kicked = Camera(curve, seed=len(name), moved=put).frame(picture)
            there = framer.look(kicked, None)
            found[f"moved, {who}: not noticed"].append(there is None or not there.moved)
            if there is not None:
                off = math.hypot(there.right + put.right, there.down + put.down) / SIZE[0]
                found[f"moved, {who}: off % of width"].append(100 * off)
                found["moved: turn off, degrees"].append(abs(abs(there.turn) - abs(turn)))
            soft = Camera(curve, seed=len(name), defocus=1.5).frame(picture)
            there = framer.look(soft, usable)
            found["defocus 1.5 px: softer"].append(
                there.softer if there and there.softer is not None else -1
            )
            # ---- screen
            if "screen" in room.regions:
                seen = screen(learned, linear, usable)
                wide = cv2.dilate(hidden.astype(np.uint8), np.ones((17, 17), np.uint8)) == 0
                truth = evenness(
                    np.minimum(large(picture), 1.0) if False else large(picture),
                    room.regions["screen"],
                    wide,
                )
                if seen is not None:
                    found[f"evenness, {who}: off, stops"].append(abs(seen.even.value - truth))
                    found["evenness: outside its band"].append(
                        not seen.even.low <= truth <= seen.even.high
                    )
                else:
                    found["evenness: not told"].append(1.0)
            # ---- white: the same levels, other whites
            other = {n: float(1e6 / (1e6 / c + dice.uniform(-25, 25))) for n, c in ccts.items()}
            changed = room.mixed(levels, other, pose)
            its = learned.curve.linear(camera.frame(changed))
            start = time.process_time()
            seen_white = white(learned, its, before, usable, room.balanced)
            found["ms white"].append(1e3 * (time.process_time() - start))
            if seen_white is None:
                found["white: not told"].append(1.0)
            else:
                truth = true_white(room, changed, room.mixed(levels), seen_white.at, hidden)
                found[f"white, {who}: off, mired"].append(abs(seen_white.mired.value - truth[0]))
                found["white: off, Duv"].append(abs(seen_white.duv.value - truth[1]))
                found["white: outside its band"].append(
                    not seen_white.mired.low <= truth[0] <= seen_white.mired.high
                )
            # ---- preview against a picture that is taken then
            if pose is None:
                start = time.process_time()
                made = preview(learned, {n: At(amount=a, cct=ccts[n]) for n, a in now.items()})
                found["ms preview"].append(1e3 * (time.process_time() - start))
                found["preview: mean error of 255"].append(
                    float(np.abs(made.astype(float) - codes).mean())
                )
        automatic(room, learned, curve, dice, found)


def true_white(room, changed, kept, at, hidden):  # type: ignore[no-untyped-def]
    """By colour-science: the light at the place, as linear sRGB, to CCT and Duv (Ohno 2013)."""
    import colour

    box = room.regions.get(at, (0.0, 0.0, 1.0, 1.0))
    height, width = changed.shape[:2]
    place = (
        slice(int(box[1] * height), int(box[3] * height) + 1),
        slice(int(box[0] * width), int(box[2] * width) + 1),
    )
    small = cv2.resize(hidden.astype(np.uint8), (width, height), interpolation=cv2.INTER_NEAREST)
    clear = (cv2.dilate(small, np.ones((9, 9), np.uint8)) == 0)[place]
    clear &= (changed[place].max(axis=2) < 1.0) & (kept[place].max(axis=2) < 1.0)
    ratio = changed[place][clear].mean(axis=0) / kept[place][clear].mean(axis=0)
    from tests.outside.witnessed.rooms import white_rgb

    base = white_rgb(room.balanced)
    ends = []
    for rgb in (base, base * ratio[::-1]):
        xyz = colour.RGB_COLOURSPACES["sRGB"].matrix_RGB_to_XYZ @ rgb
        uv = colour.UCS_to_uv(colour.XYZ_to_UCS(xyz))
        kelvin, duv = colour.uv_to_CCT(uv, method="Ohno 2013")
        ends.append((1e6 / kelvin, duv))
    return ends[1][0] - ends[0][0], ends[1][1] - ends[0][1]


def automatic(
    room: Rendered,
    learned: Learned,
    curve: str,
    dice: np.random.Generator,
    found: dict[str, list[float]],
) -> None:
    levels, ccts = of_look(room)
    expected = {n: (a, ccts[n]) for n, a in levels.items()}
    poses: list[int | None] = [None, *range(len(room.posed))]
    for kind in (
        "by hand",
        "one lamp",
        "by hand, somebody",
        "step",
        "auto exposure",
        "auto white",
        "auto exposure, somebody",
        "auto white, somebody",
    ):
        for begin in range(2):
            exposure = (
                float(2 ** dice.choice([-1, -2 / 3, -1 / 3, 1 / 3, 2 / 3]))
                if kind == "step"
                else 1.0
            )
            camera = Camera(
                curve,
                len(room.name),
                exposure,
                auto_exposure="exposure" in kind,
                auto_white="white" in kind,
            )  # type: ignore[arg-type]
            if begin and kind.startswith("auto"):
                # it has settled on the empty set before anybody looks
                for _ in range(8):
                    camera.frame(room.mixed(levels))
            machine = Automatic(learned)
            noticed = {"e": 99, "w": 99}
            for frame in range(6 if not kind.startswith("auto") else 3):
                pose = (
                    poses[1 + (frame + begin) % (len(poses) - 1)]
                    if "somebody" in kind and len(poses) > 1
                    else None
                )
                now = dict(levels)
                if kind == "one lamp" and frame >= 2:
                    lamp = sorted(now)[int(dice.integers(len(now)))]
                    now[lamp] *= 2 ** dice.uniform(-0.8, 0.8)
                if kind.startswith("auto") and pose is None:
                    # somebody turns a lamp that is told of: an empty set that stays as it is tells nothing
                    lamp = sorted(now)[(frame + begin) % len(now)]
                    now[lamp] *= 2 ** (-0.6 if frame % 2 else 0.6)
                codes = camera.frame(room.mixed(now, pose=pose))
                usable = None if pose is None else ~hidden_of(room, pose)
                seen = learned.curve.linear(codes)
                told = (
                    {n: (a, ccts[n]) for n, a in now.items()}
                    if kind.startswith("auto")
                    else expected
                )
                start = time.process_time()
                said = machine.look(seen, told, usable)
                found["ms automatic"].append(1e3 * (time.process_time() - start))
                if said.auto_exposure:
                    noticed["e"] = min(noticed["e"], frame + 1)
                if said.auto_white:
                    noticed["w"] = min(noticed["w"], frame + 1)
                if kind == "step" and said.exposure is not None:
                    found["step: exposure off, stops"].append(
                        abs(said.exposure.value - math.log2(exposure))
                    )
                elif kind == "step":
                    found["step: exposure not told"].append(1.0)
            if kind.startswith("auto exposure"):
                found[f"{kind}: noticed in 3"].append(noticed["e"] <= 3)
            elif kind.startswith("auto white"):
                found[f"{kind}: noticed in 3"].append(noticed["w"] <= 3)
            else:
                found[f"{kind}: false alarm"].append(min(noticed.values()) < 99)


def main() -> None:
    cv2.setNumThreads(1)
    asked = argparse.ArgumentParser()
    asked.add_argument("--rooms", default=",".join(NAMES))
    asked.add_argument("--trials", type=int, default=12)
    said = asked.parse_args()
    names = [n for n in said.rooms.split(",") if (folder() / f"{n}.npz").exists()]
    found: dict[str, list[float]] = defaultdict(list)
    for name in names:
        judge(name, said.trials, found)
    print(f"rooms: {', '.join(names)}; JPEG {QUALITY}, two curves, {said.trials} trials each")
    for key, values in sorted(found.items()):
        at = np.array(values, float)
        print(
            f"{key:42} n {len(at):4}  mean {at.mean():8.4f}  p95 {np.quantile(at, 0.95):8.4f}  max {at.max():8.4f}"
        )


if __name__ == "__main__":
    main()

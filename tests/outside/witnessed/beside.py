"""Rows of the table about what is no lamp: white, daylight, the camera's own setting, clipping."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping

import numpy as np

from tests.outside.witnessed import learnt, rooms
from tests.outside.witnessed.camera import Camera, Light
from tests.outside.witnessed.judged import Case, Row, cases, moved_levels, p95, seeing, sight

DAYLIGHT = 0.03


def _pose(case: Case, dice: np.random.Generator, number: int) -> int | None:
    """Somebody in every second trial, where a room has poses."""
    if not case.seen.posed or number % 2 == 0:
        return None
    return int(dice.integers(len(case.seen.posed)))


# ---- white -------------------------------------------------------------------------------------


def white_of(light: Light, region: tuple[float, float, float, float], balanced: float) -> float:
    """Mired of what a grey card there shows, by the locus of the harness."""
    bgr = learnt.mean_in(light, region)
    # the camera is balanced for some white: back to that
    return float(1e6 / rooms.cct_of(bgr[::-1] * rooms.white_rgb(balanced)))


def row_white(args: argparse.Namespace) -> Row:
    """Nobody there; then, apart from that, somebody: held against what the card would show."""
    off: list[float] = []
    held: list[bool] = []
    beside: list[tuple[float, bool]] = []
    none = 0
    worst = []
    for case in cases(args):
        two = [n for n in case.seen.lamps if len(case.seen.whites[n]) > 1]
        if not two:
            continue
        for number in range(args.trials):
            dice = case.dice("white", number)
            ccts = dict(case.ccts)
            by = float(dice.uniform(-50, 50))
            for n in two:
                ccts[n] = float(1e6 / (1e6 / ccts[n] + by + dice.uniform(-10, 10)))
            card, white = case.seen.regions["card"], case.seen.balanced
            empty = case.seen.mixed(case.look, ccts)
            before = white_of(case.seen.mixed(case.look), card, white)
            truth = white_of(empty, card, white) - before
            camera = case.camera(number + 4_000_000)
            seen = sight(seeing(case), case, camera.frame(empty), number)
            if seen.white is None:
                none += 1
                continue
            off.append(abs(seen.white.mired.value - truth))
            held.append(seen.white.mired.low <= truth <= seen.white.mired.high)
            worst.append(
                (
                    off[-1],
                    f"{case.seen.name} {case.kind} trial {number}: {seen.white.mired.value:+.1f}"
                    f" for {truth:+.1f} at {seen.white.at}",
                )
            )
            if not case.seen.posed:
                continue
            pose = int(dice.integers(len(case.seen.posed)))
            frame = camera.frame(case.seen.mixed(case.look, ccts, pose))
            there = sight(seeing(case), case, frame, number).white
            if there is not None and there.at == "card":
                band = there.mired
                beside.append((abs(band.value - truth), band.low <= truth <= band.high))
    row = Row("white", "white, p95", "≤ 5 mired", f"{p95(off):.1f} mired", len(off), "–")
    row.met = bool(off) and p95(off) <= 5
    somebody = (
        f"p95 {p95([v for v, _ in beside]):.1f}, bands hold {np.mean([h for _, h in beside]):.3f}"
        if beside
        else "no card in sight"
    )
    row.notes = [
        f"bands hold {np.mean(held) if held else 0:.3f} (goal 0.95); not said {none}",
        f"somebody there, at the card: {somebody} of {len(beside)}",
        *(f"worst: {w}" for _, w in sorted(worst, reverse=True)[:3]),
    ]
    return row


# ---- daylight ----------------------------------------------------------------------------------


def row_daylight(args: argparse.Namespace) -> Row:
    """Let in at the side window; `--frames`: somebody stands otherwise in each."""
    by_room: dict[str, list[bool]] = {}
    sides: list[bool] = []
    held: list[bool] = []
    for case in cases(args):
        for number in range(args.trials):
            dice = case.dice("daylight", number)
            pose = _pose(case, dice, number)
            # of the face's light: what the window gives there against what the lamps do
            levels = {**case.look, "window": DAYLIGHT}
            eye = seeing(case)
            camera = case.camera(number + 5_000_000)
            for k in range(args.frames):
                if k and pose is not None:
                    pose = int(dice.integers(len(case.seen.posed)))
                light = case.seen.mixed(levels, None, pose)
                seen = sight(eye, case, camera.frame(light), 10 * k)
            name = f"{case.seen.name}{' somebody' if pose is not None else ''}"
            by_room.setdefault(name, []).append(seen.stray is not None)
            if seen.stray is not None:
                held.append(seen.stray.share.low <= DAYLIGHT <= seen.stray.share.high)
                window = case.seen.mixed({"window": 1.0}).sum(axis=2)
                there = window / (case.seen.mixed(case.look).sum(axis=2) + window.mean())
                third = there.shape[1] // 3
                side = "left" if there[:, :third].mean() > there[:, -third:].mean() else "right"
                sides.append(seen.stray.where == side)
    found = [one for each in by_room.values() for one in each]
    share = float(np.mean(found)) if found else 0.0
    row = Row("daylight", "daylight of 3 % of the face's light", "≥ 95 %", f"{share:.1%}")
    row.trials, row.met = len(found), share >= 0.95
    row.notes = [
        f"looks: {args.frames}; the share's band holds {np.mean(held) if held else 0:.3f}; the side it"
        f" is stronger at was named {np.mean(sides) if sides else 0:.2f}",
        "by room: " + ", ".join(f"{n} {np.mean(v):.0%}" for n, v in by_room.items()),
    ]
    return row


def row_no_daylight(args: argparse.Namespace) -> Row:
    """Nothing but lamps and people: a frame as kept, one lamp turned, two, all, other whites."""
    counts: dict[str, list[int]] = {}
    which: list[str] = []
    for case in cases(args):
        for number in range(args.trials):
            for what in (
                "as kept",
                "one lamp",
                "two lamps",
                "a little each",
                "all",
                "other whites",
            ):
                dice = case.dice(f"no daylight {what}", number)
                levels, ccts = dict(case.look), dict(case.ccts)
                names = [str(n) for n in dice.permutation(list(levels))]
                if what == "all":
                    levels, ccts = moved_levels(case, dice)
                if what == "a little each":
                    levels = {n: v * 2 ** float(dice.normal(0, 0.06)) for n, v in levels.items()}
                for n in names[: {"one lamp": 1, "two lamps": 2}.get(what, 0)]:
                    levels[n] *= 2 ** float(dice.choice([-0.8, -0.3, 0.3, 0.8]))
                if what == "other whites":
                    for n in names[:2]:
                        if len(case.seen.whites[n]) > 1:
                            ccts[n] = float(1e6 / (1e6 / ccts[n] + dice.uniform(-40, 40)))
                pose = _pose(case, dice, number)
                frame = case.camera(number + 5_500_000).frame(case.seen.mixed(levels, ccts, pose))
                said = sight(seeing(case), case, frame, 0).stray is not None
                one = counts.setdefault(what, [0, 0])
                one[0] += said
                one[1] += 1
                if said and len(which) < 6:
                    which.append(f"{case.seen.name} {case.kind} trial {number} {what}, pose {pose}")
    false, total = (sum(c[i] for c in counts.values()) for i in (0, 1))
    row = Row("no-daylight", "daylight said where none is", "none", f"{false} of {total}", total)
    row.met = false == 0
    row.notes = [", ".join(f"{k} {c[0]} of {c[1]}" for k, c in counts.items()), *which]
    return row


# ---- the camera's own setting ------------------------------------------------------------------


def row_automatic(args: argparse.Namespace) -> Row:
    """Left on automatic: does a frame of the first three say so? Then a lamp goes down by 1.5
    stops, for somebody has to answer: what is said to be set by hand, and was it?"""
    counts = {"auto exposure": [0, 0], "auto white": [0, 0]}
    false = still = other_words = early = wrong = known = late = 0
    missed: list[str] = []
    for case in cases(args):
        for number in range(max(1, args.trials // 2)):
            gives = case.seen.given(case.look)
            most = max(gives, key=lambda n: gives[n])
            for what in counts:
                dice = case.dice(what, number)
                eye, other = seeing(case), seeing(case)
                camera = case.camera(
                    number + 8_000_000,
                    auto_exposure=what == "auto exposure",
                    auto_white=what == "auto white",
                )
                by_hand = case.camera(number + 8_500_000)
                said = False
                for k in range(7):
                    pose = int(dice.integers(len(case.seen.posed))) if case.seen.posed else None
                    levels = dict(case.look)
                    if k >= 4:
                        levels[most] *= 2**-1.5
                    light = case.seen.mixed(levels, None, pose)
                    seen = sight(eye, case, camera.frame(light), k)
                    if k < 3:
                        said |= what in seen.hinders
                    late += k == 6 and what in seen.hinders
                    wrong += what.split()[1] in seen.by_hand
                    plain = sight(other, case, by_hand.frame(light), k)
                    still += 1
                    false += bool({"auto exposure", "auto white"} & set(plain.hinders))
                    early += k < 4 and bool(plain.by_hand) and not case.seen.posed
                known += "exposure" in plain.by_hand
                counts[what][0] += said
                counts[what][1] += 1
                if not said:
                    band = seen.exposure
                    other_words += bool(seen.hinders) or (
                        band is not None and not band.low <= 0.0 <= band.high
                    )
                    gain = camera._gain.round(2)
                    missed.append(f"{case.seen.name} {case.kind} trial {number} {what}, {gain}")
    total = sum(c[1] for c in counts.values())
    found = sum(c[0] for c in counts.values()) / max(total, 1)
    row = Row("automatic", "auto exposure or white left on", "within 3 frames", f"{found:.1%}")
    row.trials, row.met = total, found >= 0.99
    row.notes = [
        ", ".join(f"{k} {c[0]} of {c[1]}" for k, c in counts.items())
        + f"; three frames after a lamp changed {late} of {total}; said of a camera by hand: {false}"
        f" of {still}; not said, but another hindrance or that the exposure is off: {other_words}",
        f"'set by hand' said of what is automatic: {wrong} frames of {7 * total}; before anything"
        f" changed: {early}; of a camera by hand after the lamp: {known} of {total} (exposure)",
        *missed[:4],
    ]
    return row


def row_exposure(args: argparse.Namespace) -> Row:
    """Exposure set otherwise by hand, one lamp turned or none; and what is clipped then."""
    off: list[float] = []
    held: list[bool] = []
    burnt: list[float] = []
    silent = 0
    worst = []
    for case in cases(args):
        for number in range(args.trials):
            dice = case.dice("exposure", number)
            stops = float(dice.uniform(-1.0, 1.0))
            levels = dict(case.look)
            if number % 3 == 0:
                levels[str(dice.choice(list(levels)))] *= 2 ** float(dice.choice([-0.5, 0.5]))
            pose = _pose(case, dice, number)
            camera = case.camera(number + 8_200_000, exposure=2.0**stops)
            light = case.seen.mixed(levels, None, pose)
            seen = sight(seeing(case), case, camera.frame(light), number)
            where = f"{case.seen.name} {case.kind} trial {number} pose {pose}"
            if seen.exposure is None:
                silent += 1
            else:
                off.append(abs(seen.exposure.value - stops))
                held.append(seen.exposure.low <= stops <= seen.exposure.high)
                worst.append((off[-1], f"{where}: {seen.exposure.value:+.2f} for {stops:+.2f}"))
            for region, said in (("face", seen.clipped_face), ("screen", seen.clipped_screen)):
                if said is not None:
                    burnt.append(abs(said - clipped_of(camera, light, case.seen.regions[region])))
    row = Row("exposure", "exposure against the reference, p95", "–", f"{p95(off):.3f} stop")
    row.trials = len(off)
    row.notes = [
        f"bands hold {np.mean(held) if held else 0:.3f}; not said {silent}",
        f"clipped shares of face and screen, p95 to {p95(burnt):.3f} of {len(burnt)}",
        *(f"worst: {w}" for _, w in sorted(worst, reverse=True)[:4]),
    ]
    return row


def clipped_of(camera: Camera, light: Light, region: tuple[float, float, float, float]) -> float:
    """The share of a region that is clipped in any channel: the same camera without noise and
    compression."""
    clean = Camera("srgb", read=0.0, shot=0.0, quality=None, exposure=camera.exposure)
    clean._table, clean.curve = camera._table, camera.curve
    codes = clean.frame(light)[learnt.box(region, (540, 960))]
    return float((codes >= learnt.CLIPS).any(axis=2).mean())


ROWS: Mapping[str, Callable[[argparse.Namespace], Row]] = {
    "white": row_white,
    "daylight": row_daylight,
    "no-daylight": row_no_daylight,
    "automatic": row_automatic,
    "exposure": row_exposure,
}

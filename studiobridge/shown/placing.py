"""Where the words of a drawing go: beside what they are about, and never over anything else.

Every label brings its forms, the best first (whole, shortened, a number); what a form takes is
its longest text, so that nothing jumps about when a value changes. First every label is put down
in its smallest form, then each takes the best form for which there is still room: so no early one
takes the last place of a later one. What does not fit at all is left out, and its owner says so
elsewhere (a legend).

The sheet is a raster of small squares, a row of them one whole number: a box is free when a few
bitwise ands say so, which makes it quick. Boxes are rounded outwards: what is free, is free.
"""

from __future__ import annotations

import math
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

Box = tuple[float, float, float, float]
Point = tuple[float, float]

# px of the raster; finer costs time and gains nothing that the eye sees
CELL = 3.0
# px beside a thing within which its label is seen to be its own
NEAR = (2.0, 6.0, 10.0)
# px beyond which a line ties a label to its thing
TIED_FROM = 13.0
# what a way over a line costs, a place where somebody else may be meant, and one on the side where
# it is crowded, against a px further away
OVER_A_LINE, DOUBT, TOWARDS = 0.6, 8.0, 3.0
MOST_TOWARDS = 1.5 * TOWARDS

# up to so many labels it is worth while to ask whether one makes room for another: where there are
# more, most are numbers anyway, and it would take long
FEW = 12

# How wide a letter is at most, of the size of the type, (plain, bold): as in DejaVu Sans, which
# runs wider than what phones and computers bring for `sans-serif` (measured in Chromium, once).
NARROW, WIDE, SIGNS, CAPITALS, OTHERS = (
    (0.42, 0.5),
    (1.01, 1.12),
    (0.85, 0.87),
    (0.79, 0.87),
    (
        0.65,
        0.73,
    ),
)
STRANGE = (1.15, 1.2)
_NARROW = frozenset("fijlrtIJ .,:;!'|()[]-/·")
_WIDE = frozenset("mwMW%@…—✓")
_SIGNS = frozenset("+−=<>→←↑↓▲▼◀▶±×#&~^")


def _class_of(letter: str) -> tuple[float, float]:
    base = unicodedata.normalize("NFD", letter)[:1]
    if base in _NARROW:
        return NARROW
    if base in _WIDE:
        return WIDE
    if base in _SIGNS:
        return SIGNS
    if base.isascii() or base in "ßæøłđ°²³µΔ′":
        return CAPITALS if base.isupper() or base in "Δæ" else OTHERS
    return STRANGE


_WIDTHS: dict[str, tuple[float, float]] = {chr(n): _class_of(chr(n)) for n in range(32, 0x250)}


def wide(text: str, size: float, bold: bool = False) -> float:
    """The most that a line of words takes (px)."""
    return size * sum((_WIDTHS.get(c) or _class_of(c))[bold] for c in text)


def fitted(text: str, size: float, room: float, bold: bool = False) -> str:
    """The text, or as much of it as has room, with an ellipsis."""
    if wide(text, size, bold) <= room:
        return text
    while text and wide(text + "…", size, bold) > room:
        text = text[:-1]
    return text.rstrip(" ,-·") + "…"


def apart(point: Point, box: Box) -> float:
    """How far a point is from a box (px), 0 within it."""
    return math.hypot(
        max(box[0] - point[0], 0.0, point[0] - box[2]),
        max(box[1] - point[1], 0.0, point[1] - box[3]),
    )


@dataclass(frozen=True, slots=True)
class Form:
    """One way to write a label: what it is called, and the most it takes (px)."""

    name: str
    wide: float
    high: float


@dataclass(frozen=True, slots=True)
class Wish:
    """Words about the thing in `box`, the best form first.

    `towards`: which way there is most quiet (−1 to 1 across and down), where it matters; `roams`:
    so far (px) it may stand off, with a line, before a shorter form is better.
    """

    key: str
    box: Box
    forms: tuple[Form, ...]
    towards: Point = (0.0, 0.0)
    roams: float = 0.0
    middle: Point = field(init=False)

    def __post_init__(self) -> None:
        x0, y0, x1, y1 = self.box
        object.__setattr__(self, "middle", ((x0 + x1) / 2, (y0 + y1) / 2))


@dataclass(frozen=True, slots=True)
class Put:
    """Where a label went, in which form; `tie`: the line to its thing, where it stands off."""

    form: Form
    x: float
    y: float
    tie: tuple[Point, Point] | None = None

    @property
    def box(self) -> Box:
        return (self.x, self.y, self.x + self.form.wide, self.y + self.form.high)


class Raster:
    """What of a sheet is taken, in squares."""

    __slots__ = ("columns", "hard", "rows", "soft")

    def __init__(self, width: float, height: float) -> None:
        self.columns, self.rows = int(width / CELL), int(height / CELL)
        self.hard = [0] * self.rows
        self.soft = [0] * self.rows

    def copy(self) -> Raster:
        """The same sheet once more, to put something on for a while."""
        made = Raster(self.columns * CELL, self.rows * CELL)
        made.hard, made.soft = self.hard.copy(), self.soft.copy()
        return made

    def _span(self, box: Box) -> tuple[int, int, int]:
        """The squares of a box: a mask of columns, its first row, and one past its last."""
        x0 = max(0, math.floor(box[0] / CELL + 1e-6))
        x1 = min(self.columns, math.ceil(box[2] / CELL - 1e-6))
        y0 = max(0, math.floor(box[1] / CELL + 1e-6))
        y1 = min(self.rows, math.ceil(box[3] / CELL - 1e-6))
        return ((1 << max(0, x1 - x0)) - 1) << x0, y0, y1

    def take(self, box: Box) -> None:
        mask, y0, y1 = self._span(box)
        for row in range(y0, y1):
            self.hard[row] |= mask

    def give_back(self, box: Box) -> None:
        """Free again what `take` took: of a box that was free before."""
        mask, y0, y1 = self._span(box)
        for row in range(y0, y1):
            self.hard[row] &= ~mask

    def line(self, a: Point, b: Point) -> None:
        """A line that words had better not stand on."""
        steps = max(1, int(math.dist(a, b) / (CELL * 0.7)))
        for i in range(steps + 1):
            x = a[0] + (b[0] - a[0]) * i / steps
            y = a[1] + (b[1] - a[1]) * i / steps
            if 0 <= x < self.columns * CELL and 0 <= y < self.rows * CELL:
                self.soft[int(y / CELL)] |= 1 << int(x / CELL)

    def cost(self, column: int, row: int, wide: int, high: int) -> float | None:
        """What it costs to stand there; None where something is in the way."""
        if column < 0 or row < 0 or column + wide > self.columns or row + high > self.rows:
            return None
        mask = ((1 << wide) - 1) << column
        for line in self.hard[row : row + high]:
            if line & mask:
                return None
        return (
            OVER_A_LINE
            * CELL
            * sum((line & mask).bit_count() for line in self.soft[row : row + high])
        )


def put(raster: Raster, wishes: Sequence[Wish]) -> dict[str, Put]:
    """A place for each wish that there is one for. What is taken stays taken.

    Everything that is no label has to be taken before: the things themselves too.
    """
    crowd = [wish.middle for wish in wishes]
    order = sorted(wishes, key=lambda w: (-_crowded(w, crowd), w.middle[1], w.middle[0], w.key))
    found: dict[str, Put] = {}
    for wish in order:
        least = _beside(raster, wish, wish.forms[-1], crowd)
        if least is not None:
            found[wish.key] = least
            raster.take(least.box)
    for wish in order:
        least = found.get(wish.key)
        if least is not None:
            raster.give_back(least.box)
        for form in wish.forms:
            better = _beside(raster, wish, form, crowd)
            if better is None and wish.roams:
                better = _anywhere(raster, wish, form, wish.roams)
            if better is not None:
                found[wish.key] = better
                raster.take(better.box)
                break
    if len(wishes) <= FEW:
        _made_room(raster, order, found, crowd)
    for wish in order:
        if wish.key not in found:
            far = _anywhere(raster, wish, wish.forms[-1], math.inf)
            if far is not None:
                found[wish.key] = far
                raster.take(far.box)
    return found


def beside(raster: Raster, wish: Wish, crowd: Sequence[Point]) -> Put | None:
    """A place for one more wish, on a sheet that is otherwise done: next to its thing, or as near
    as it may roam; in its first form if that is anywhere."""
    for form in wish.forms:
        found = _beside(raster, wish, form, crowd) or _anywhere(raster, wish, form, wish.roams)
        if found is not None:
            raster.take(found.box)
            return found
    return None


def _made_room(
    raster: Raster, wishes: Sequence[Wish], found: dict[str, Put], crowd: Sequence[Point]
) -> None:
    """Labels that came out short, and that come out better when one neighbour makes room.

    The neighbour goes elsewhere in a form as good as it had; else all stays.
    """
    for wish in wishes:
        now = found.get(wish.key)
        if now is None:
            continue
        for form in wish.forms[: wish.forms.index(now.form)]:
            if _gave_way(raster, wish, form, wishes, found, crowd):
                break


def _gave_way(
    raster: Raster,
    wish: Wish,
    form: Form,
    wishes: Sequence[Wish],
    found: dict[str, Put],
    crowd: Sequence[Point],
) -> bool:
    now = found[wish.key]
    for other in wishes:
        there = found.get(other.key)
        if other is wish or there is None or apart(wish.middle, there.box) > form.wide:
            continue
        raster.give_back(now.box)
        raster.give_back(there.box)
        better = _beside(raster, wish, form, crowd)
        if better is not None and better.tie is None:
            raster.take(better.box)
            moved = _beside(raster, other, there.form, crowd)
            if moved is not None and moved.tie is None:
                raster.take(moved.box)
                found[wish.key], found[other.key] = better, moved
                return True
            raster.give_back(better.box)
        raster.take(now.box)
        raster.take(there.box)
    return False


def _crowded(wish: Wish, crowd: Iterable[Point]) -> int:
    return sum(apart(point, wish.box) < 60.0 for point in crowd)


# to the raster, away from the thing: up from it, to the nearest, down
AWAY, NEAREST, BACK = math.ceil, round, math.floor
Snap = Callable[[float], int]


@lru_cache(maxsize=512)
def _spots(
    wide: int, high: int, across: float, down: float
) -> list[tuple[float, float, float, float, float, Snap, Snap]]:
    """Places beside a thing `across` by `down` px for a box of so many squares, cheapest first.

    Each is (cost, which way across, which way down, x and y from the thing's middle, and how each
    is rounded to the raster).
    """
    w, h = wide * CELL, high * CELL
    found: list[tuple[float, float, float, float, float, Snap, Snap]] = []
    for gap in NEAR:
        right, below = across / 2 + gap, down / 2 + gap
        for share in (0.5, 0.25, 0.75, 0.0, 1.0):
            off = gap + 6.0 * abs(share - 0.5)
            # beside it: its lines at the height of its middle are best
            found.append((off, 1.0, 0.0, right, -share * h, AWAY, NEAREST))
            found.append((off, -1.0, 0.0, -right - w, -share * h, BACK, NEAREST))
            # below and above it: at its middle, or flush with an edge of a wide thing
            x = (share - 0.5) * across - share * w if across > w else -share * w
            found.append((off + 1.0, 0.0, 1.0, x, below, NEAREST, AWAY))
            found.append((off + 2.0, 0.0, -1.0, x, -below - h, NEAREST, BACK))
    return sorted(found, key=lambda spot: spot[:5])


def _beside(raster: Raster, wish: Wish, form: Form, crowd: Sequence[Point]) -> Put | None:
    """The best place next to the thing in this form."""
    x0, y0, x1, y1 = wish.box
    wide, high = math.ceil(form.wide / CELL), math.ceil(form.high / CELL)
    middle_x, middle_y = wish.middle
    to_x, to_y = wish.towards
    reach = max(form.wide, x1 - x0) + 60.0
    others = [
        point
        for point in crowd
        if abs(point[0] - middle_x) < reach
        and abs(point[1] - middle_y) < 90.0
        and point != wish.middle
    ]
    columns, rows, hard = raster.columns, raster.rows, raster.hard
    ones = (1 << wide) - 1
    best: tuple[float, float, float] | None = None
    for off, side, lies, dx, dy, snap_x, snap_y in _spots(wide, high, x1 - x0, y1 - y0):
        if best is not None and off - MOST_TOWARDS >= best[0]:
            break
        cost = off - TOWARDS * (side * to_x + lies * to_y)
        if best is not None and cost >= best[0]:
            continue
        column, row = snap_x((middle_x + dx) / CELL), snap_y((middle_y + dy) / CELL)
        if column < 0 or row < 0 or column + wide > columns or row + high > rows:
            continue
        # most are refused by their middle or an end: asked before all the rest
        mask = ones << column
        if (hard[row] | hard[row + high // 2] | hard[row + high - 1]) & mask:
            continue
        over = raster.cost(column, row, wide, high)
        if over is None or (best is not None and cost + over >= best[0]):
            continue
        cost += over
        x, y = column * CELL, row * CELL
        box = (x, y, x + form.wide, y + form.high)
        own = gap_of(wish.box, box) + 10.0
        if any(apart(other, box) < min(own, 24.0) for other in others):
            # somebody else might be meant
            cost += DOUBT
            if best is not None and cost >= best[0]:
                continue
        best = (cost, x, y)
    return None if best is None else _tied(wish, form, best[1], best[2], crowd)


def gap_of(a: Box, b: Box) -> float:
    """How far two boxes are from each other (px)."""
    return math.hypot(max(a[0] - b[2], b[0] - a[2], 0.0), max(a[1] - b[3], b[1] - a[3], 0.0))


def _tied(wish: Wish, form: Form, x: float, y: float, crowd: Sequence[Point]) -> Put:
    box = (x, y, x + form.wide, y + form.high)
    gap = gap_of(wish.box, box)
    doubtful = any(
        other != wish.middle and apart(other, box) < apart(wish.middle, box) for other in crowd
    )
    if gap <= TIED_FROM and not doubtful:
        return Put(form, x, y)
    middle = wish.middle
    end = (min(max(middle[0], box[0]), box[2]), min(max(middle[1], box[1]), box[3]))
    # from the edge of the thing, as far as it is round
    reach = min(wish.box[2] - wish.box[0], wish.box[3] - wish.box[1]) / 2 - 3.0
    far = math.dist(middle, end)
    if far <= reach + 2.0:
        return Put(form, x, y)
    share = reach / far
    start = (middle[0] + share * (end[0] - middle[0]), middle[1] + share * (end[1] - middle[1]))
    return Put(form, x, y, (start, end))


def _anywhere(raster: Raster, wish: Wish, form: Form, limit: float) -> Put | None:
    """The nearest free place on the sheet within so many px, with a line to it."""
    wide, high = math.ceil(form.wide / CELL), math.ceil(form.high / CELL)
    middle_x, middle_y = wish.middle
    column_of, whole = middle_x / CELL - wide / 2, (1 << raster.columns) - 1
    best: tuple[float, int, int] | None = None
    rows = range(raster.rows - high + 1)
    for row in sorted(rows, key=lambda row: abs((row + high / 2) * CELL - middle_y)):
        down = (row + high / 2) * CELL - middle_y
        if best is not None and abs(down) >= best[0]:
            break
        taken = 0
        for line in raster.hard[row : row + high]:
            taken |= line
        # bit n stays where the n-th column and the wide - 1 after it are free
        free, done = ~taken & whole, 1
        while done < wide:
            step = min(done, wide - done)
            free &= free >> step
            done += step
        if not free:
            continue
        # the nearest one to the left, and to the right
        here = max(0, min(raster.columns, math.floor(column_of)))
        left, right = free & ((1 << (here + 1)) - 1), free >> (here + 1)
        for column in (
            left.bit_length() - 1,
            here + (right & -right).bit_length() if right else -1,
        ):
            if column < 0:
                continue
            x, y = column * CELL, row * CELL
            far = gap_of(wish.box, (x, y, x + form.wide, y + form.high))
            if far > limit:
                continue
            far = math.hypot((column - column_of) * CELL, down)
            if best is None or far < best[0]:
                best = (far, column, row)
    if best is None:
        return None
    return _tied(wish, form, best[1] * CELL, best[2] * CELL, [])

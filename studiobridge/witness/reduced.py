"""What was learned, reduced to what the solver holds: every lamp's picture in blocks, and what else
may be in a frame.

Besides the lamps a frame has errors that are not each block's own: smooth ones (light that a person
sends elsewhere), smooth ones in colour, the camera's curve, and black that is not quite black. Each
is a column beside the lamps, of the size (a spread) it may have. Stray light has a few columns.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import cv2
import numpy as np
from numpy.typing import NDArray

from studiobridge.witness.blocks import BLOCK, FINE, means, of_light, shape_of
from studiobridge.witness.learned import Learned, Picture

Mask = NDArray[np.bool_]
Floats = NDArray[np.float64]
Singles = NDArray[np.float32]

SURE = 1.96  # of a normal spread: 95 of 100
# What compression does to the mean of one block and to a finer part (codes).
PRESSED, PRESSED_FINE = 0.25, 1.5
# Smooth errors: waves across and down; those in colour have this share of the spread of the others.
WAVES, TINTED = (5, 4), 0.5
# ... and so many of them for each lamp's own light.
SLOW = (4, 3)
# Codes at which the curve's own error is taken to be independent.
KNOTS = (0.0, 25.0, 60.0, 110.0, 170.0, 255.0)
# How far off black may be, in what is read where there is no light.
BLACK = 0.4
# Daylight against the lamps, where none of them has a cool white of its own (BGR); a lamp is cool
# from so much more blue than red in what it lights, or from that white (K) where it says so.
DAYLIGHT, COOL, COOL_WHITE = (1.35, 1.0, 0.75), 1.15, 5000.0
# A lamp whose colours are nearer to daylight's than this ratio is not told from daylight.
ALIKE = 1.3
# Of more blocks than this, every second across and down is enough for a way down.
MANY = 1000
# No light is less than this: it is divided by.
LEAST = 1e-6
# What goes by the light is looked up by its root, in so many steps.
ROOTS = 512


class Reduced:
    """Rows are blocks × channels (BGR), all float32; columns are lamps' shares, then errors."""

    def __init__(self, learned: Learned) -> None:
        self.curve, self.clips, self.size = learned.curve, learned.clips, learned.size
        self.read, self.shot = learned.read, learned.shot
        self.shares = tuple((share.device, share.cct) for share in learned.shares)
        self.devices = tuple(dict.fromkeys(device for device, _ in self.shares))
        self.of = {
            name: [i for i, (device, _) in enumerate(self.shares) if device == name]
            for name in self.devices
        }
        self.shape = shape_of(learned.size)
        if min(self.shape) < 4:
            raise ValueError("a learned picture has at least 64 × 64 px")
        # one picture after another: none is held longer than it takes to reduce it
        number, dark = _reduce(learned.dark)
        self.fine_dark, self.dark = dark.reshape(-1), _block(dark).reshape(-1)
        self.fine = np.empty((len(self.fine_dark), len(self.shares)), np.float32)
        self.light = np.empty((len(self.dark), len(self.shares)), np.float32)
        for i, share in enumerate(learned.shares):
            good, fine = _reduce(share.light)
            number &= good
            self.fine[:, i], self.light[:, i] = fine.reshape(-1), _block(fine).reshape(-1)
        self.known = of_light(learned.dark, number).usable
        stray = _stray(self.light, self.shape, self.shares)
        self.with_stray = np.concatenate([self.light, stray], axis=1)
        grey, tints = _waves(self.shape)
        self.smooth, self.grey = np.concatenate([grey, tints], axis=1), grey.shape[1]
        # the smoothest of them, which somebody may make of one lamp's light
        slow = [i * WAVES[1] + j for i in range(SLOW[0]) for j in range(SLOW[1])]
        self._slow = np.ascontiguousarray(self.smooth[:, slow].T)
        thin = np.zeros(self.shape, bool)
        by = 2 if thin.size > MANY else 1
        thin[::by, ::by] = True
        self.some = np.flatnonzero(thin)
        # by the root of the light: how much light one code more is; near which codes it is
        roots = (np.arange(ROOTS) / ROOTS) ** 2
        green = learned.curve.light[1].astype(np.float64)
        per_code = np.maximum(np.gradient(green), 1e-7)
        self._steps = np.interp(roots, green, per_code).astype(np.float32)
        codes = np.arange(256, dtype=np.float64)
        at = np.interp(roots, green, codes)
        each = np.eye(len(KNOTS))
        hats = [np.interp(at, KNOTS, each[k]) for k in range(len(KNOTS))]
        self._hats = np.stack(hats, axis=1).astype(np.float32)
        off = np.nan_to_num(learned.curve.sure[1].astype(np.float64), nan=0.5, posinf=0.5)
        off = np.interp(KNOTS, codes, np.clip(off, 0.0, 1.0)) * math.log(2.0) / SURE
        self._curve_off = off + 1e-4

    def predict(self, x: Floats) -> Singles:
        return np.asarray(self.light @ x.astype(np.float32) + self.dark, np.float32)

    def noise(self, light: Singles, fine: bool = False) -> Singles:
        """Variance of a block's mean: the camera's noise, and what compression does to it."""
        side, pressed = (FINE, PRESSED_FINE) if fine else (BLOCK, PRESSED)
        positive = np.maximum(light, 0.0)
        step = self.one_code(positive)
        own = (self.read**2 + self.shot * positive) / side**2
        return np.asarray(own + (pressed * step) ** 2 + 1e-12, np.float32)

    def one_code(self, light: Singles) -> Singles:
        """How much light one code more is, where there is so much (none below zero)."""
        return np.asarray(self._steps[_by_root(light)], np.float32)

    # ---- errors that blocks share, as columns -----------------------------------------------

    def columns(self) -> Singles:
        """Lamps, and room for the errors; black is there already."""
        n, waves = self.light.shape[1], self.smooth.shape[1]
        found = np.empty((len(self.light), n + waves + len(KNOTS) + 3), np.float32)
        found[:, :n] = self.light
        # black is not quite black: noise below nothing is cut off there
        found[:, -3:] = np.tile(np.eye(3, dtype=np.float32), (len(found) // 3, 1))
        return found

    def fill(self, columns: Singles, guess: Singles) -> None:
        """The errors' columns, where there is so much light; each still of no size."""
        n, waves = self.light.shape[1], self.smooth.shape[1]
        np.multiply(self.smooth, guess[:, None], out=columns[:, n : n + waves])
        columns[:, n + waves : -3] = self.curved(guess)

    def curved(self, guess: Singles) -> Singles:
        """The curve's error: straight between some codes, each with its own spread."""
        return np.asarray(self._hats[_by_root(guess)] * guess[:, None], np.float32)

    def fields(self, x: Floats, each: Singles) -> Singles:
        """Each lamp's light, smoothly more or less by itself, times `each`: (lamps × waves) × rows,
        for numpy is slow along a few waves."""
        gives = np.multiply(self.light.T, x.astype(np.float32)[:, None], order="C")
        found = np.empty((len(self.of), *self._slow.shape), np.float32)
        for i, of in enumerate(self.of.values()):
            np.multiply(self._slow, gives[of].sum(axis=0) * each, out=found[i])
        return found.reshape(-1, len(each))

    def sizes(self, tau: float, black: bool = True) -> Floats:
        """How large each error may be, smooth ones with this spread (share of the light)."""
        parts = [
            np.full(self.grey, tau),
            np.full(self.smooth.shape[1] - self.grey, tau * TINTED),
            self._curve_off,
        ]
        return np.concatenate([*parts, np.full(3, BLACK * self.read)] if black else parts)


def by_block(rows: NDArray[np.floating]) -> Singles:
    """The mean of each block's three channels: numpy is slow along a short last axis."""
    whole = rows[..., 0::3] + rows[..., 1::3] + rows[..., 2::3]
    return np.asarray(whole / np.float32(3), np.float32)


def _by_root(light: Singles) -> NDArray[np.int32]:
    at = np.minimum(np.sqrt(light) * np.float32(ROOTS), np.float32(ROOTS - 1))
    return np.asarray(at.astype(np.int32))


def _reduce(picture: Picture) -> tuple[Mask, Singles]:
    """Where all of it is a number, and its means."""
    number = np.isfinite(picture)
    if number.all():
        return np.ones(picture.shape[:2], bool), means(picture, FINE)
    return np.asarray(number.all(axis=2)), means(np.where(number, picture, 0.0), FINE)


def _block(fine: Singles) -> Singles:
    size = (fine.shape[1] * FINE // BLOCK, fine.shape[0] * FINE // BLOCK)
    return np.asarray(cv2.resize(fine, size, interpolation=cv2.INTER_AREA), np.float32)


def _waves(shape: tuple[int, int]) -> tuple[Singles, Singles]:
    """Smooth errors over the picture: cosines in all colours alike, and a few in single ones."""
    rows, columns = shape
    across = [np.cos(math.pi * i * (np.arange(columns) + 0.5) / columns) for i in range(WAVES[0])]
    down = [np.cos(math.pi * j * (np.arange(rows) + 0.5) / rows) for j in range(WAVES[1])]
    grey, tint = [], []
    for i, wave in enumerate(across):
        for j, other in enumerate(down):
            field_ = np.outer(other, wave).reshape(-1, 1)
            grey.append(np.repeat(field_, 3, axis=1).reshape(-1))
            if i + j <= 1:
                tint += [(field_ * np.array(way)).reshape(-1) for way in ((1, 0, -1), (1, -2, 1))]
    return (
        np.stack(grey, axis=1).astype(np.float32),
        np.stack(tint, axis=1).astype(np.float32),
    )


def surfaces(light: Singles) -> Singles:
    """What reflects in each block, as the lamps show it together: blocks × BGR, of no amount.

    `light`: of each lamp, blocks and channels × lamps.
    """
    return np.asarray(np.exp(_against_mean(light).mean(axis=1)).reshape(-1, 3), np.float32)


def daylight(light: Singles, whites: Sequence[float | None]) -> Floats:
    """The colour that daylight has for this camera (BGR, 1 on the whole) where it lights all that
    the lamps light: as that of the lamps with a white of that kind, and of several as the middle
    one's; else as the coolest lamp's, made cooler where none is cool.

    Lamps are held against each other at the same places: by its mean picture a lamp on a blue cloth
    is cooler than any daylight. One that is another for any reason is not all that is known then.
    """
    logs = _against_mean(light)
    surface = logs.mean(axis=1, keepdims=True)
    apart = (logs - surface).reshape(-1, 3, light.shape[1])
    apart = apart - apart.mean(axis=1, keepdims=True)
    # in its dark a lamp's colour is that of its noise
    much = np.minimum(np.exp(logs.reshape(apart.shape)).mean(axis=1), 1.0)
    own = np.einsum("bcl,bl->cl", apart, much) / np.maximum(much.sum(axis=0), 1e-9)
    tints = np.exp(surface).reshape(-1, 3).mean(axis=0)[:, None] * np.exp(own)
    ratio = tints[0] / np.maximum(tints[2], 1e-6)
    order = [int(i) for i in np.argsort(ratio)]
    of_day = [i for i in order if (whites[i] or 0.0) >= COOL_WHITE]
    if of_day:
        cool = tints[:, of_day[(len(of_day) - 1) // 2]]
    else:
        cool = tints[:, order[-1]]
        if ratio[order[-1]] < COOL:
            cool = cool * np.array(DAYLIGHT)
    return np.asarray(cool / max(float(cool.mean()), 1e-9), np.float64)


def _against_mean(light: Singles) -> Floats:
    """The logarithm of each lamp's light against its mean; what is all but dark counts for dark."""
    light = light.astype(np.float64)
    floor = 0.02 * light.mean(axis=0) + 1e-9
    return np.asarray(
        np.log((np.maximum(light, 0.0) + floor) / (light.mean(axis=0) + floor)), np.float64
    )


def _stray(
    light: Singles, shape: tuple[int, int], shares: Sequence[tuple[str, float | None]]
) -> Singles:
    """What stray light may look like: from where a lamp stands but in daylight's colour; from all
    sides, from one side.

    A window lights a room much as a lamp does that stands near it. Each is as much light in the
    middle of the picture as all lamps at full give.
    """
    rows, columns = shape
    means_ = light.reshape(-1, 3, light.shape[1]).mean(axis=0)  # channels × shares
    colour = daylight(light, [cct for _, cct in shares])
    surface = surfaces(light).reshape(rows, columns, 3)
    across, down = np.meshgrid(np.linspace(0, 1, columns), np.linspace(0, 1, rows))
    ways: list[Singles | Floats]
    ways = [surface * (w**2)[..., None] for w in (1 - across, across, 1 - down, down)]
    ways.append(surface)
    coolest: dict[str, int] = {}
    for i, (name, cct) in enumerate(shares):
        known = coolest.get(name)
        if known is None or (cct or 0.0) > (shares[known][1] or 0.0):
            coolest[name] = i
    for i in coolest.values():
        # a lamp of one white that is daylight's already: nothing tells a window beside it apart
        own = means_[:, i] / np.maximum(means_[:, i].mean(), 1e-9) / colour
        if shares[i][1] is not None or own.max() > ALIKE * own.min():
            ways.append(light[:, i].reshape(rows, columns, 3))
    total = float(light.sum(axis=1).mean())
    found = []
    for way in ways:
        tinted = way * (colour / np.maximum(way.reshape(-1, 3).mean(axis=0), 1e-9))
        found.append(tinted.reshape(-1) * (total / float(tinted.mean())))
    return np.stack(found, axis=1).astype(np.float32)

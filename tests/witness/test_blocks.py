"""Means over places of a picture: the same as taken one by one, and what is no number in one only."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from studiobridge.witness.blocks import averages, greatest, least, sums, to_parts

SIZES = [
    ((249, 730, 3), (9, 9)),
    ((249, 730), (9, 9)),
    ((540, 960, 3), (26, 15)),
    ((36, 27), (9, 9)),
]


@pytest.mark.parametrize(("shape", "size"), SIZES)
def test_means_of_places_that_begin_within_a_pixel(
    shape: tuple[int, ...], size: tuple[int, int]
) -> None:
    light = np.random.default_rng(1).random(shape, np.float32)
    wants = cv2.resize(light, size, interpolation=cv2.INTER_AREA)
    assert averages(light, size) == pytest.approx(wants, rel=1e-5)
    # ... and of a part of a picture, which does not lie in one piece
    wide = np.zeros((shape[0] + 4, shape[1] + 7, *shape[2:]), np.float32)
    part = wide[2:-2, 3:-4]
    part[:] = light
    assert averages(part, size) == pytest.approx(wants, rel=1e-5)


def test_a_place_of_more_rows_than_there_are_is_still_a_mean() -> None:
    light = np.arange(12, dtype=np.float32).reshape(3, 4)
    found = averages(light, (4, 6))
    assert found.shape == (6, 4) and found[0, 0] == 0.0 and found[-1, -1] == 11.0


def test_what_is_no_number_is_none_in_its_place_alone() -> None:
    light = np.ones((50, 70, 3), np.float32)
    light[12, 30, 1] = np.nan
    found = averages(light, (9, 9))
    assert np.isnan(found).sum() == 1 and np.isnan(found[2, 3, 1])


def test_sums_and_figures_of_blocks_by_their_parts() -> None:
    dice = np.random.default_rng(2)
    parts = dice.random((5, 4, 7, 4, 3), np.float32)
    assert np.array_equal(sums(parts), parts.sum(axis=(1, 3)))
    by = dice.random((5, 7, 3), np.float32)
    assert np.array_equal(to_parts(parts, by), parts * by[:, None, :, None, :])
    assert np.array_equal(greatest(by), by.max(axis=2))
    assert np.array_equal(least(by), by.min(axis=2))

"""The level of dark, read off the corners outside the round edge of the eyepiece image."""

from __future__ import annotations

import math

import numpy as np

from viewer.measure.contrast import Dark

# The dark of a recording, as a share of nominal white, above which it is a pedestal; below, noise cut at black explains it
# (a mean of 0.17 to 0.4 of the noise, as the encoder smooths it or not).
LEAST = 0.0004
MARGIN = 1.08


def corner_masks(shape: tuple[int, int], cx: float, cy: float, radius: float) -> list[np.ndarray]:
    """Return masks of the parts of a picture of `shape` (rows, cols) outside the field, by quarters of at least 200 px."""
    rows, cols = np.ogrid[: shape[0], : shape[1]]
    outside = (cols - cx) ** 2 + (rows - cy) ** 2 > (MARGIN * radius) ** 2
    masks = []
    for left in (True, False):
        for top in (True, False):
            half = ((cols < cx) if left else (cols >= cx)) & ((rows < cy) if top else (rows >= cy))
            mask = outside & half
            if np.count_nonzero(mask) >= 200:
                masks.append(mask)
    return masks


def corner_dark(
    light: np.ndarray, masks: list[np.ndarray], *, black_share: float, noise: float, region_level: float
) -> tuple[Dark, str]:
    """Return the dark level that the corners give, and why it is used or not.

    Subtracting noise that was cut at black would raise every contrast, so a level is taken only if it cannot be that: not at
    black, above what cut noise would leave, alike in all corners, and darker than the regions.

    Parameters
    ----------
    light : ndarray of shape (rows, cols)
        Mean linear light of some frames.
    masks : list of ndarray
        As from `corner_masks`.
    black_share : float
        Share of corner samples at the code of black, those below it taken off (noise that goes on below black is not cut).
    noise : float
        Pixel noise of the corners over frames; noise cut at black has a mean of 0.7 of its own deviation.
    region_level : float
        Level of the darker region.

    Returns
    -------
    Dark, str
        A level of 0 from ``none`` if it is not taken: its error then covers what the corners show.
    """
    if len(masks) < 2:
        return Dark(), "no corner outside the field"
    levels = np.array([float(np.median(light[mask])) for mask in masks])
    level, spread = float(np.median(levels)), float(levels.max() - levels.min())
    unsure = Dark(0.0, max(0.0, level))
    if black_share > 0.02:
        return unsure, "the corners are cut at black"
    if level < LEAST or level < noise:
        return unsure, "the corners are as dark as the noise of black"
    if spread > 0.25 * level:
        return unsure, "the corners differ from each other: stray light"
    if level >= region_level:
        return Dark(), "the corners are no darker than the regions"
    return Dark(level, math.hypot(0.5 * spread, 0.03 * level), "the corners outside the field"), ""


__all__ = ["LEAST", "MARGIN", "corner_dark", "corner_masks"]

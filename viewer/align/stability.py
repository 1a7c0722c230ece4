"""How the picture moves from frame to frame in a handheld clip: a track that regions follow.

Bands of gating, a pulsing screen and people who walk move on their own and fool a plain correlation of frames.  So every frame
is compared twice, with what is level along rows taken off and with what is level along columns taken off (bands lie along one
of the two), and quarter by quarter: the camera moved only where all of them tell the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import scipy.fft as sfft

from viewer.cv import cv2
from viewer.errors import UsageError

_REACH = 12.0
_LEAST_FAR = 8.0
_BLIND = 3.0


@dataclass(frozen=True, kw_only=True)
class ShiftTrack:
    """Where each frame's picture lies against the usual place.

    Parameters
    ----------
    time_s : ndarray of shape (N,)
    shift_px : ndarray of shape (N, 2)
        (x, y): what stands at p in the usual place stands at p + shift in the frame.  The median is 0.
    sigma_px : float
        1-sigma error of one shift, from the noise of the frames.
    """

    time_s: np.ndarray
    shift_px: np.ndarray
    sigma_px: float

    @property
    def rms_px(self) -> float:
        """Rms of the movement."""
        return float(np.sqrt((self.shift_px**2).sum(axis=1).mean()))

    @property
    def moving(self) -> bool:
        """Whether the movement stands clear of the error of measuring it."""
        return self.rms_px > max(3.0 * self.sigma_px, 0.15)

    def at(self, time_s: float) -> tuple[float, float]:
        """Shift of the frame on show at a time (s)."""
        k = int(np.clip(np.searchsorted(self.time_s, time_s + 5e-4, side="right") - 1, 0, len(self.time_s) - 1))
        return float(self.shift_px[k, 0]), float(self.shift_px[k, 1])


@dataclass(frozen=True, kw_only=True)
class Shift:
    """Shift (x, y) of one frame, its 1-sigma error, and whether all ways of measuring it tell the same (px of the clip)."""

    px: np.ndarray
    sigma_px: float
    agreed: bool


class Follower:
    """Measures the shift of frames against the first one, one after the other.

    Parameters
    ----------
    first : ndarray of shape (rows, cols)
        Small picture in logarithmic light.
    mask : ndarray of the same shape, bool, optional
        Inside of the field, where that stands still while the scene moves.
    scale : float
        Pixels of the clip to a pixel of the small pictures.
    """

    def __init__(self, first: np.ndarray, mask: np.ndarray | None = None, *, scale: float = 1.0) -> None:
        self._inside = np.ones(first.shape, bool) if mask is None else mask
        self._taper = _taper(self._inside)
        self._levels = [_Level.of(self._inside, axis) for axis in (1, 0)]
        self._usual = [_Usual.of(level.off(np.asarray(first, np.float32)), self._taper) for level in self._levels]
        self._scale = scale

    def shift(self, frame: np.ndarray) -> Shift:
        """Return the shift of a frame of the same shape."""
        fits = []
        for level, usual in zip(self._levels, self._usual, strict=True):
            even = level.off(np.asarray(frame, np.float32))
            near = _fine(usual, even, np.zeros(2))
            still = near.agreed and float(np.abs(near.px).max()) < 1.0
            fits.append(near if still else _fine(usual, even, _coarse(usual, even)))
        best, other = sorted(fits, key=lambda fit: fit.sigma_px)
        gap = float(np.hypot(*(best.px - other.px)))
        limit = max(0.15, 0.05 * float(np.hypot(*best.px)), 3.0 * math.hypot(best.sigma_px, other.sigma_px))
        # Deep bands leave the way that they lie across blind; then it isn't asked.
        blind = other.sigma_px > _BLIND * best.sigma_px
        agreed = best.agreed and (blind or (other.agreed and gap < min(limit, 1.5)))
        return Shift(px=best.px * self._scale, sigma_px=best.sigma_px * self._scale, agreed=agreed)


def shift_track(time_s: np.ndarray, frames: np.ndarray, mask: np.ndarray | None = None, *, scale: float = 1.0) -> ShiftTrack:
    """Measure the shift of every frame against the mean picture, which is made anew from the frames laid over each other.

    Parameters
    ----------
    time_s : ndarray of shape (N,)
    frames : ndarray of shape (N, rows, cols)
        Small pictures in logarithmic light.
    mask : ndarray of shape (rows, cols), bool, optional
        Inside of the field, where that stands still while the scene moves.
    scale : float
        Pixels of the clip to a pixel of the small pictures; shifts are returned in px of the clip.

    Raises
    ------
    UsageError
        With fewer than two frames.
    """
    stack = np.asarray(frames)
    if stack.ndim != 3 or len(stack) < 2:
        raise UsageError("a shift track needs two frames or more.")
    inside = np.ones(stack.shape[1:], bool) if mask is None else mask
    taper = _taper(inside)
    tracks = [_track(stack, inside, taper, axis) for axis in (1, 0)]
    shifts, sigma = min(tracks, key=lambda found: found[1])
    return ShiftTrack(time_s=np.asarray(time_s, float), shift_px=shifts * scale, sigma_px=sigma * scale)


def _track(stack: np.ndarray, inside: np.ndarray, taper: np.ndarray, axis: int) -> tuple[np.ndarray, float]:
    """Shifts (N, 2) about their median and the usual error of one, bands along one axis taken off."""
    level = _Level.of(inside, axis)
    even = np.stack([level.off(np.asarray(frame, np.float32)) for frame in stack])
    usual = _Usual.of(even[0], taper)
    shifts = np.array([_coarse(usual, frame) for frame in even])
    sigma = 0.0
    for _ in range(3):
        shifts -= np.median(shifts, axis=0)
        mean = np.mean([_moved(frame, shift) for frame, shift in zip(even, shifts, strict=True)], axis=0)
        usual = _Usual.of(mean, taper)
        fits = [_fine(usual, frame, shift) for frame, shift in zip(even, shifts, strict=True)]
        shifts = np.array([fit.px for fit in fits])
        sigma = float(np.median([fit.sigma_px for fit in fits]))
    return shifts - np.median(shifts, axis=0), sigma


@dataclass(frozen=True, eq=False)
class _Usual:
    """The picture that frames are compared with: its slopes, and where it counts."""

    values: np.ndarray
    slope_x: np.ndarray
    slope_y: np.ndarray
    taper: np.ndarray
    sample: np.ndarray
    spectrum: np.ndarray

    @classmethod
    def of(cls, values: np.ndarray, taper: np.ndarray) -> _Usual:
        values = np.asarray(values, np.float32)
        slopes = [cv2.Sobel(values, cv2.CV_32F, i, 1 - i, ksize=3, scale=1 / 8) for i in (1, 0)]
        sample = np.flatnonzero(taper > 0.5)[::4]  # enough to tell the spread
        return cls(values, slopes[0], slopes[1], taper, sample, np.conj(sfft.rfft2(values * taper)))


@dataclass(frozen=True, eq=False)
class _Level:
    """Takes off what is level along rows (axis 1) or columns (axis 0) within `_REACH` px, slow shading and noise too."""

    across: np.ndarray
    down: np.ndarray
    inside: np.ndarray
    seen: np.ndarray

    @classmethod
    def of(cls, inside: np.ndarray, axis: int) -> _Level:
        half = 2 * math.ceil(3.0 * _REACH) + 1
        kernel = np.exp(-0.5 * ((np.arange(half) - half // 2) / _REACH) ** 2).astype(np.float32)
        one = np.ones(1, np.float32)
        across, down = (kernel, one) if axis == 1 else (one, kernel)
        m = inside.astype(np.float32)
        seen = cv2.sepFilter2D(m, cv2.CV_32F, across, down, borderType=cv2.BORDER_CONSTANT)
        return cls(across, down, m, np.maximum(seen, 1e-3))

    def off(self, frame: np.ndarray) -> np.ndarray:
        m = self.inside
        level = cv2.sepFilter2D(frame * m, cv2.CV_32F, self.across, self.down, borderType=cv2.BORDER_CONSTANT)
        even = (frame - level / self.seen) * m
        return np.asarray(cv2.GaussianBlur(even, (0, 0), 1.0) - cv2.GaussianBlur(even, (0, 0), 8.0), np.float32)


def _taper(inside: np.ndarray) -> np.ndarray:
    soft = cv2.GaussianBlur(
        cv2.erode(inside.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0).astype(np.float32), (0, 0), 4.0
    )
    return np.asarray(np.clip(2.0 * soft - 1.0, 0.0, 1.0))


def _coarse(usual: _Usual, frame: np.ndarray) -> np.ndarray:
    """Whole-pixel shift by half-whitened correlation."""
    cross = usual.spectrum * sfft.rfft2(frame * usual.taper)
    plane = sfft.irfft2(cross / (np.abs(cross) ** 0.5 + 1e-9), frame.shape)
    y, x = np.unravel_index(int(np.argmax(plane)), plane.shape)
    rows, cols = plane.shape
    return np.array([x - cols if x > cols // 2 else x, y - rows if y > rows // 2 else y], float)


def _moved(frame: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """The frame brought to the usual place."""
    matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    rows, cols = frame.shape
    return np.asarray(cv2.warpAffine(frame, matrix, (cols, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP))


def _fine(usual: _Usual, frame: np.ndarray, shift: np.ndarray) -> Shift:
    """Least-squares steps on the shift, and whether its quarters agree to it."""
    gx, gy, taper = usual.slope_x, usual.slope_y, usual.taper
    found = Shift(px=shift.astype(float), sigma_px=math.inf, agreed=False)
    moved = frame
    for _ in range(4):
        moved = _moved(frame, found.px)
        gap = (moved - usual.values) * taper
        spread = 1.4826 * float(np.median(np.abs(gap.ravel()[usual.sample]))) + 1e-9
        w = taper / np.maximum(1.0, np.abs(gap) / (2.0 * spread))
        solved = _solve(w, gx, gy, gap)
        if solved is None:
            return found
        # A frame that lies `shift` off shows the mean's slope times that shift as its gap.
        step, strength = solved
        found = Shift(
            px=found.px - np.clip(step, -2.0, 2.0), sigma_px=math.sqrt(max(spread**2 * strength * 12.0, 0.0)), agreed=False
        )
        if float(np.abs(step).max()) < 1e-3:
            break
    return replace(found, agreed=_clear(usual, moved) and _quarters_agree(w, gx, gy, gap, spread))


def _solve(w: np.ndarray, gx: np.ndarray, gy: np.ndarray, gap: np.ndarray) -> tuple[np.ndarray, float] | None:
    """The least-squares step of a shift and the trace of its inverse normal matrix; None where slopes point one way only."""
    wx, wy = w * gx, w * gy
    xx, xy, yy = (float(np.vdot(a, b)) for a, b in ((wx, gx), (wx, gy), (wy, gy)))
    rx, ry = float(np.vdot(wx, gap)), float(np.vdot(wy, gap))
    det = xx * yy - xy * xy
    if det <= 1e-12 * (xx + yy) ** 2:
        return None
    return np.array([yy * rx - xy * ry, xx * ry - xy * rx]) / det, (xx + yy) / det


def _clear(usual: _Usual, moved: np.ndarray) -> bool:
    """Whether the frames correlate at the shift beyond what the best of many shifts of noise would reach."""
    a, b = usual.values * usual.taper, moved * usual.taper
    power = float(np.vdot(a, a)) * float(np.vdot(b, b))
    independent = float(usual.taper.sum()) / 12.0  # the smoothing leaves about one value in 12 pixels
    return power > 0 and float(np.vdot(a, b)) / math.sqrt(power) * math.sqrt(independent) > _LEAST_FAR


def _quarters_agree(w: np.ndarray, gx: np.ndarray, gy: np.ndarray, gap: np.ndarray, spread: float) -> bool:
    """Whether all quarters of the picture that can tell (but one at most) see the same shift."""
    rows, cols = gap.shape
    parts = [
        np.s_[a, b]
        for a in (slice(0, rows // 2), slice(rows // 2, None))
        for b in (slice(0, cols // 2), slice(cols // 2, None))
    ]
    off = told = 0
    for part in parts:
        solved = _solve(w[part], gx[part], gy[part], gap[part])
        if solved is None:
            continue
        step, strength = solved
        sigma = math.sqrt(spread**2 * strength * 12.0)
        if sigma > 0.5:
            continue
        told += 1
        off += float(np.hypot(*step)) > max(0.35, 4.0 * sigma)
    return told >= 2 and off <= (1 if told >= 4 else 0)


__all__ = ["Follower", "Shift", "ShiftTrack", "shift_track"]

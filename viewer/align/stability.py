"""How the picture moves from frame to frame in a handheld clip: a track that regions follow.

Deep bands of gating fool a plain correlation of frames: they move on their own.  Each row's level is taken off first, then the
shift of every frame against the mean picture is found by least squares, coarse to fine, and the mean made anew.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import scipy.fft as sfft

from viewer.cv import cv2
from viewer.errors import UsageError


@dataclass(frozen=True, kw_only=True)
class ShiftTrack:
    """Where each frame's picture lies against the usual place.

    Parameters
    ----------
    time_s : ndarray of shape (N,)
    shift_px : ndarray of shape (N, 2)
        (x, y): what stands at p in the usual place stands at p + shift in the frame.
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


class Follower:
    """Measures the shift of frames against the first one, one after the other.

    Parameters
    ----------
    first : ndarray of shape (rows, cols)
        Small picture in logarithmic light.
    mask : ndarray of the same shape, bool, optional
    scale : float
        Pixels of the clip to a pixel of the small pictures.
    """

    def __init__(self, first: np.ndarray, mask: np.ndarray | None = None, *, scale: float = 1.0) -> None:
        self._inside = np.ones(first.shape, bool) if mask is None else mask
        self._first = _even(np.asarray(first, np.float32), self._inside)
        self._taper = _taper(self._inside)
        self._scale = scale

    def shift(self, frame: np.ndarray) -> tuple[np.ndarray, float]:
        """Return ((x, y), 1-sigma error) in px of the clip."""
        even = _even(np.asarray(frame, np.float32), self._inside)
        found, sigma = _fine(self._first, even, _coarse(self._first, even, self._taper), self._taper)
        return found * self._scale, sigma * self._scale


def shift_track(time_s: np.ndarray, frames: np.ndarray, mask: np.ndarray | None = None, *, scale: float = 1.0) -> ShiftTrack:
    """Measure the shift of every frame.

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
    stack = np.asarray(frames, np.float32)
    if stack.ndim != 3 or len(stack) < 2:
        raise UsageError("a shift track needs two frames or more.")
    inside = np.ones(stack.shape[1:], bool) if mask is None else mask
    even = np.stack([_even(frame, inside) for frame in stack])
    taper = _taper(inside)
    shifts = np.array([_coarse(even[0], frame, taper) for frame in even])
    sigma = 0.0
    for _ in range(3):
        shifts -= np.median(shifts, axis=0)
        mean = np.mean([_moved(frame, shift) for frame, shift in zip(even, shifts, strict=True)], axis=0)
        fits = [_fine(mean, frame, shift, taper) for frame, shift in zip(even, shifts, strict=True)]
        shifts = np.array([fit[0] for fit in fits])
        sigma = float(np.median([fit[1] for fit in fits]))
    shifts -= np.median(shifts, axis=0)
    return ShiftTrack(time_s=np.asarray(time_s, float), shift_px=shifts * scale, sigma_px=sigma * scale)


def _even(frame: np.ndarray, inside: np.ndarray) -> np.ndarray:
    """Each row's mean inside the mask taken off, slow shading too."""
    m = inside.astype(np.float32)
    level = (frame * m).sum(axis=1, keepdims=True) / np.maximum(m.sum(axis=1, keepdims=True), 1.0)
    even = (frame - level) * m
    return np.asarray(cv2.GaussianBlur(even, (0, 0), 1.0) - cv2.GaussianBlur(even, (0, 0), 8.0), np.float32)


def _taper(inside: np.ndarray) -> np.ndarray:
    soft = cv2.GaussianBlur(
        cv2.erode(inside.astype(np.uint8), np.ones((5, 5), np.uint8), borderValue=0).astype(np.float32), (0, 0), 4.0
    )
    return np.asarray(np.clip(2.0 * soft - 1.0, 0.0, 1.0))


def _coarse(reference: np.ndarray, frame: np.ndarray, taper: np.ndarray) -> np.ndarray:
    """Whole-pixel shift by half-whitened correlation."""
    cross = np.conj(sfft.rfft2(reference * taper)) * sfft.rfft2(frame * taper)
    plane = sfft.irfft2(cross / (np.abs(cross) ** 0.5 + 1e-9), reference.shape)
    y, x = np.unravel_index(int(np.argmax(plane)), plane.shape)
    rows, cols = plane.shape
    return np.array([x - cols if x > cols // 2 else x, y - rows if y > rows // 2 else y], float)


def _moved(frame: np.ndarray, shift: np.ndarray) -> np.ndarray:
    """The frame brought to the usual place."""
    matrix = np.array([[1.0, 0.0, shift[0]], [0.0, 1.0, shift[1]]])
    rows, cols = frame.shape
    return np.asarray(cv2.warpAffine(frame, matrix, (cols, rows), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP))


def _fine(mean: np.ndarray, frame: np.ndarray, shift: np.ndarray, taper: np.ndarray) -> tuple[np.ndarray, float]:
    """Least-squares steps on the shift: (shift, its 1-sigma error)."""
    gx = cv2.Sobel(mean, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
    gy = cv2.Sobel(mean, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
    at, sigma = shift.astype(float), math.inf
    for _ in range(4):
        gap = (_moved(frame, at) - mean) * taper
        usual = 1.4826 * float(np.median(np.abs(gap[taper > 0.5]))) + 1e-9
        w = taper / np.maximum(1.0, np.abs(gap) / (2.0 * usual))
        xx, xy, yy = float((w * gx * gx).sum()), float((w * gx * gy).sum()), float((w * gy * gy).sum())
        rx, ry = float((w * gx * gap).sum()), float((w * gy * gap).sum())
        det = xx * yy - xy * xy
        if det <= 1e-12 * (xx + yy) ** 2:
            return at, math.inf
        step = np.array([yy * rx - xy * ry, xx * ry - xy * rx]) / det
        # A frame that lies `shift` off shows the mean's slope times that shift as its gap.
        at = at - np.clip(step, -2.0, 2.0)
        sigma = math.sqrt(max(usual**2 * (xx + yy) / det * 12.0, 0.0))
        if float(np.abs(step).max()) < 1e-3:
            break
    return at, sigma


__all__ = ["Follower", "ShiftTrack", "shift_track"]

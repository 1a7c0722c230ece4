"""What a patch of a clip holds: level, noise and clipping, gathered frame by frame without keeping the frames."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from viewer.errors import UsageError
from viewer.measure.readings import Flag, Reading, State, refused
from viewer.measure.stats import clipped_mean

# Encoders keep the means of blocks of this size far better than single pixels.
BLOCK = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Patch:
    """Sums over the frames of one patch of linear light.

    Attributes
    ----------
    frames : int
        Frames that entered.
    mean_image : ndarray of shape (h, w)
        Mean light of each pixel.
    noise_image : ndarray of shape (h, w)
        Variance of each pixel in time, each frame's own level removed.
    frame_means, frame_vars : ndarray of shape (frames,)
        Mean and variance over the pixels of each frame.
    difference_vars : ndarray of shape (frames - 1,)
        Half the variance over the pixels of each difference of neighbouring frames (level removed): the noise variance.
    identical : ndarray of shape (frames - 1,)
        Share of pixels with exactly the code of the frame before.
    clipped : ndarray of shape (frames,)
        Share of clipped pixels.
    black : float
        Share of samples at or below the code of black.
    block_var : float
        Variance in time of the mean of a block of `BLOCK` x `BLOCK` px, free of bands along rows and columns (second
        differences of 2 x 2 neighbouring blocks); 0 for patches of fewer.
    row_var, column_var : float
        Variance in time of the mean of a row (column), each frame's own level removed: bands of a rolling shutter.
    lag_products : ndarray of shape (3,)
        Mean product of a pixel's fluctuation with that 1, 2, 3 frames later, over the noise variance.
    spectrum : ndarray of shape (h, w) or None
        Mean power of the differences of neighbouring frames, halved: the noise power spectrum, if asked for.
    """

    frames: int
    mean_image: np.ndarray
    noise_image: np.ndarray
    frame_means: np.ndarray
    frame_vars: np.ndarray
    difference_vars: np.ndarray
    identical: np.ndarray
    clipped: np.ndarray
    black: float
    lag_products: np.ndarray
    block_var: float = 0.0
    row_var: float = 0.0
    column_var: float = 0.0
    spectrum: np.ndarray | None = None

    @property
    def pixels(self) -> int:
        """Pixels of the patch."""
        return int(self.mean_image.size)

    @property
    def level(self) -> float:
        """Mean light, hot and dead pixels left out."""
        return clipped_mean(self.mean_image, limit=6.0)[0]

    @property
    def temporal_var(self) -> float:
        """Noise variance of a pixel in time."""
        return float(self.noise_image.mean())

    @property
    def fixed_var(self) -> float:
        """Variance of the mean image beyond what the noise leaves there (ISO 15739's split), at least 0."""
        if self.pixels < 2:
            return 0.0
        keep = clipped_mean(self.mean_image, limit=6.0)[1]
        spread = float(self.mean_image[keep].var(ddof=1)) if np.count_nonzero(keep) > 1 else 0.0
        return max(0.0, spread - self.temporal_var / self.frames)

    @property
    def clipped_share(self) -> float:
        """Share of clipped samples over all frames."""
        return float(self.clipped.mean())


class PatchSum:
    """Gathers a `Patch`.

    Parameters
    ----------
    shape : (rows, cols)
        Of the patch.
    spectrum : bool
        Whether to gather the noise power spectrum too.
    """

    LAGS = 3

    def __init__(self, shape: tuple[int, int], *, spectrum: bool = False) -> None:
        self.shape = shape
        self._total = np.zeros(shape)
        self._flat = np.zeros(shape)
        self._square = np.zeros(shape)
        self._power = np.zeros(shape) if spectrum else None
        self._blocks = (shape[0] // BLOCK, shape[1] // BLOCK)
        crossed = (max(0, self._blocks[0] - 1), max(0, self._blocks[1] - 1))
        self._block_total, self._block_square = np.zeros(crossed), np.zeros(crossed)
        self._row_square, self._row_total = np.zeros(shape[0]), np.zeros(shape[0])
        self._column_square, self._column_total = np.zeros(shape[1]), np.zeros(shape[1])
        self._means: list[float] = []
        self._vars: list[float] = []
        self._differences: list[float] = []
        self._identical: list[float] = []
        self._clipped: list[float] = []
        self._black: list[float] = []
        self._past: list[np.ndarray] = []
        self._lag = np.zeros((self.LAGS, *shape))
        self._lag_count = np.zeros(self.LAGS)
        self._codes: np.ndarray | None = None

    def add(
        self,
        light: np.ndarray,
        clipped: np.ndarray | None = None,
        codes: np.ndarray | None = None,
        *,
        black_code: float | None = None,
    ) -> None:
        """Add one frame.

        Parameters
        ----------
        light : ndarray of shape (h, w)
            Linear light.
        clipped : ndarray of shape (h, w), bool, optional
        codes : ndarray of shape (h, w), optional
            Luma codes, for exactly equal pixels and for black.
        black_code : float, optional
            Code of black.

        Raises
        ------
        UsageError
            If the shape is not that of the patch.
        """
        x = np.asarray(light, dtype=np.float64)
        if x.shape != self.shape:
            raise UsageError(f"a frame of {x.shape} does not fit a patch of {self.shape}.")
        mean = float(x.mean())
        self._means.append(mean)
        self._vars.append(float(x.var(ddof=1)) if x.size > 1 else 0.0)
        self._clipped.append(float(np.mean(clipped)) if clipped is not None else 0.0)
        flat = x - mean
        self._total += x
        self._flat += flat
        self._square += flat * flat
        self._add_means(flat)
        for k, past in enumerate(self._past):
            self._lag[k] += flat * past
            self._lag_count[k] += 1
        if self._past:
            step = flat - self._past[0]
            self._differences.append(0.5 * float(step.var(ddof=1)) if x.size > 1 else 0.0)
            if self._power is not None:
                self._power += 0.5 * np.abs(np.fft.fft2(step)) ** 2 / step.size
        self._past = [flat, *self._past][: self.LAGS]
        if codes is not None:
            if self._codes is not None:
                self._identical.append(float(np.mean(codes == self._codes)))
            if black_code is not None:
                self._black.append(float(np.mean(codes <= black_code)))
            self._codes = np.array(codes)

    def _add_means(self, flat: np.ndarray) -> None:
        """Add the means of rows, columns and blocks of one frame."""
        for axis, total, square in (
            (1, self._row_total, self._row_square),
            (0, self._column_total, self._column_square),
        ):
            means = flat.mean(axis=axis)
            total += means
            square += means * means
        if self._block_total.size:
            rows, cols = self._blocks
            means = flat[: rows * BLOCK, : cols * BLOCK].reshape(rows, BLOCK, cols, BLOCK).mean(axis=(1, 3))
            crossed = 0.5 * (means[1:, 1:] - means[:-1, 1:] - means[1:, :-1] + means[:-1, :-1])
            self._block_total += crossed
            self._block_square += crossed * crossed

    def result(self) -> Patch:
        """Return what was gathered.

        Raises
        ------
        UsageError
            If there was no frame.
        """
        n = len(self._means)
        if not n:
            raise UsageError("no frame was given.")
        flat = self._flat / n
        noise = np.maximum(0.0, self._square - n * flat * flat) / max(1, n - 1)
        # A frame's own mean takes its share of every pixel's noise away.
        noise *= flat.size / max(1, flat.size - 1)
        power = float(noise.mean())
        lags = np.zeros(self.LAGS)
        if power > 0:
            for k in range(self.LAGS):
                if self._lag_count[k] > 0:
                    product = float((self._lag[k] / self._lag_count[k] - flat * flat).mean())
                    # The mean image is part of every frame: lagged products read low by 1 / n.
                    lags[k] = product / power + 1.0 / n
        return Patch(
            frames=n,
            mean_image=self._total / n,
            noise_image=noise,
            frame_means=np.array(self._means),
            frame_vars=np.array(self._vars),
            difference_vars=np.array(self._differences),
            identical=np.array(self._identical),
            clipped=np.array(self._clipped),
            black=float(np.mean(self._black)) if self._black else 0.0,
            lag_products=lags,
            block_var=_spread(self._block_total, self._block_square, n),
            row_var=_spread(self._row_total, self._row_square, n),
            column_var=_spread(self._column_total, self._column_square, n),
            spectrum=self._power / max(1, n - 1) if self._power is not None and n > 1 else None,
        )


def _spread(total: np.ndarray, square: np.ndarray, count: int) -> float:
    """Mean variance over time of sums."""
    if count < 2 or not total.size:
        return 0.0
    return max(0.0, float(((square - total**2 / count) / (count - 1)).mean()))


@dataclass(frozen=True, slots=True, kw_only=True)
class Common:
    """What all readings of one measurement share."""

    of: str
    flags: Flag = Flag.NONE
    frames: int = 0
    pixels: int = 0
    state: State = "measured"
    reason: str | None = None

    def reading(
        self,
        name: str,
        value: float,
        low: float | None,
        high: float | None,
        unit: str = "1",
        *,
        method: str,
        flags: Flag = Flag.NONE,
    ) -> Reading:
        """Return a reading."""
        return Reading(
            name=name,
            of=self.of,
            value=value,
            unit=unit,
            low=low,
            high=high,
            state=self.state,
            reason=self.reason,
            flags=self.flags | flags,
            frames=self.frames,
            pixels=self.pixels,
            method=method,
        )

    def refusal(self, name: str, reason: str, unit: str = "1", *, method: str = "", flags: Flag = Flag.NONE) -> Reading:
        """Return a refusal."""
        return refused(name, self.of, unit, reason, flags=self.flags | flags, frames=self.frames, method=method)


def patch_of(stack: np.ndarray, clipped: np.ndarray | None = None, *, spectrum: bool = False) -> Patch:
    """Return the patch of a stack of frames (frames, rows, cols), all in memory."""
    frames = np.asarray(stack)
    if frames.ndim != 3:
        raise UsageError(f"a stack of shape {frames.shape} is not (frames, rows, cols).")
    gathered = PatchSum((frames.shape[1], frames.shape[2]), spectrum=spectrum)
    for k, frame in enumerate(frames):
        gathered.add(frame, None if clipped is None else clipped[k], frame)
    return gathered.result()


__all__ = ["BLOCK", "Common", "Patch", "PatchSum", "patch_of"]

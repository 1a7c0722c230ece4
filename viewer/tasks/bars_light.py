"""The light of tri-bar targets, gathered from the frames of a clip, and which way their bars lie."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from viewer.errors import RegionError
from viewer.measure.bars import Target, TargetLight
from viewer.measure.coding import LOSSLESS, Coding, coding_of
from viewer.measure.cutnoise import LEAST_PILE, Uncut, channels_alike, undo_cut
from viewer.measure.regions import Rect
from viewer.media import ClipReader, Frame, Tint
from viewer.media.light import from_linear, luma_scale, to_linear
from viewer.tasks.encoder import encoder_of
from viewer.tasks.mean_picture import LOSSLESS as LOSSLESS_CODECS
from viewer.tasks.patches import Span, black_code, linear_of_code, step_light

# Pictures whose pixels are kept one by one, to tell noise that was cut at black.
MOST_SAMPLES = 48
MOST_COLOURS = 12
# Pixels of a target, over all pictures, that are kept for that, and the side (px) of what is kept in colour: a target may be
# as large as the picture.
MOST_PIXELS = 1_500_000
COLOUR_SIDE = 96
ALIKE = 0.95
# Codes by which H.264 lifts mean luma (encodes of known noise, two presets: 0.02 to 0.12), and how well moves are known.
HALVES_UP = 0.06
MOVED_DOUBT = 0.7
# Share of noise that was cut, and so is skewed, by which encoders move the mean (encodes of known noise: 0 to 0.05).
SKEWED = 0.04
# Codes by which mean luma is off where noise blurs the rounding (encodes of known noise: 0.03 to 0.12).
DITHERED = 0.12


@dataclass
class Window:
    """The part of the picture that a target needs, and what was gathered of it (lines along the bars, columns across)."""

    target: Target
    rect: Rect
    weights: np.ndarray
    box_start: float
    box_length: float
    profiles: list[np.ndarray]
    total: np.ndarray
    clipped: float = 0.0
    first: np.ndarray | None = None
    squares: np.ndarray | float = 0.0
    samples: list[np.ndarray] = field(default_factory=list)
    colours: list[np.ndarray] = field(default_factory=list)

    def add(self, frame: Frame, tint: Tint | None, keep: bool) -> None:
        found = frame.luminance(self.rect, tint=tint)
        light, clipped = found.light, found.clipped
        if self.target.way == "h":
            light, clipped = light.T, clipped.T
        self.profiles.append(np.asarray(self.weights @ light, float))
        self.total += light
        # about the first picture: sums of squares of the light itself would lose small noise
        if self.first is None:
            self.first = np.array(light, np.float32)
        self.squares = self.squares + (light - self.first).astype(float) ** 2
        self.clipped += float(clipped.mean())
        if keep or not self.samples:
            self.samples.append(np.array(light[self.kept], np.float32))
            if len(self.colours) < MOST_COLOURS:
                self.colours.append(_blocks(frame.rgb(_middle(self.rect, COLOUR_SIDE)).light))

    @property
    def kept(self) -> slice:
        """Lines whose pixels are kept one by one; of few lines all but the outer ones, which blur may darken."""
        inner = 1 if self.weights.size > 4 else 0
        stride = math.ceil(self.total.size * MOST_SAMPLES / MOST_PIXELS)
        return slice(inner, self.weights.size - inner, stride)

    def light(self, clip: ClipReader, least: float) -> tuple[TargetLight, Uncut | None]:
        n = len(self.profiles)
        profiles, picture = np.array(self.profiles), self.total / n
        step = step_light(clip, max(float(picture.mean()), 0.0))
        uncut = self._uncut(clip, least)
        noise = self._noise(picture)
        coding = self._coding(clip, picture, noise, step)
        rounding = (DITHERED if noise > 0.5 * step else 1.0 / math.sqrt(12.0)) * step_light(
            clip, max(float(picture.mean(axis=0).min()), 0.0)
        )
        if uncut is not None:
            profiles, picture = profiles - uncut.lifted, picture - uncut.lifted
        moved = moved_light(clip, coding, picture.mean(axis=0))
        profiles, picture = profiles + moved, picture + moved
        found = TargetLight(self.target, profiles, picture, self.box_start, self.box_length, self.clipped / n)
        found = replace(found, coding=coding, step=step, moved=math.hypot(rounding, MOVED_DOUBT * float(np.abs(moved).min())))
        if uncut is not None:
            # channels cut one by one are lifted by more than their sum shows; codecs take the colour of noise first
            alike = channels_alike(np.array(self.colours)) > ALIKE
            found = replace(found, unknown=uncut.unknown, scatter=uncut.scatter, cut_noise=uncut.noise, alike=alike)
            found = replace(found, moved=math.hypot(found.moved, SKEWED * uncut.noise))
        return found, uncut

    def _uncut(self, clip: ClipReader, least: float) -> Uncut | None:
        """What was lost of noise that was cut at black, if any."""
        code = 2.0 ** (clip.info.bit_depth - 8)
        black = linear_of_code(clip, black_code(clip) + code)
        return undo_cut(np.array(self.samples), black, step_light(clip, 0.0), least=least)

    def _noise(self, picture: np.ndarray) -> float:
        """Noise of pixels in time, light; pulsing light, which moves all pixels of a frame alike, taken off."""
        n = len(self.profiles)
        power = float(np.mean(np.maximum(self.squares / n - (picture - self.first) ** 2, 0.0)))
        pulsing = float(np.var([profile.mean() for profile in self.profiles])) if n > 1 else 0.0
        return math.sqrt(max(0.0, power - pulsing))

    def _coding(self, clip: ClipReader, picture: np.ndarray, noise: float, step: float) -> Coding:
        """How coarsely the target is coded: from its noise in luma codes, and what stands along its lines."""
        if clip.info.codec in LOSSLESS_CODECS:
            return LOSSLESS
        standing = float(np.mean(np.diff(picture, axis=0) ** 2)) / 2.0 if picture.shape[0] > 2 else 0.0
        standing = max(0.0, standing - noise**2 / len(self.profiles))
        return coding_of(
            noise / step,
            clip.info.bits_per_pixel,
            standing=math.sqrt(standing) / step,
            bit_depth=clip.info.bit_depth,
            whole=math.sqrt(12.0 * encoder_of(clip).water),
        )


def moved_light(clip: ClipReader, coding: Coding, light: np.ndarray) -> np.ndarray:
    """Return the light to add for what an encoder moved of the mean.

    Where the curve is bent, noise lifts mean light by half the bend times its variance; an encoder drops some of the variance
    (that of its rounding, Q^2 / 12, but no more than is left), and the lift with it.  Prediction in H.264 rounds halves up,
    which adds up over pictures.

    Parameters
    ----------
    clip : ClipReader
    coding : Coding
    light : ndarray
        Mean light, any shape.
    """
    if coding.step <= 0.0 or coding.noise <= 0.0:
        return np.zeros_like(light)
    span = luma_scale(clip.info.bit_depth, clip.info.range)[1]
    signal = np.asarray(from_linear(clip.info.transfer, np.maximum(light, 0.0)))
    dropped = min(coding.step / math.sqrt(12.0), coding.noise) / span
    below, here, above = to_linear(clip.info.transfer, np.stack([signal - dropped, signal, signal + dropped]))
    lifted = HALVES_UP * step_light(clip, float(np.mean(np.maximum(light, 0.0)))) if clip.info.codec == "h264" else 0.0
    return np.asarray(0.5 * (above + below) - here - lifted)


def window_of(clip: ClipReader, target: Target) -> Window:
    """Return the window of a target: bars less a bar width at each end, and beside them as far as the picture goes."""
    width, height = clip.info.width, clip.info.height
    box = target.rect.check(width, height, least=9, where=clip.info.path.name)
    across, along = (box.w, box.h) if target.way == "v" else (box.h, box.w)
    if across < 5 or along < 3:
        raise RegionError(
            f"target {target.of} of {box.w} x {box.h} px is too small: three bars and two gaps need 5 px or more.",
            where=clip.info.path.name,
            hint="Film closer, or mark a coarser target.",
        )
    bar = across / 5.0
    margin = max(2, round(0.9 * bar) + 1)
    start, size, limit = (box.x, box.w, width) if target.way == "v" else (box.y, box.h, height)
    first, last = max(0, start - margin), min(limit, start + size + margin)
    # Bars are five widths long; of a longer or shorter box the middle counts.
    inner_low = (along - 1) / 2 - max(0.5, 0.5 * along - bar)
    inner_high = along - 1 - inner_low
    weights = np.clip(np.minimum(np.arange(along) - inner_low + 0.5, inner_high + 0.5 - np.arange(along)), 0.0, 1.0)
    used = np.flatnonzero(weights > 0)
    weights = weights[used] / weights.sum()
    low, count = int(used[0]), used.size
    if target.way == "v":
        rect = Rect(first, box.y + low, last - first, count)
    else:
        rect = Rect(box.x + low, first, count, last - first)
    return Window(target, rect, weights, float(start - first), float(size), [], np.zeros((count, last - first)))


def _middle(rect: Rect, side: int) -> Rect:
    """Return the middle of a region, no larger than a side."""
    w, h = min(rect.w, side), min(rect.h, side)
    return Rect(rect.x + (rect.w - w) // 2, rect.y + (rect.h - h) // 2, w, h)


def _blocks(colours: np.ndarray) -> np.ndarray:
    """Means of blocks of 2 x 2 px: colour is recorded no finer."""
    rows, cols = colours.shape[0] // 2, colours.shape[1] // 2
    return np.asarray(colours[: 2 * rows, : 2 * cols].reshape(rows, 2, cols, 2, 3).mean(axis=(1, 3)))


def lights_of(clip: ClipReader, windows: Sequence[Window]) -> list[tuple[TargetLight, Uncut | None]]:
    """Return the light of each target; if noise was cut in one of them, a smaller share at black tells it of the others."""
    found = [window.light(clip, LEAST_PILE) for window in windows]
    if all(uncut is None for _, uncut in found):
        return found
    return [pair if pair[1] else window.light(clip, 0.1 * LEAST_PILE) for window, pair in zip(windows, found)]


def with_ways(clip: ClipReader, marked: Sequence[tuple[Target, bool]], frames: Span = (0, None)) -> list[Target]:
    """Return targets with the way of their bars found where it was not said.

    Parameters
    ----------
    clip : ClipReader
    marked : sequence of (Target, bool)
        True where the way is to be found: light changes more across bars than along them.
    frames : (first, stop)
    """
    if not any(unknown for _, unknown in marked):
        return [target for target, _ in marked]
    stop = len(clip.index) if frames[1] is None else min(frames[1], len(clip.index))
    numbers = sorted({int(n) for n in np.linspace(frames[0], max(frames[0], stop - 1), 8)})
    pictures = [clip.frame(number) for number in numbers]
    leaning, found = [], []
    for target, unknown in marked:
        lean = 1.0 if target.way == "v" else -1.0
        if unknown:
            rect = target.rect.check(clip.info.width, clip.info.height, least=9, where=clip.info.path.name)
            light = np.mean([picture.luminance(rect).light for picture in pictures], axis=0)
            upright, lying = _ripple(light), _ripple(light.T)
            lean = (upright - lying) / max(upright + lying, 1e-12)
        leaning.append(lean)
    for k, (target, unknown) in enumerate(marked):
        lean = leaning[k]
        for other, (twin, _) in enumerate(marked):
            # An element has one target of each way: the clearer one decides for both.
            if other != k and twin.typed == target.typed and unknown and abs(leaning[other]) > abs(lean):
                lean = -leaning[other]
        found.append(replace(target, way="v" if lean >= 0 else "h"))
    return found


def _ripple(light: np.ndarray) -> float:
    """Amplitude of bars and gaps along x about the middle of a box, away from the ends of the bars."""
    rows, cols = light.shape
    cut = rows // 5
    profile = light[cut : rows - cut].mean(axis=0)
    place = (np.arange(cols) - 0.5 * (cols - 1)) / (cols / 5.0)
    wave = np.where(np.abs(place) <= 2.0, np.cos(np.pi * place), 0.0)
    wave -= wave.mean()
    return float(abs(wave @ (profile - profile.mean())) / max(float(wave @ wave), 1e-12))


__all__ = ["MOST_SAMPLES", "Window", "lights_of", "moved_light", "window_of", "with_ways"]

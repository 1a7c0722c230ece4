"""What the targets of a chart have in common: one scale, one way of drawing boxes, one polarity, one noise."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from viewer.measure.bars import TargetLight, bar_means, influence
from viewer.measure.bars_fit import Place, Prior, fit_three_bars
from viewer.measure.bars_noise import ChartNoise, chart_noise
from viewer.measure.stats import robust_sigma


def _free_prior(light: TargetLight) -> Prior:
    """What the box alone says: bars somewhere in it, filling at least 55 % of it."""
    width = light.box_length / 5.0
    middle = light.box_start + 0.5 * (light.box_length - 1.0)
    return Prior(middle, 0.96 * width, max(0.6, 0.35 * width), max(0.15, 0.06 * width), blur=max(0.7, 0.3 * width))


def chart_scale(lights: Sequence[TargetLight], places: Sequence[Place]) -> dict[str, float]:
    """Return the scale of the chart along each way: bar width in px times lp/mm, from the clear targets, else from the boxes.

    Both ways share a scale unless each has clear targets of its own that disagree (pixels that are not square).
    """
    scales: dict[str, list[tuple[float, float]]] = {"v": [], "h": []}
    boxes = []
    for light, place in zip(lights, places):
        boxes.append(light.box_length / 5.0 * light.target.lpmm)
        clear = place.ripple > 8.0 * light.sigma and place.width_sigma < 0.04 * place.width
        if clear:
            scales[light.target.way].append((place.width * light.target.lpmm, place.width_sigma / place.width))
    box = float(np.median(boxes))
    every = [value for values in scales.values() for value in values]
    common = _weighted(every) if every else box
    if abs(common / box - 1.0) > 0.2:
        common = box
    out = {}
    for way, values in scales.items():
        own = _weighted(values) if len(values) >= 2 else common
        out[way] = own if 0.02 < abs(own / common - 1.0) < 0.2 else common
    return out


def _weighted(values: list[tuple[float, float]]) -> float:
    """Weighted mean of (value, relative error), outliers left out."""
    numbers = np.array([value for value, _ in values])
    errors = np.array([max(error, 0.002) for _, error in values])
    middle = float(np.median(numbers))
    keep = np.abs(numbers - middle) <= 0.06 * middle
    if not keep.any():
        return middle
    weights = 1.0 / errors[keep] ** 2
    return float((numbers[keep] * weights).sum() / weights.sum())


def find_places(lights: Sequence[TargetLight]) -> list[Place]:
    """Return where the bars of each target lie: each alone first, then again with the scale they agree on."""
    first = [fit_three_bars(light.mean, light.sigma, _free_prior(light)) for light in lights]
    scale = chart_scale(lights, first)
    clear = [place for light, place in zip(lights, first) if place.ripple > 8.0 * light.sigma]
    blur = float(np.median([place.blur for place in clear])) if clear else None
    # How boxes were drawn about the bars: alike on all targets of a chart.
    offsets = [
        place.centre - (light.box_start + 0.5 * (light.box_length - 1.0))
        for light, place in zip(lights, first)
        if place.centre_sigma < 0.15 and abs(place.width * light.target.lpmm / scale[light.target.way] - 1.0) < 0.04
    ]
    spread = 0.35 if len(offsets) < 3 else float(np.clip(1.2 * robust_sigma(np.array(offsets)), 0.25, 0.5))
    places = []
    for light, place in zip(lights, first):
        width = scale[light.target.way] / light.target.lpmm
        own = light.box_length / 5.0
        if abs(own / width - 1.0) > 0.35:
            # Not of the same chart, or mistyped: its own box counts.
            width = own
        middle = light.box_start + 0.5 * (light.box_length - 1.0)
        slack = max(0.0, 0.5 * (light.box_length - 5.0 * width))
        tight = math.hypot(spread, 0.3 * slack)
        prior = Prior(middle, width, tight, max(0.004 * width, 0.03), blur=blur or place.blur, blur_factor=1.6 if blur else 3.0)
        places.append(fit_three_bars(light.mean, light.sigma, prior))
    return places


def polarity_of(lights: Sequence[TargetLight], places: Sequence[Place]) -> float:
    """Return 1 for dark bars on a bright ground, -1 for bright bars on a dark one: a chart has one polarity.

    The group as a whole is darker or brighter than its surround; targets vote with their significance.
    """
    votes = 0.0
    for light, place in zip(lights, places):
        error = max(place.group_sigma, 0.02 * float(np.ptp(light.mean)), 1e-12)
        votes += float(np.clip(place.group / error, -20.0, 20.0))
    return -1.0 if votes < 0 else 1.0


def noise_of(lights: Sequence[TargetLight], places: Sequence[Place]) -> ChartNoise:
    """Return how errors of modulations follow from the scatter of frames and lines of all targets."""
    series, lines = [], []
    for light, place in zip(lights, places):
        bars, gaps = bar_means(light.profiles, place)
        b, g = float(bars.mean()), float(gaps.mean())
        if b + g <= 0:
            continue
        line_bars, line_gaps = bar_means(light.picture, place)
        series.append(influence(bars.mean(axis=1), gaps.mean(axis=1), b, g))
        lines.append(influence(line_bars.mean(axis=1), line_gaps.mean(axis=1), b, g))
    return chart_noise(series, lines)


__all__ = ["chart_scale", "find_places", "noise_of", "polarity_of"]

"""Bands of pulsing light: found and fitted, not seen in what moves, refused where they stand still."""

from __future__ import annotations

import numpy as np
import pytest

from viewer.measure.row_gain import Strips, fit_gain, rms_of

ROWS, FRAMES, RATE = 200, 20, 30.0
TIMES = np.arange(FRAMES) / RATE


def lines(
    hz: float, depth: float, *, row_s: float = 40e-6, noise: float = 0.003, seed: int = 1
) -> tuple[np.ndarray, np.ndarray]:
    """Row light of a rolling shutter, and the gain put in."""
    phase = 2 * np.pi * hz * (TIMES[:, None] + row_s * np.arange(ROWS))
    gain = 1 + depth * np.sin(phase) + 0.2 * depth * np.sin(2 * phase)
    scene = 0.03 * (1 + 0.3 * np.sin(np.arange(ROWS) / 40))
    return scene * gain + noise * 0.03 * np.random.default_rng(seed).standard_normal(gain.shape), gain


@pytest.mark.parametrize("hz", [491.1, 283.0, 97.4])
def test_gain_is_found(hz: float) -> None:
    """Within 1 % of what was put in, though the plain mean keeps bands of some per cent."""
    seen, gain = lines(hz, 0.5)
    found, left = fit_gain(seen, TIMES, axis=0)
    assert found is not None and left == 0.0
    assert np.std(found.lines / gain - 1) < 0.02
    assert np.ptp(gain.mean(axis=0)) > 0.01 or hz == 97.4
    assert found.of(3).shape == (ROWS, 1)


def test_still_bands_cannot_be_told() -> None:
    """A whole multiple of the frame rate: no answer, and how much may be left."""
    seen, _ = lines(480.0 + 0.2, 0.3)
    found, left = fit_gain(seen, TIMES, axis=0)
    assert found is None
    assert left == pytest.approx(rms_of(seen))


def test_motion_is_not_pulsing() -> None:
    """A lamp that swings up and down changes its rows like a wave, but not all rows alike."""
    y = np.arange(ROWS)
    swing = 100 + 8 * np.sin(2 * np.pi * 3.3 * TIMES)
    seen = 0.03 + 0.05 * np.exp(-0.5 * ((y[None, :] - swing[:, None]) / 12) ** 2)
    found, left = fit_gain(seen, TIMES, axis=0)
    assert found is None and left == 0.0


def test_steady_light_and_drift() -> None:
    rng = np.random.default_rng(2)
    steady = 0.03 * (1 + 0.004 * rng.standard_normal((FRAMES, ROWS)))
    assert fit_gain(steady, TIMES, axis=0) == (None, 0.0)
    drift = steady * (1 + 0.2 * TIMES)[:, None]
    assert fit_gain(drift, TIMES, axis=0)[0] is None
    assert fit_gain(steady[:2], TIMES[:2], axis=0) == (None, 0.0)


def test_strips_leave_lamps_and_darkness_out() -> None:
    light = np.full((120, 160), 0.03)
    light[40:60, 70:90] = 1.0
    light[:, :40] = 0.0
    strips = Strips(light)
    assert not strips.mask[50, 80] and not strips.mask[50, 10] and strips.mask[110, 120]
    rows, columns = strips.means(light)
    assert np.nanmax(rows) == pytest.approx(0.03, abs=5e-4) and np.isnan(columns[5])


def test_a_picture_below_black_has_no_lit_places() -> None:
    rows, columns = Strips(np.full((40, 50), -0.002)).means(np.full((40, 50), -0.002))
    assert np.isnan(rows).all() and np.isnan(columns).all()

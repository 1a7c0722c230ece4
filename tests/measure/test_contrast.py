"""Contrast of two patches: definitions, closed forms, what errors must cover, refusals."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from viewer.measure import contrast, lostlight
from viewer.measure.beat import gated_depth, level_without_beat
from viewer.measure.contrast import Dark, contrast_readings
from viewer.measure.patches import Patch, PatchSum, patch_of
from viewer.measure.readings import Flag

FORMULAS = {
    "michelson": lambda i: contrast.michelson(i["Lmax"], i["Lmin"]),
    "weber": lambda i: contrast.weber(i["L"], i["Lb"]),
    "michelson_from_weber": lambda i: contrast.michelson_from_weber(i["W"]),
    "michelson_from_ratio": lambda i: contrast.michelson_from_ratio(i["ratio"]),
    "michelson_with_offset": lambda i: contrast.michelson(i["Lmax"] + i["offset"], i["Lmin"] + i["offset"]),
    "rms_over_mean_sine": lambda i: contrast.rms_contrast(1 + i["michelson"] * np.cos(2 * np.pi * np.arange(4096) / 64)),
    "rms_over_mean_square": lambda i: contrast.rms_contrast(1 + i["michelson"] * np.tile([1.0, -1.0], 50)),
    "cnr": lambda i: contrast.contrast_to_noise(i["mu1"], i["mu2"], i["sigma1"], i["sigma2"]),
}


def make_patch(
    rng: np.random.Generator, level: float, noise: float, *, frames: int = 30, size: int = 20, fixed: float = 0.0
) -> Patch:
    """A flat patch with independent noise in every pixel and frame."""
    pattern = level + fixed * rng.standard_normal((size, size))
    return patch_of(pattern + noise * rng.standard_normal((frames, size, size)))


def test_published_and_derived_values(check_values: list[dict[str, Any]]) -> None:
    done = 0
    for entry in check_values:
        if entry["section"] == "C" and entry["quantity"] in FORMULAS:
            assert FORMULAS[entry["quantity"]](entry["inputs"]) == pytest.approx(entry["expected"], abs=entry["tolerance"]), (
                entry["id"]
            )
            done += 1
    assert done >= 15


def test_extreme_pixels_would_read_noise_as_contrast(check_values: list[dict[str, Any]]) -> None:
    """Region means do not: the expected range of 100 normal samples makes 0.125 of a flat field (C-RANGE-M)."""
    entry = next(e for e in check_values if e["id"] == "C-RANGE-M")
    rng = np.random.default_rng(1)
    flat = 1 + entry["inputs"]["sigma_over_mean"] * rng.standard_normal((4000, entry["inputs"]["n"]))
    extremes = np.mean((flat.max(1) - flat.min(1)) / 2 / flat.mean(1))
    assert extremes == pytest.approx(entry["expected"], abs=entry["tolerance"])
    readings, _ = contrast_readings(make_patch(rng, 1.0, 0.05), make_patch(rng, 1.0, 0.05))
    assert abs(readings[0].value) < 0.002


def test_all_four_on_patches_of_known_light() -> None:
    rng = np.random.default_rng(2)
    bright, dark = make_patch(rng, 0.3, 0.02), make_patch(rng, 0.1, 0.01)
    found = {r.name: r for r in contrast_readings(bright, dark)[0]}
    assert found["michelson"].value == pytest.approx(0.5, abs=0.001)
    assert found["weber"].value == pytest.approx(2.0, abs=0.01)
    assert found["rms"].value == pytest.approx(0.5, abs=0.001)
    assert found["cnr"].value == pytest.approx(0.2 / math.sqrt((0.02**2 + 0.01**2) / 2), rel=0.02)
    assert all(r.of == "bright/dark" and r.low <= r.value <= r.high and Flag.ONE_TAKE in r.flags for r in found.values())
    assert Flag.CLIPPED not in found["michelson"].flags


def test_swapped_regions_give_a_negative_contrast() -> None:
    rng = np.random.default_rng(3)
    bright, dark = make_patch(rng, 0.3, 0.01), make_patch(rng, 0.1, 0.01)
    assert contrast_readings(dark, bright)[0][0].value == pytest.approx(-0.5, abs=0.002)


def test_dark_level_is_taken_off_both() -> None:
    rng = np.random.default_rng(4)
    bright, dark = make_patch(rng, 0.25, 0.01), make_patch(rng, 0.15, 0.01)
    plain = contrast_readings(bright, dark)[0][0]
    freed = contrast_readings(bright, dark, Dark(0.05, 0.0, "dark clip"))[0][0]
    assert plain.value == pytest.approx(0.25, abs=0.001) and Flag.NO_DARK in plain.flags
    assert freed.value == pytest.approx(1 / 3, abs=0.001) and Flag.NO_DARK not in freed.flags
    assert "dark level from dark clip subtracted" in freed.method


def test_dark_level_error_widens_the_interval() -> None:
    rng = np.random.default_rng(4)
    bright, dark = make_patch(rng, 0.25, 0.001), make_patch(rng, 0.15, 0.001)
    sharp = contrast_readings(bright, dark, Dark(0.05, 0.0, "dark clip"))[0][0]
    vague = contrast_readings(bright, dark, Dark(0.05, 0.01, "dark clip"))[0][0]
    # dM/dDark = 2 (Lb - Ld) / (Lb + Ld)^2 at levels 0.2 and 0.1
    assert vague.half_width == pytest.approx(1.96 * 0.01 * 2 * 0.1 / 0.3**2, rel=0.05)
    assert sharp.half_width < 0.1 * vague.half_width


def test_flat_field_divides() -> None:
    rng = np.random.default_rng(5)
    bright, dark = make_patch(rng, 0.3 * 0.8, 0.001), make_patch(rng, 0.1, 0.001)
    assert contrast_readings(bright, dark, flat=(0.8, 1.0))[0][0].value == pytest.approx(0.5, abs=0.001)


def test_pulsing_light_is_averaged_over_whole_periods() -> None:
    """Regions at different rows of a rolling shutter see the gate at different phases, and the clip ends mid-period."""
    rng = np.random.default_rng(6)
    frames = np.arange(53)
    errors, plain = [], []
    for _ in range(12):
        phase = rng.uniform(0, 2 * np.pi)
        gates = [1 + 0.4 * np.cos(2 * np.pi * 0.043 * frames + phase + shift) for shift in (0.0, 1.9)]
        stacks = [
            level * gate[:, None, None] * (1 + 0.05 * rng.standard_normal((53, 12, 12)))
            for level, gate in zip((0.3, 0.1), gates)
        ]
        reading = contrast_readings(patch_of(stacks[0]), patch_of(stacks[1]))[0][0]
        errors.append(reading.value - 0.5)
        plain.append(contrast.michelson(stacks[0].mean(), stacks[1].mean()) - 0.5)
        assert Flag.GATED in reading.flags
    assert np.max(np.abs(errors)) < 0.004
    assert np.max(np.abs(plain)) > 0.01


def test_steady_noise_is_not_called_gated() -> None:
    rng = np.random.default_rng(7)
    assert sum(bool(level_without_beat(1 + 0.01 * rng.standard_normal(80)).tones) for _ in range(200)) <= 2


@pytest.mark.parametrize("cycles", [1.3, 2.6, 7.9, 30.2])
def test_level_of_a_beat(cycles: float) -> None:
    x = 2.0 * (1 + 0.3 * np.cos(2 * np.pi * cycles * np.arange(90) / 90 + 0.7))
    level = level_without_beat(x)
    assert level.estimate.value == pytest.approx(2.0, abs=2e-3)
    assert level.depth == pytest.approx(0.3, abs=0.01)


def test_interval_covers_the_truth() -> None:
    """95 % +/- 3 standard errors of 300 trials; frames correlated with each other, fixed pattern none."""
    rng = np.random.default_rng(8)
    hits = 0
    for _ in range(300):
        wobble = [_correlated(rng, 40, 0.6) for _ in range(2)]
        patches = [
            patch_of(level * (1 + 0.01 * w[:, None, None]) + 0.01 * rng.standard_normal((40, 6, 6)))
            for level, w in zip((0.3, 0.1), wobble)
        ]
        reading = contrast_readings(*patches)[0][0]
        hits += reading.low <= 0.5 <= reading.high
    assert 0.912 <= hits / 300 <= 0.988


def _correlated(rng: np.random.Generator, count: int, rho: float) -> np.ndarray:
    x = np.zeros(count + 50)
    noise = rng.standard_normal(count + 50)
    for k in range(1, x.size):
        x[k] = rho * x[k - 1] + noise[k]
    return x[50:]


def test_clipped_bright_patch_is_a_limit_and_flagged() -> None:
    rng = np.random.default_rng(9)
    stack = np.minimum(1.0 + 0.05 * rng.standard_normal((20, 16, 16)), 1.0)
    bright = patch_of(stack, stack >= 1.0)
    reading = contrast_readings(bright, make_patch(rng, 0.1, 0.01))[0][0]
    assert Flag.CLIPPED in reading.flags and reading.state == "limit" and "Film darker" in reading.reason


def test_a_few_clipped_samples_are_flagged_but_measured() -> None:
    rng = np.random.default_rng(10)
    stack = 0.5 + 0.05 * rng.standard_normal((20, 16, 16))
    mask = np.zeros(stack.shape, bool)
    mask[:, :1, :2] = True
    reading = contrast_readings(patch_of(stack, mask), make_patch(rng, 0.1, 0.01))[0][0]
    assert Flag.CLIPPED in reading.flags and reading.state == "measured"


def test_refusals() -> None:
    rng = np.random.default_rng(11)
    lit, ground = make_patch(rng, 0.3, 0.01), make_patch(rng, 0.1, 0.01)
    full = np.ones((10, 8, 8))
    clipped = patch_of(full, full > 0)
    for patches, level, words in (
        ((clipped, clipped), Dark(), "Both regions are clipped"),
        ((lit, clipped), Dark(), "The dark region is clipped"),
        ((lit, ground), Dark(0.2, 0.0, "dark clip"), "darker than the dark level"),
        ((make_patch(rng, 0.0, 0.01), make_patch(rng, 0.0, 0.01)), Dark(), "No light is left"),
        ((_at_black(), _at_black()), Dark(), "at the black of the recording"),
    ):
        readings, budget = contrast_readings(*patches, level)
        assert budget is None and len(readings) == 4
        assert all(r.state == "refused" for r in readings)
        assert words in readings[0].reason and "film" in readings[0].reason.lower(), readings[0].reason


def _at_black() -> Patch:
    gathered = PatchSum((8, 8))
    for _ in range(10):
        gathered.add(np.full((8, 8), 1e-3), None, np.full((8, 8), 16), black_code=16)
    return gathered.result()


def test_weber_is_refused_over_nothing() -> None:
    rng = np.random.default_rng(12)
    readings = contrast_readings(make_patch(rng, 0.3, 0.01), make_patch(rng, 0.0, 0.01))[0]
    assert readings[0].state == "measured"
    assert readings[1].state == "refused" and Flag.LOW_SIGNAL in readings[1].flags


def test_smoothed_hlg_reads_low_and_the_bound_covers_it() -> None:
    """Mean of E'^2/3 against (mean E')^2/3: the difference is the lost variance (BT.2100-2 curve below 1/2)."""
    rng = np.random.default_rng(13)
    light = rng.gamma(25.0, 0.02 / 25.0, size=(30, 16, 16))
    smoothed = np.sqrt(3 * light).mean(axis=(1, 2), keepdims=True) ** 2 / 3 * np.ones((30, 16, 16))
    truth_loss = light.mean() - smoothed.mean()
    lively = patch_of(rng.gamma(100.0, 0.08 / 100.0, size=(30, 16, 16)))
    lost = lostlight.lost_light(patch_of(smoothed), lively, bend=1 / (2 * 0.02), kept=0.4)
    assert 0.95 * truth_loss <= lost.light + 1.5 * lost.sigma <= 2.0 * truth_loss
    assert lostlight.lost_light(patch_of(smoothed), lively, bend=0.0, kept=0.4) == lostlight.Lost()
    assert lostlight.lost_light(patch_of(smoothed), lively, bend=1 / (2 * 0.02)) == lostlight.Lost()  # lossless


def test_lost_noise_is_added_back_as_light() -> None:
    """Half of the noise (deviation) left on HLG codes: light reads low by half the lost variance over twice the light."""
    rng = np.random.default_rng(15)
    signal = math.sqrt(3 * 0.03) + 0.02 * rng.standard_normal((40, 32, 32))
    truth, smoothed = signal**2 / 3, (signal.mean() + 0.7 * (signal - signal.mean())) ** 2 / 3
    lost = lostlight.lost_light(patch_of(smoothed), patch_of(smoothed), bend=1 / (2 * 0.03), kept=0.7)
    assert smoothed.mean() + lost.light == pytest.approx(truth.mean(), rel=2e-4)
    assert abs(smoothed.mean() / truth.mean() - 1) > 1e-3


def test_noise_cut_at_black_reads_high() -> None:
    rng = np.random.default_rng(16)
    light = 0.001 + 0.0015 * rng.standard_normal((40, 24, 24))
    gathered = PatchSum((24, 24))
    for frame in np.maximum(light, 0.0):
        gathered.add(frame, None, np.round(16 + 219 * 4.5 * frame), black_code=16)
    patch = gathered.result()
    assert patch.level - lostlight.cut_light(patch) == pytest.approx(0.001, rel=0.05)
    assert lostlight.cut_light(make_patch(rng, 0.001, 0.0015)) == 0.0  # nothing at black: not cut


def test_half_of_what_a_cut_adds_is_taken_off() -> None:
    """Single flashes and noise cut at black look alike: the interval holds the level as read and the level without a cut."""
    rng = np.random.default_rng(17)
    gathered = PatchSum((24, 24))
    for frame in np.maximum(0.001 + 0.0015 * rng.standard_normal((40, 24, 24)), 0.0):
        gathered.add(frame, None, np.round(16 + 219 * 4.5 * frame), black_code=16)
    dark = gathered.result()
    reading = contrast_readings(make_patch(rng, 0.006, 0.001), dark)[0][0]
    as_read, uncut = ((0.006 - level) / (0.006 + level) for level in (dark.level, 0.001))
    assert as_read + 0.02 < reading.value < uncut - 0.02
    assert reading.low < as_read and uncut < reading.high


def test_wandering_of_an_encoder_is_no_gating() -> None:
    frame = np.arange(30)
    slow, quick = np.cos(2 * np.pi * 0.035 * frame), np.cos(2 * np.pi * 0.23 * frame)
    noise = np.random.default_rng(18).standard_normal((2, 30))

    def depth(bright: np.ndarray, dark: np.ndarray, moved: float) -> float:
        levels = [level_without_beat(b * (1 + s + 0.002 * n)) for b, s, n in zip((0.004, 0.001), (bright, dark), noise)]
        return gated_depth(levels, (moved, moved))

    assert depth(0 * slow, 0.035 * slow, 1e-4) == 0.0  # once in the clip, in one region, a thirtieth of a code
    assert depth(0 * quick, 0.05 * quick, 1e-4) == 0.0  # smaller than what the encoder moves
    assert depth(0 * quick, 0.05 * quick, 1e-6) == pytest.approx(0.05, rel=0.1)  # light that only one region has
    assert depth(0.05 * quick, 0.05 * quick, 1e-4) == pytest.approx(0.05, rel=0.1)  # gating reaches both


def test_means_of_blocks_tell_what_pixels_had() -> None:
    """Grain of 2 x 2 px, of which an encoder left only the means of 8 x 8 px."""
    rng = np.random.default_rng(14)
    grain = np.repeat(np.repeat(rng.standard_normal((40, 16, 16)), 2, axis=1), 2, axis=2)
    blocks = grain.reshape(40, 4, 8, 4, 8).mean(axis=(2, 4))
    left = 0.02 + 0.004 * np.repeat(np.repeat(blocks, 8, axis=1), 8, axis=2)
    lost = lostlight.lost_light(patch_of(left), patch_of(left), bend=1 / (2 * 0.02), kept=0.99)
    assert lost.light + 1.5 * lost.sigma == pytest.approx(0.5 * 0.004**2 * (1 - 1 / 16) / (2 * 0.02), rel=0.15)


def test_noise_that_the_encoder_took_is_in_contrast_to_noise() -> None:
    rng = np.random.default_rng(17)
    sides = [make_patch(rng, level, 0.008, frames=40) for level in (0.3, 0.1)]
    plain, smoothed = (contrast_readings(*sides, kept=kept)[0][3] for kept in ((1.0, 1.0), (0.8, 0.8)))
    assert plain.value == pytest.approx(25.0, rel=0.03)
    assert smoothed.value == pytest.approx(20.0, rel=0.03)  # 0.008 of 0.01 left
    assert smoothed.low < 17.0 and smoothed.high > plain.value


def test_intervals_of_all_three_cover() -> None:
    """95 % of 250 trials, within three standard errors of that count; frames wander together, regions apart."""
    truth = {"michelson": 0.5, "weber": 2.0, "rms": 0.5}
    hits = dict.fromkeys(truth, 0)
    for seed in range(250):
        rng = np.random.default_rng(1000 + seed)
        wander = 1 + 0.02 * rng.standard_normal(24)[:, None, None]
        own = [1 + 0.004 * rng.standard_normal(24)[:, None, None] for _ in range(2)]
        stacks = [level * wander * w + 0.01 * rng.standard_normal((24, 8, 8)) for level, w in zip((0.3, 0.1), own)]
        for reading in contrast_readings(*(patch_of(stack) for stack in stacks))[0]:
            if reading.name in truth:
                hits[reading.name] += reading.low <= truth[reading.name] <= reading.high
    assert all(0.91 <= count / 250 <= 0.992 for count in hits.values()), hits


def test_matching_factor() -> None:
    assert contrast.matching_factor(0.4, 0.1) == 4.0


def test_hot_pixels_do_not_move_a_level() -> None:
    stack = 0.2 + 0.01 * np.random.default_rng(14).standard_normal((12, 20, 20))
    stack[:, 3, 4] = 9.0
    assert patch_of(stack).level == pytest.approx(0.2, abs=0.001)

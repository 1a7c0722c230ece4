"""The whole measure on row light with known truth."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from runpy import run_path
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.signal import lombscargle

from viewer.measure.flicker import Analysis, Clip, analyse
from viewer.measure.flicker_candidates import mains_label
from viewer.measure.flicker_fit import Sheet, fit_wave
from viewer.measure.flicker_lines import beside
from viewer.measure.flicker_origin import _halved
from viewer.measure.flicker_readout import still_bands
from viewer.measure.flicker_rows import RowLight, bin_rows, relative_light
from viewer.measure.flicker_sampling import frequency_floor, read_clock
from viewer.measure.flicker_search import Plane, find_peaks

made = SimpleNamespace(**run_path(str(Path(__file__).with_name("flicker_rows_made.py"))))
Gate, Scene, make_rows = made.Gate, made.Scene, made.make_rows
CAMERA = {"noise": 0.01, "codec": 0.002}


def look(scene: object, *, known: bool = True, **more: object) -> Analysis:
    """Analyse a made clip with its own readout and exposure."""
    clip = Clip(
        rows=make_rows(scene),
        readout_s=scene.readout_s if known else None,  # type: ignore[attr-defined]
        exposure_s=scene.exposure_s,  # type: ignore[attr-defined]
    )
    return analyse(clip, **more)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("hz", "fps", "readout_s"),
    [
        (37.2, 23.976023976, 0.0155),
        (83.7, 60.0, 0.014),
        (143.0, 59.94005994, 0.016),
        (487.3, 50.0, 0.0095),
        (1100.7, 29.97002997, 0.014),
        (2399.1, 119.88011988, 0.0075),
        (720.4, 60.0, 0.014),
    ],
)
def test_frequency_and_depth(hz: float, fps: float, readout_s: float) -> None:
    exposure = min(1 / 1000, 0.3 / hz)
    gate = Gate(hz, 0.2)
    scene = Scene(fps=fps, readout_s=readout_s, exposure_s=exposure, tube=gate, codec=0.002, drift=0.02)
    analysis = look(scene)
    strongest = analysis.strongest
    assert analysis.word == "modulated" and strongest is not None and strongest.frequency_hz is not None
    assert strongest.frequency_hz == pytest.approx(hz, abs=1e-3)
    assert strongest.recorded == pytest.approx(gate.fundamental(exposure), rel=0.03)
    assert strongest.waveform.depth_percent == pytest.approx(100 * 0.2 / 1.8, rel=0.1)
    assert strongest.origin == "tube"
    assert len(analysis.modulations) == 1


def test_source_behind_a_gate() -> None:
    analysis = look(Scene(tube=Gate(487.3, 0.5), source=Gate(240.3, 0.4), **CAMERA))
    assert [round(item.frequency_hz or 0, 2) for item in analysis.modulations] == [487.3, 240.3]
    assert [item.origin for item in analysis.modulations] == ["tube", "source"]
    share = analysis.modulations[1].place.share
    assert np.nanmax(share) == pytest.approx(1.0, abs=0.1) and np.nanmedian(share) < 0.1


def test_mains_lamp_on_part_of_the_picture() -> None:
    analysis = look(Scene(source=Gate(100.0, 0.3, None), **CAMERA))
    strongest = analysis.strongest
    assert strongest is not None and strongest.frequency_hz == pytest.approx(100.0, abs=1e-3)
    assert strongest.origin == "source" and strongest.label == "mains 50 Hz"


def test_two_gates_in_one_picture() -> None:
    analysis = look(Scene(tube=Gate(333.3, 0.2), second=Gate(291.7, 0.3), **CAMERA))
    found = sorted(item.frequency_hz or 0.0 for item in analysis.modulations)
    assert found == pytest.approx([291.7, 333.3], abs=1e-3)
    assert all(item.origin != "source" for item in analysis.modulations), "half of the screen and half of the dark pulse"


def test_half_a_picture_is_not_a_lamp() -> None:
    """A lamp pulses on itself and around it; one tube of two pulses in bright and dark places of its own half."""
    light = np.full((12, 16), 0.05)
    light[4:8, 4:12] = 0.5
    known = np.ones(light.shape, bool)
    half = np.where(np.arange(16)[None] < 8, 1.0, 0.02) * np.ones((12, 1))
    lamp = np.where(light > 0.3, 1.0, 0.02)
    lamp[2:10, 2:14] = np.maximum(lamp[2:10, 2:14], 0.8)
    found = [_halved(share, light, known, light < 0.15, 0.5) for share in (half, lamp)]
    assert found == [True, False]


def test_close_to_a_multiple_of_the_frame_rate() -> None:
    """The still scene must not take the bands with it (dividing by the temporal mean would)."""
    for off in (0.03, 0.1, -0.15):
        hz = 8 * 60000 / 1001 + off
        strongest = look(Scene(tube=Gate(hz, 0.4), **CAMERA)).strongest
        assert strongest is not None and strongest.frequency_hz == pytest.approx(hz, abs=2e-3)


def test_slow_gate_seen_in_few_periods() -> None:
    strongest = look(Scene(tube=Gate(37.0, 0.3), readout_s=0.004, **CAMERA)).strongest
    assert strongest is not None and strongest.frequency_hz == pytest.approx(37.0, abs=2e-3)


@pytest.mark.parametrize(("duty", "hz"), [(0.3, 138.3), (0.6, 400.2)])
def test_gate_that_switches_off(duty: float, hz: float) -> None:
    """Light that goes out between pulses: the fit must not shy away from darkness."""
    gate = Gate(hz, 1.0, duty)
    strongest = look(Scene(tube=gate, exposure_s=5e-4, rows=120, seconds=2.0, **CAMERA)).strongest
    assert strongest is not None and strongest.frequency_hz == pytest.approx(hz, abs=1e-3)
    assert strongest.recorded == pytest.approx(gate.fundamental(5e-4), rel=0.02)
    assert strongest.waveform.depth_percent > 97.0
    assert strongest.waveform.duty == pytest.approx(duty, abs=0.03)


def test_stripes_of_the_scene_against_a_flat_reference() -> None:
    """Bands that stand still: with a flat field of the same mode stripes of the sensor go, and those of the light stay."""
    rng = np.random.default_rng(1)
    place = np.arange(160) / 160
    shading = (1.0 - 0.3 * np.square(place - 0.5))[:, None] * np.linspace(0.8, 1.0, 8)[None, :]

    def filmed(bands: float, sensor: float) -> RowLight:
        wave = np.cos(2 * np.pi * 6.72 * place + 0.5)[None, :, None]
        light = 0.3 * shading[None] * (1.0 + bands * wave) * (1.0 + sensor * wave)
        light = light * (1.0 + 0.01 * rng.standard_normal((90, 160, 8)))
        return RowLight(read_clock(np.arange(90) / 60.0), light.astype(np.float32), np.ones((160, 8), bool), 160.0)

    def word(rows: RowLight, flat: RowLight | None) -> str:
        return analyse(Clip(rows=rows, readout_s=0.014, exposure_s=5e-4), flat=flat).sentence

    assert "or stripes of the scene" in word(filmed(0.0, 0.05), None)
    assert word(filmed(0.0, 0.05), filmed(0.0, 0.05)).startswith("No modulation")
    assert "against the flat reference" in word(filmed(0.05, 0.05), filmed(0.0, 0.05))


@pytest.mark.parametrize("noise", [0.05, 0.3])
def test_light_at_the_detection_limit_is_found(noise: float) -> None:
    """In 19 of 20 clips a modulation of the stated limit is reported; here in at least 7 of 8 seeded ones."""
    camera = {"fps": 30.0, "seconds": 2.5, "rows": 120, "noise": noise, "exposure_s": 5e-4}
    limit = look(Scene(**camera)).limit
    found = 0
    for seed in range(8):
        rng = np.random.default_rng(seed)
        hz = 30.0 * int(rng.integers(3, 30)) + float(rng.uniform(2.0, 13.0))
        gate = Gate(hz, limit / abs(np.sinc(hz * 5e-4)), None, float(rng.random()))
        found += look(Scene(tube=gate, seed=seed + 10, **camera)).word == "modulated"
    assert found >= 7
    weak = Gate(333.7, 0.3 * limit, None)
    assert look(Scene(tube=weak, **camera)).word == "steady", "the limit is not far too large either"


@pytest.mark.parametrize("wander", [0.3, 1.5])
def test_rate_that_wanders(wander: float) -> None:
    strongest = look(Scene(tube=Gate(333.3, 0.2), wander_hz=wander, **CAMERA)).strongest
    assert strongest is not None and strongest.frequency_hz is not None
    assert abs(strongest.frequency_hz - 333.3) < 3.0 * strongest.sigma_hz < 5.0


def test_uneven_frames_have_no_alias() -> None:
    """With true timestamps uneven frames decide the frequency even without the readout."""
    rng = np.random.default_rng(2)
    times = tuple(np.arange(150) / 60 + rng.uniform(-6e-4, 6e-4, 150))
    analysis = look(Scene(tube=Gate(333.7, 0.3), times=times, rows=120, **CAMERA), known=False)
    strongest = analysis.strongest
    assert strongest is not None and strongest.frequency_hz == pytest.approx(333.7, abs=2e-3)
    assert strongest.alias_hz is None


def test_loud_wave_below_a_high_floor_is_looked_at() -> None:
    """Steps of exposure put sidebands of a strong wave at every alias, so the floor stands high above the wave itself.

    A peak of 5 over its floor is no peak by its height, but the largest amplitude of all is one.
    """
    height, amplitude = np.ones((200, 121)), np.full((200, 121), 1e-3)
    height[80, 90], amplitude[80, 90] = 60.0, 0.02
    height[20, 70], amplitude[20, 70] = 5.0, 0.4
    plane = Plane(np.arange(200) * 0.1, np.arange(121) * 0.5 - 30.0, height, amplitude, np.zeros((200, 121), np.int64))
    found = [(round(peak.g_hz, 3), peak.q) for peak in find_peaks(plane, duration_s=4.0, least=25.0)]
    assert found == [(8.0, 15.0), (2.0, 5.0)]
    amplitude[20, 70] = 0.03
    assert len(find_peaks(plane, duration_s=4.0, least=25.0)) == 1, "a small one stays below the floor"


def test_very_uneven_frames() -> None:
    """Times that scatter by a twelfth of a frame: of an even number of steps none need lie near their median."""
    rng = np.random.default_rng(1)
    for count in (74, 75, 76, 77):
        times = np.sort(np.arange(count) / 25 + 0.003 * np.clip(rng.standard_normal(count), -2.5, 2.5))
        clock = read_clock(times - times[0], tick_s=1 / 90000)
        assert clock.rate == pytest.approx(25.0, rel=0.1) and clock.comb_hz is None


def test_image_of_a_line_in_a_starved_clip_is_no_second_gate() -> None:
    """Bands that an encoder keeps from the frame before run backwards as well: 330 - 3.8 Hz beside 330 + 3.7 Hz at 30 fps."""
    times, place = np.arange(105) / 30.0, (np.arange(60) + 0.5) / 60
    psi = 2 * np.pi * (3.7 * times[:, None] + 4.67 * place[None])
    gate = fit_wave(Sheet(0.012 * np.cos(psi), np.ones(60), times, place), 3.7, 4.67)
    image = replace(gate, g_hz=3.795, q=-4.57, amplitudes=0.5 * gate.amplitudes)
    assert beside(image, gate, 30.0) and beside(replace(image, g_hz=-3.795, q=4.57), gate, 30.0)
    assert not beside(gate, image, 30.0), "the stronger one stays"
    assert not beside(replace(image, q=-7.0), gate, 30.0) and not beside(replace(image, g_hz=9.1), gate, 30.0)


def test_mixed_rates_use_their_own_grid() -> None:
    times = tuple(np.concatenate((np.arange(60) / 30, 2 + np.arange(48) / 24)))
    strongest = look(Scene(tube=Gate(333.7, 0.3), times=times, **CAMERA)).strongest
    assert strongest is not None and strongest.frequency_hz == pytest.approx(333.7, abs=1e-3)


def test_wrong_direction_is_noticed() -> None:
    scene = Scene(tube=Gate(333.7, 0.3), **CAMERA)
    rows = make_rows(scene)
    turned = RowLight(rows.clock, np.ascontiguousarray(rows.light[:, ::-1]), rows.usable, rows.rows_delivered)
    analysis = analyse(Clip(rows=turned, readout_s=scene.readout_s, exposure_s=scene.exposure_s))
    strongest = analysis.strongest
    assert strongest is not None
    assert any("other way" in note for note in analysis.notes) or strongest.frequency_hz is None


def test_dropped_frames_keep_the_fundamental() -> None:
    """Gaps spread a strong wave over all aliases; its harmonics must not be taken for it."""
    rng = np.random.default_rng(6)
    times = tuple(np.arange(90)[rng.random(90) > 0.25] / 30.0)
    gate = Gate(333.7, 1.0, 0.7)
    strongest = look(Scene(tube=gate, times=times, rows=120, **CAMERA)).strongest
    assert strongest is not None and strongest.frequency_hz == pytest.approx(333.7, abs=2e-3)
    assert strongest.recorded == pytest.approx(gate.fundamental(1e-3), rel=0.03)


def test_handshake_puts_no_lines_beside_a_gate() -> None:
    analysis = look(Scene(tube=Gate(83.7, 0.6, 0.7), shake=3.0, seconds=3.0, rows=120, **CAMERA))
    assert [round(item.frequency_hz or 0.0, 1) for item in analysis.modulations] == [83.7]


def test_two_unrelated_rates_leave_one() -> None:
    gate = Gate(487.3, 0.3)
    first = Clip(rows=make_rows(Scene(tube=gate, **CAMERA)), exposure_s=1e-3)
    second = Clip(rows=make_rows(Scene(tube=gate, fps=50.0, readout_s=0.0152, seed=1, **CAMERA)), exposure_s=1e-3)
    alone = analyse(first).strongest
    assert alone is not None and alone.frequency_hz is None and 2 <= len(alone.choice.candidates) <= 60
    assert min(abs(c.frequency_hz - 487.3) for c in alone.choice.candidates) < 0.02
    assert sum(c.weight for c in alone.choice.candidates) == pytest.approx(1.0)
    both = analyse(first, also=[second]).strongest
    assert both is not None and both.frequency_hz == pytest.approx(487.3, abs=3e-3)
    related = Clip(rows=make_rows(Scene(tube=gate, fps=2 * 60000 / 1001, readout_s=0.008, seed=2, **CAMERA)), exposure_s=1e-3)
    still = analyse(first, also=[related]).strongest
    assert still is not None and len(still.choice.candidates) > 1, "a rate and its double settle little"


@pytest.mark.parametrize(("fps", "lamp"), [(50.0, "(100 Hz)"), (60.0, "(120 Hz)"), (32.0, "")])
def test_steady_names_the_lamps_that_it_could_not_see(fps: float, lamp: str) -> None:
    """A lamp pulses at twice the mains frequency, which is a multiple of these rates (50 and 60 Hz grids)."""
    analysis = look(Scene(fps=fps, seconds=3.0, rows=120, noise=0.01, seed=3))
    assert analysis.word == "steady"
    assert ("Mains lamps" in analysis.sentence) == bool(lamp) and lamp in analysis.sentence


@pytest.mark.parametrize("seed", range(16))
def test_nothing_pulses(seed: int) -> None:
    """Drift, handshake, a walking figure and an encoder's own flicker are not light that pulses.

    The benchmark runs a thousand of these; here are a few of each kind.
    """
    rng = np.random.default_rng(seed + 77)
    scene = Scene(
        fps=float(rng.choice([25.0, 30000 / 1001, 60000 / 1001])),
        seconds=3.0,
        rows=120,
        readout_s=float(rng.uniform(0.008, 0.016)),
        exposure_s=1 / 2000,
        noise=float(10 ** rng.uniform(-2.5, -0.5)),
        drift=[0.0, 0.05][seed % 2],
        shake=[0.0, 0.5, 3.0][seed % 3],
        figure=seed % 4 < 2,
        codec=[0.003, 0.005, 0.0, 0.001][seed // 4],
        seed=seed,
    )
    analysis = look(scene, known=seed % 2 == 0)
    assert analysis.word == "steady", analysis.sentence
    assert analysis.blind_hz


def test_error_reaches_the_bound_and_is_stated_honestly() -> None:
    """Against the Cramer-Rao bound of Rife and Boorstyn (1974), and 60 seeded repeats for the interval."""
    n, r, amplitude, sigma = 120, 60, 0.05, 0.05
    times, place = np.arange(n) / 50.0, (np.arange(r) + 0.5) / r
    errors, stated = [], []
    for seed in range(60):
        rng = np.random.default_rng(seed)
        hz = rng.uniform(3, 22)
        phase = 2 * np.pi * (hz * times[:, None] + 5.3 * place[None]) + rng.uniform(0, 6)
        x = amplitude * np.cos(phase) + sigma * rng.standard_normal((n, r))
        wave = fit_wave(Sheet(x, np.ones(r), times, place), hz + 0.03, 5.35)
        errors.append(wave.g_hz - hz)
        stated.append(wave.sigma_hz)
    bound = frequency_floor(amplitude / sigma, n * r, n / 50.0)
    assert np.std(errors) < 1.25 * bound
    # 60 draws of 95 %: 53 to 60 inside with 97 % probability (binomial)
    assert 53 <= np.sum(np.abs(errors) < 1.96 * np.array(stated)) <= 60


def test_same_frequency_as_lomb_scargle() -> None:
    """One row of samples with gaps: the peak of scipy's periodogram (floating mean) and our fit agree within its grid."""
    rng = np.random.default_rng(4)
    scene = Scene(tube=Gate(143.0, 0.3, None), rows=120, seconds=2.0, noise=0.01)
    rows = make_rows(scene)
    light = rows.light[:, 55:65, 3:5].mean(axis=(1, 2))
    times = np.arange(light.size) / scene.fps
    keep = rng.random(light.size) > 0.2
    grid = np.arange(22.5, 23.8, 2e-4)
    power = lombscargle(times[keep], light[keep], 2 * np.pi * grid, floating_mean=True)
    strongest = look(scene).strongest
    assert strongest is not None and strongest.alias_hz is not None
    assert grid[int(np.argmax(power))] == pytest.approx(strongest.alias_hz, abs=5e-3)


def test_rows_are_binned_without_losing_depth() -> None:
    scene = Scene(tube=Gate(1100.7, 0.3), rows=800, blocks=4, seconds=1.0, exposure_s=2e-4, noise=0.01)
    rows = make_rows(scene)
    assert bin_rows(rows).light.shape[1] == 400 and bin_rows(rows).share == rows.share
    strongest = look(scene).strongest
    assert strongest is not None and strongest.recorded == pytest.approx(scene.tube.fundamental(2e-4), rel=0.02)


def test_mains_labels() -> None:
    assert mains_label(100.1) == "mains 50 Hz" and mains_label(120.0) == "mains 60 Hz" and mains_label(143.0) == ""


@pytest.mark.corpus
def test_bands_of_a_real_lamp(corpus: Path) -> None:
    """One frame of a consumer camera, an LED pulsed at 1000 Hz: the collection states a band spacing of 68.6 rows."""
    from viewer.cv import cv2

    picture = cv2.imread(str(corpus / "still-rolling-shutter-led-1000hz.png"))
    signal = picture[..., 1] / 255.0
    # IEC 61966-2-1
    light = np.where(signal <= 0.04045, signal / 12.92, ((signal + 0.055) / 1.055) ** 2.4)
    spacing, sigma = still_bands(light.mean(axis=1))
    assert spacing == pytest.approx(68.6, abs=0.05) and sigma < 0.05


@pytest.mark.corpus
def test_real_flickering_illumination_is_no_gate(corpus: Path) -> None:
    """25 frames of a laboratory recording whose light changes at random from frame to frame: nothing travels along the rows."""
    from viewer.cv import cv2

    files = sorted((corpus / "flicker-series").glob("img-*.png"))
    light = np.array([cv2.imread(str(path), cv2.IMREAD_GRAYSCALE) for path in files], np.float32) / 255.0
    blocks = light[:, :, :256].reshape(len(files), light.shape[1], 8, 32).mean(axis=3)
    rows = RowLight(read_clock(np.arange(len(files)) / 25.0), blocks, np.ones(blocks.shape[1:], bool), float(blocks.shape[1]))
    analysis = analyse(Clip(rows=rows, exposure_s=1e-3))
    assert analysis.word != "modulated"
    # the authors' table gives the level of each frame over the first, in x = 2 .. 20, y = 49 .. 145
    want = np.loadtxt(corpus / "flicker-series" / "reference-ratios.tsv", skiprows=1, usecols=5)
    zone = light[:, 49:146, 2:21].mean(axis=2, keepdims=True)
    part = RowLight(rows.clock, zone, np.ones(zone.shape[1:], bool), float(light.shape[1]))
    gain = relative_light(part).gain
    assert gain / gain[0] == pytest.approx(want, abs=3e-3)

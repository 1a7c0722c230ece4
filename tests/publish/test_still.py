"""Stills: geometry, rules, renderings and bytes, looked at in the pixels that come out."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from viewer.errors import Cancelled, PublishError, UsageError
from viewer.media import open_clip
from viewer.publish import layout, moments, overlay, rendering, still, view
from viewer.publish.gather import Gathered
from viewer.session.model import Session, StillSpec, StoredReading

Sample = tuple[Session, Path]


@pytest.fixture(scope="module")
def gathered(sample: Sample) -> Gathered:
    session, folder = sample
    return still.gather(session, folder, session.stills[0])


def field_width(pixels: np.ndarray, box: layout.Box) -> float:
    """Width of the lit field along the middle row of a picture, px."""
    row = pixels[box.y + box.h // 2 - 2 : box.y + box.h // 2 + 3, box.x : box.right].astype(float).sum(axis=(0, 2))
    lit = np.flatnonzero(row > 0.25 * np.median(row))
    return float(lit[-1] - lit[0] + 1)


def test_equal_degrees_are_equal_sizes(gathered: Gathered) -> None:
    # The clips show the field at 0.9 to 1.08 times the control's size; on the still all fields are equally wide.
    plain = replace(gathered, spec=replace(gathered.spec, settings={"regions": 0, "notes": 0}))
    made = still.compose(plain)
    paper = layout.page("16:9", None, 3)
    widths = []
    for n in range(3):
        third = made.pixels[paper.body.y + 40 : paper.body.y + 500, :]
        part = third[:, round(n * 1920 / 3) : round((n + 1) * 1920 / 3)]
        green = part[..., 1].astype(float)
        lit = green > 0.12 * 65535
        lit &= np.abs(part[..., 0].astype(int) - part[..., 1]) > 600
        cols = np.flatnonzero(lit.sum(axis=0) > 3)
        widths.append(cols[-1] - cols[0] + 1)
    assert max(widths) - min(widths) <= 0.02 * max(widths), widths
    assert made.facts["px_per_degree"] == pytest.approx(2 * 104 / 40)


def test_facts_hold_frame_rule_and_typicality(gathered: Gathered) -> None:
    facts = still.compose(gathered).facts
    assert [pane["device"] for pane in facts["panes"]] == ["Heron", "Bittern", "Plover"]
    for pane in facts["panes"]:
        assert pane["frames"] == [12] and pane["percentile_of_frames"] == 24
        assert 0 <= pane["level_percentile"] <= 100 and 0 <= pane["sharpness_percentile"] <= 100
    assert "Not for driving" in facts["caption"]


def test_same_bytes_without_screen_with_app_and_on_xcb(sample: Sample, gathered: Gathered) -> None:
    _, folder = sample
    here = hashlib.sha256(still.compose(gathered).pixels.tobytes()).hexdigest()
    code = (
        "import sys, hashlib\nfrom pathlib import Path\n"
        "from viewer.session.store import load\nfrom viewer.publish import still\n"
        "if sys.argv[2] == 'app':\n    from PySide6.QtGui import QGuiApplication\n    app = QGuiApplication([])\n"
        "f = Path(sys.argv[1])\ns = load(f / 'session.gloam')\n"
        "print(hashlib.sha256(still.render_still(s, f, s.stills[0]).pixels.tobytes()).hexdigest())\n"
    )
    runs = [("none", "1", "xcb", []), ("app", "2", "offscreen", [])]
    if shutil.which("xvfb-run"):
        runs.append(("app", "1.25", "xcb", ["xvfb-run", "-a"]))
    for mode, scale, platform, front in runs:
        env = {**os.environ, "QT_SCALE_FACTOR": scale, "QT_QPA_PLATFORM": platform}
        call = [*front, sys.executable, "-c", code, str(folder), mode]
        done = subprocess.run(call, env=env, capture_output=True, text=True)
        assert done.stdout.strip() == here, (mode, platform, done.stderr[-500:])


@pytest.mark.parametrize("shape", list(layout.SHAPES))
@pytest.mark.parametrize("name", layout.LAYOUTS)
@pytest.mark.parametrize("count", [1, 2, 3, 4, 5, 6])
def test_cells_lie_apart_and_inside(shape: str, name: str, count: int) -> None:
    paper = layout.page(shape, None, 4)
    # The smallest text is 2.2 % of the height on screens.
    assert paper.em >= (0.0165 if shape == "print" else 0.022) * paper.height - 1e-9
    if name == "large":
        count = 1
    for cols in layout.columns_of(paper, name, count):
        apart_and_inside(paper, layout.cells(paper, name, count, 1.0, 8 * paper.em, cols=cols), count)


def apart_and_inside(paper: layout.Page, made: list[layout.Cell], count: int) -> None:
    assert len(made) == count
    boxes = [box for cell in made for box in (cell.picture, cell.words)]
    for box in boxes:
        assert box.x >= paper.body.x and box.y >= paper.body.y
        assert box.right <= paper.body.right + 1 and box.bottom <= paper.body.bottom + 1
    for n, a in enumerate(boxes):
        for b in boxes[n + 1 :]:
            assert a.right <= b.x or b.right <= a.x or a.bottom <= b.y or b.bottom <= a.y
    assert len({(cell.picture.w, cell.picture.h) for cell in made}) == 1


def test_all_layouts_draw(gathered: Gathered) -> None:
    for name in layout.LAYOUTS:
        for shape in ("16:9", "square", "portrait"):
            made = still.compose(replace(gathered, spec=replace(gathered.spec, layout=name, shape=shape)))
            assert made.pixels.shape == (*layout.SHAPES[shape][::-1], 3)
    six = replace(gathered, panes=gathered.panes * 2)
    assert still.compose(six).pixels.shape == (1080, 1920, 3)


def test_twin_is_matched_and_says_so(gathered: Gathered) -> None:
    twin = still.compose(gathered, rendering="brightness_matched")
    gains = [pane["gain"] for pane in twin.facts["panes"]]
    assert gains[0] == 1.0 and "Light matched" in twin.facts["caption"]
    # The tints differ: luminance of (0.8, 1, 0.95) light against (0.55, 1, 0.45), about 1.12.
    tint = np.array([0.2126, 0.7152, 0.0722])
    expected = float((np.array([0.55, 1, 0.45]) @ tint) / (np.array([0.8, 1, 0.95]) @ tint))
    assert gains[1] == pytest.approx(expected, rel=0.05)
    assert still.rendering_words(gathered.panes[1], "brightness_matched") == f"brightness matched ×{gains[1]:.2f}"
    assert still.rendering_words(gathered.panes[1], "as_filmed") == "as filmed"


def test_grey_rendering_has_no_tint(gathered: Gathered) -> None:
    pane = gathered.panes[0]
    grey = rendering.show(pane.light, pane.clipped, pane.transfer, pane.primaries, rendering="neutral_grey")
    assert np.ptp(grey.astype(int), axis=2).max() == 0


def test_as_filmed_sdr_keeps_the_signal(gathered: Gathered, sample: Sample) -> None:
    _, folder = sample
    with open_clip(folder / "lamps-heron.mp4") as clip:
        signal = clip.frame(12).signal()
    pane = gathered.panes[0]
    shown = rendering.show(pane.light, pane.clipped, pane.transfer, pane.primaries, rendering="as_filmed")
    assert np.abs(shown / 65535 - np.clip(signal, 0, 1)).max() < 0.002


def test_hdr_recipe_is_monotone_and_meets_its_definition() -> None:
    from viewer.media.light import hlg_inverse_oetf

    ramp = np.linspace(0, 1, 400)
    light = np.repeat(hlg_inverse_oetf(ramp)[:, None, None], 3, axis=2)
    shown = rendering.to_srgb(light, "hlg", "bt2020")[:, 0, 1]
    assert (np.diff(shown) >= -1e-6).all() and shown[0] == 0 and shown[-1] <= 1
    # BT.2408: HLG 75 % is reference white, 203 cd/m2; by the recipe that is the shoulder's value at 1.0.
    white = rendering.to_srgb(np.full((1, 1, 3), float(hlg_inverse_oetf(0.75))), "hlg", "bt2020")[0, 0, 1]
    expected = 0.7 + 0.3 * (1 - np.exp(-1.0))
    assert rendering.srgb_to_linear(white) == pytest.approx(expected, abs=0.004)


def test_false_luminance_ends_are_those_of_cividis() -> None:
    # Nunez, Anderton and Renslow (2018), as in matplotlib: from dark blue (0, 34, 78) to yellow (254, 232, 56).
    ends = rendering.false_colour(np.array([[0.0, 1.0]]))[0] * 255
    assert np.allclose(ends[0], (0, 34, 78), atol=1.5) and np.allclose(ends[1], (254, 232, 56), atol=1.5)


def test_inset_repeats_whole_pixels(gathered: Gathered) -> None:
    pane = gathered.panes[1]
    once = overlay.inset_pixels(pane, (140, 156, 40, 28), 1, "as_filmed")
    five = overlay.inset_pixels(pane, (140, 156, 40, 28), 5, "as_filmed")
    assert five.shape == (once.shape[0] * 5, once.shape[1] * 5, 3)
    assert np.array_equal(five[::5, ::5], once) and np.array_equal(five[4::5, 4::5], once)
    # 40 px of the reference are 36 px of a clip that shows everything at 0.9.
    assert once.shape[:2] == (25, 36)


def test_shrinking_fades_bars_instead_of_inventing_them() -> None:
    # Bars of 0.42 cycles/px shrunk 2.5 times lie beyond what the picture can hold: no ghost contrast may remain.
    x = np.arange(1000)
    bars = np.repeat(np.tile(0.5 + 0.5 * np.sin(2 * np.pi * 0.42 * x), (1000, 1))[..., None], 3, axis=2).astype(np.float32)
    m = view.View(x=-0.5, y=-0.5, w=1000, h=1000).matrix(400)
    shown, _, inside = view.resample(bars, np.zeros((1000, 1000), bool), m, 400, 400)
    middle = shown[100:300, 20:380, 0]
    assert inside.all() and np.ptp(middle) / (middle.max() + middle.min()) < 0.2


def test_resampling_keeps_places() -> None:
    # A spot at (61.25, 40.75) must land where the view's matrix says, to a twentieth of a pixel.
    y, x = np.mgrid[0:120, 0:160]
    spot = np.exp(-((x - 61.25) ** 2 + (y - 40.75) ** 2) / 18.0)[..., None].repeat(3, axis=2).astype(np.float32)
    for width in (80, 160, 400):
        m = view.View(x=-0.5, y=-0.5, w=160, h=120).matrix(width)
        shown, _, _ = view.resample(spot, np.zeros((120, 160), bool), m, width, width * 3 // 4)
        weight = shown[..., 0].astype(float)
        rows, cols = np.indices(weight.shape)
        found = (weight * cols).sum() / weight.sum(), (weight * rows).sum() / weight.sum()
        assert np.allclose(found, m[:, :2] @ (61.25, 40.75) + m[:, 2], atol=0.05 * max(1, width / 160))


def test_frame_rules(sample: Sample) -> None:
    session, folder = sample
    entry = session.clip("c-lamps-heron")
    with open_clip(folder / "lamps-heron.mp4") as clip:
        sharp, _, _ = moments.read_moment(clip, entry, session, scene_s=0.48, rule="sharpest_typical")
        assert sharp.level_percentile is not None and 20 <= sharp.level_percentile <= 80
        # The beat is 6.25 Hz at 25 frames a second: whole periods are multiples of four frames.
        mean, averaged, _ = moments.read_moment(clip, entry, session, scene_s=0.48, rule="mean_over_beats")
        assert len(mean.numbers) % 4 == 0 and "whole periods of 6.25 Hz" in mean.words
        assert np.array_equal(averaged, moments.light_of(clip, mean)[0]), "read in the same pass or again: the same light"
        assert np.allclose(averaged, np.mean([clip.frame(n).rgb().light for n in mean.numbers], axis=0), atol=1e-5)
        late, _, _ = moments.read_moment(clip, entry, session, scene_s=99.0, rule="scene_time")
        assert late.numbers == (23,) and "outside" in late.remark
    other = session.clip("c-lamps-plover")
    with open_clip(folder / "lamps-plover.mp4") as clip:
        assert "no beat is known" in moments.read_moment(clip, other, session, scene_s=0.4, rule="mean_over_beats")[0].words


def test_mean_over_whole_periods_is_the_same_at_every_phase() -> None:
    # Two beats, as a gated device before a pulsing screen gives; the mean must not depend on where it starts.
    beats, rate = (22.003, 11.996), 50.0
    count = moments.whole_periods(beats, rate, 50)
    time_s = np.arange(400) / rate
    level = 1 + 0.4 * np.sin(2 * np.pi * beats[0] * time_s) + 0.3 * np.sin(2 * np.pi * beats[1] * time_s + 1.0)
    means = np.convolve(level, np.ones(count) / count, "valid")
    assert 40 <= count <= 50 and np.ptp(means) < 0.01
    careless = np.convolve(level, np.ones(41) / 41, "valid")
    assert np.ptp(careless) > 3 * np.ptp(means)
    assert moments.whole_periods((6.25,), 25.0, 25) == 24


def test_bad_file_is_named_and_the_rest_is_drawn(sample: Sample, tmp_path: Path) -> None:
    session, folder = sample
    broken = replace(
        session.clip("c-lamps-bittern"), files=(replace(session.clip("c-lamps-bittern").files[0], path="gone.mp4"),)
    )
    made = still.render_still(session.put(broken), folder, session.stills[0])
    assert len(made.facts["panes"]) == 2 and len(made.troubles) == 1 and "gone.mp4" in made.troubles[0]
    with pytest.raises(UsageError, match="nothing to show"):
        still.render_still(session, tmp_path, session.stills[0])


def test_without_pose_or_field_it_says_so(sample: Sample) -> None:
    session, folder = sample
    clip = replace(session.clip("c-lamps-plover"), pose=None, circle=None, clock=None)
    devices = tuple(replace(device, field_deg=None) for device in session.devices)
    made = still.render_still(replace(session.put(clip), devices=devices), folder, session.stills[0])
    assert made.facts["px_per_degree"] is None and "no stated field" in made.facts["caption"]
    remarks = made.facts["panes"][2]["remarks"]
    assert "not lined up" in remarks and "not lined up in time" in remarks


def test_markup_and_refusals_are_only_text(evil: Sample) -> None:
    session, folder = evil
    extra = tuple(
        StoredReading(
            id=f"x{n}",
            request="q-contrast",
            clip=f"c-lamps-{name}",
            name="cnr",
            of="<i>",
            value=None,
            unit="1",
            state="refused",
            reason="<script>" * 20,
        )
        for n, name in enumerate(("heron", "bittern", "plover"))
    )
    made = still.render_still(replace(session, readings=(*session.readings, *extra)), folder, session.stills[0])
    assert "<script>alert(1)</script>" in made.words["Title"]


def test_blink_stays_under_the_flash_limit(gathered: Gathered, tmp_path: Path) -> None:
    from PIL import Image

    paths = still.write_blink(gathered, tmp_path / "blink.png", tmp_path / "blink.webp", size=(640, 360))
    pictures = []
    for path in paths:
        with Image.open(path) as image:
            assert image.n_frames == 3  # type: ignore[attr-defined]
            image.seek(2)
            pictures.append(np.asarray(image.convert("RGB")))
            assert image.info["duration"] >= 334
    assert np.array_equal(*pictures), "both are without loss"


def test_formats_and_bad_wishes(gathered: Gathered, sample: Sample, tmp_path: Path) -> None:
    made = still.compose(gathered, size=(960, 540))
    for name in ("a.png", "a.tif", "a.jpg"):
        assert still.write_still(made, tmp_path / name, bits=16).stat().st_size > 10_000
    for wrong in (replace(gathered.spec, shape="round"), replace(gathered.spec, layout="heap")):
        with pytest.raises(UsageError, match="Choose one of"):
            still.compose(replace(gathered, spec=wrong))
    (tmp_path / "file").write_text("")
    with pytest.raises(PublishError):
        still.write_still(made, tmp_path / "file" / "a.png")
    session, folder = sample
    with pytest.raises(Cancelled):
        still.render_still(session, folder, StillSpec(id="x", scene="s-lamps"), cancelled=lambda: True)

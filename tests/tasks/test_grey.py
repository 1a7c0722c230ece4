"""Black-and-white files (no chroma planes) go through every measure that needs no colour."""

from __future__ import annotations

from pathlib import Path

import av
import numpy as np
import pytest

from viewer.errors import ViewerError
from viewer.measure.bars import Target
from viewer.measure.regions import Rect
from viewer.media import open_clip
from viewer.media.light import from_linear
from viewer.tasks.bars import measure_bars
from viewer.tasks.contrast import measure_contrast
from viewer.tasks.noise import measure_noise
from viewer.tasks.tint import measure_tint

BRIGHT, DARK = Rect(20, 20, 40, 40), Rect(80, 20, 40, 40)


@pytest.fixture(scope="module", params=["gray", "gray10le"])
def grey_clip(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Patches of 0.4 and 0.1 and upright bars of 0.4 and 0.1, light noise of 0.01; full range, sRGB, FFV1."""
    kind = str(request.param)
    path = tmp_path_factory.mktemp("grey") / f"{kind}.mkv"
    scene = np.full((160, 200), 0.2)
    scene[15:65, 15:65], scene[15:65, 75:125] = 0.4, 0.1
    scene[68:152, 6:94] = 0.4
    for bar in (20, 44, 68):
        scene[80:140, bar : bar + 12] = 0.1
    rng = np.random.default_rng(3)
    top, sample = (255, np.uint8) if kind == "gray" else (1023, np.uint16)
    with av.open(str(path), "w") as out:
        stream = out.add_stream("ffv1", rate=25)
        stream.width, stream.height, stream.pix_fmt = 200, 160, kind
        stream.codec_context.color_range, stream.codec_context.color_trc = 2, 13
        for _ in range(16):
            light = np.clip(scene + 0.01 * rng.standard_normal(scene.shape), 0.0, 1.0)
            codes = np.rint(from_linear("srgb", light) * top).astype(sample)
            out.mux(stream.encode(av.VideoFrame.from_ndarray(codes, format=kind)))
        out.mux(stream.encode())
    return path


def test_measures_take_a_grey_clip(grey_clip: Path) -> None:
    with open_clip(grey_clip) as clip:
        assert (clip.info.chroma, clip.info.transfer, clip.info.range) == ("400", "srgb", "full")
        assert not any("matrix" in text for text in (*clip.info.assumed, *clip.info.warnings))
        light = clip.frame(0).rgb((30, 30, 8, 8)).light
        assert light.shape == (8, 8, 3)
        assert np.array_equal(light[..., 0], clip.frame(0).luminance((30, 30, 8, 8)).light)
        michelson = measure_contrast(clip, BRIGHT, DARK).reading("michelson")
        assert michelson.value == pytest.approx(0.6, abs=0.002)
        assert michelson.low is not None and michelson.high is not None and michelson.low <= 0.6 <= michelson.high
        noise = measure_noise(clip, BRIGHT).reading("temporal_sigma")
        assert noise.value == pytest.approx(0.01, rel=0.1)
        bars = measure_bars(clip, [Target("1.0", Rect(20, 80, 60, 60), "v")])
        assert bars.reading("modulation").value == pytest.approx(0.6, abs=0.01)
        with pytest.raises(ViewerError, match="no tint"):
            measure_tint(clip, BRIGHT)

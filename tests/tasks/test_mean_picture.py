"""Mean pictures: which frames count more where the camera moved."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest

from viewer.media import open_clip
from viewer.tasks.mean_picture import RELIED_ON, mean_picture

SPEC = importlib.util.spec_from_file_location("light_scenes", Path(__file__).parent.parent / "measure" / "light_scenes.py")
assert SPEC and SPEC.loader
scenes = importlib.util.module_from_spec(SPEC)
SPEC.loader.exec_module(scenes)


def swaying(path: Path) -> Path:
    rng = np.random.default_rng(3)
    parts = [(0.5, scenes.gauss(3.0)), (0.1, scenes.disc(14.0, 1.5))]
    frames = (
        0.02
        + scenes.lamp(96, 112, (56 + 3 * np.sin(0.5 * k), 48 + 2 * np.sin(0.3 * k)), parts)
        + 0.003 * rng.standard_normal((96, 112))
        for k in range(14)
    )
    return Path(scenes.write_clip(path, frames, crf=24, options={"bf": "2", "b_strategy": "0"}))


@pytest.mark.skipif(shutil.which("ffprobe") is None, reason="ffprobe is not installed")
def test_types_of_pictures_are_those_that_ffprobe_tells(tmp_path: Path) -> None:
    path = swaying(tmp_path / "a.mp4")
    ask = ["ffprobe", "-v", "error", "-select_streams", "v", "-show_entries", "frame=pict_type", "-of", "csv=p=0", str(path)]
    told = [line.strip(", ") == "B" for line in subprocess.run(ask, capture_output=True, text=True, check=True).stdout.split()]
    with open_clip(path) as clip:
        found = [frame.bidirectional for frame in clip.frames(0, len(clip.index))]
    assert found == told
    assert any(found) and not all(found)


def test_pictures_that_others_rest_on_count_more_where_the_camera_moved(tmp_path: Path) -> None:
    with open_clip(swaying(tmp_path / "a.mp4")) as clip:
        mean = mean_picture(clip, anchors=[(56.0, 48.0)], steady=True)
        weights = [1.0 if frame.bidirectional else RELIED_ON for frame in clip.frames(0, len(clip.index))]
        lights = [clip.frame(k).luminance(tint=clip.tint(None, (0, None))).light.mean() for k in range(len(weights))]
    assert mean.moving and mean.frames == 14
    # the whole picture holds the same light wherever the lamp is: its mean is numpy's weighted average of the frames' means
    assert mean.light.mean() == pytest.approx(float(np.average(lights, weights=weights)), rel=0.01)

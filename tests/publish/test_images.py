"""Picture files read back by Pillow, Qt, OpenCV and, where present, pngcheck and exiftool."""

from __future__ import annotations

import io
import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image, ImageCms

from viewer.cv import cv2
from viewer.errors import PublishError, UsageError
from viewer.publish import images
from viewer.publish.metadata import unexpected, words_in

WORDS = {"Title": "Quay lamps", "Description": "Heron · 12.4 ±0.3 px <b>"}


@pytest.fixture(scope="module")
def picture() -> np.ndarray:
    rng = np.random.default_rng(1)
    ramp = np.linspace(0, 65535, 61 * 43 * 3).reshape(43, 61, 3)
    return (ramp + rng.uniform(0, 200, ramp.shape)).clip(0, 65535).astype(np.uint16)


def test_png_16_is_exact(picture: np.ndarray, tmp_path: Path) -> None:
    path = images.write_picture(tmp_path / "é 1.png", picture, WORDS, bits=16)
    data = np.frombuffer(path.read_bytes(), np.uint8)
    back = cv2.imdecode(data, cv2.IMREAD_UNCHANGED)
    assert back.dtype == np.uint16
    assert np.array_equal(back[..., ::-1], picture)


def test_png_8_by_pillow(picture: np.ndarray) -> None:
    with Image.open(io.BytesIO(images.png_bytes((picture // 257).astype(np.uint8), WORDS))) as image:
        assert np.array_equal(np.asarray(image), picture // 257)
        assert image.info["Description"] == WORDS["Description"]
        assert image.info["icc_profile"] == images.icc_profile()


def test_profile_is_srgb() -> None:
    profile = ImageCms.ImageCmsProfile(io.BytesIO(images.icc_profile()))
    assert "sRGB" in ImageCms.getProfileDescription(profile)
    # Against Pillow's own sRGB: the same colours to within rounding.
    source = Image.fromarray(np.random.default_rng(2).integers(0, 256, (16, 16, 3), np.uint8))
    transform = ImageCms.buildTransform(profile, ImageCms.createProfile("sRGB"), "RGB", "RGB")
    moved = ImageCms.applyTransform(source, transform)
    assert moved is not None
    assert np.abs(np.asarray(moved).astype(int) - np.asarray(source)).max() <= 1


def test_tiff_16_is_exact(picture: np.ndarray) -> None:
    import tifffile

    with tifffile.TiffFile(io.BytesIO(images.tiff_bytes(picture, WORDS))) as file:
        page = file.pages[0]
        assert np.array_equal(page.asarray(), picture)
        assert page.tags["InterColorProfile"].value == images.icc_profile()
        assert "DateTime" not in page.tags


def test_jpeg_keeps_chroma_size(picture: np.ndarray) -> None:
    with Image.open(io.BytesIO(images.jpeg_bytes(picture, WORDS))) as image:
        assert image.layer and all(layer[1:3] == (1, 1) for layer in image.layer)  # type: ignore[attr-defined]
        assert image.info["icc_profile"] == images.icc_profile()


def test_blink_is_an_animation(picture: np.ndarray) -> None:
    first = (picture // 257).astype(np.uint8)
    frames = [first, 255 - first, first // 2]
    with Image.open(io.BytesIO(images.blink_bytes(frames, 1.0))) as image:
        assert image.n_frames == 3 and image.info["duration"] == 1000 and image.info["loop"] == 0
        for number, frame in enumerate(frames):
            image.seek(number)
            assert np.array_equal(np.asarray(image.convert("RGB")), frame)
    with pytest.raises(UsageError, match="flash limit"):
        images.blink_bytes(frames, 0.2)
    with pytest.raises(UsageError):
        images.blink_bytes(frames[:1], 1.0)


def test_blinking_webp_is_without_loss_and_holds_the_profile(picture: np.ndarray, tmp_path: Path) -> None:
    first = (picture // 257).astype(np.uint8)
    frames = [first, 255 - first, first // 2]
    path = images.write_animation(tmp_path / "blink.webp", frames, 1.0, WORDS)
    assert path.read_bytes() == images.webp_bytes(frames, 1.0, WORDS), "the same bytes again"
    with Image.open(path) as image:  # libwebp, by Pillow
        assert image.n_frames == 3 and image.info["loop"] == 0  # type: ignore[attr-defined]
        assert image.info["icc_profile"] == images.icc_profile()
        for number, frame in enumerate(frames):
            image.seek(number)
            assert np.array_equal(np.asarray(image.convert("RGB")), frame)
            assert image.info["duration"] == 1000
    assert unexpected(path) == []
    assert "12.4 +/-0.3 px <b>" in words_in(path)["Description"]
    with pytest.raises(UsageError, match="flash limit"):
        images.webp_bytes(frames, 0.2)
    with pytest.raises(UsageError, match="no animated format"):
        images.write_animation(tmp_path / "blink.gif", frames, 1.0)


def test_same_input_same_bytes(picture: np.ndarray) -> None:
    for make in (images.png_bytes, images.tiff_bytes, images.jpeg_bytes):
        assert make(picture, WORDS) == make(picture, WORDS)


def test_bad_places(picture: np.ndarray, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(PublishError):
        images.write_picture(tmp_path / "file" / "a.png", picture)
    with pytest.raises(UsageError, match="no picture format"):
        images.write_picture(tmp_path / "a.bmp", picture)


def test_full_disk_leaves_nothing(picture: np.ndarray, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    import os

    def full(handle: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(PublishError, match="No space left"):
        images.write_picture(tmp_path / "a.png", picture)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(shutil.which("pngcheck") is None, reason="pngcheck is not installed")
def test_pngcheck(picture: np.ndarray, tmp_path: Path) -> None:
    first = (picture // 257).astype(np.uint8)
    (tmp_path / "a.png").write_bytes(images.png_bytes(picture, WORDS))
    (tmp_path / "b.png").write_bytes(images.blink_bytes([first, 255 - first], 1.0))
    for name in ("a.png", "b.png"):
        done = subprocess.run(["pngcheck", "-v", name], cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout


@pytest.mark.skipif(shutil.which("exiftool") is None, reason="exiftool is not installed")
def test_only_the_listed_metadata(picture: np.ndarray, tmp_path: Path) -> None:
    for name in ("a.png", "a.tif", "a.jpg"):
        images.write_picture(tmp_path / name, picture, WORDS, bits=16)
        done = subprocess.run(["exiftool", "-j", "-G", name], cwd=tmp_path, capture_output=True, text=True, check=True)
        (tags,) = json.loads(done.stdout)
        groups = {key.split(":")[0] for key in tags if key != "SourceFile"}
        assert groups <= {"ExifTool", "File", "PNG", "ICC_Profile", "Composite", "EXIF", "JFIF"}, groups
        own = [
            key for key in tags if any(word in key for word in ("GPS", "Serial", "Owner", "Artist", "Date", "Make", "Model"))
        ]
        assert not [key for key in own if not key.startswith(("File:", "ICC_Profile:"))], own

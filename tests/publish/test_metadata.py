"""Only whitelisted words leave: told by what independent readers find in the files."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from viewer.errors import PublishError
from viewer.publish import images, metadata

WORDS = {"Title": "Quay", "Description": "Two devices, one take · ±3"}


@pytest.mark.parametrize("ending", [".png", ".tif", ".jpg"])
def test_products_hold_the_whitelist_only(tmp_path: Path, ending: str) -> None:
    path = images.write_picture(tmp_path / f"a{ending}", np.full((32, 48, 3), 30000, np.uint16), WORDS, bits=16)
    assert metadata.unexpected(path) == []
    found = metadata.words_in(path)
    assert found["ICC profile"] == f"{len(images.icc_profile())} bytes"
    assert "Two devices" in found.get("Description", found.get("comment", ""))
    if shutil.which("exiftool"):
        done = subprocess.run(["exiftool", "-j", "-G1", str(path)], capture_output=True, text=True, check=True)
        (tags,) = json.loads(done.stdout)
        for word in ("GPS", "Serial", "Owner", "Author", "CreateDate", "Make", "Model", "Location"):
            private = [key for key in tags if word in key.split(":")[-1] and not key.startswith(("ICC", "System"))]
            assert not private, private


def test_what_is_private_is_named(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[0x010F] = "Some maker"
    exif[0xA431] = "serial 12345"
    Image.new("RGB", (16, 16)).save(tmp_path / "b.jpg", exif=exif)
    assert set(metadata.unexpected(tmp_path / "b.jpg")) >= {"Make", "BodySerialNumber"}


def test_bad_files(tmp_path: Path) -> None:
    (tmp_path / "c.png").write_bytes(b"no picture")
    with pytest.raises(PublishError, match="cannot be read"):
        metadata.words_in(tmp_path / "c.png")
    with pytest.raises(PublishError, match="neither picture nor video"):
        metadata.words_in(tmp_path / "c.txt")

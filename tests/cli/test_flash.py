"""``gloaming flash`` on small videos through a real codec."""

from __future__ import annotations

import json
import math
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import av
import numpy as np
import pytest

from viewer.cli.main import run

SIZE = (180, 320)


def make(path: Path, paint: Callable[[int], np.ndarray], *, fps: int = 30, count: int = 60) -> Path:
    with av.open(str(path), "w") as sink:
        stream: Any = sink.add_stream("libx264", rate=fps, options={"crf": "15"})
        stream.width, stream.height, stream.pix_fmt = SIZE[1], SIZE[0], "yuv420p"
        for n in range(count):
            sink.mux(stream.encode(av.VideoFrame.from_ndarray(np.ascontiguousarray(paint(n), np.uint8), format="rgb24")))
        sink.mux(stream.encode())
    return path


def grey(value: float) -> np.ndarray:
    return np.full((*SIZE, 3), value)


def scan(path: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, Any]:
    assert run(["flash", str(path), "--json", "-"]) == 0
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return document


def value(document: dict[str, Any], name: str) -> float:
    (reading,) = [r for r in document["readings"] if r["name"] == name]
    return float(reading["value"])


def test_full_field_at_five_hertz(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # sRGB 123 and 160 are relative luminances 0.198 and 0.352: the worked case 0.2/0.35, half-period 4 at 30 fps, fails.
    document = scan(make(tmp_path / "a.mp4", lambda n: grey(160 if (n // 4) % 2 else 123)), capsys)
    assert document["schema"] == "gloaming/result/1"
    assert document["verdict"]["word"] == "above limit"
    assert value(document, "flashes_per_second") == 4 and value(document, "area") == pytest.approx(100, abs=1)
    assert value(document, "red_flashes_per_second") == 0
    assert document["inputs"][0]["frames"] == 60


def test_three_flashes_pass(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    document = scan(make(tmp_path / "a.mp4", lambda n: grey(160 if (n // 5) % 2 else 123)), capsys)
    assert document["verdict"]["word"] == "below limit"
    assert value(document, "flashes_per_second") == 3
    assert "no medical clearance" in document["verdict"]["sentence"]


def test_small_change_passes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # 123 and 147 are 0.198 and 0.292: less than 0.10 apart.
    document = scan(make(tmp_path / "a.mp4", lambda n: grey(147 if (n // 2) % 2 else 123)), capsys)
    assert document["verdict"]["word"] == "below limit" and value(document, "flashes_per_second") == 0


def test_local_flash_with_constant_mean(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def paint(n: int) -> np.ndarray:
        frame, state = grey(120), (n // 3) % 2
        frame[30:150, 20:100] = 80 + 120 * state
        frame[30:150, 220:300] = 200 - 120 * state
        return frame

    document = scan(make(tmp_path / "a.mp4", paint), capsys)
    assert document["verdict"]["word"] == "above limit"
    assert document["worst_second"]["rate"] == 5


def test_red(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    def paint(n: int) -> np.ndarray:
        return np.broadcast_to(np.array([225, 0, 0] if (n // 3) % 2 else [120, 120, 120]), (*SIZE, 3))

    document = scan(make(tmp_path / "a.mp4", paint), capsys)
    assert value(document, "red_flashes_per_second") == 5 and document["verdict"]["word"] == "above limit"


def test_readable_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["flash", str(make(tmp_path / "calm.mp4", lambda n: grey(90), count=20))]) == 0
    out = capsys.readouterr().out
    assert "below limit" in out and "shorter than one second" in out


def test_not_a_video(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "x.mp4").write_text("no video")
    assert run(["flash", str(tmp_path / "x.mp4")]) == 3
    assert "Traceback" not in capsys.readouterr().err


def by_ffmpeg(path: Path, luma: str, *, size: str = "512x384", fps: int = 30, hlg: bool = False) -> Path:
    """Write a grey video whose luma codes follow an expression, by another program than ours."""
    if shutil.which("ffmpeg") is None:
        pytest.skip("ffmpeg is not installed")
    deep = ["-c:v", "libx265", "-x265-params", "log-level=none", "-color_trc", "arib-std-b67", "-colorspace", "bt2020nc"]
    flat = ["-c:v", "libx264", "-color_trc", "bt709", "-colorspace", "bt709"]
    pixels = "yuv420p10le" if hlg else "yuv420p"
    colours = [*(deep if hlg else flat), "-color_primaries", "bt2020" if hlg else "bt709", "-color_range", "tv"]
    neutral = ":cb=512:cr=512" if hlg else ":cb=128:cr=128"
    source = f"color=c=gray:s={size}:r={fps}:d=1.2,format={pixels},geq=lum='{luma}'{neutral}"
    call = [
        "ffmpeg",
        "-v",
        "error",
        "-y",
        "-f",
        "lavfi",
        "-i",
        source,
        *colours,
        "-preset",
        "ultrafast",
        "-crf",
        "8",
        str(path),
    ]
    subprocess.run(call, check=True)
    return path


def test_a_quarter_of_a_field_decides(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # WCAG 2.x: at 1024 x 768 the 10-degree field is 341 x 256 px, 25 % of it 21,824; here everything is half as wide.
    for width, height, word in ((74, 70, "below limit"), (86, 84, "above limit")):
        luma = f"if(lt(X,{width})*lt(Y,{height}),if(lt(mod(N,6),3),40,200),60)"
        document = scan(by_ffmpeg(tmp_path / "area.mp4", luma), capsys)
        share = 100.0 * width * height / (170.5 * 128.0)
        assert document["verdict"]["word"] == word and value(document, "area") == pytest.approx(share, abs=1.5)
        assert value(document, "flashes_per_second") == 5


def hlg_code(nits: float) -> int:
    """10-bit code of a grey that an HLG display of 1000 cd/m2 shows (BT.2100: system gamma 1.2, OETF)."""
    scene = (nits / 1000.0) ** (1.0 / 1.2)
    a, b, c = 0.17883277, 0.28466892, 0.55991073
    return round(64 + 876 * (math.sqrt(3 * scene) if scene <= 1 / 12 else a * math.log(12 * scene - b) + c))


def test_hdr_is_judged_in_candela(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    # BT.1702: a change of 20 cd/m2 or more counts where the darker state lies under 160 cd/m2.
    for low, high, rate in ((50.0, 80.0, 5), (50.0, 62.0, 0)):
        luma = f"if(lt(mod(N,6),3),{hlg_code(low)},{hlg_code(high)})"
        document = scan(by_ffmpeg(tmp_path / "hdr.mp4", luma, size="256x192", hlg=True), capsys)
        assert document["rule"].startswith("BT.1702") and value(document, "flashes_per_second") == rate
        assert (document["verdict"]["word"] == "above limit") == (rate > 3)
        if rate:
            assert document["worst_second"]["swing"] == pytest.approx(high - low, abs=2.0)

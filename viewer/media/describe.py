"""What a file says about itself: streams, tags, geometry, capture rate, signs of re-encoding."""

from __future__ import annotations

import logging
import re
import threading
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from typing import Any

import av

from viewer.media.geometry import UPRIGHT, Orientation, from_display_matrix
from viewer.media.index import FrameIndex
from viewer.media.info import ClipInfo
from viewer.media.source import rational
from viewer.media.tags import ColourTags

MAX_METADATA = 200
MAX_TEXT = 500
MOST_RATE = 100_000
# Keys under which cameras keep places and serial numbers; their presence is told, not their content.
PRIVATE = re.compile(r"location|gps|latitude|longitude|serial|iso6709|owner|\bname\b|phone|imei|xyz", re.IGNORECASE)
# Names that editing programs' and services' libraries leave; cameras and phones do not write them.
SOFTWARE = re.compile(r"lav[fc]\d|libx26[45]|x26[45]|handbrake|ffmpeg|gstreamer|videohandler|google|mainconcept", re.IGNORECASE)
CAPTURE_KEYS = ("com.android.capture.fps", "com.apple.quicktime.full-frame-rate-playback-intent")

STILL_CODECS = {"png", "apng", "mjpeg", "tiff", "bmp", "gif", "webp"}

# Exif's eight orientations: transpose, then flips left-right and upside down.
EXIF = {
    2: Orientation(False, True, False),
    3: Orientation(False, True, True),
    4: Orientation(False, False, True),
    5: Orientation(True, False, False),
    6: Orientation(True, True, False),
    7: Orientation(True, True, True),
    8: Orientation(True, False, True),
}

_dump_lock = threading.Lock()
logging.getLogger("libav").addHandler(logging.NullHandler())
logging.getLogger("libav").propagate = False


def stream_lines(container: Any) -> dict[int, str]:
    """Return the media library's own one-line description of each stream, chroma location included."""
    with _dump_lock:
        try:
            av.logging.set_level(av.logging.VERBOSE)
            av.logging.set_libav_level(av.logging.VERBOSE)
            text = container.dumps_format()
        except (UnicodeError, ValueError, av.error.FFmpegError):
            text = ""
        finally:
            av.logging.set_libav_level(av.logging.QUIET if hasattr(av.logging, "QUIET") else av.logging.PANIC)
            av.logging.set_level(None)
    found = {}
    for line in text.splitlines():
        match = re.match(r"\s*Stream #\d+:(\d+)[^:]*: (.*)", line)
        if match:
            found[int(match.group(1))] = match.group(2)[:MAX_TEXT]
    return found


def siting_of(line: str, codec: str, step_y: int) -> tuple[str, str | None]:
    """Return where chroma samples lie, and an assumption in words if the file does not say.

    Notes
    -----
    Silent H.264, HEVC and AV1 files mean ``left`` (the default of ITU-T H.264 and H.265, annex E); JPEG pictures ``center``
    (JFIF 1.02).
    """
    for name in ("topleft", "bottomleft", "left", "center", "bottom", "top"):
        if re.search(rf"[(, ]{name}[),]", line.split("SAR")[0]):
            return name, None
    if codec in ("mjpeg", "jpeg"):
        return "center", None
    if codec in ("h264", "hevc", "mpeg2video"):
        return "left", None
    return "left", "chroma samples lie left: not tagged"


def streams_of(container: Any, lines: Mapping[int, str]) -> tuple[dict[str, Any], ...]:
    """Return a record of every stream."""
    out = []
    for stream in container.streams:
        context = getattr(stream, "codec_context", None)
        record: dict[str, Any] = {
            "index": stream.index,
            "kind": stream.type,
            "codec": context.name if context is not None else None,
            "profile": context.profile if context is not None else None,
            "described": lines.get(stream.index, ""),
            "time_base": str(rational(stream.time_base) or ""),
            "header_frames": int(stream.frames or 0),
        }
        if stream.type == "video" and context is not None:
            record |= {
                "width": context.width,
                "height": context.height,
                "pixel_format": context.pix_fmt,
                "header_rate": str(rational(stream.average_rate) or ""),
            }
        if stream.type == "audio" and context is not None:
            record |= {"rate_hz": context.sample_rate, "channels": len(context.layout.channels)}
        out.append(record)
    return tuple(out)


def counted(count: int, what: str) -> str:
    """Return a number and what is counted, in the plural unless it is one."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def exif_orientation(path: Path) -> Orientation:
    """Return how a still picture is to be turned, from its Exif tag 274 (CIPA DC-008); upright if it holds none."""
    from PIL import Image

    try:
        with Image.open(path) as image:
            return EXIF.get(int(image.getexif().get(274, 1)), UPRIGHT)
    except (OSError, ValueError, TypeError, SyntaxError, Image.DecompressionBombError):
        return UPRIGHT


def orientation_of(picture: Any, codec: str = "") -> tuple[Orientation, str | None]:
    """Return how the picture is to be turned, from its display matrix."""
    # The binding crashed when the side data of a still picture (a colour profile) was listed and collected later; stills of
    # no rotation are left alone.
    if codec in STILL_CODECS and not picture.rotation:
        return UPRIGHT, None
    try:
        matrix = picture.side_data.get("DISPLAYMATRIX")
        if matrix is not None:
            return from_display_matrix(bytes(matrix))
    except ValueError:
        # Side data of a kind that the binding does not know makes the whole list unreadable; the angle still is.
        turns = {0: UPRIGHT, 90: Orientation(True, False, True), 180: Orientation(False, True, True)}
        turns |= {-180: turns[180], -90: Orientation(True, True, False)}
        try:
            return turns.get(int(picture.rotation), UPRIGHT), None
        except (ValueError, OverflowError):
            return UPRIGHT, None
    return UPRIGHT, None


def tags_of(picture: Any) -> ColourTags:
    """Return the colour tags of a decoded picture."""
    return ColourTags(
        transfer=int(picture.color_trc),
        range=int(picture.color_range),
        matrix=int(picture.colorspace),
        primaries=int(picture.color_primaries),
    )


def metadata_of(container: Any, stream: Any) -> dict[str, str]:
    """Return the metadata of file and stream, bounded in number and length."""
    out: dict[str, str] = {}
    for source in (stream.metadata, container.metadata):
        for key, value in list(source.items())[:MAX_METADATA]:
            out[str(key)[:MAX_TEXT]] = str(value)[:MAX_TEXT]
    return out


def public_metadata(metadata: Mapping[str, str]) -> tuple[dict[str, str], int]:
    """Return what may be shown, and how many entries (places, serial numbers) are left out."""
    shown = {key: value for key, value in metadata.items() if not PRIVATE.search(key) or key == "handler_name"}
    return shown, len(metadata) - len(shown)


def capture_rate_of(metadata: Mapping[str, str], file_rate: Fraction) -> Fraction | None:
    """Return the rate at which pictures were taken, if the metadata names one that differs from the file's own."""
    for key in CAPTURE_KEYS[:1]:
        try:
            rate = Fraction(metadata[key]).limit_denominator(1001)
        except (KeyError, ValueError, ZeroDivisionError):
            continue
        if 1 <= rate <= 100_000 and file_rate and abs(rate / file_rate - 1) > Fraction(1, 20):
            return rate
    return None


def reencoded_signs(metadata: Mapping[str, str], codec: str, bits_per_pixel: float) -> tuple[str, ...]:
    """Return signs that the file is not as the camera wrote it."""
    signs = []
    for key in ("encoder", "software", "handler_name", "comment"):
        value = metadata.get(key, "")
        if SOFTWARE.search(value):
            signs.append(f"{key} is {value.strip()[:60]!r}: software, not a camera")
            break
    limit = {"h264": 0.06, "hevc": 0.035, "av1": 0.03, "vp9": 0.035}.get(codec, 0.0)
    if bits_per_pixel < limit:
        signs.append(f"{bits_per_pixel:.3f} bit per pixel: so few that noise and fine detail are gone")
    return tuple(signs)


def nominal_rate(measured: Fraction, header: Fraction | None, count: int, tick_s: float) -> Fraction:
    """Return the header's rate where the timestamps agree with it within their own rounding, else the measured one."""
    if not measured or count < 2:
        return header or measured
    span = (count - 1) / float(measured)
    slack = (2 * max(tick_s, 1e-6) + 1e-9) / span
    known = [header] if header else []
    known += [Fraction(n * 1000, 1001) for n in (24, 30, 48, 60, 120, 240)] + [
        Fraction(n) for n in (24, 25, 30, 50, 60, 100, 120)
    ]
    for rate in known:
        if rate and abs(float(measured / rate) - 1) <= slack:
            return rate
    return measured


def oddities(info: ClipInfo, index: FrameIndex) -> list[str]:
    """Return what a careful viewer would want to know of timing and geometry, in words."""
    out = []
    if index.header_frames and index.header_frames != index.packets:
        out.append(f"the header promises {counted(index.header_frames, 'picture')}; there are {index.packets}")
    if info.average_rate > MOST_RATE:
        out.append(f"the timestamps make {float(info.average_rate):.0f} pictures per s: times of this clip mean nothing")
    if index.gaps:
        longest = max(gap for _, gap in index.gaps)
        out.append(f"{counted(len(index.gaps), 'gap')} in the timestamps, the longest {1000 * longest:.1f} ms")
    elif index.variable_rate:
        out.append("the frame rate varies; every picture's own timestamp is used")
    if info.pixel_aspect != 1:
        out.append(f"pixels are not square ({info.pixel_aspect}); px along x and y are different angles")
    if info.interlaced:
        out.append("interlaced: the first field of each picture is used, the lines between are interpolated")
    if info.capture_rate:
        out.append(
            f"taken at {float(info.capture_rate):g} pictures per s, played at {float(info.average_rate):.3f} (slow motion)"
        )
    if index.damaged.any():
        out.append(f"damaged: {counted(int(index.damaged.sum()), 'picture')}")
    videos = [stream for stream in info.streams if stream["kind"] == "video"]
    if len(videos) > 1:
        out.append(f"{len(videos)} video streams; one of {info.width} x {info.height} px is used")
    return out


__all__ = [
    "capture_rate_of",
    "counted",
    "exif_orientation",
    "metadata_of",
    "nominal_rate",
    "oddities",
    "orientation_of",
    "public_metadata",
    "reencoded_signs",
    "siting_of",
    "stream_lines",
    "streams_of",
    "tags_of",
]

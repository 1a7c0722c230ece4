"""Opening a file safely: local files only, known containers only, bounds on what a header may claim, errors in our words.

This is the one place where errors of the media library are translated.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path
from typing import Any

import av
import av.error

from viewer.errors import MediaError, ViewerError
from viewer.media.hardware import accelerator

av.logging.set_level(None)

# Names as the library lists them.  Playlists, concatenation scripts, patterns of image files, capture devices and everything
# that opens further files are absent on purpose.
DEMUXERS = (
    "mov,mp4,m4a,3gp,3g2,mj2",
    "matroska,webm",
    "avi",
    "mpegts",
    "mpeg",
    "mpegvideo",
    "h264",
    "hevc",
    "av1",
    "ivf",
    "obu",
    "mxf",
    "flv",
    "asf",
    "ogg",
    "nut",
    "dv",
    "yuv4mpegpipe",
    "m4v",
    "mjpeg",
    "wav",
    "w64",
    "aiff",
    "mp3",
    "aac",
    "ac3",
    "flac",
    "caf",
    "gif",
    "png_pipe",
    "jpeg_pipe",
    "tiff_pipe",
    "bmp_pipe",
)
# Bits of a stream's disposition, as FFmpeg defines them.
DEFAULT, ATTACHED_PICTURE, TIMED_THUMBNAILS = 0x1, 0x400, 0x800
MAX_PIXELS = 80_000_000
MAX_SIDE = 32_768
MAX_STREAMS = 64
MAX_PACKETS = 20_000_000
MAX_DURATION_S = 48 * 3600.0
OPEN_TIMEOUT_S = 30.0
READ_TIMEOUT_S = 30.0

_SCRIPT_STARTS = (b"#EXTM3U", b"ffconcat", b"<MPD", b"<?xml", b"[playlist]", b"file '", b"RTSP", b"v=0")


def rational(value: Any) -> Fraction | None:
    """Return a rational of the media library as a Fraction, None if unset (the library's type differs between versions)."""
    if not value or not value.denominator:
        return None
    return Fraction(int(value.numerator), int(value.denominator))


@contextmanager
def translated(path: Path | str) -> Iterator[None]:
    """Turn whatever the media library raises into a `MediaError` that names the file and says what to do."""
    name = Path(path).name
    try:
        yield
    except ViewerError:
        raise
    except FileNotFoundError as error:
        raise MediaError("there is no such file.", where=str(path), hint="Check the path, or relink the clip.") from error
    except PermissionError as error:
        raise MediaError("may not be read (permission denied).", where=name, hint="Change its permissions.") from error
    except IsADirectoryError as error:
        raise MediaError("is a folder, not a clip.", where=name, hint="Name a file in it.") from error
    except (av.error.DecoderNotFoundError, av.error.DemuxerNotFoundError, av.error.PatchWelcomeError) as error:
        raise MediaError(
            "uses a format that this program cannot decode.", where=name, hint="Convert a copy to H.264, HEVC or FFV1."
        ) from error
    except av.error.TimeoutError as error:
        raise MediaError("could not be read in time.", where=name, hint="Copy it to a local disk and try again.") from error
    except (MemoryError, OverflowError) as error:
        raise MediaError("asks for more memory than there is.", where=name, hint="The file is damaged or too large.") from error
    except av.error.ArgumentError as error:
        raise MediaError(
            "is of a kind that is not opened here.", where=name, hint="Convert a copy to MP4, or a picture to PNG."
        ) from error
    except UnicodeError as error:
        raise MediaError("holds text that cannot be read.", where=name, hint="The file is damaged.") from error
    except (av.error.FFmpegError, OSError, EOFError) as error:
        reason = (getattr(error, "strerror", None) or str(error) or type(error).__name__).strip().rstrip(".")
        raise MediaError(
            f"cannot be read ({reason[:120]}).", where=name, hint="The file is damaged, or it is not a video."
        ) from error
    except (LookupError, ValueError, ArithmeticError, AttributeError, TypeError, RuntimeError) as error:
        raise MediaError(
            f"cannot be read ({type(error).__name__}).", where=name, hint="The file is damaged, or it is not a video."
        ) from error


def check_file(path: Path) -> None:
    """Refuse what is no regular, filled file, and what is a script that names other files."""
    with translated(path):
        if not path.exists():
            raise MediaError("there is no such file.", where=str(path), hint="Check the path, or relink the clip.")
        if path.is_dir():
            raise MediaError("is a folder, not a clip.", where=path.name, hint="Name a file in it.")
        if not path.is_file():
            raise MediaError("is not a regular file.", where=path.name, hint="Copy the clip to a file first.")
        if path.stat().st_size == 0:
            raise MediaError("is empty (0 bytes).", where=path.name, hint="Copy it again from the camera.")
        with path.open("rb") as stream:
            head = stream.read(64).lstrip(b"\xef\xbb\xbf \t\r\n")
        if head.startswith(_SCRIPT_STARTS):
            raise MediaError(
                "is a playlist or script, not a clip.", where=path.name, hint="Open the files that it names themselves."
            )


def open_container(path: Path | str, *, device: str | None = None) -> Any:
    """Return an open input container.

    Parameters
    ----------
    path : Path or str
    device : str, optional
        Hardware decoder, for looking only; see `viewer.media.hardware`.

    Raises
    ------
    MediaError
        If the file is missing, empty, a script, of an unknown kind, damaged at the start, or claims absurd numbers.
    """
    path = Path(path)
    check_file(path)
    options = {
        "protocol_whitelist": "file",
        "format_whitelist": ",".join(DEMUXERS),
        "max_streams": str(MAX_STREAMS),
    }
    with translated(path):
        return av.open(
            "file:" + os.path.abspath(path),
            mode="r",
            options=options,
            timeout=(OPEN_TIMEOUT_S, READ_TIMEOUT_S),
            hwaccel=accelerator(device) if device else None,
            format=_still_format(path),
        )


def _still_format(path: Path) -> str | None:
    """Return the reader of JPEG pictures for one: by its name alone the library would take one that reads whole series."""
    with path.open("rb") as stream:
        return "jpeg_pipe" if stream.read(3) == b"\xff\xd8\xff" else None


def video_stream(container: Any, path: Path) -> Any:
    """Return the stream to show: the first that is marked as default and is no cover picture.

    Raises
    ------
    MediaError
        If there is none with a size, or the size is absurd.
    """
    with translated(path):
        streams = [stream for stream in container.streams.video if not _is_cover(stream)]
        if not streams:
            raise MediaError("holds no video stream.", where=path.name, hint="Choose a clip with a picture.")
        chosen = [stream for stream in streams if int(stream.disposition) & DEFAULT]
        stream = (chosen or streams)[0]
        context = stream.codec_context
        if context is None:
            raise MediaError(
                "uses a video codec that this program cannot decode.", where=path.name, hint="Convert a copy to H.264 or HEVC."
            )
        check_size(context.width, context.height, path)
        if not stream.time_base:
            raise MediaError("has no time base.", where=path.name, hint="The file is damaged.")
    return stream


def check_size(width: int, height: int, path: Path) -> None:
    """Refuse pictures of no or of absurd size."""
    if width <= 0 or height <= 0:
        raise MediaError(
            f"has pictures of {width} x {height} px.", where=path.name, hint="The file is damaged, or no decoder fits it."
        )
    if width > MAX_SIDE or height > MAX_SIDE or width * height > MAX_PIXELS:
        raise MediaError(
            f"claims pictures of {width} x {height} px.", where=path.name, hint=f"At most {MAX_PIXELS // 10**6} Mpx are read."
        )


def _is_cover(stream: Any) -> bool:
    return bool(int(stream.disposition) & (ATTACHED_PICTURE | TIMED_THUMBNAILS))


__all__ = [
    "DEMUXERS",
    "MAX_DURATION_S",
    "MAX_PACKETS",
    "check_file",
    "check_size",
    "open_container",
    "rational",
    "translated",
    "video_stream",
]

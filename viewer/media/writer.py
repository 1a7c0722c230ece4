"""Writing clips: signals to codes with the tags that belong to them, exact timestamps, sound; whole or not at all."""

from __future__ import annotations

import os
import tempfile
import threading
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path
from types import TracebackType
from typing import Any

import av
import av.error
import numpy as np
from numpy.typing import ArrayLike, NDArray

from viewer.cv import cv2
from viewer.errors import FileError, UsageError
from viewer.media.light import chroma_scale, luma_scale, rgb_to_ycbcr
from viewer.media.planes import SITING
from viewer.media.tags import MATRIX_NUMBERS, PRIMARIES_NUMBERS, TRANSFER_NUMBERS

_mask_lock = threading.Lock()

_ENCODERS = {"h264": "libx264", "hevc": "libx265", "ffv1": "ffv1", "prores": "prores_ks", "av1": "libsvtav1"}
_FORMATS = {".mp4": "mp4", ".mov": "mov", ".mkv": "matroska", ".m4v": "mp4", ".avi": "avi", ".nut": "nut"}

# No encoder decodes a picture this many pictures before it is shown.
_FAR = 500


class VideoWriter:
    """Writes one clip to a temporary name beside its place, and puts it there when it is whole.

    Parameters
    ----------
    path : Path or str
        ``.mp4``, ``.mov`` or ``.mkv``.
    width, height : int
        Stored size in px.
    rate : Fraction
        Pictures a second.
    codec : {"h264", "hevc", "ffv1", "prores", "av1"}
    bit_depth : {8, 10}
    transfer, range, matrix, primaries : str
        Names as elsewhere; written as tags, and `range` and `matrix` used for the codes.  `primaries` follow the matrix if
        left out.
    chroma : {"420", "422", "444"}
    siting : str
        Where chroma samples lie; ``left`` is what decoders assume.
    crf : float, optional
        Quality of H.264 and HEVC; 0 is lossless for 8-bit H.264.
    options : mapping, optional
        Further options of the encoder.
    rotation : {0, 90, 180, 270}
        Clockwise turn that players shall apply.
    sound_rate : int, optional
        Samples a second of a sound track; none if left out.
    time_base : Fraction, optional
        Tick of the timestamps; 1 / rate if left out.
    metadata : mapping, optional

    Raises
    ------
    FileError
        If the file cannot be written, or the encoder refuses.
    """

    def __init__(
        self,
        path: Path | str,
        *,
        width: int,
        height: int,
        rate: Fraction | int,
        codec: str = "h264",
        bit_depth: int = 8,
        transfer: str = "bt709",
        range: str = "narrow",
        matrix: str = "bt709",
        primaries: str | None = None,
        chroma: str = "420",
        siting: str = "left",
        crf: float | None = None,
        options: Mapping[str, str] | None = None,
        rotation: int = 0,
        sound_rate: int | None = None,
        sound_channels: int = 1,
        sound_codec: str | None = None,
        time_base: Fraction | None = None,
        threads: int = 0,
        metadata: Mapping[str, str] | None = None,
    ) -> None:
        if codec not in _ENCODERS:
            raise UsageError(f"unknown codec {codec!r}.", hint=f"Choose one of {', '.join(_ENCODERS)}.")
        self.path = Path(path)
        self.width, self.height, self.rate = int(width), int(height), Fraction(rate)
        self.bits, self.range, self.matrix, self.chroma, self.siting = bit_depth, range, matrix, chroma, siting
        self._time_base = time_base or 1 / self.rate
        self._count = 0
        self._sound_at = 0
        self._temp = _temporary(self.path)
        self._numbers = (TRANSFER_NUMBERS[transfer], MATRIX_NUMBERS[matrix], PRIMARIES_NUMBERS[primaries or _belongs(matrix)])
        try:
            self._open(codec, crf, dict(options or {}), rotation, threads, dict(metadata or {}))
            self._open_sound(sound_rate, sound_channels, sound_codec)
        except (av.error.FFmpegError, ValueError, OSError) as error:
            self._abandon()
            raise FileError(
                f"cannot be written ({error}).", where=self.path.name, hint="Choose another codec or size."
            ) from error

    def _open(
        self, codec: str, crf: float | None, options: dict[str, str], rotation: int, threads: int, metadata: dict[str, str]
    ) -> None:
        suffix = self.path.suffix.lower()
        if suffix not in _FORMATS:
            raise UsageError(f"cannot write {suffix or 'a file without ending'}.", hint=f"Use {', '.join(_FORMATS)}.")
        container_options = {"movflags": "+use_metadata_tags"} if suffix in (".mp4", ".mov", ".m4v") else {}
        self._container: Any = av.open(str(self._temp), "w", format=_FORMATS[suffix], options=container_options)
        for key, value in metadata.items():
            self._container.metadata[key] = value
        if crf is not None and codec in ("h264", "hevc", "av1"):
            options.setdefault("crf", f"{crf:g}")
        if codec == "hevc":
            # x265 can wait for ever for the order of pictures that several threads work on, at the end of a short clip; with
            # one picture at a time its rows still share the cores, and bytes do not depend on how many there are.
            fixed = ["log-level=none", options.get("x265-params", ""), "frame-threads=1"]
            options["x265-params"] = ":".join(filter(None, fixed))
        # The stream rate must be representable; timestamps carry the truth.
        stream: Any = self._container.add_stream(_ENCODERS[codec], rate=self.rate, options=options)
        stream.width, stream.height = self.width, self.height
        self._format = _pixel_format(self.chroma, self.bits)
        stream.pix_fmt = self._format
        context = stream.codec_context
        context.time_base = self._time_base
        stream.time_base = self._time_base
        context.color_trc, context.colorspace, context.color_primaries = self._numbers
        context.color_range = 2 if self.range == "full" else 1
        if codec == "hevc" and suffix in (".mp4", ".mov", ".m4v"):
            context.codec_tag = "hvc1"
        context.thread_count = threads or min(4, os.cpu_count() or 1)
        if rotation % 360:
            stream.set_display_rotation(-rotation)
        self._video = stream

    def _open_sound(self, rate: int | None, channels: int, codec: str | None) -> None:
        self._audio: Any = None
        if rate is None:
            return
        self.sound_rate = int(rate)
        layout = {1: "mono", 2: "stereo", 6: "5.1"}[channels]
        name = codec or ("pcm_s16le" if self.path.suffix.lower() in (".mov", ".mkv", ".avi") else "aac")
        self._audio = self._container.add_stream(name, rate=self.sound_rate, layout=layout)
        self._channels = channels
        if name == "aac":
            self._audio.codec_context.bit_rate = 128_000 * channels

    def write(self, picture: ArrayLike | tuple[NDArray[Any], ...], pts: int | None = None) -> None:
        """Write one picture.

        Parameters
        ----------
        picture : ndarray of shape (h, w, 3), or tuple of three planes
            R'G'B' signals, nominal 0..1 (what exceeds it is kept as far as codes reach); or ready code planes Y, Cb, Cr.
        pts : int, optional
            Timestamp in ticks of `time_base`; follows the picture before by 1 / rate if left out.
        """
        planes = picture if isinstance(picture, tuple) else self.encode(np.asarray(picture))
        frame = av.VideoFrame(self.width, self.height, self._format)
        for target, values in zip(frame.planes, planes):
            _fill(target, np.asarray(values), self.bits)
        frame.color_trc, frame.colorspace, frame.color_primaries = self._numbers
        frame.color_range = 2 if self.range == "full" else 1
        frame.time_base = self._time_base
        step = 1 / (self.rate * self._time_base)
        frame.pts = round(self._count * step) if pts is None else int(pts)
        self._count += 1
        self._mux(self._video, frame)

    def encode(self, signal: NDArray[Any]) -> tuple[NDArray[Any], NDArray[Any], NDArray[Any]]:
        """Return code planes Y, Cb, Cr of (h, w, 3) R'G'B' signals."""
        ycc = rgb_to_ycbcr(signal, self.matrix).astype(np.float32)
        kind: Any = np.uint16 if self.bits > 8 else np.uint8
        top = (1 << self.bits) - 1
        offset, span = luma_scale(self.bits, self.range)
        luma = np.clip(np.floor(ycc[..., 0] * span + offset + 0.5), 0, top).astype(kind)
        offset, span = chroma_scale(self.bits, self.range)
        blue, red = (
            np.clip(np.floor(_reduce(ycc[..., n], self.chroma, self.siting) * span + offset + 0.5), 0, top).astype(kind)
            for n in (1, 2)
        )
        return luma, blue, red

    def write_sound(self, samples: ArrayLike) -> None:
        """Write sound samples, (N,) or (N, channels), full scale 1, following what was written before."""
        if self._audio is None:
            raise UsageError("the clip was opened without a sound track.")
        data = np.asarray(samples, dtype=np.float32)
        data = data[:, None] if data.ndim == 1 else data
        if data.shape[1] != self._channels:
            raise UsageError(f"sound has {data.shape[1]} channels, the track {self._channels}.")
        layout = self._audio.codec_context.layout.name
        for start in range(0, len(data), 1 << 14):
            block = np.ascontiguousarray(data[start : start + (1 << 14)].T)
            frame = av.AudioFrame.from_ndarray(block, format="fltp", layout=layout)
            frame.sample_rate, frame.time_base, frame.pts = self.sound_rate, Fraction(1, self.sound_rate), self._sound_at
            self._sound_at += block.shape[1]
            self._mux(self._audio, frame)

    def _mux(self, stream: Any, frame: Any) -> None:
        try:
            for packet in stream.encode(frame):
                early = 0 if packet.pts is None or packet.dts is None else abs(packet.pts - packet.dts)
                if stream is self._video and early * self._time_base * self.rate > _FAR:
                    # x265 leaves the decoding time of clips of one or two pictures undefined.
                    packet.dts = packet.pts
                self._container.mux(packet)
        except (av.error.FFmpegError, OSError, ValueError) as error:
            raise FileError(
                f"cannot be written ({error}).", where=self.path.name, hint="Check the free space of the disk."
            ) from error

    def close(self) -> None:
        """Finish the file and put it in its place."""
        if self._container is None:
            return
        try:
            self._mux(self._video, None)
            if self._audio is not None:
                self._mux(self._audio, None)
            container, self._container = self._container, None
            container.close()
            os.replace(self._temp, self.path)
        except (av.error.FFmpegError, OSError) as error:
            self._abandon()
            if isinstance(error, FileError):
                raise
            raise FileError(f"cannot be written ({error}).", where=self.path.name, hint="Check the free space.") from error

    def _abandon(self) -> None:
        container, self._container = getattr(self, "_container", None), None
        if container is not None:
            try:
                container.close()
            except (av.error.FFmpegError, OSError, ValueError):
                pass
        self._temp.unlink(missing_ok=True)

    def __enter__(self) -> VideoWriter:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        if kind is None:
            self.close()
        else:
            self._abandon()


def _belongs(matrix: str) -> str:
    return {"bt601": "bt601-525", "bt2020": "bt2020"}.get(matrix, "bt709")


def _pixel_format(chroma: str, bits: int) -> str:
    if chroma not in ("420", "422", "444") or bits not in (8, 10):
        raise UsageError(f"cannot write 4:{chroma[1:]} with {bits} bits.", hint="Choose 420, 422 or 444 with 8 or 10 bits.")
    return f"yuv{chroma}p" + ("10le" if bits == 10 else "")


def _temporary(path: Path) -> Path:
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, name = tempfile.mkstemp(prefix=f".{path.stem[:40]}.{os.getpid()}-", suffix=path.suffix, dir=path.parent)
    except OSError as error:
        raise FileError(f"cannot be written ({error.strerror}).", where=str(path), hint="Choose another folder.") from error
    os.close(handle)
    # Temporary files are private; a finished clip has the permissions of any new file.
    os.chmod(name, new_file_mode())
    return Path(name)


def new_file_mode() -> int:
    """Return the permissions of a new file; there is no way to look at the mask but to set it."""
    with _mask_lock:
        mask = os.umask(0o022)
        os.umask(mask)
    return 0o666 & ~mask


def _fill(target: Any, values: NDArray[Any], bits: int) -> None:
    kind: Any = np.uint16 if bits > 8 else np.uint8
    rows, cols = target.height, target.width
    if values.shape != (rows, cols):
        raise UsageError(f"a plane of {values.shape[1]} x {values.shape[0]} px was given, {cols} x {rows} are due.")
    stride = target.line_size // np.dtype(kind).itemsize
    buffer = np.frombuffer(target, dtype=kind)[: rows * stride].reshape(rows, stride)
    buffer[:, :cols] = values


def _reduce(plane: NDArray[np.float32], chroma: str, siting: str) -> NDArray[np.float32]:
    """Return a chroma plane at its own resolution, filtered about the true sample places (1 2 1 or 1 1 by the siting)."""
    if chroma == "444":
        return plane
    along, down = SITING[siting]
    out = _halve(plane, 1, along)
    return _halve(out, 0, down) if chroma == "420" else out


def _halve(plane: NDArray[np.float32], axis: int, place: float) -> NDArray[np.float32]:
    taps = {0.0: [0.25, 0.5, 0.25, 0.0], 0.5: [0.0, 0.5, 0.5, 0.0], 1.0: [0.0, 0.25, 0.5, 0.25]}[place]
    kernel = np.array([taps], dtype=np.float32)
    if plane.shape[axis] % 2:
        plane = np.concatenate([plane, np.take(plane, [-1], axis=axis)], axis=axis)
    if axis == 1:
        full = cv2.filter2D(np.ascontiguousarray(plane), -1, kernel, anchor=(1, 0), borderType=cv2.BORDER_REPLICATE)
        return np.asarray(full[:, ::2], dtype=np.float32)
    full = cv2.filter2D(np.ascontiguousarray(plane), -1, kernel.T, anchor=(0, 1), borderType=cv2.BORDER_REPLICATE)
    return np.asarray(full[::2], dtype=np.float32)


__all__ = ["VideoWriter", "new_file_mode"]

"""Clips: one recording, opened for exact pictures."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

from viewer.errors import Cancelled as Stopped
from viewer.errors import SeekError, UsageError
from viewer.media import planes
from viewer.media.decoder import Decoder, default_threads
from viewer.media.frame import ClipLevels, Frame, Setting, weights_of
from viewer.media.geometry import UPRIGHT, Orientation, from_display_matrix
from viewer.media.index import Cancelled, FrameIndex, Progress
from viewer.media.indexing import PacketList, build_index
from viewer.media.info import ClipInfo
from viewer.media.light import luma_scale
from viewer.media.linearise import Linearise
from viewer.media.source import rational, translated
from viewer.media.tags import ColourTags, LightChoice, LightSpec, resolve
from viewer.media.tint import Tint, fit_tint


def open_clip(
    path: Path | str | Sequence[Path | str],
    *,
    light: LightChoice | None = None,
    threads: int | None = None,
    progress: Progress = None,
    cancelled: Cancelled = None,
) -> ClipReader:
    """Open a clip for exact pictures.

    Parameters
    ----------
    path : Path, str or sequence of them
        The file, or the parts of one recording in order.
    light : LightChoice, optional
        What the user overrules of transfer, range, matrix, primaries.
    threads : int, optional
        Decoder threads for passes; chosen by the machine if left out.

    Returns
    -------
    ClipReader
        A context manager; used by one thread at a time.

    Raises
    ------
    MediaError
        If it cannot be read.
    """
    paths = [Path(path)] if isinstance(path, str | Path) else [Path(part) for part in path]
    if not paths:
        raise UsageError("no file was named.")
    return ClipReader(paths, light=light, threads=threads, progress=progress, cancelled=cancelled)


class ClipReader:
    """An open clip.  `info` and `index` say what is in it; `frame`, `frame_at` and `frames` give pictures."""

    def __init__(
        self,
        paths: Sequence[Path],
        *,
        light: LightChoice | None = None,
        threads: int | None = None,
        progress: Progress = None,
        cancelled: Cancelled = None,
    ) -> None:
        self.path = paths[0]
        self._threads = threads or default_threads()
        self._closed = False
        self._single: Decoder | None = None
        self.index: FrameIndex
        self.index, packets = build_index(self.path, progress=progress, cancelled=cancelled)
        decoder = Decoder(self.path, threads=1)
        try:
            first = self._first(decoder)
            self.info, self._setting = _describe(self.path, decoder, first, self.index, packets, light)
        except BaseException:
            decoder.close()
            raise
        self._single = decoder

    def _first(self, decoder: Decoder) -> Any:
        for picture, _ in decoder.run():
            return picture
        raise SeekError("holds no picture that decodes.", where=self.path.name, hint="The file is damaged or encrypted.")

    def __enter__(self) -> ClipReader:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; pictures already handed out stay valid."""
        self._closed = True
        if self._single is not None:
            self._single.close()
            self._single = None

    def __len__(self) -> int:
        return len(self.index)

    def frame(self, number: int) -> Frame:
        """Return exactly this picture.

        Raises
        ------
        SeekError
            If the clip holds no such picture, or it does not decode.
        """
        number = self._check(number)
        if self._single is None:
            self._single = Decoder(self.path, threads=1)
        picture, damaged = self._single.exact(self.index, number)
        return self._wrap(picture, number, damaged)

    def frame_at(self, time_s: float) -> Frame:
        """Return the picture on show at a time of the clip."""
        try:
            number = self.index.number_at(time_s)
        except SeekError as error:
            raise SeekError(error.what, where=self.path.name, hint=error.hint) from None
        return self.frame(number)

    def frames(
        self, start: int = 0, stop: int | None = None, *, progress: Progress = None, cancelled: Cancelled = None
    ) -> Iterator[Frame]:
        """Yield pictures `start` up to, not with, `stop`, each decoded once."""
        total = len(self.index)
        stop = total if stop is None else min(stop, total)
        start = self._check(start) if start else 0
        if stop <= start:
            return
        decoder = Decoder(self.path, threads=self._threads)
        try:
            done = 0
            for number, picture, damaged in self._numbered(decoder, start):
                if cancelled is not None and cancelled():
                    raise Stopped()
                if number < start:
                    continue
                if number >= stop:
                    break
                yield self._wrap(picture, number, damaged)
                done += 1
                if progress is not None:
                    progress(done, stop - start)
                if number == stop - 1:
                    break
        finally:
            decoder.close()

    def tint(self, rect: Any = None, frames: tuple[int, int | None] = (0, None)) -> Tint:
        """Return the constant-tint model of a region, with its error against the exact path."""
        return fit_tint(self, rect, frames)

    def _numbered(self, decoder: Decoder, start: int) -> Iterator[tuple[int, Any, bool]]:
        index = self.index
        if index.counted:
            for number, (picture, damaged) in enumerate(decoder.run()):
                yield number, picture, damaged
            return
        if start:
            earlier = index.key_pts[index.key_pts <= index.pts[start]]
            if len(earlier) > 1:
                decoder.start_at(int(earlier[-1]))
        places = {int(pts): number for number, pts in enumerate(index.pts)}
        for picture, damaged in decoder.run():
            number = places.get(picture.pts, -1)
            if number >= 0:
                yield number, picture, damaged

    def _wrap(self, picture: Any, number: int, damaged: bool) -> Frame:
        index = self.index
        return Frame(picture, number, int(index.pts[number]), index.time_base, self._setting, damaged=damaged)

    def _check(self, number: int) -> int:
        if self._closed:
            raise UsageError("the clip is closed.", where=self.path.name)
        total = len(self.index)
        if not 0 <= number < total:
            raise SeekError(
                f"no picture {number}: the clip holds {total}, counted from 0.",
                where=self.path.name,
                hint=f"The last is {total - 1}.",
            )
        return int(number)


def _describe(
    path: Path, decoder: Decoder, picture: Any, index: FrameIndex, packets: PacketList, light: LightChoice | None
) -> tuple[ClipInfo, Setting]:
    with translated(path):
        layout = planes.layout_of(picture.format, where=path.name)
        orientation, oddity = _orientation(picture)
        width, height = orientation.upright_size(picture.width, picture.height)
        spec = resolve(
            _tags(picture),
            width=picture.width,
            height=picture.height,
            bits=layout.bits,
            rgb=layout.kind == "rgb",
            jpeg=picture.format.name.startswith("yuvj"),
            choice=light,
        )
        warnings = [*spec.warnings, *index.notes]
        if oddity:
            warnings.append(oddity)
        setting = Setting(
            layout=layout,
            spec=spec,
            siting="left",
            orientation=orientation,
            width=width,
            height=height,
            linearise=Linearise(spec),
            levels=_nominal_levels(spec),
            weights=weights_of(spec),
            name=path.name,
        )
        duration = index.end_s - float(index.times_s[0])
        info = ClipInfo(
            path=path,
            sha256=_sha256(path),
            width=width,
            height=height,
            frames=len(index),
            average_rate=index.average_rate,
            transfer=spec.transfer,
            range=spec.range,
            matrix=spec.matrix,
            primaries=spec.primaries,
            assumed=spec.assumed,
            warnings=tuple(warnings),
            bit_depth=layout.bits,
            codec=decoder.context.name,
            pixel_format=picture.format.name,
            chroma=layout.chroma,
            rotation=orientation.rotation_deg,
            mirrored=orientation.mirrored,
            pixel_aspect=rational(decoder.stream.sample_aspect_ratio) or rational(decoder.context.sample_aspect_ratio) or 1,  # type: ignore[arg-type]
            interlaced=bool(picture.interlaced_frame),
            bits_per_pixel=packets.size * 8 / max(1, len(index) * width * height),
            has_sound=bool(decoder.container.streams.audio),
            start_s=float(index.times_s[0]),
            end_s=float(index.times_s[0]) + duration,
            container=decoder.container.format.name,
            size_bytes=path.stat().st_size,
            parts=(path,),
            metadata={**decoder.container.metadata, **decoder.stream.metadata},
        )
    return info, setting


def _orientation(picture: Any) -> tuple[Orientation, str | None]:
    for item in picture.side_data:
        if getattr(item.type, "name", "") == "DISPLAYMATRIX":
            return from_display_matrix(bytes(item))
    return UPRIGHT, None


def _tags(picture: Any) -> ColourTags:
    return ColourTags(
        transfer=int(picture.color_trc),
        range=int(picture.color_range),
        matrix=int(picture.colorspace),
        primaries=int(picture.color_primaries),
    )


def _nominal_levels(spec: LightSpec) -> ClipLevels:
    offset, span = luma_scale(spec.bits, spec.range)
    top = (1 << spec.bits) - 1 if spec.range == "full" else (1 << spec.bits) - 1 - (1 << (spec.bits - 8))
    level = (top - 0.75 - offset) / span
    return ClipLevels(level, level, level, level)


def _sha256(path: Path) -> str:
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


__all__ = ["ClipReader", "open_clip"]

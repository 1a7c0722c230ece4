"""Clips: one recording, opened for exact pictures."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np

from viewer.errors import Cancelled as Stopped
from viewer.errors import SeekError, UsageError
from viewer.media import cache
from viewer.media.audio import Sound, join_sounds, read_sound
from viewer.media.clipping import ClipLevels, find_levels, levels_from
from viewer.media.decoder import Decoder, default_threads
from viewer.media.frame import Frame, Setting
from viewer.media.index import Cancelled, FrameIndex, Progress
from viewer.media.indexstore import index_of
from viewer.media.opening import describe_clip
from viewer.media.parts import PartFacts, join
from viewer.media.passes import Item, Pass
from viewer.media.source import check_file, translated
from viewer.media.tags import LightChoice
from viewer.media.tint import Tint, fit_tint
from viewer.media.watch import Watch

LEVEL_SAMPLES = 8
LEVEL_PIXELS = 700_000
# Pictures decoded ahead of a pass, of pictures up to this size; of larger ones, one.
AHEAD = 2
AHEAD_BYTES = 16 * 2**20


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
    """An open clip.

    Attributes
    ----------
    info : ClipInfo
        What is in it.
    index : FrameIndex
        Which pictures it holds, and when.
    """

    def __init__(
        self,
        paths: Sequence[Path],
        *,
        light: LightChoice | None = None,
        threads: int | None = None,
        progress: Progress = None,
        cancelled: Cancelled = None,
    ) -> None:
        self.paths = tuple(paths)
        self.path = self.paths[0]
        self._threads = threads or default_threads()
        self._closed = False
        self._indexes: list[FrameIndex] = []
        self._singles: list[Decoder | None] = [None] * len(paths)
        self._levels: ClipLevels | None = None
        self._kept: dict[int, tuple[Any, bool]] = {}
        self._keep_most = 0
        self._watch = Watch(self.path.name)
        try:
            self._watch.call_long(lambda report, stopped: self._open(light, report, stopped), progress, cancelled)
        except BaseException:
            self.close()
            raise

    def _open(self, light: LightChoice | None, progress: Progress, cancelled: Cancelled) -> None:
        """Hash, index and open all parts, and describe the first; on the watched thread."""
        hashes, facts = [], []
        for place, part in enumerate(self.paths):
            check_file(part)
            with translated(part):
                hashes.append(cache.content_hash(part))
            index = index_of(part, hashes[-1], progress=progress, cancelled=cancelled)
            self._indexes.append(index)
            decoder = self._single(place)
            picture = self._first(decoder)
            if place == 0:
                opening = decoder, picture
            timecode = str(decoder.stream.metadata.get("timecode", ""))
            facts.append(PartFacts(part, index, (picture.width, picture.height), timecode))
        self._joined = join(facts)
        self.index: FrameIndex = self._joined.index
        self._sha256 = hashes[0] if len(hashes) == 1 else hashlib.sha256("".join(hashes).encode()).hexdigest()
        self.info, self._setting = describe_clip(*opening, self._joined, self._sha256, self.paths, self.clip_levels, light)

    def _single(self, place: int) -> Decoder:
        decoder = self._singles[place]
        if decoder is None:
            decoder = self._singles[place] = Decoder(self.paths[place], threads=1)
        return decoder

    def _first(self, decoder: Decoder) -> Any:
        for picture, _ in decoder.run():
            return picture
        raise SeekError("holds no picture that decodes.", where=decoder.path.name, hint="The file is damaged or encrypted.")

    def __enter__(self) -> ClipReader:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """Close the files; pictures already handed out stay valid."""
        if not self._closed:
            self._closed = True
            self._kept = {}
            self._watch.close(self._close_all)

    def _close_all(self) -> None:
        for place, decoder in enumerate(self._singles):
            if decoder is not None:
                self._singles[place] = None
                decoder.close()

    def __len__(self) -> int:
        return len(self.index)

    def keep(self, megabytes: float) -> None:
        """Keep decoded pictures, the first ones asked for, up to this size (MB): for several measures on the same pictures."""
        self._keep_most = int(megabytes * 1e6) // self._picture_bytes()

    @property
    def kept(self) -> int:
        """How many pictures are kept decoded."""
        return len(self._kept)

    @property
    def setting(self) -> Setting:
        """What all pictures share: layout, light, orientation, clip levels."""
        return self._setting

    def frame(self, number: int) -> Frame:
        """Return exactly this picture.

        Raises
        ------
        SeekError
            If the clip holds no such picture, or it does not decode.
        """
        number = self._check(number)
        if number in self._kept:
            return self.wrap(*self._of_kept(number))
        place, inner = self._locate(number)
        picture, damaged = self._watch.call(lambda: self._single(place).exact(self._indexes[place], inner))
        return self.wrap(picture, number, damaged)

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
        """Yield pictures `start` up to, not with, `stop`, each decoded once; pictures that do not decode are left out."""
        total = len(self.index)
        stop = total if stop is None else min(stop, total)
        if stop <= start:
            return
        for number, picture, damaged in self._pictures(start, stop):
            if cancelled is not None and cancelled():
                raise Stopped()
            yield self.wrap(picture, number, damaged)
            if progress is not None:
                progress(number - start + 1, stop - start)

    def _pictures(self, start: int, stop: int) -> Iterator[Item]:
        """Yield kept pictures as far as there are any, and decode from the first that is missing."""
        self._check(start)
        while start < stop and start in self._kept:
            picture, number, damaged = self._of_kept(start)
            yield number, picture, damaged
            start += 1
        if start == stop:
            return
        with self.open_pass(start, stop, ahead=AHEAD if self._picture_bytes() <= AHEAD_BYTES else 1) as pictures:
            for number, picture, damaged in pictures:
                if len(self._kept) < self._keep_most:
                    self._kept[number] = picture, damaged
                yield number, picture, damaged

    def _of_kept(self, number: int) -> tuple[Any, int, bool]:
        picture, damaged = self._kept[number]
        return picture, number, damaged

    def _picture_bytes(self) -> int:
        layout = self._setting.layout
        chroma = 0.0 if layout.kind == "grey" else 2.0 / (layout.step_x * layout.step_y)
        return int(self._setting.width * self._setting.height * (1 + chroma) * (2 if layout.bits > 8 else 1))

    def open_pass(
        self,
        start: int = 0,
        stop: int | None = None,
        *,
        threads: int | None = None,
        ahead: int = 0,
        device: str | None = None,
    ) -> Pass:
        """Return a pass over pictures `start` up to `stop`, as the media library's own frames; close it when done.

        `ahead` is how many pictures are decoded before they are asked for, while the caller works on those before.  `device`
        is a hardware decoder, for looking only: wrap its pictures with `for_looking`.
        """
        self._check(start)
        total = len(self.index)
        return Pass(
            self.paths,
            self._indexes,
            self._joined.first,
            start,
            total if stop is None else min(stop, total),
            threads=threads or self._threads,
            ahead=ahead,
            device=device,
        )

    def tint(self, rect: Any = None, frames: tuple[int, int | None] = (0, None)) -> Tint:
        """Return the constant-tint model of a region, with its error against the exact path."""
        return fit_tint(self, rect, frames)

    def sound(self, *, progress: Progress = None, cancelled: Cancelled = None) -> Sound | None:
        """Return the sound of the clip on its own clock, parts joined; None without sound."""
        found = [read_sound(path, progress=progress, cancelled=cancelled) for path in self.paths]
        return join_sounds(found, self._joined.shift_s)

    def clip_levels(self) -> ClipLevels:
        """Return the signal above which pixels count as clipped, found from a few key pictures spread over the clip."""
        if self._levels is None:
            spec = self._setting.spec
            key = f"levels:8:{self._sha256}:{spec.range}:{spec.matrix}:{spec.bits}"
            self._levels = levels_from(cache.load_json(key))
            if self._levels is None:
                self._levels = find_levels(self._watch.call(self._samples), spec.bits, spec.range)
                cache.store_json(key, self._levels.to_list())
        return self._levels

    def _samples(self) -> list[Any]:
        """Return signals of a few key pictures, thinned by whole px."""
        out = []
        share = max(1, LEVEL_SAMPLES // len(self.paths))
        for path, index in zip(self.paths, self._indexes, strict=True):
            decoder = Decoder(path, threads=1)
            try:
                for picture in decoder.keys(index, share):
                    frame = Frame(picture, 0, 0, index.time_base, self._setting)
                    signal = frame.signal()
                    step = max(1, round((signal.shape[0] * signal.shape[1] / LEVEL_PIXELS) ** 0.5))
                    out.append(np.ascontiguousarray(signal[::step, ::step]))
            finally:
                decoder.close()
        return out

    def _locate(self, number: int) -> tuple[int, int]:
        place = int(np.searchsorted(self._joined.first, number, side="right")) - 1
        return place, number - self._joined.first[place]

    def wrap(self, picture: Any, number: int, damaged: bool, *, for_looking: bool = False) -> Frame:
        """Return a frame of the media library as picture `number` of this clip."""
        index = self.index
        frame = Frame(picture, number, int(index.pts[number]), index.time_base, self._setting, damaged=damaged)
        frame.for_looking = for_looking
        return frame

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


__all__ = ["ClipReader", "open_clip"]

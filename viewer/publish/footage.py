"""Side-by-side video: the same page as the still, its pictures moving in step, one rendering for all panes.

Rule for time: the output has one constant rate, the highest of its clips (at most 60 a second); for every output time each
clip shows its nearest frame.  Nothing is blended; a frame shown again is marked "repeat".
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np

from viewer.errors import Cancelled, FileError, PublishError, UsageError, ViewerError
from viewer.media import ClipReader
from viewer.media.audio import Sound, read_sound
from viewer.media.writer import VideoWriter
from viewer.publish import moving
from viewer.publish.gather import Gathered, Pane, gather, middle_of
from viewer.publish.layout import Box
from viewer.publish.moving import Caption, Master
from viewer.publish.still import stage
from viewer.session.model import Session, StillSpec
from viewer.tasks.clip_files import open_session_clip

MOST_RATE = Fraction(60)
SOUND_HZ = 48000
# The same number of x265 takes away more noise than that of x264.
HLG_FINER = 5.0
SIZES = {1080: (1920, 1080), 2160: (3840, 2160)}


@dataclass(frozen=True, kw_only=True)
class FootageSpec:
    """A video to publish.  Times are scene seconds; None: as far as all clips reach.

    Without `captions` of its own it shows the scene's markers, each for a few seconds.
    """

    scene: str
    master: Master = "sdr"
    height: int = 1080
    clips: tuple[str, ...] = ()
    start_s: float | None = None
    stop_s: float | None = None
    rate: Fraction | None = None
    layout: str = "row"
    matched: bool = False
    sound_clip: str | None = None
    captions: tuple[Caption, ...] = ()
    crf: float = 14.0
    settings: dict[str, str | float] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class Made:
    """What was written, kept for the read-back: `kept` maps a frame number to the intended signals of its pictures."""

    master: Master
    width: int
    height: int
    rate: Fraction
    frames: int
    repeats: int
    sound: bool
    boxes: tuple[Box, ...]
    ground: tuple[float, float, float]
    kept: dict[int, tuple[np.ndarray, ...]]
    has_hdr: bool


class _Source:
    """One clip, read forward once."""

    def __init__(self, reader: ClipReader, pane: Pane) -> None:
        self.reader, self.pane = reader, pane
        self._frames: Iterator[Any] | None = None
        self._number = -1
        self._picture: tuple[np.ndarray, np.ndarray] | None = None

    def clip_time(self, scene_s: float) -> float:
        """Return the clip's time of a scene time."""
        return self.pane.clip.clock.clip_time(scene_s) if self.pane.clip.clock else scene_s

    def span(self) -> tuple[float, float]:
        """Return first and last time of the clip on the scene's clock."""
        times = self.reader.index.times_s
        ends = (float(times[0]), float(times[-1]))
        clock = self.pane.clip.clock
        return (clock.scene_time(ends[0]), clock.scene_time(ends[1])) if clock else ends

    def nearest(self, scene_s: float) -> int:
        """Return the number of the frame nearest in time."""
        times, wanted = self.reader.index.times_s, self.clip_time(scene_s)
        after = int(np.clip(np.searchsorted(times, wanted), 0, len(times) - 1))
        before = max(0, after - 1)
        return before if abs(times[before] - wanted) <= abs(times[after] - wanted) else after

    def light(self, number: int) -> tuple[np.ndarray, np.ndarray, bool]:
        """Return light, clip mask and whether this frame was shown just before."""
        if number == self._number and self._picture is not None:
            return (*self._picture, True)
        if self._frames is None or number < self._number:
            self._frames = self.reader.frames(number)
        for frame in self._frames:
            if frame.number >= number:
                shown = frame.rgb()
                self._number, self._picture = number, (shown.light, shown.clipped)
                return shown.light, shown.clipped, False
        if self._picture is None:
            raise PublishError("no frame decodes.", where=self.pane.clip.name)
        return (*self._picture, True)


def write_footage(
    session: Session,
    folder: Path,
    spec: FootageSpec,
    path: Path,
    *,
    allow_outside: bool = False,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Made:
    """Write a side-by-side video of a scene: H.264 8 bit BT.709 (``sdr``) or HEVC 10 bit HLG BT.2020 (``hlg``).

    Raises
    ------
    UsageError
        If the clips share no time, or an HLG master is asked of SDR clips only.
    PublishError
        If the file cannot be written; nothing is left under its name then.
    Cancelled
        On request, likewise.
    """
    if spec.height not in SIZES:
        raise UsageError(f"no footage of {spec.height} lines.", hint=f"Choose {' or '.join(str(h) for h in SIZES)}.")
    middle = StillSpec(
        id="footage",
        scene=spec.scene,
        clips=spec.clips,
        layout=spec.layout,
        settings=dict(spec.settings),
        time_s=_moment(session, folder, spec, allow_outside),
        rendering="brightness_matched" if spec.matched else "as_filmed",
    )
    gathered = gather(session, folder, middle, allow_outside=allow_outside, cancelled=cancelled)
    hdr = any(pane.transfer in ("hlg", "pq") for pane in gathered.panes)
    if spec.master == "hlg" and not hdr:
        raise UsageError("an HLG master needs at least one HLG or PQ clip.", hint="Publish the SDR master.")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise PublishError(
            f"cannot be made ({error.strerror}).", where=str(path.parent), hint="Choose another folder."
        ) from error
    with ExitStack() as open_clips:
        sources = [
            _Source(open_clips.enter_context(open_session_clip(folder, pane.clip, allow_outside=allow_outside)), pane)
            for pane in gathered.panes
        ]
        try:
            return _write(gathered, sources, spec, path, hdr, progress, cancelled)
        except FileError as error:
            if isinstance(error, PublishError):
                raise
            raise PublishError(error.what, where=str(path), hint=error.hint) from error


def _moment(session: Session, folder: Path, spec: FootageSpec, allow_outside: bool) -> float:
    """Return the scene time at which brightness is matched: the middle of the range, or of the reference clip."""
    if spec.start_s is not None and spec.stop_s is not None:
        return 0.5 * (spec.start_s + spec.stop_s)
    return middle_of(session, session.scene(spec.scene), folder, allow_outside=allow_outside)


def _times(sources: list[_Source], spec: FootageSpec, scene: str) -> tuple[float, Fraction, int]:
    """Return start (scene s), rate and number of output frames."""
    spans = [source.span() for source in sources]
    start = max(a for a, _ in spans) if spec.start_s is None else spec.start_s
    stop = min(b for _, b in spans) if spec.stop_s is None else spec.stop_s
    fastest = max(source.reader.info.average_rate for source in sources)
    rate = min(spec.rate or Fraction(fastest), MOST_RATE).limit_denominator(1001)
    count = int((stop - start) * float(rate) + 1e-6) + 1
    if stop <= start or count < 1:
        raise UsageError(f"the clips of {scene!r} share no time.", hint="Line them up, or choose a range that all cover.")
    return start, rate, count


def _write(
    gathered: Gathered,
    sources: list[_Source],
    spec: FootageSpec,
    path: Path,
    hdr: bool,
    progress: Callable[[int, int], None] | None,
    cancelled: Callable[[], bool] | None,
) -> Made:
    start, rate, count = _times(sources, spec, gathered.scene.name)
    width, height = SIZES[spec.height]
    captions = spec.captions or moving.marker_captions(gathered.session, spec.scene)
    shown = replace(gathered.spec, settings={**gathered.spec.settings, "captions": float(bool(captions))})
    page = stage(replace(gathered, spec=shown), size=(width, height))
    sound = _sound(sources, gathered, spec, start, count / float(rate))
    kept_numbers = {n for part in (0.2, 0.5, 0.8) for n in (int(part * (count - 1)), int(part * (count - 1)) + 1) if n < count}
    kept: dict[int, tuple[np.ndarray, ...]] = {}
    repeats = 0
    hlg = spec.master == "hlg"
    base = moving.graphics_to_hlg(page.base) if hlg else page.base
    with VideoWriter(
        path,
        width=width,
        height=height,
        rate=rate,
        codec="hevc" if hlg else "h264",
        bit_depth=10 if hlg else 8,
        transfer="hlg" if hlg else "bt709",
        matrix="bt2020" if hlg else "bt709",
        crf=spec.crf - HLG_FINER if hlg else spec.crf,
        options={"preset": "superfast", "x265-params": "aq-mode=0:psy-rd=2.0"}
        if hlg
        else {"preset": "veryfast", "tune": "grain"},
        sound_rate=SOUND_HZ if sound is not None else None,
        sound_channels=sound.shape[1] if sound is not None else 1,
    ) as sink:
        still = sink.encode(base)
        for number in range(count):
            if cancelled and cancelled():
                raise Cancelled
            planes = tuple(plane.copy() for plane in still)
            scene_s = start + number / float(rate)
            signals = []
            for place, source in enumerate(sources):
                light, clipped, again = source.light(source.nearest(scene_s))
                repeats += again
                signal = moving.picture(page, page.boxes[place], source.pane, light, clipped, spec.master, matched=spec.matched)
                moving.put(sink, planes, base, signal, page.boxes[place])
                moving.stamp(sink, planes, page, place, scene_s, again=again, hlg=hlg)
                signals.append(signal.astype(np.float16))
            moving.tell(sink, planes, page, gathered, scene_s, captions, hlg=hlg)
            sink.write(planes)
            if number in kept_numbers:
                kept[number] = tuple(signals)
            if sound is not None:
                first, last = (round(n * SOUND_HZ / float(rate)) for n in (number, number + 1))
                sink.write_sound(sound[first:last])
            if progress:
                progress(number + 1, count)
    ground = tuple(float(v) for v in base[4, 4])
    return Made(
        master=spec.master,
        width=width,
        height=height,
        rate=rate,
        frames=count,
        repeats=repeats,
        sound=sound is not None,
        boxes=page.boxes,
        ground=(ground[0], ground[1], ground[2]),
        kept=kept,
        has_hdr=hdr,
    )


def _sound(sources: list[_Source], gathered: Gathered, spec: FootageSpec, start: float, duration_s: float) -> np.ndarray | None:
    """Return the sound of the chosen clip (or of the first that has any) for the range, (N, channels) at 48 kHz."""
    wanted = [s for s in sources if spec.sound_clip in (None, s.pane.clip.id) and s.reader.info.has_sound]
    for source in wanted:
        try:
            found = read_sound(source.reader.info.path)
        except ViewerError:
            continue
        if found is not None and len(found.samples):
            return _cut(found, source, start, duration_s)
    return None


def _cut(sound: Sound, source: _Source, start: float, duration_s: float) -> np.ndarray:
    """Return samples by the scene's clock: offset and rate of the clip are both followed; silence outside."""
    scene = start + np.arange(round(duration_s * SOUND_HZ) + SOUND_HZ // 10) / SOUND_HZ
    clock = source.pane.clip.clock
    clip = (scene - clock.offset_s) / (1.0 + 1e-6 * clock.rate_ppm) if clock else scene
    have = sound.start_s + np.arange(len(sound.samples)) / sound.rate_hz
    channels = sound.samples[:, :2]
    columns = [np.interp(clip, have, channels[:, n], left=0.0, right=0.0) for n in range(channels.shape[1])]
    return np.stack(columns, axis=1).astype(np.float32)


__all__ = ["SIZES", "FootageSpec", "Made", "Master", "write_footage"]

"""A handheld clip whose regions follow the picture: rectangles are moved by each frame's shift before it is read."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast

import numpy as np

from viewer.measure.regions import Rect
from viewer.session.model import MotionTrack

if TYPE_CHECKING:
    from viewer.media import ClipReader, Frame


@dataclass(frozen=True)
class _Following:
    """A frame whose rectangles are those of the usual place."""

    inner: Frame
    by: tuple[int, int]

    def __getattr__(self, name: str) -> Any:
        return getattr(self.inner, name)

    def _moved(self, rect: Any) -> Any:
        """The rectangle in this frame, kept inside the picture; the whole picture stays itself."""
        if rect is None:
            return None
        x, y, w, h = (rect.x, rect.y, rect.w, rect.h) if hasattr(rect, "w") else rect
        right, bottom = self.inner.width - w, self.inner.height - h
        if not (0 <= x <= right and 0 <= y <= bottom):
            return rect
        return Rect(min(max(x + self.by[0], 0), right), min(max(y + self.by[1], 0), bottom), w, h)

    def luminance(self, rect: Any = None, *, tint: Any = None) -> Any:
        return self.inner.luminance(self._moved(rect), tint=tint)

    def rgb(self, rect: Any = None) -> Any:
        return self.inner.rgb(self._moved(rect))

    def signal(self, rect: Any = None) -> Any:
        return self.inner.signal(self._moved(rect))

    def luma(self, rect: Any = None) -> Any:
        return self.inner.luma(self._moved(rect))

    def stored_luma(self, rect: Any = None) -> Any:
        return self.inner.stored_luma(self._moved(rect))

    def stored_strips(self, rect: Any = None) -> Any:
        return self.inner.stored_strips(self._moved(rect))


class _FollowingClip:
    """A clip whose frames follow a track; everything else is the clip's own."""

    def __init__(self, clip: ClipReader, track: MotionTrack) -> None:
        self._clip = clip
        self._times = np.asarray(track.time_s, float)
        self._shifts = np.asarray(track.shift_px, float).reshape(-1, 2)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._clip, name)

    def __len__(self) -> int:
        return len(self._clip)

    def _follow(self, frame: Frame) -> Any:
        place = int(np.clip(np.searchsorted(self._times, frame.time_s + 5e-4, side="right") - 1, 0, len(self._times) - 1))
        dx, dy = np.rint(self._shifts[place]).astype(int)
        return _Following(frame, (int(dx), int(dy))) if dx or dy else frame

    def frame(self, number: int) -> Any:
        return self._follow(self._clip.frame(number))

    def frame_at(self, time_s: float) -> Any:
        return self._follow(self._clip.frame_at(time_s))

    def frames(
        self,
        start: int = 0,
        stop: int | None = None,
        *,
        progress: Callable[[int, int], None] | None = None,
        cancelled: Callable[[], bool] | None = None,
    ) -> Iterator[Any]:
        for frame in self._clip.frames(start, stop, progress=progress, cancelled=cancelled):
            yield self._follow(frame)


def following(clip: ClipReader, track: MotionTrack | None) -> ClipReader:
    """Return the clip as a measure should read it: with regions that follow `track`, or as it is without one.

    Rectangles move by whole pixels, so that noise and codes stay what they are; up to half a pixel of movement remains.  What
    is read of the whole picture (field circle, corners) is not moved.
    """
    if track is None or not track.time_s:
        return clip
    return cast("ClipReader", _FollowingClip(clip, track))


__all__ = ["following"]

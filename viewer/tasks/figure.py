"""How visible a figure in a clip is, as a result document."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from viewer.cv import cv2
from viewer.errors import UsageError
from viewer.measure.figure import (
    JOHNSON,
    ROSE,
    Mark,
    View,
    cycles_across,
    follow,
    look,
    place_at,
    summarise,
    task_probability,
    window_of,
)
from viewer.measure.noise import Sizes, evidence_of, why_no_noise
from viewer.measure.noiseparts import correlation_area
from viewer.measure.patches import Patch, PatchSum
from viewer.measure.readings import Flag, Reading
from viewer.measure.regions import Rect
from viewer.media import ClipReader
from viewer.tasks.document import Result
from viewer.tasks.encoder import encoder_of, grey_sigma
from viewer.tasks.patches import Progress, Span, Stop, clip_flags, new_pictures, step_light

NEAR_S = 0.25
LEAST_SCORE = 0.6
BLUR_PX = 1.5


@dataclass
class _Track:
    """Box and view of the figure frame by frame."""

    times: list[float] = field(default_factory=list)
    boxes: list[tuple[float, float, int, int]] = field(default_factory=list)
    views: list[View] = field(default_factory=list)
    scores: list[float] = field(default_factory=list)


def measure_figure(
    clip: ClipReader,
    marks: Sequence[tuple[Rect, float | None]],
    *,
    around_px: float | None = None,
    frames: Span = (0, None),
    limit_cycles_px: float | None = None,
    progress: Progress = None,
    cancelled: Stop = None,
) -> Result:
    """Measure how visible a figure is against its surroundings.

    Parameters
    ----------
    clip : ClipReader
    marks : sequence of (Rect, s or None)
        Boxes around the figure.  One box without a time holds for the whole clip.  Boxes with times mark one figure on its way:
        between them it is followed.
    around_px : float, optional
        Width of the ground around the box; half the box's mean side by default, 8 px at least.
    frames : (first, stop)
    limit_cycles_px : float, optional
        Limiting resolution of device and camera, cycles/px, for the line pairs across the figure (Johnson).

    Returns
    -------
    Result
        Per mark ``contrast``, ``cnr``, ``detectability`` (1) of ``figure-1`` ...: of all frames for a box without a time,
        of the frames within a quarter of a second for one with.  Extras: ``share_seen`` {of: share of frames with a
        detectability of 5 or more}, ``noise`` {sigma, grain_px, reason}, ``johnson`` {cycles, task: probability} or null.
        Plots: ``frame_times_s``, ``contrast``, ``cnr``, ``detectability``, ``boxes`` (frames, 4: x, y, w, h),
        ``figure_light``, ``ground_light``.

    Raises
    ------
    RegionError
        If a box reaches outside the picture or leaves no ground.
    UsageError
        If no box is given, a time lies outside the clip, or boxes without times stand beside others.
    """
    boxes = [Mark(r.x, r.y, r.w, r.h, t) for r, t in marks]
    if not boxes:
        raise UsageError("no figure was marked.", hint="Give --region X,Y,W,H@SECONDS for each mark.")
    timed = [mark for mark in boxes if mark.time_s is not None]
    if timed and len(timed) < len(boxes):
        raise UsageError("some marks have a time and some have none.", hint="Give each mark its time: X,Y,W,H@SECONDS.")
    for mark in boxes:
        mark.rect.check(clip.info.width, clip.info.height, least=12, where=clip.info.path.name)
        if mark.time_s is not None:
            clip.index.number_at(mark.time_s)
    tracks = [boxes] if timed else [[mark] for mark in boxes]
    around = around_px if around_px is not None else max(8.0, 0.25 * (boxes[0].w + boxes[0].h))
    flags = clip_flags(clip) | Flag.ONE_TAKE
    span = _span(clip, timed, frames)
    results = [_follow(clip, own, round(around), span, progress, cancelled) for own in tracks]
    noise = _noise(clip, results[0][1])
    return _result(clip, boxes, [track for track, _ in results], noise, flags, limit_cycles_px)


def _span(clip: ClipReader, timed: Sequence[Mark], frames: Span) -> Span:
    """Return the frames from a little before the first mark to a little after the last."""
    if not timed:
        return frames
    times = clip.index.times_s
    first, last = min(m.time_s or 0.0 for m in timed), max(m.time_s or 0.0 for m in timed)
    inside = np.flatnonzero((times >= first - NEAR_S) & (times <= last + NEAR_S))
    start, stop = max(frames[0], int(inside[0])), int(inside[-1]) + 1
    return start, stop if frames[1] is None else max(start + 1, min(frames[1], stop))


def _follow(
    clip: ClipReader, marks: Sequence[Mark], around: int, span: Span, progress: Progress, cancelled: Stop
) -> tuple[_Track, Patch]:
    """Follow one figure; gather the noise of its neighbourhood beside it."""
    width, height = clip.info.width, clip.info.height
    track = _Track()
    follower = _Follower(marks)
    still = _noise_rect(marks, around, width, height)
    patch = PatchSum((still.h, still.w), spectrum=True)
    moving = len(marks) > 1 or marks[0].time_s is not None
    first = min(marks, key=lambda mark: mark.time_s or 0.0)
    if first.time_s is not None:
        # what comes before the first mark is compared with the figure as it is there
        follower.show(clip.frame(clip.index.number_at(first.time_s)).luminance().light, first)
    for frame, repeat in new_pictures(clip, span, progress, cancelled):
        mark = place_at(marks, frame.time_s)
        score = 1.0
        if moving:
            mark, score = follower.find(frame.luminance().light, mark, frame.time_s)
        rect = _inside(mark.rect, width, height)
        # A gap of a tenth keeps the figure's soft edge out of the ground.
        gap = max(1, round(0.05 * (rect.w + rect.h)))
        window, parts = window_of(rect, around, gap, width, height)
        light = frame.luminance(window)
        track.times.append(frame.time_s)
        track.boxes.append((mark.x, mark.y, rect.w, rect.h))
        track.views.append(look(light.light, parts, light.clipped))
        track.scores.append(score)
        if not repeat:
            patch.add(frame.luminance(still).light, None, frame.luma(still))
    return track, patch.result()


class _Follower:
    """Finds the figure again from frame to frame: beside the straight way between marks, by as much as it was last."""

    def __init__(self, marks: Sequence[Mark]) -> None:
        self._times = [mark.time_s for mark in marks if mark.time_s is not None]
        self._template: np.ndarray | None = None
        self._off = (0.0, 0.0)
        self._found = False

    @staticmethod
    def _corner(rect: Rect) -> tuple[int, int, int]:
        """Upper left corner of the template of a box, and how far it reaches beyond the box."""
        pad = max(2, round(0.15 * (rect.w + rect.h)))
        return max(0, rect.x - pad), max(0, rect.y - pad), pad

    def show(self, picture: np.ndarray, mark: Mark) -> None:
        """Take the figure at a mark as what is looked for."""
        rect = mark.rect
        x0, y0, pad = self._corner(rect)
        x1, y1 = min(picture.shape[1], rect.x + rect.w + pad), min(picture.shape[0], rect.y + rect.h + pad)
        self._template = cv2.GaussianBlur(picture, (0, 0), BLUR_PX)[y0:y1, x0:x1].copy()
        self._off = (0.0, 0.0)

    def find(self, picture: np.ndarray, mark: Mark, time_s: float) -> tuple[Mark, float]:
        """Return the box where the figure is, and how well it fits; the template is renewed at each mark."""
        if self._template is None or any(abs(own - time_s) < 1e-3 for own in self._times):
            self.show(picture, mark)
            return mark, 1.0
        smooth = cv2.GaussianBlur(picture, (0, 0), BLUR_PX)
        rect = mark.rect
        reach = max(4, round(0.3 * min(rect.w, rect.h))) * (1 if self._found else 2)
        x0, y0 = self._corner(rect)[:2]
        expected = (x0 + self._off[0], y0 + self._off[1])
        x, y, score = follow(self._template, smooth, expected, reach)
        if score >= LEAST_SCORE:
            self._off, self._found = (x - x0, y - y0), True
        return replace(mark, x=mark.x + self._off[0], y=mark.y + self._off[1]), score


def _inside(rect: Rect, width: int, height: int) -> Rect:
    return Rect(min(max(0, rect.x), width - rect.w), min(max(0, rect.y), height - rect.h), rect.w, rect.h)


def _noise_rect(marks: Sequence[Mark], around: int, width: int, height: int) -> Rect:
    """A place for the ground's noise: beside the way of the figure, else about it."""
    mark = marks[0]
    side = int(np.clip(mark.h, 24, 96))
    left, right = min(m.x for m in marks), max(m.x + m.w for m in marks)
    for x in (right + 0.5 * around, left - 0.5 * around - side):
        y = int(np.clip(mark.y, 0, max(0, height - side)))
        if x >= 0 and x + side <= width and y + side <= height:
            return Rect(round(x), y, side, side)
    side = min(side, width, height)
    return Rect(int(np.clip(mark.x - side, 0, width - side)), int(np.clip(mark.y, 0, height - side)), side, side)


def _noise(clip: ClipReader, patch: Patch) -> dict[str, Any]:
    encoder, step = encoder_of(clip), step_light(clip, patch.level)
    evidence = evidence_of(patch, encoder=encoder, step=step)
    sizes = Sizes.of(patch, encoder.water * step**2)
    area = correlation_area(patch)
    if sizes.likely > 0:
        # What the encoder took was grain of single pixels.
        area = 1.0 + (area - 1.0) * (sizes.file / sizes.likely) ** 2
    samples = max(2.0, patch.pixels / area * max(1, patch.frames - 1))
    return {
        "sigma": sizes.likely,
        "range": (sizes.file, sizes.most) if sizes.file > 0 else None,
        "relative_error": 1.0 / math.sqrt(2.0 * samples),
        "grain_px": area,
        "evidence": evidence,
        "reason": why_no_noise(patch, evidence),
    }


def _code_errors(clip: ClipReader, views: Sequence[View], noise_sigma: float) -> tuple[float, float]:
    """Return by how much the encoder may have moved the mean light of figure and ground."""
    encoder, errors = encoder_of(clip), []
    for level, pixels in (
        (float(np.mean([view.figure for view in views])), views[0].figure_pixels),
        (float(np.mean([view.ground for view in views])), views[0].ground_pixels),
    ):
        blurred = noise_sigma > 0.5 * step_light(clip, level)
        errors.append(grey_sigma(clip, encoder, level, pixels=pixels, blurred=blurred))
    return errors[0], errors[1]


def _result(
    clip: ClipReader,
    marks: Sequence[Mark],
    tracks: Sequence[_Track],
    noise: dict[str, Any],
    flags: Flag,
    limit_cycles_px: float | None,
) -> Result:
    readings: list[Reading] = []
    seen, warnings = {}, list(clip.info.warnings)
    for k, mark in enumerate(marks, 1):
        track = tracks[k - 1] if len(tracks) == len(marks) else tracks[0]
        near = [
            view
            for view, time_s in zip(track.views, track.times)
            if mark.time_s is None or abs(time_s - mark.time_s) <= NEAR_S + 1e-6
        ]
        own = flags | (Flag.MOVING if mark.time_s is not None and len(marks) > 1 else Flag.NONE)
        found = summarise(
            near,
            of=f"figure-{k}",
            noise_sigma=noise["sigma"],
            noise_relative_error=noise["relative_error"],
            area_px=noise["grain_px"],
            evidence=noise["evidence"],
            noise_range=noise["range"],
            noise_reason=noise["reason"],
            code_errors=_code_errors(clip, near, noise["sigma"]),
            rim=2.0 * (mark.w + mark.h) / (mark.w * mark.h),
            flags=own,
        )
        readings += found.readings
        seen[f"figure-{k}"] = found.seen
    first = tracks[0]
    whole = summarise(
        first.views,
        of="figure",
        noise_sigma=noise["sigma"],
        noise_relative_error=noise["relative_error"],
        area_px=noise["grain_px"],
    )
    lost = float(np.mean(np.array(first.scores) < LEAST_SCORE))
    if lost > 0.2:
        warnings.append(
            f"the figure was not followed in {100 * lost:.0f} % of the frames: its place there is between the marks."
        )
    extras = {
        "share_seen": seen,
        "share_seen_all": whole.seen,
        "rose": ROSE,
        "noise": {"sigma": noise["sigma"], "grain_px": noise["grain_px"], "reason": noise["reason"]},
        "johnson": _johnson(marks[0], limit_cycles_px),
    }
    plots = {
        "frame_times_s": np.array(first.times),
        "contrast": whole.contrast,
        "cnr": whole.cnr,
        "detectability": whole.detectability,
        "boxes": np.array(first.boxes, float),
        "figure_light": np.array([view.figure for view in first.views]),
        "ground_light": np.array([view.ground for view in first.views]),
    }
    return Result(
        command="figure",
        inputs=(clip.info.input_record(),),
        readings=tuple(readings),
        warnings=tuple(warnings),
        extras=extras,
        plots=plots,
    )


def _johnson(mark: Mark, limit_cycles_px: float | None) -> dict[str, Any] | None:
    """Line pairs across the figure and what they would allow at full contrast in good light: upper bounds."""
    if limit_cycles_px is None:
        return None
    cycles = cycles_across(min(mark.w, mark.h), limit_cycles_px)
    return {"cycles": cycles, **{task: task_probability(cycles, needed) for task, needed in JOHNSON.items()}}


__all__ = ["measure_figure"]

"""An edge of a clip: average, frames laid over each other where the camera moved, then width, MTF, angle and glow."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.errors import UsageError
from viewer.measure import edge as measure
from viewer.measure.bloom_motion import Shift
from viewer.measure.edge_line import EdgeLine, find_line, fit_line, follow_line, raggedness
from viewer.measure.edge_mtf import Mtf
from viewer.measure.readings import Flag, Reading
from viewer.measure.regions import Rect
from viewer.tasks.document import Result
from viewer.tasks.mean_picture import Follow, Look, MeanPicture, allowed, codec_sigma, mean_picture, scout

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

AROUND = 110  # px round the region that are read: glow comes from there too
STILL_PX = 0.05
ALONG_GRID = 1.7
BANDS = 4.0  # rendered edges along bands: half a turn left over N frames moves widths by up to 5 / N of the pulsing
SHOULDER = 0.003  # of the width, 8 bit (tests/benchmarks/bench_edge.py)

Progress = Callable[[int, int], None] | None
Stop = Callable[[], bool] | None


def measure_edge(
    clip: ClipReader,
    region: Rect,
    *,
    camera: tuple[ClipReader, Rect] | None = None,
    frames: tuple[int, int | None] = (0, None),
    progress: Progress = None,
    cancelled: Stop = None,
) -> Result:
    """Measure the edge in a region.

    Parameters
    ----------
    clip : ClipReader
        An open clip.
    region : Rect
        Upright px; the edge in its middle, at least 12 px to each side.
    camera : (ClipReader, Rect), optional
        The same edge filmed without a device; its MTF is divided out.
    frames : (start, stop), optional
        Range of frames; stop None for the end.

    Returns
    -------
    Result
        Readings as in `viewer.measure.edge`.  Extras: ``edge`` {x, y (a point on the edge, clip px), curvature (1/px),
        asymmetry (px: light spilt to the dark side less light missing on the bright one, over the step), glow_share (1)}.
        ``plots``: ``esf_px``, ``esf`` (distance from the edge,
        bright side positive; share of the step), ``mtf_f``, ``mtf``, ``mtf_sigma`` (cycles/px), ``glow_px``, ``glow``,
        ``glow_model`` (distance from the bright area; light of the dark pixels, measured and fitted).

    Raises
    ------
    RegionError
        If the region is outside the picture.
    Cancelled
        If `cancelled` says so.
    """
    info = clip.info
    region.check(info.width, info.height, least=64, where=info.path.name)
    mean, inside = _mean(clip, region, frames, progress, cancelled)
    other = None
    if camera is not None:
        other = _camera(camera, frames, cancelled)
    flags = mean.flags | Flag.ONE_TAKE
    result = measure.measure_edge(
        mean.light, inside, clipped=mean.clipped, frames=mean.frames, flags=flags, of=str(region), camera=other
    )
    extra = float(np.hypot(_codec_sigma(clip, result), _bands_sigma(mean, result)))
    readings = tuple(allowed(r, extra * _leverage(r, result)) for r in result.readings)
    warnings = list(mean.warnings)
    if not mean.tinted:
        warnings.append(
            "the picture holds several colours: luminance came from subsampled chroma, edges widen by about 0.02 px."
        )
    records = [info.input_record()] + ([camera[0].info.input_record()] if camera else [])
    return Result(
        command="edge",
        inputs=tuple(records),
        readings=readings,
        warnings=tuple(warnings),
        extras={"edge": _extras(result, region)},
        plots=_plots(result),
    )


def _mean(
    clip: ClipReader, region: Rect, frames: tuple[int, int | None], progress: Progress, cancelled: Stop
) -> tuple[MeanPicture, Rect]:
    """Return the mean picture of the region with its surroundings, and the region in its pixels."""
    x0, y0 = max(0, region.x - AROUND), max(0, region.y - AROUND)
    x1 = min(clip.info.width, region.x + region.w + AROUND)
    y1 = min(clip.info.height, region.y + region.h + AROUND)
    around = Rect(x0, y0, x1 - x0, y1 - y0)
    inside = Rect(region.x - x0, region.y - y0, region.w, region.h)
    look = Look.at(clip, around, frames)
    first = scout(clip, frames, look, around)
    follow, anchors = _follow(first, inside)
    mean = mean_picture(
        clip,
        rect=around,
        frames=frames,
        anchors=anchors,
        follow=follow,
        look=look,
        still_px=STILL_PX,
        progress=progress,
        cancelled=cancelled,
    )
    return mean, inside


def _follow(first: np.ndarray, inside: Rect) -> tuple[Follow | None, list[tuple[float, float]]]:
    """Return how to follow the edge: along its normal if it is straight, else by the picture of the region."""
    part = first[inside.slices]
    start = find_line(part) if min(part.shape) >= 8 else None
    if start is None:
        return None, []
    line = fit_line(part, start)
    stray, error = raggedness(part, line)
    if stray > max(1.0, 5.0 * error) or line.explained < 0.55 or line.bright <= line.dark:
        return None, [inside.centre]
    return _along(line, inside), []


def _along(line: EdgeLine, inside: Rect) -> Follow:
    nx, ny = line.normal
    last = [0.0]

    def follow(light: np.ndarray) -> Shift | None:
        found = follow_line(light[inside.slices], line, last[0])
        if found is None:
            return None
        last[0] = found[0]
        return Shift(found[0] * nx, found[0] * ny, found[1], 1.0)

    return follow


def _codec_sigma(clip: ClipReader, result: measure.EdgeResult) -> float:
    """Return by how much a codec changes a width (1 sigma, px).

    Shallow shoulders of wide edges are flattened more; an edge along the grid lies alike in all its blocks.
    """
    sharp, width, angle = codec_sigma(clip), result.reading("rise_10_90").value, result.reading("edge_angle").value
    if sharp <= 0 or width is None or angle is None:
        return sharp
    share = SHOULDER if clip.info.bit_depth <= 8 else 0.5 * SHOULDER
    along = ALONG_GRID if abs((angle + 45.0) % 90.0 - 45.0) < 1.5 else 1.0
    return along * float(np.hypot(sharp, share * width))


def _bands_sigma(mean: MeanPicture, result: measure.EdgeResult) -> float:
    """Return by how much bands that pulsing light leaves in the mean change the width of an edge along them (1 sigma, px).

    Where rows cross the edge their gains are divided out.  Along the rows a band passes for a part of the edge; over N frames
    a wave averages down to about 1 / N.
    """
    width, angle = result.reading("rise_10_90").value, result.reading("edge_angle").value
    if Flag.GATED not in mean.flags or width is None or angle is None or abs(np.cos(np.radians(angle))) >= 0.5:
        return 0.0
    return BANDS * mean.pulsing * width / max(mean.frames, 1)


def _leverage(reading: Reading, result: measure.EdgeResult) -> float:
    """Return by how much a reading changes when the edge's width changes by one px."""
    width = result.reading("rise_10_90").value
    if reading.name == "rise_10_90":
        return 1.0
    if reading.name == "edge_angle":
        return 0.4  # degrees; a distortion of 1 px over some 140 px of edge
    if width is None or reading.value is None:
        return 0.0
    if reading.name == "mtf50":
        return reading.value / width
    if reading.name.startswith("mtf_at_"):
        return 2.0 * abs(reading.value * float(np.log(max(reading.value, 1e-3)))) / width
    return 0.0


def _camera(camera: tuple[ClipReader, Rect], frames: tuple[int, int | None], cancelled: Stop) -> Mtf:
    """Return the MTF of the camera alone.

    Raises
    ------
    UsageError
        If its edge cannot be measured.
    """
    clip, region = camera
    region.check(clip.info.width, clip.info.height, least=64, where=clip.info.path.name)
    mean, inside = _mean(clip, region, frames, None, cancelled)
    result = measure.measure_edge(mean.light, inside, clipped=mean.clipped)
    if result.mtf is None:
        reason = result.reading("rise_10_90").reason or ""
        raise UsageError(f"the camera's edge was not measured: {reason}", where=clip.info.path.name)
    return result.mtf


def _extras(result: measure.EdgeResult, region: Rect) -> dict[str, Any]:
    line = result.line
    share = result.glow.share if result.glow else None
    if line is None:
        return {"x": None, "y": None, "curvature": None, "asymmetry": None, "glow_share": share}
    nx, ny = line.normal
    return {
        "x": region.x + line.x0 + line.offset * nx,
        "y": region.y + line.y0 + line.offset * ny,
        "curvature": line.curvature,
        "asymmetry": result.asymmetry,
        "glow_share": share,
    }


def _plots(result: measure.EdgeResult) -> dict[str, Any]:
    empty = np.zeros(0)
    transfer, glow = result.mtf, result.glow
    return {
        "esf_px": result.esf_px,
        "esf": result.esf,
        "mtf_f": transfer.frequency if transfer else empty,
        "mtf": transfer.value if transfer else empty,
        "mtf_sigma": transfer.sigma if transfer else empty,
        "glow_px": glow.distance_px if glow else empty,
        "glow": glow.profile if glow else empty,
        "glow_model": glow.model if glow else empty,
    }


__all__ = ["measure_edge"]

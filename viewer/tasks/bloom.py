"""Bloom of the point lights of a clip: find or take the marks, average, fit, report in px, degrees and mm."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from viewer.align.circle import fit_field_circle
from viewer.align.transform import FieldCircle
from viewer.errors import UsageError
from viewer.measure import bloom as measure
from viewer.measure.lights import PointLight, find_lights, refine_centre
from viewer.measure.readings import Flag, Reading, refused
from viewer.tasks.bloom_help import camera_alone, joined, smoothed_away
from viewer.tasks.bloom_words import curves, fits_of, notes_of, scaled
from viewer.tasks.document import Result
from viewer.tasks.mean_picture import Look, MeanPicture, allowed, code_step, codec_growth, codec_sigma, mean_picture, scout

if TYPE_CHECKING:
    from viewer.media.reader import ClipReader

MOST_LIGHTS = 8
NEIGHBOURS = 60
HALO_SHARE = 0.5  # of a codec's error at a single edge: a round one averages it
CENTRE_SHARE = math.sqrt(2.0) * HALO_SHARE  # the first harmonic of errors round an edge scatters more than their mean
HALF_SHARE = 0.6  # the half level follows the blur too, which codecs widen
SMOOTH_SIGMA = 0.035  # px, of a codec where light has no edge: its slope is lower, and more bits a sample help less
RESTLESS_SHARE = 1.2  # the same where light moves or pulses: frames are then predicted badly
SHARES = {"centre_x": CENTRE_SHARE, "centre_y": CENTRE_SHARE, "half_radius": HALF_SHARE}
RESTLESS_GRAIN = 2.5  # by which the same holds for the dark next to bright light
WIDENED = 1.2  # relative width of a Gaussian glow by light lost beyond 2.5 sigma, over its height (least squares)
CORE_ERROR = 0.08  # px
MARGIN = 6.0  # px inside the field's edge that are left out
RADII = ("core_radius", "halo_radius", "half_radius", "bloom_radius")


def measure_bloom(
    clip: ClipReader,
    lights: Sequence[tuple[float, float]] | None = None,
    *,
    field_deg: float | None = None,
    objective_mm: float | None = None,
    camera: ClipReader | None = None,
    camera_light: tuple[float, float] | None = None,
    stack: Sequence[ClipReader] = (),
    frames: tuple[int, int | None] = (0, None),
    most: int = MOST_LIGHTS,
    progress: Callable[[int, int], None] | None = None,
    cancelled: Callable[[], bool] | None = None,
) -> Result:
    """Measure the bloom of point lights.

    Parameters
    ----------
    clip : ClipReader
        An open clip.
    lights : sequence of (x, y), optional
        Marks in upright px; without any the lights are found.
    field_deg : float, optional
        The device's stated field of view, degrees; with a field circle in the picture radii are also given in degrees.
    objective_mm : float, optional
        Focal length of the device's objective, mm; with `field_deg` radii are also given in mm at the tube.
    camera : ClipReader, optional
        A clip of a point light without the device: what the camera alone adds is fitted and taken off.
    camera_light : (x, y), optional
        The light in that clip; the strongest found if left out.
    stack : sequence of ClipReader, optional
        Other exposures of the same scene: burnt cores and dark surroundings are taken from where they are not clipped.
    frames : (start, stop), optional
        Range of frames (of `clip` alone); stop None for the end.
    most : int, optional
        How many found lights to measure at most.

    Returns
    -------
    Result
        Readings per light ``light-1`` ... as in `viewer.measure.bloom`; radii with a scale also in degrees, mrad and mm.
        Extras: ``lights_found`` (int), ``field_circle`` [cx, cy, r] or null, ``px_per_degree`` or null, ``stack`` [{path,
        ratio, ratio_sigma, shift_px, misfit, pixels}], ``fits`` {light: as `viewer.tasks.bloom_words.fits_of` says}.
        ``plots``: {light: {``radius_px``, ``profile``, ``sigma``, ``model``, ``glow``, ``camera`` (arrays of one length: ring
        radius, measured light, its error, fitted light, fitted glow without background, the camera's own light), ``centre``
        (x, y), ``core_radius``, ``halo_radius``, ``half_radius``, ``bloom_radius`` (float or None), ``sector_deg``,
        ``sector_radius_px``, ``sector_sigma_px``}}.

    Raises
    ------
    UsageError
        If `field_deg` or `objective_mm` is impossible, or a clip of `stack` or `camera` does not fit.
    Cancelled
        If `cancelled` says so.
    """
    _check(field_deg, objective_mm)
    look = Look.at(clip, None, frames)
    first = scout(clip, frames, look)
    stop = _stop(first, [])
    found, total = find_lights(first, valid=_inside(first.shape, stop), most=NEIGHBOURS)
    warnings: list[str] = []
    marks = _marks(first, lights, found, most)
    if not lights and total > most:
        warnings.append(f"{total} lights were found; the {most} that stand out most were measured. Mark others yourself.")
    if not marks:
        return _none(clip, stop, total)
    mean = mean_picture(clip, frames=frames, anchors=marks[:3], look=look, steady=True, progress=progress, cancelled=cancelled)
    warnings += mean.warnings
    stop = _stop(mean.light, marks)
    valid = _inside(mean.light.shape, stop, MARGIN + _reach(mean))
    inside, _ = find_lights(mean.light, valid=valid, most=NEIGHBOURS)
    if mean.moving:
        # the marks came from the first frames, where the light had already moved
        moved = _marks(mean.light, marks, inside, most, reach=8.0 + _reach(mean))
        marks = moved if lights else _apart(moved)
    light, clipped, joints = joined(mean, stack, marks[0], cancelled)
    alone = camera_alone(camera, camera_light, cancelled) if camera is not None else None
    level = float(np.median(mean.light[valid])) if valid.any() else 0.0
    restless = mean.moving or Flag.GATED in mean.flags
    lost = smoothed_away(clip, look, frames, level)
    blooms = measure.measure_bloom(
        light,
        marks,
        clipped=clipped,
        burnt=(mean.light, mean.clipped) if stack else None,
        valid=valid,
        others=inside,
        camera=alone,
        dark=_dark(mean.light, stop),
        limit=look.limit,
        grain=math.hypot(_grain(clip, level) * (RESTLESS_GRAIN if restless else 1.0), lost),
        frames=mean.frames,
        flags=mean.flags | Flag.ONE_TAKE,
        cancelled=cancelled,
    )
    blooms = tuple(_coded(b, clip, mean, look.limit or 1.0, lost) for b in blooms)
    per_degree = stop.px_per_degree(field_deg) if stop and field_deg else None
    if field_deg and stop is None:
        warnings.append("no field circle was found, so there is no scale: radii are in px only.")
    if not mean.tinted:
        warnings.append(
            "the picture holds several colours: luminance came from subsampled chroma, edges widen by about 0.02 px."
        )
    if mean.banded:
        warnings.append(STANDING)
    warnings += notes_of(blooms, joints)
    return Result(
        command="bloom",
        inputs=tuple(c.info.input_record() for c in (clip, *stack, *([camera] if camera else []))),
        readings=tuple(r for b in blooms for r in (*b.readings, *scaled(b.readings, per_degree, objective_mm))),
        warnings=tuple(warnings),
        extras=_extras(stop, total, per_degree, joints, {b.of: fits_of(b) for b in blooms}),
        plots={b.of: curves(b) for b in blooms},
    )


STANDING = (
    "the light pulses in bands that stand almost still in this clip, so they cannot be told from the scene: intervals allow "
    "for them. Film at another frame rate or shutter."
)


def _extras(
    stop: FieldCircle | None,
    total: int,
    per_degree: float | None = None,
    joints: Sequence[dict[str, Any]] = (),
    fits: dict[str, Any] | None = None,
) -> dict[str, Any]:
    circle = [stop.cx, stop.cy, stop.radius] if stop else None
    return {
        "lights_found": total,
        "field_circle": circle,
        "px_per_degree": per_degree,
        "stack": list(joints),
        "fits": fits or {},
    }


def _grain(clip: ClipReader, level: float) -> float:
    """Return the error that the recording leaves in mean light near `level`.

    Noise dithers code steps, but a part stays; encoders let the dark next to bright light differ by about half a per cent at
    0.3 bits per pixel, more at fewer (tests/benchmarks/bench_bloom.py).
    """
    return math.hypot(0.15 * code_step(clip, level), 0.006 * codec_growth(clip) * level)


def _check(field_deg: float | None, objective_mm: float | None) -> None:
    if field_deg is not None and not 1.0 <= field_deg <= 180.0:
        raise UsageError(f"a field of {field_deg:g} degrees is not possible.", hint="Give the device's full field, such as 40.")
    if objective_mm is not None and not 1.0 <= objective_mm <= 2000.0:
        raise UsageError(f"a focal length of {objective_mm:g} mm is not possible.", hint="Give the objective's, such as 27.")


def _reach(mean: MeanPicture) -> float:
    """How far frames were shifted, px."""
    return float(np.abs(mean.shifts_px).max(initial=0.0))


def _inside(shape: tuple[int, ...], stop: FieldCircle | None, margin: float = MARGIN) -> np.ndarray:
    """Pixels inside the field circle by `margin` px; all of them without a circle."""
    if stop is None:
        return np.ones(shape, bool)
    yy, xx = np.mgrid[: shape[0], : shape[1]]
    return np.asarray(np.hypot(xx - stop.cx, yy - stop.cy) < stop.radius - margin)


def _stop(light: np.ndarray, marks: Sequence[tuple[float, float]]) -> FieldCircle | None:
    """Return the field circle, unless what was found is the halo of a light or holds none of the marks."""
    circle = fit_field_circle(light)
    if circle is None or circle.radius < 0.2 * min(light.shape):
        return None
    for x, y in marks:
        if math.hypot(x - circle.cx, y - circle.cy) < 0.12 * circle.radius and circle.radius < 0.33 * min(light.shape):
            return None
    if marks and all(math.hypot(x - circle.cx, y - circle.cy) > circle.radius for x, y in marks):
        return None
    return circle


def _dark(light: np.ndarray, stop: FieldCircle | None) -> float | None:
    """Light level outside the field, if enough of it is in the picture."""
    if stop is None:
        return None
    yy, xx = np.mgrid[: light.shape[0], : light.shape[1]]
    outside = light[np.hypot(xx - stop.cx, yy - stop.cy) > 1.04 * stop.radius + 10.0]
    return float(np.median(outside)) if outside.size > 400 else None


def _marks(
    light: np.ndarray,
    given: Sequence[tuple[float, float]] | None,
    found: Sequence[PointLight],
    most: int,
    reach: float = 8.0,
) -> list[tuple[float, float]]:
    """Return the places to measure: the marks, moved onto the light they mean, or the strongest lights found."""
    if not given:
        return [spot.centre for spot in found[:most]]
    places: list[tuple[float, float]] = []
    for x, y in given:
        near = [s.centre for s in found if math.hypot(s.x - x, s.y - y) < max(reach, 2.5 * s.size) and s.centre not in places]
        places.append(min(near, key=lambda p: math.dist(p, (x, y))) if near else refine_centre(light, (x, y)))
    return places


def _apart(places: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Leave out places that are another's within 3 px."""
    return [p for i, p in enumerate(places) if all(math.dist(p, q) > 3.0 for q in places[:i])]


NONE_FOUND = "no point light was found. Mark one with --light X,Y, or film a small bright lamp against a dark background."


def _none(clip: ClipReader, stop: FieldCircle | None, total: int) -> Result:
    """Return the refusal of every reading of a first light."""
    readings = tuple(refused(n, "light-1", u, NONE_FOUND, method=measure.METHODS[n]) for n, u in measure.UNITS.items())
    return Result(command="bloom", inputs=(clip.info.input_record(),), readings=readings, extras=_extras(stop, total))


def _coded(bloom: measure.LightBloom, clip: ClipReader, mean: MeanPicture, limit: float, lost: float) -> measure.LightBloom:
    """Return a light whose intervals allow for the codec, and for bands that may be left in the mean picture.

    `lost` is by how much the dark may read low (`smoothed_away`).
    """
    x, y = round(bloom.centre[0]), round(bloom.centre[1])
    part = mean.light[max(0, y - 2) : y + 3, max(0, x - 2) : x + 3]
    peak = float(part.max()) / limit if part.size else 0.0
    restless = mean.moving or Flag.GATED in mean.flags
    smooth = bloom.kind != "disc"
    readings = [_with_lost(_with_codec(r, clip, peak, restless, smooth), bloom, lost) for r in bloom.readings]
    return replace(bloom, readings=tuple(_with_bands(r, bloom, mean.banded) for r in readings))


def _with_codec(reading: Reading, clip: ClipReader, peak: float, restless: bool, smooth: bool) -> Reading:
    """Allow for what the codec does to a fitted edge or `smooth` glow and to a burnt core; `peak` is its light over the limit.

    The shares are those that make intervals cover through encodes at 0.02 to 1.5 bits per pixel
    (tests/benchmarks/bench_bloom.py).  A core without clipping may have lost its top to the encoder.
    """
    growth = codec_growth(clip)
    if reading.name in ("veil_at_edge", "bloom_radius") or not growth:
        return reading
    if reading.name != "core_radius":
        share = RESTLESS_SHARE if restless else SHARES.get(reading.name, HALO_SHARE)
        return allowed(reading, share * max(codec_sigma(clip), SMOOTH_SIGMA * growth if smooth else 0.0))
    if reading.value == 0.0:
        return replace(reading, high=1.0) if peak > 0.4 else reading
    return allowed(reading, CORE_ERROR * growth)


def _with_lost(reading: Reading, bloom: measure.LightBloom, lost: float) -> Reading:
    """Allow for dark that reads low by `lost` round a smooth glow, which then looks wider."""
    height = float(bloom.glow.max(initial=0.0))
    if reading.name != "half_radius" or reading.value is None or bloom.kind == "disc" or height <= 0.0:
        return reading
    return allowed(reading, WIDENED * reading.value * lost / height)


def _with_bands(reading: Reading, bloom: measure.LightBloom, banded: float) -> Reading:
    """Allow for bands of the rms share `banded` left in the mean picture: they pull centres and radii, by the size."""
    size = bloom.reading("half_radius").value
    if not banded or size is None or reading.name in ("core_radius", "veil_at_edge"):
        return reading
    return allowed(reading, banded * size * (1.0 if reading.name.startswith("centre") else 0.3))


__all__ = ["measure_bloom"]

"""What is in a file: streams, tags, true timing, oddities, assumptions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

from viewer.errors import FileError
from viewer.media import ClipReader, LightChoice, open_clip
from viewer.media.describe import counted, public_metadata
from viewer.media.evidence import DEFAULT_BUDGET_PX, Evidence, examine
from viewer.media.hardware import display_device
from viewer.tasks.document import Result

Progress = Callable[[int, int], None] | None
Cancelled = Callable[[], bool] | None


RULE = "each: your choice, else the tag in the file, else assumed as listed below"


@dataclass(frozen=True)
class Probed:
    """The result document, and the files that could not be read with the line that says why."""

    result: Result
    failed: tuple[tuple[Path, str], ...]


def probe_clips(
    paths: Sequence[Path],
    *,
    light: LightChoice | None = None,
    budget_px: int = DEFAULT_BUDGET_PX,
    progress: Progress = None,
    cancelled: Cancelled = None,
) -> Probed:
    """Look into files; one that cannot be read does not stop the others.

    Parameters
    ----------
    paths : sequence of Path
    light : LightChoice, optional
        What the user overrules.
    budget_px : int, optional
        How many px of pictures are decoded per file to look for damage and repeats; 0: none.

    Returns
    -------
    Probed
        The document's extra ``clips`` maps each file's name (its path, if two share a name) to its record.
    """
    inputs: list[dict[str, Any]] = []
    clips: dict[str, Any] = {}
    failed: list[tuple[Path, str]] = []
    warnings: list[str] = []
    names = [path.name for path in paths]
    for path in paths:
        label = path.name if names.count(path.name) == 1 else str(path)
        try:
            with open_clip(path, light=light, cancelled=cancelled) as clip:
                evidence = examine(clip, budget_px=budget_px, progress=progress, cancelled=cancelled)
                inputs.append(clip.info.input_record())
                clips[label] = clip_record(clip, evidence)
        except FileError as error:
            failed.append((path, str(error)))
            warnings.append(str(error))
            clips[label] = {"file": path.name, "readable": False, "reason": str(error)}
    result = Result(command="probe", inputs=tuple(inputs), warnings=tuple(warnings), extras={"clips": clips})
    return Probed(result, tuple(failed))


def probe_clip(clip: ClipReader, *, progress: Progress = None, cancelled: Cancelled = None) -> Result:
    """Return the result document of one open clip."""
    evidence = examine(clip, progress=progress, cancelled=cancelled)
    extras = {"clips": {clip.info.path.name: clip_record(clip, evidence)}}
    return Result(command="probe", inputs=(clip.info.input_record(),), extras=extras)


def clip_record(clip: ClipReader, evidence: Evidence) -> dict[str, Any]:
    """Return everything known of a clip as plain data; places and serial numbers are left out."""
    info, index = clip.info, clip.index
    shown, hidden = public_metadata(info.metadata)
    levels = clip.clip_levels()
    return {
        "file": info.path.name,
        "readable": True,
        "container": info.container,
        "size_bytes": info.size_bytes,
        "sha256": info.sha256,
        "streams": [dict(stream) for stream in info.streams],
        "picture": {
            "width": info.width,
            "height": info.height,
            "rotation_deg": info.rotation,
            "mirrored": info.mirrored,
            "pixel_aspect": _ratio(info.pixel_aspect),
            "interlaced": info.interlaced,
            "codec": info.codec,
            "pixel_format": info.pixel_format,
            "chroma": info.chroma,
            "chroma_siting": info.siting,
            "bit_depth": info.bit_depth,
            "bits_per_pixel": info.bits_per_pixel,
        },
        "light": {
            "transfer": info.transfer,
            "range": info.range,
            "matrix": info.matrix,
            "primaries": info.primaries,
            "tags_h273": dict(zip(("transfer", "range", "matrix", "primaries"), info.tags, strict=True)),
            "clip_levels": dict(zip(("red", "green", "blue"), levels.as_tuple(), strict=True)),
            "clip_levels_from": list(levels.source),
            "rule": RULE,
            "decoding": _decoding(info.codec),
        },
        "timing": {
            "frames": len(index),
            "packets": index.packets,
            "header_frames": index.header_frames,
            "time_base": _ratio(index.time_base),
            "start_s": info.start_s,
            "end_s": info.end_s,
            "duration_s": info.end_s - info.start_s,
            "rate": _ratio(info.average_rate),
            "interval_ms": 1000 * index.interval_s,
            "variable_rate": index.variable_rate,
            "gaps": [{"after": n, "pause_ms": 1000 * s} for n, s in index.gaps[:100]],
            "key_frames": int(index.key.sum()),
            "capture_rate": _ratio(info.capture_rate) if info.capture_rate else None,
            "timestamps": "made from the frame rate" if index.counted else "from the file",
        },
        "examined": evidence.to_json(),
        "assumed": list(info.assumed),
        "oddities": [*info.warnings, *evidence.words()],
        "reencoded": list(info.reencoded),
        "has_sound": info.has_sound,
        "metadata": shown,
        "metadata_withheld": hidden,
    }


def _decoding(codec: str) -> str:
    device = display_device(codec)
    looking = f"a hardware decoder ({device}) answers for looking only" if device else "no hardware decoder answers here"
    return f"software; {looking}"


def _ratio(value: Fraction) -> str:
    return f"{value.numerator}/{value.denominator}"


def describe_record(record: dict[str, Any]) -> list[str]:
    """Return a record as lines for reading."""
    picture, light, timing = record["picture"], record["light"], record["timing"]
    examined = record["examined"]
    rate, one = Fraction(timing["rate"]), timing["frames"] == 1
    turn = f", turned {picture['rotation_deg']} deg" if picture["rotation_deg"] else ""
    turn += ", mirrored" if picture["mirrored"] else ""
    lines = [
        record["file"],
        f"  picture    {picture['width']} x {picture['height']} px{turn}, {picture['codec']} {picture['pixel_format']}"
        f" ({picture['bit_depth']} bit, 4:{picture['chroma'][1]}:{picture['chroma'][2]})"
        if picture["chroma"] not in ("rgb", "400")
        else f"  picture    {picture['width']} x {picture['height']} px{turn}, {picture['codec']} {picture['pixel_format']}"
        f" ({picture['bit_depth']} bit)",
        "  timing     one picture"
        if one
        else f"  timing     {timing['frames']} pictures, {timing['start_s']:.4f} to {timing['end_s']:.4f} s,"
        f" {float(rate):.4f} per s" + (" on average (varies)" if timing["variable_rate"] else ""),
        f"  light      transfer {light['transfer']}, range {light['range']}, matrix {light['matrix']},"
        f" primaries {light['primaries']}",
        f"             ({light['rule']})",
        f"  sound      {'yes' if record['has_sound'] else 'none'}",
        f"  examined   {counted(examined['frames'], 'picture')} decoded"
        f"{'' if examined['whole'] else ' (not the whole clip; --thorough decodes all)'},"
        f" {counted(examined['repeated'], 'repeat')}, {examined['damaged']} damaged",
    ]
    lines += [f"  assumed    {text}" for text in record["assumed"]]
    lines += [f"  note       {text}" for text in record["oddities"]]
    lines += [f"  re-encoded {text}" for text in record["reencoded"]]
    if record["metadata_withheld"]:
        lines.append(f"  private    {record['metadata_withheld']} metadata entries (place, serial number ...) are not shown")
    return lines


__all__ = ["Probed", "clip_record", "describe_record", "probe_clip", "probe_clips"]

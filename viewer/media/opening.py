"""What a clip is, from its first picture, its index and what its file says."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from viewer.errors import MediaError
from viewer.media import describe, planes
from viewer.media.clipping import ClipLevels
from viewer.media.decoder import Decoder
from viewer.media.frame import Setting, weights_of
from viewer.media.info import ClipInfo
from viewer.media.linearise import Linearise
from viewer.media.parts import Joined
from viewer.media.source import rational, translated
from viewer.media.tags import LightChoice, resolve

TILED = {"heic", "heix", "heim", "heis", "mif1", "avif"}


def describe_clip(
    decoder: Decoder,
    picture: Any,
    joined: Joined,
    sha256: str,
    paths: tuple[Path, ...],
    find_levels: Callable[[], ClipLevels],
    light: LightChoice | None,
) -> tuple[ClipInfo, Setting]:
    """Return what is known of a clip and what its pictures share, from its first picture and its index.

    Raises
    ------
    MediaError
        If its pixels cannot be measured, or it is only a tile of a larger picture.
    """
    path, index = decoder.path, joined.index
    still = decoder.container.format.name.endswith("_pipe")
    with translated(path):
        codec = decoder.context.codec.canonical_name
        layout = planes.layout_of(picture.format, where=path.name)
        if still:
            orientation, oddity = describe.exif_orientation(path), None
        else:
            orientation, oddity = describe.orientation_of(picture, codec)
        width, height = orientation.upright_size(picture.width, picture.height)
        tags = describe.tags_of(picture)
        spec = resolve(
            tags,
            width=picture.width,
            height=picture.height,
            bits=layout.bits,
            rgb=layout.kind == "rgb",
            jpeg=picture.format.name.startswith("yuvj"),
            still=still,
            grey=layout.kind == "grey",
            choice=light,
        )
        lines = describe.stream_lines(decoder.container)
        siting, guess = describe.siting_of(lines.get(decoder.stream.index, ""), codec, layout.step_y)
        metadata = describe.metadata_of(decoder.container, decoder.stream)
        _refuse_tiles(decoder, metadata)
        rate = describe.nominal_rate(
            Fraction(0) if index.gaps else index.average_rate, index.header_rate, len(index), float(index.time_base)
        )
        rate = index.average_rate if index.gaps or not rate else rate
        aspect = rational(decoder.stream.sample_aspect_ratio) or rational(decoder.context.sample_aspect_ratio)
        interlaced = bool(picture.interlaced_frame)
        bits_per_pixel = index.bytes_total * 8 / max(1, len(index) * width * height)
        setting = Setting(
            layout=layout,
            spec=spec,
            siting=siting,
            orientation=orientation,
            width=width,
            height=height,
            linearise=Linearise(spec, weights_of(spec)),
            find_levels=find_levels,
            weights=weights_of(spec),
            top_first=int(decoder.context.field_order) not in (3, 4),
            name=path.name,
        )
        info = ClipInfo(
            path=path,
            sha256=sha256,
            width=width,
            height=height,
            frames=len(index),
            average_rate=rate,
            transfer=spec.transfer,
            range=spec.range,
            matrix=spec.matrix,
            primaries=spec.primaries,
            bit_depth=layout.bits,
            codec=codec,
            pixel_format=picture.format.name,
            chroma=layout.chroma,
            siting=siting,
            rotation=orientation.rotation_deg,
            mirrored=orientation.mirrored,
            pixel_aspect=(1 / aspect if orientation.transpose else aspect) if aspect else Fraction(1),
            interlaced=interlaced,
            capture_rate=describe.capture_rate_of(metadata, rate),
            bits_per_pixel=bits_per_pixel,
            reencoded=describe.reencoded_signs(metadata, codec, bits_per_pixel),
            has_sound=any(s.codec_context is not None and s.codec_context.sample_rate for s in decoder.container.streams.audio),
            start_s=float(index.times_s[0]),
            end_s=index.end_s,
            container=decoder.container.format.name,
            size_bytes=sum(part.stat().st_size for part in paths),
            parts=paths,
            metadata=metadata,
            tags=(tags.transfer, tags.range, tags.matrix, tags.primaries),
            streams=describe.streams_of(decoder.container, lines),
        )
    assumed = [*spec.assumed, *joined.assumed]
    if guess and layout.chroma in ("420", "422", "411", "410", "440"):
        assumed.append(guess)
    warnings = [*spec.warnings, *joined.warnings, *index.notes, *describe.oddities(info, index)]
    if oddity:
        warnings.append(oddity)
    return replace(info, assumed=tuple(assumed), warnings=tuple(warnings)), setting


def _refuse_tiles(decoder: Decoder, metadata: Mapping[str, str]) -> None:
    """Refuse photographs that are stored as tiles (HEIF): one tile would pass for the picture."""
    tiles = len(decoder.container.streams.video)
    if metadata.get("major_brand", "").strip() in TILED and tiles > 1:
        raise MediaError(
            f"is a photograph in {tiles} parts, which are not joined here.",
            where=decoder.path.name,
            hint="Export it as PNG or JPEG.",
        )


__all__ = ["describe_clip"]

"""What a written picture or video tells besides its pixels, read back from the file: so that nothing private leaves unseen."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from viewer.errors import PublishError

# What products may hold.  Anything else would be private until somebody decides that it is not.
ALLOWED = frozenset({"Title", "Description", "Software", "ICC profile", "comment"})
# What formats hold about their own structure.
_STRUCTURE = frozenset(
    {
        # PNG and its animation
        "loop", "duration", "disposal", "blend", "default_image", "bbox", "timestamp", "gamma", "srgb",
        # WebP and its animation
        "background", "exif",
        # JFIF
        "jfif", "jfif_version", "jfif_unit", "jfif_density", "progressive", "progression", "dpi",
        # TIFF
        "compression", "ImageWidth", "ImageLength", "BitsPerSample", "Compression", "PhotometricInterpretation",
        "StripOffsets", "SamplesPerPixel", "RowsPerStrip", "StripByteCounts", "PlanarConfiguration", "SampleFormat",
        "resolution", "XResolution", "YResolution", "ResolutionUnit", "Predictor", "Orientation", "NewSubfileType",
        # MP4 and Matroska
        "major_brand", "minor_version", "compatible_brands", "encoder", "handler_name", "language", "vendor_id", "ENCODER",
        "DURATION",
    }
)  # fmt: skip
_NAMES = {"ImageDescription": "Description", "icc_profile": "ICC profile", "ICCProfile": "ICC profile"}
PICTURES = (".png", ".jpg", ".jpeg", ".tif", ".tiff", ".webp")
VIDEOS = (".mp4", ".mov", ".mkv")


def words_in(path: Path) -> dict[str, str]:
    """Return the words in a picture or video, key -> text; structure of the format is left out.

    Raises
    ------
    PublishError
        If the file cannot be read or is of another kind.
    """
    ending = path.suffix.lower()
    try:
        if ending in PICTURES:
            found = list(_of_picture(path))
        elif ending in VIDEOS:
            found = list(_of_video(path))
        else:
            raise PublishError("neither picture nor video.", where=path.name, hint=f"Name a {', '.join(PICTURES + VIDEOS)}.")
    except (OSError, ValueError) as error:
        raise PublishError(f"cannot be read ({error}).", where=str(path), hint="Check the name.") from error
    return {_NAMES.get(key, key): text for key, text in found if key not in _STRUCTURE}


def unexpected(path: Path) -> list[str]:
    """Return the keys in a file that no product should hold; an empty list is as it should be."""
    return sorted(key for key in words_in(path) if key not in ALLOWED)


def _of_picture(path: Path) -> Iterator[tuple[str, str]]:
    from PIL import ExifTags, Image, TiffTags

    with Image.open(path) as image:
        tags = dict(getattr(image, "tag_v2", {}))
        for number, value in tags.items():
            name = TiffTags.lookup(number).name
            yield (name, f"{len(value)} bytes") if isinstance(value, bytes) else (name, str(value))
        if not tags:
            for number, value in image.getexif().items():
                yield ExifTags.TAGS.get(number, f"tag {number}"), str(value)
        for key, value in image.info.items():
            if tags and key == "icc_profile":
                continue
            if isinstance(value, bytes) and key != "icc_profile":
                yield str(key), value.decode("utf-8", "replace")
            else:
                yield str(key), f"{len(value)} bytes" if isinstance(value, bytes) else str(value)


def _of_video(path: Path) -> Iterator[tuple[str, str]]:
    import av

    try:
        with av.open(str(path)) as container:
            yield from container.metadata.items()
            for stream in container.streams:
                yield from stream.metadata.items()
    except av.error.FFmpegError as error:
        raise PublishError(f"cannot be read ({error.strerror}).", where=path.name, hint="Check the name.") from error


__all__ = ["ALLOWED", "PICTURES", "VIDEOS", "unexpected", "words_in"]

"""Building the frame index from packets, and from a decoding pass where packets leave doubt."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from viewer.errors import Cancelled as Stopped
from viewer.errors import MediaError
from viewer.media.decoder import PACKET_ERRORS, Decoder, default_threads
from viewer.media.index import Cancelled, FrameIndex, Progress
from viewer.media.source import MAX_DURATION_S, MAX_PACKETS, open_container, rational, translated, video_stream
from viewer.media.watch import beat

INTRA_ONLY = {
    "mjpeg",
    "cinepak",
    "rawvideo",
    "ffv1",
    "huffyuv",
    "ffvhuff",
    "utvideo",
    "prores",
    "dvvideo",
    "png",
    "qtrle",
    "dnxhd",
}
HIDDEN_PICTURES = {"vp8", "vp9", "av1"}


@dataclass
class PacketList:
    """Every packet of the video stream, in file order."""

    time_base: Fraction
    rate: Fraction | None
    codec: str
    container: str
    fields: bool
    pts: list[int | None] = field(default_factory=list)
    durations: list[int] = field(default_factory=list)
    key: list[bool] = field(default_factory=list)
    discard: list[bool] = field(default_factory=list)
    size: int = 0
    broken: bool = False
    header_frames: int = 0
    reorders: bool = False


def read_packets(path: Path, *, cancelled: Cancelled = None) -> PacketList:
    """Read every packet's timestamps once; nothing is decoded.

    Raises
    ------
    MediaError
        If the file cannot be opened, or claims an absurd number of packets or length.
    """
    container = open_container(path)
    try:
        stream = video_stream(container, path)
        with translated(path):
            context = stream.codec_context
            found = PacketList(
                header_frames=int(stream.frames or 0),
                reorders=context.name not in INTRA_ONLY,
                time_base=rational(stream.time_base) or Fraction(1, 1000),
                rate=rational(stream.average_rate) or rational(stream.guessed_rate),
                codec=context.codec.canonical_name,
                container=container.format.name,
                # Fields may come as packets of their own only where packets are cut by a parser.
                fields=int(context.field_order) > 1
                and container.format.name in ("mpegts", "mpeg", "h264", "hevc", "mpegvideo"),
            )
            _read(container, stream, found, path, cancelled)
    finally:
        container.close()
    return found


def _read(container: object, stream: object, found: PacketList, path: Path, cancelled: Cancelled) -> None:
    try:
        for packet in container.demux(stream):  # type: ignore[attr-defined]
            if packet.size == 0:
                continue
            if not found.pts and packet.has_sidedata("encryption_info"):
                raise MediaError("is encrypted.", where=path.name, hint="Use the camera's own, unprotected file.")
            found.broken |= packet.is_corrupt
            found.pts.append(packet.pts)
            found.durations.append(packet.duration or 0)
            found.key.append(packet.is_keyframe)
            found.discard.append(packet.is_discard)
            found.size += packet.size
            if len(found.pts) > MAX_PACKETS:
                raise MediaError(f"holds more than {MAX_PACKETS} packets.", where=path.name, hint="Cut the clip into parts.")
            if len(found.pts) % 1024 == 0:
                beat()
                if cancelled is not None and cancelled():
                    raise Stopped()
    except PACKET_ERRORS:
        found.broken = True


def build_index(path: Path, *, progress: Progress = None, cancelled: Cancelled = None) -> FrameIndex:
    """Return the frame index of one file.

    Raises
    ------
    MediaError
        If the file holds no picture that decodes, is encrypted, or claims absurd numbers.
    """
    packets = read_packets(path, cancelled=cancelled)
    if not packets.pts:
        raise MediaError("holds no pictures.", where=path.name, hint="The file is damaged or was cut off.")
    doubts = doubts_of(packets)
    if doubts:
        return _by_decoding(path, packets, doubts, progress, cancelled)
    return _by_packets(path, packets)


def doubts_of(packets: PacketList) -> tuple[str, ...]:
    """Return why the packets alone do not settle which pictures come out; empty if they do."""
    pts = packets.pts
    doubts = []
    if any(value is None for value in pts):
        doubts.append("packets without timestamps")
    known = [value for value, gone in zip(pts, packets.discard) if value is not None and not gone]
    if len(set(known)) < len(known):
        doubts.append("packets with equal timestamps")
    if packets.container == "avi" and packets.reorders:
        doubts.append("AVI tells no presentation times")
    if packets.codec in HIDDEN_PICTURES and packets.container.startswith(("ivf", "obu")):
        doubts.append("hidden pictures")
    if packets.fields:
        doubts.append("interlaced material")
    if packets.broken:
        doubts.append("the file breaks off")
    if not packets.key[0]:
        doubts.append("the first packet is no key picture")
    elif known and pts[0] is not None and min(known) < pts[0]:
        doubts.append("pictures shown before the first key picture")
    return tuple(doubts)


def _by_packets(path: Path, packets: PacketList) -> FrameIndex:
    gone = np.array(packets.discard, dtype=bool)
    all_pts = np.array(packets.pts, dtype=np.int64)
    key = np.array(packets.key, dtype=bool)
    durations = np.array(packets.durations, dtype=np.int64)
    order = np.argsort(all_pts[~gone], kind="stable")
    pts = all_pts[~gone][order]
    notes: tuple[str, ...] = ()
    if gone.any():
        notes = (f"an edit list hides {int(gone.sum())} {'picture' if gone.sum() == 1 else 'pictures'}",)
    return finish(
        path, packets, pts, durations[~gone][order], key[~gone][order], np.unique(all_pts[key]), decoded=False, notes=notes
    )


def _by_decoding(
    path: Path, packets: PacketList, doubts: tuple[str, ...], progress: Progress, cancelled: Cancelled
) -> FrameIndex:
    decoder = Decoder(path, threads=default_threads(), hold=True)
    times: list[int | None] = []
    bad: list[bool] = []
    keys: list[bool] = []
    try:
        for picture, damaged in decoder.run():
            times.append(picture.pts)
            bad.append(damaged)
            keys.append(bool(picture.key_frame))
            if len(times) % 64 == 0:
                if progress is not None:
                    progress(len(times), len(packets.pts))
                if cancelled is not None and cancelled():
                    raise Stopped()
    finally:
        decoder.close()
    if not times:
        raise MediaError(
            "holds no picture that decodes.", where=path.name, hint="The file is damaged, encrypted, or was cut off."
        )
    note = f"the list of pictures was made by decoding: {', '.join(doubts)}"
    known = [value for value in times if value is not None]
    rising = len(known) == len(times) and all(a < b for a, b in itertools.pairwise(known))
    if rising:
        pts = np.array(known, dtype=np.int64)
        key_pts = np.unique([p for p, k in zip(packets.pts, packets.key) if k and p is not None]).astype(np.int64)
        return finish(
            path, packets, pts, np.zeros(len(pts), np.int64), np.array(keys), key_pts, decoded=True, notes=(note,),
            damaged=np.array(bad), plain=False,
        )  # fmt: skip
    return _counted(path, packets, keys, bad, note)


def _counted(path: Path, packets: PacketList, keys: list[bool], bad: list[bool], note: str) -> FrameIndex:
    """Make an even time line for pictures whose own timestamps are missing or repeat."""
    rate = packets.rate if packets.rate and 0 < packets.rate <= 100_000 else Fraction(25)
    step = Fraction(1) / rate
    base = Fraction(1, step.denominator)
    pts = np.arange(len(bad), dtype=np.int64) * step.numerator
    notes = (note, f"the file has no usable timestamps; pictures were spaced evenly at {rate} per s")
    return FrameIndex(
        pts=pts,
        durations=np.full(len(bad), step.numerator, dtype=np.int64),
        key=np.array(keys, dtype=bool),
        damaged=np.array(bad, dtype=bool),
        time_base=base,
        counted=True,
        decoded=True,
        notes=notes,
        plain=False,
        packets=len(packets.pts),
        bytes_total=packets.size,
        header_frames=packets.header_frames,
        header_rate=packets.rate,
    )


def finish(
    path: Path,
    packets: PacketList,
    pts: NDArray[np.int64],
    durations: NDArray[np.int64],
    key: NDArray[np.bool_],
    key_pts: NDArray[np.int64],
    *,
    decoded: bool,
    notes: tuple[str, ...],
    damaged: NDArray[np.bool_] | None = None,
    plain: bool = True,
) -> FrameIndex:
    """Complete the index: durations from the timestamps themselves, bounds on the length."""
    if not len(pts):
        raise MediaError("holds no pictures that are shown.", where=path.name, hint="Its edit list hides them all.")
    lengths = np.diff(pts)
    usual = int(np.median(lengths)) if len(lengths) else 0
    last = int(durations[-1]) or usual
    if not last and packets.rate:
        last = max(1, round(1 / packets.rate / packets.time_base))
    full = np.append(lengths, last).astype(np.int64)
    span = float((int(pts[-1]) - int(pts[0])) * packets.time_base)
    if span > MAX_DURATION_S:
        raise MediaError(f"claims to last {span:.0f} s.", where=path.name, hint="Its timestamps are damaged.")
    return FrameIndex(
        pts=pts,
        durations=full,
        key=key,
        damaged=np.zeros(len(pts), dtype=bool) if damaged is None else damaged.astype(bool),
        time_base=packets.time_base,
        decoded=decoded,
        notes=notes,
        key_pts=key_pts,
        plain=plain,
        packets=len(packets.pts),
        bytes_total=packets.size,
        header_frames=packets.header_frames,
        header_rate=packets.rate,
    )


__all__ = ["PacketList", "build_index", "doubts_of", "read_packets"]

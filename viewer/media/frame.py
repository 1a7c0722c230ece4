"""One exact picture: native codes, linear light with its clip mask, and a view for the screen."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from viewer.errors import UsageError
from viewer.media import planes
from viewer.media.clipping import ClipLevels, grown
from viewer.media.geometry import Orientation, as_box
from viewer.media.light import LUMINANCE_WEIGHTS
from viewer.media.linearise import Linearise
from viewer.media.tags import LightSpec

if TYPE_CHECKING:
    from viewer.media.display import Screen
    from viewer.media.tint import Tint

Indexes = tuple[NDArray[np.uint16], ...]
BIDIRECTIONAL = 3  # as the media library numbers types of pictures
STRIP_PIXELS = 131_072


@dataclass(frozen=True)
class Light:
    """Scene-linear light of a rectangle.

    Parameters
    ----------
    light : ndarray of shape (h, w) or (h, w, 3), float32
        Relative to nominal white; not clipped to 0..1, so noise about black keeps its mean.
    clipped : ndarray of shape (h, w), bool
        Pixels of which at least one channel is at the limit of the recording: their light is not known.
    """

    light: NDArray[np.float32]
    clipped: NDArray[np.bool_]


@dataclass(frozen=True)
class Setting:
    """What all pictures of a clip share."""

    layout: planes.Layout
    spec: LightSpec
    siting: str
    orientation: Orientation
    width: int
    height: int
    linearise: Linearise
    find_levels: Callable[[], ClipLevels]
    weights: tuple[float, float, float]
    top_first: bool = True
    name: str = ""

    @property
    def levels(self) -> ClipLevels:
        """Signal above which pixels count as clipped; found at the first use."""
        return self.find_levels()


class Masks(NamedTuple):
    """Of some rows of a box, from row `top` on: which pixels are surely clipped, and which are if they touch one that is.

    None stands for no pixel at all.
    """

    top: int
    sure: NDArray[np.bool_] | None
    maybe: NDArray[np.bool_] | None


def clip_mask(parts: Sequence[Masks], shape: tuple[int, int]) -> NDArray[np.bool_]:
    """Return the clip mask of a box of this shape."""
    sure = np.zeros(shape, dtype=bool)
    if all(part.sure is None for part in parts):
        return sure
    maybe = np.zeros(shape, dtype=bool)
    for part in parts:
        for rows, whole in ((part.sure, sure), (part.maybe, maybe)):
            if rows is not None:
                whole[part.top : part.top + len(rows)] = rows
    return grown(sure, maybe)


class Frame:
    """A decoded picture; it holds its own pixels and stays valid while it is kept.

    Attributes
    ----------
    number : int
        Place in the clip, from 0.
    pts : int
        Presentation timestamp in the clip's time base.
    time_s : float
        The same in seconds.
    damaged : bool
        Whether it may hold errors of a damaged file.
    for_looking : bool
        Decoded by hardware: `display` alone works, whatever measures is refused.
    """

    __slots__ = ("_fields", "_native", "_picture", "_setting", "damaged", "for_looking", "number", "pts", "time_s")

    def __init__(
        self, picture: Any, number: int, pts: int, time_base: Fraction, setting: Setting, *, damaged: bool = False
    ) -> None:
        self.number, self.pts, self.time_s = number, pts, float(pts * time_base)
        self.damaged, self.for_looking = damaged, False
        self._picture, self._setting = picture, setting
        self._native: Any = None
        self._fields: dict[int, NDArray[Any]] = {}

    @property
    def width(self) -> int:
        """Upright width in px."""
        return self._setting.width

    @property
    def height(self) -> int:
        """Upright height in px."""
        return self._setting.height

    @property
    def bidirectional(self) -> bool:
        """Whether it was predicted from pictures before and after it (a B picture); these are quantised most coarsely."""
        return int(getattr(self._picture, "pict_type", 0) or 0) == BIDIRECTIONAL

    @property
    def setting(self) -> Setting:
        """What all pictures of the clip share: layout, light, orientation, clip levels."""
        return self._setting

    @property
    def picture(self) -> Any:
        """The media library's own frame."""
        return self._picture

    def native(self) -> Any:
        """Return the picture in a planar format that holds the same samples."""
        if self._native is None:
            name = self._picture.format.name
            same = planes.SAME_SAMPLES.get(name)
            self._native = self._picture if same is None else self._picture.reformat(format=same)
        return self._native

    def plane(self, index: int) -> NDArray[Any]:
        """Return a native plane as stored (not turned): uint8 or uint16 codes, (rows, cols).

        Of interlaced pictures only the first field counts: one instant.  The lines between are its neighbours' mean.
        """
        known = self._fields.get(index)
        if known is not None:
            return known
        if self.for_looking:
            raise UsageError("a picture of a hardware decoder cannot be measured.", where=self._setting.name)
        plane = planes.plane_array(self.native(), index, self._setting.layout.bits)
        if self._picture.interlaced_frame:
            plane = planes.one_field(plane, first=0 if self._setting.top_first else 1)
        self._fields[index] = plane
        return plane

    def luma(self, rect: Any = None) -> NDArray[Any]:
        """Return native luma codes of a rectangle, upright; of RGB-coded clips the green codes."""
        return self._setting.orientation.apply(self.stored_luma(rect))

    def stored_luma(self, rect: Any = None) -> NDArray[Any]:
        """Return native luma codes of an upright rectangle as stored, not turned."""
        x, y, w, h = self._stored(rect)
        return self.plane(0)[y : y + h, x : x + w]

    def signal(self, rect: Any = None) -> NDArray[np.float32]:
        """Return R'G'B' of a rectangle, upright, (h, w, 3), unclipped; one channel for grey clips."""
        signal = self._setting.linearise.signal(self._indexes(self._stored(rect)))
        return np.ascontiguousarray(self._setting.orientation.apply(signal))

    def rgb(self, rect: Any = None) -> Light:
        """Return linear R, G, B of a rectangle, (h, w, 3)."""
        light, clipped = self._joined(self._stored(rect), self._setting.linearise.light, 3)
        turn = self._setting.orientation.apply
        return Light(np.ascontiguousarray(turn(light)), np.ascontiguousarray(turn(clipped)))

    def luminance(self, rect: Any = None, *, tint: Tint | None = None) -> Light:
        """Return linear luminance of a rectangle.

        Parameters
        ----------
        rect : (x, y, w, h) or object with x, y, w, h, optional
            Upright px; the whole picture if left out.
        tint : Tint, optional
            Model of a single-colour picture: luminance then follows from luma alone, at full resolution.

        Returns
        -------
        Light
            (h, w).

        Raises
        ------
        RegionError
            If the rectangle reaches outside.
        """
        if tint is not None:
            return tint.luminance(self, rect)
        mixed, clipped = self.stored_luminance(rect)
        turn = self._setting.orientation.apply
        return Light(np.ascontiguousarray(turn(mixed)), np.ascontiguousarray(turn(clipped)))

    def stored_luminance(self, rect: Any = None) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
        """Return luminance and clip mask of an upright rectangle as stored, not turned."""
        return self._joined(self._stored(rect), self._setting.linearise.luminance, 1)

    def stored_strips(self, rect: Any = None) -> Iterator[tuple[NDArray[np.float32], Masks]]:
        """Yield luminance and masks of an upright rectangle as stored, in strips from the top that stay in the cache."""
        return self._strips(self._stored(rect), self._setting.linearise.luminance)

    def _strips(
        self, box: tuple[int, int, int, int], convert: Callable[[Indexes], NDArray[np.float32]]
    ) -> Iterator[tuple[NDArray[np.float32], Masks]]:
        x, y, w, h = box
        step = max(8, STRIP_PIXELS // w)
        for top in range(0, h, step):
            indexes = self._indexes((x, y + top, w, min(step, h - top)))
            yield convert(indexes), Masks(top, *self._setting.levels.masks_of(indexes))

    def _joined(
        self, box: tuple[int, int, int, int], convert: Callable[[Indexes], NDArray[np.float32]], channels: int
    ) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
        """Convert a stored box; return light and clip mask."""
        _, _, w, h = box
        out: NDArray[np.float32] | None = None
        masks = []
        for light, part in self._strips(box, convert):
            masks.append(part)
            if len(light) == h:
                return light, clip_mask(masks, (h, w))
            if out is None:
                out = np.empty((h, w) if channels == 1 else (h, w, channels), dtype=np.float32)
            out[part.top : part.top + len(light)] = light
        assert out is not None
        return out, clip_mask(masks, (h, w))

    def display(self, width: int | None = None, height: int | None = None, *, fast: bool = False) -> NDArray[np.uint8]:
        """Return the picture for a screen, (h, w, 4) uint8 in the order B, G, R, A; made for looking, not for measuring.

        `fast` applies the tone curve of HLG and PQ channel by channel; SDR clips are the same either way.
        """
        return screen_of(self._setting).render(self._picture, width, height, fast=fast)

    def _stored(self, rect: Any) -> tuple[int, int, int, int]:
        s = self._setting
        box = as_box(rect, s.width, s.height, where=s.name)
        return s.orientation.stored_box(box, s.width, s.height)

    def _indexes(self, box: tuple[int, int, int, int]) -> tuple[NDArray[np.uint16], ...]:
        """Return table indexes of R', G', B' (of grey clips: of Y') of a stored box."""
        x, y, w, h = box
        s = self._setting
        layout = s.layout
        first = self.plane(0)[y : y + h, x : x + w]
        if layout.kind == "grey":
            return (s.linearise.of_one(first),)
        if layout.kind == "rgb":
            others = [self.plane(n)[y : y + h, x : x + w] for n in (2, 1)]
            return s.linearise.of_one(others[0]), s.linearise.of_one(first), s.linearise.of_one(others[1])
        both = (self.plane(1), self.plane(2))
        blue, red = planes.upsample_all(both, box, layout.step_x, layout.step_y, s.siting, s.linearise.chroma)
        return s.linearise.of_ycc(first, blue, red)


def weights_of(spec: LightSpec) -> tuple[float, float, float]:
    """Return the share of linear R, G, B in luminance."""
    return LUMINANCE_WEIGHTS.get(spec.primaries, LUMINANCE_WEIGHTS["bt709"])


def screen_of(setting: Setting) -> Screen:
    """Return the renderer for a clip's pictures."""
    from viewer.media.display import Screen

    return Screen(setting)


__all__ = ["Frame", "Light", "Masks", "Setting", "clip_mask", "weights_of"]

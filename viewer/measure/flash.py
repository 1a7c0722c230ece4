"""Flash risk of a finished picture sequence, by the rules of WCAG 2.x and, for HDR, of ITU-R BT.1702.

The sequence comes in as small linear-light pictures ("cells" of about 0.1 degree at full screen), one a frame, as a viewer's
screen would show them.  What flashes is counted cell by cell; how much of a 10-degree field flashes together decides.

Choices that the published texts leave open, all on the careful side: flashes in a second are the larger of the counts of
upward and of downward transitions; seconds are half-open; a field is also judged by transitions that different cells make in
turn; saturated red to or from black counts as a red flash; both definitions of a red flash are run and the worse one counts.

References
----------
.. [1] WCAG 2.2, success criterion 2.3.1 and the definitions of general flash and red flash thresholds.
.. [2] ITU-R BT.1702, as summarised in *Understanding SC 2.3.1*.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from viewer.cv import cv2
from viewer.errors import UsageError
from viewer.measure.readings import Reading, Verdict

ACROSS = 256
LIMIT = 3
QUARTER = 0.25
SMALL = 0.01
HDR_REFERENCE = 200.0
_TINY = 1e-9
_SECOND = 1.0 - 1e-6
_BLACK = 0.02
_RED_RATIO = 0.8
_RED_DISTANCE = 0.2
_RED_OLD_CHANGE = 20.0

Change = Callable[[np.ndarray, np.ndarray], np.ndarray]


def general_change(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Whether a change between two relative luminances is a transition: 0.10 or more with the darker below 0.80 [1]_."""
    return np.asarray((high - low >= 0.10 - _TINY) & (low < 0.80))


def hdr_change(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    """Whether a change between two luminances (cd/m2) is a transition: 20 cd/m2, or 1/17 Michelson from 160 up [2]_."""
    bright = (high - low) >= (high + low) * (1.0 / 17.0 - _TINY)
    return np.asarray(np.where(low < 160.0, high - low >= 20.0 - _TINY, bright & (high > low)))


def _red_old_change(low: np.ndarray, high: np.ndarray) -> np.ndarray:
    return np.asarray(high - low > _RED_OLD_CHANGE)


def luminance(rgb: np.ndarray) -> np.ndarray:
    """Return relative luminance of linear RGB, shape (..., 3) -> (...), BT.709 primaries."""
    return np.asarray(rgb[..., 0] * 0.2126 + rgb[..., 1] * 0.7152 + rgb[..., 2] * 0.0722)


def red_ratio(rgb: np.ndarray) -> np.ndarray:
    """Return R / (R + G + B) of linear RGB; 0 where all are 0."""
    total = rgb.sum(axis=-1)
    return np.asarray(np.divide(rgb[..., 0], total, out=np.zeros_like(total), where=total > 0))


def chromaticity(rgb: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return CIE 1976 (u', v') of linear RGB by the sRGB matrix; (0, 0) for black."""
    r, g, b = rgb[..., 0], rgb[..., 1], rgb[..., 2]
    x = 0.4124564 * r + 0.3575761 * g + 0.1804375 * b
    y = 0.2126729 * r + 0.7151522 * g + 0.0721750 * b
    z = 0.0193339 * r + 0.1191920 * g + 0.9503041 * b
    total = x + 15.0 * y + 3.0 * z
    safe = np.where(total > 0, total, 1.0)
    return np.asarray(4.0 * x / safe), np.asarray(9.0 * y / safe)


def cell_grid(width: int, height: int) -> tuple[int, int]:
    """Return (cols, rows) of the cells for a picture: 256 along its longer side, or its pixels if it has fewer."""
    across = min(ACROSS, max(width, height))
    scale = across / max(width, height)
    return max(1, round(width * scale)), max(1, round(height * scale))


def to_cells(rgb: np.ndarray) -> np.ndarray:
    """Average a linear picture of shape (h, w, 3) into its cells, float32 (rows, cols, 3)."""
    height, width = rgb.shape[:2]
    cols, rows = cell_grid(width, height)
    source = np.ascontiguousarray(rgb, np.float32)
    if (cols, rows) == (width, height):
        return source
    return np.asarray(cv2.resize(source, (cols, rows), interpolation=cv2.INTER_AREA), np.float32)


class Turns:
    """Transitions of a scalar in every cell: running extremes since the last one, alternating in direction.

    Parameters
    ----------
    change : callable
        ``change(low, high) -> bool array``: whether that difference is a transition.
    """

    def __init__(self, change: Change) -> None:
        self._change = change
        self._low: np.ndarray | None = None
        self._high: np.ndarray
        self._last: np.ndarray
        self.swing: np.ndarray

    def add(self, x: np.ndarray, may: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Take the next frame, shape (rows, cols), and return the masks of upward and downward transitions that end here.

        `may` restricts transitions to cells where the brighter state qualifies (for red).
        """
        x = np.asarray(x, np.float64)
        if self._low is None:
            self._low, self._high = x.copy(), x.copy()
            self._last = np.zeros(x.shape, np.int8)
            self._may = np.zeros(x.shape, bool) if may is None else may.copy()
            self.swing = np.zeros(x.shape, np.float32)
            none = np.zeros(x.shape, bool)
            return none, none.copy()
        np.minimum(self._low, x, out=self._low)
        np.maximum(self._high, x, out=self._high)
        up = self._change(self._low, x) & (self._last != 1)
        down = self._change(x, self._high) & (self._last != -1) & ~up
        if may is not None:
            self._may |= may
            up, down = up & self._may, down & self._may
        for mask, other in ((up, self._low), (down, self._high)):
            self.swing[mask] = np.abs(x[mask] - other[mask])
        turned = up | down
        self._last[up], self._last[down] = 1, -1
        self._low[turned] = self._high[turned] = x[turned]
        if may is not None:
            self._may[turned] = may[turned]
        return up, down


class RedTurns:
    """Transitions to and from saturated red in every cell, by the working definition of WCAG 2.2."""

    def __init__(self) -> None:
        self._far: np.ndarray | None = None
        self._red: np.ndarray
        self._seen: np.ndarray
        self._strong: np.ndarray
        self._last: np.ndarray

    def add(self, rgb: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Take the next frame, shape (rows, cols, 3) relative to 1, and return the masks of turns to red and from red."""
        total = rgb.sum(axis=-1)
        u, v = chromaticity(rgb)
        black = total <= _BLACK
        place = np.stack([np.where(black, -1.0, u), np.where(black, -1.0, v)])
        red = (red_ratio(rgb) >= _RED_RATIO - _TINY) & ~black
        # Against black there is no distance in colour: there the red itself has to be strong.
        strong = 320.0 * (rgb[..., 0] - rgb[..., 1] - rgb[..., 2]) > _RED_OLD_CHANGE
        if self._far is None:
            self._far, self._red, self._seen = place.copy(), place.copy(), red.copy()
            self._strong, self._last = strong & red, np.zeros(red.shape, np.int8)
            return np.zeros(red.shape, bool), np.zeros(red.shape, bool)
        less = place[0] < self._far[0]
        self._far[:, less] = place[:, less]
        more = red & (~self._seen | (place[0] > self._red[0]))
        self._red[:, more] = place[:, more]
        self._seen |= red
        self._strong |= red & strong
        from_black, to_black = self._far[0] < 0, black
        to_red = red & (_apart(place, self._far) > _RED_DISTANCE) & (~from_black | strong) & (self._last != 1)
        from_red = self._seen & (_apart(place, self._red) > _RED_DISTANCE) & (~to_black | self._strong) & (self._last != -1)
        from_red &= ~to_red
        turned = to_red | from_red
        self._last[to_red], self._last[from_red] = 1, -1
        self._far[:, turned] = self._red[:, turned] = place[:, turned]
        self._seen[turned] = red[turned]
        self._strong[turned] = (red & strong)[turned]
        return to_red, from_red


def _apart(first: np.ndarray, second: np.ndarray) -> np.ndarray:
    return np.asarray(np.hypot(first[0] - second[0], first[1] - second[1]))


@dataclass(frozen=True, slots=True, kw_only=True)
class WorstSecond:
    """The worst second of one kind of flash.

    ``rate`` flashes in the second from ``start_s``, by cells that cover ``area`` (0..1) of the field ``place``
    (x, y, w, h as fractions of the picture).  ``swing`` is the median change of those cells (relative luminance, or cd/m2
    for HDR; 0 for red).  ``turns`` says that different cells flashed in turn.
    """

    rate: int = 0
    area: float = 0.0
    start_s: float = 0.0
    place: tuple[float, float, float, float] = (0.0, 0.0, 1.0, 1.0)
    swing: float = 0.0
    turns: bool = False


class Fields:
    """The 10-degree fields of a full-screen picture, sliding by half their size, and the whole screen as the last one."""

    def __init__(self, cols: int, rows: int) -> None:
        w, h = max(1, round(cols * 341 / 1024)), max(1, round(rows * 256 / 768))
        xs, ys = _starts(cols, w), _starts(rows, h)
        boxes = [(x, y, w, h) for y in ys for x in xs] + [(0, 0, cols, rows)]
        self._boxes = np.array(boxes)
        self._shape = (cols, rows)

    def share(self, mask: np.ndarray) -> np.ndarray:
        """Return the covered share (0..1) of each field."""
        total = cv2.integral(mask.astype(np.uint8))
        x, y, w, h = self._boxes.T
        covered = total[y + h, x + w] - total[y, x + w] - total[y + h, x] + total[y, x]
        return np.asarray(covered / (w * h))

    def place(self, number: int) -> tuple[float, float, float, float]:
        """Return a field as fractions of the picture."""
        x, y, w, h = (int(v) for v in self._boxes[number])
        cols, rows = self._shape
        return x / cols, y / rows, w / cols, h / rows

    def cells(self, number: int) -> tuple[slice, slice]:
        """Return the slices of a field."""
        x, y, w, h = (int(v) for v in self._boxes[number])
        return slice(y, y + h), slice(x, x + w)


def _starts(length: int, window: int) -> list[int]:
    step = max(1, window // 2)
    return sorted({*range(0, max(1, length - window + 1), step), length - window})


@dataclass
class _Worst:
    """The worst second so far among those that cover more than `least` of a field."""

    least: float
    found: WorstSecond = field(default_factory=WorstSecond)


class _Counter:
    """Counts one kind of transition in the last second, in every cell and in every field."""

    def __init__(self, fields: Fields, shape: tuple[int, int]) -> None:
        self._fields = fields
        self._recent: deque[tuple[float, np.ndarray, np.ndarray, np.ndarray, np.ndarray]] = deque()
        self._counts = np.zeros((2, *shape), np.int32)
        self._previous = np.zeros((2, *shape), bool)
        self._was_event: np.ndarray | None = None
        self._events: np.ndarray
        self.large, self.small = _Worst(QUARTER), _Worst(SMALL)

    def add(self, time_s: float, up: np.ndarray, down: np.ndarray, swing: np.ndarray | None) -> None:
        """Take the transitions that end at this frame."""
        masks = np.stack([up, down])
        events, shares = self._find_events(masks)
        while self._recent and time_s - self._recent[0][0] >= _SECOND:
            _, old_up, old_down, old_events, _ = self._recent.popleft()
            self._counts[0] -= old_up
            self._counts[1] -= old_down
            self._events -= old_events
        self._recent.append((time_s, up, down, events, shares))
        self._counts += masks
        self._events += events
        if not masks.any():
            return
        rates = self._counts.max(axis=0)
        for worst in (self.large, self.small):
            self._judge_cells(worst, time_s, rates, swing)
        self._judge_events(time_s)

    def _find_events(self, masks: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Return, for both directions and every field, whether over a quarter turned within a frame of each other."""
        joined = masks | self._previous
        alone_share = np.stack([self._fields.share(mask) for mask in masks]) if masks.any() else None
        if self._was_event is None:
            self._was_event = np.zeros((2, len(self._fields.share(masks[0]))), bool)
            self._events = np.zeros_like(self._was_event, dtype=np.int32)
        if alone_share is None:
            none = np.zeros_like(self._was_event)
            self._previous, self._was_event = masks, none
            return none, none.astype(float)
        joined_share = np.stack([self._fields.share(mask) for mask in joined])
        share = np.where(self._was_event, alone_share, joined_share)
        # A frame without its own transitions ends no event, even if the one before it had some.
        events = (share > QUARTER) & (alone_share > 0)
        self._previous, self._was_event = masks, events
        return events, share

    def _judge_cells(self, worst: _Worst, time_s: float, rates: np.ndarray, swing: np.ndarray | None) -> None:
        top = int(rates.max())
        rate = max(worst.found.rate, 1)
        while rate <= top:
            mask = rates >= rate
            share = self._fields.share(mask)
            number = int(share.argmax())
            if share[number] <= worst.least:
                return
            if rate > worst.found.rate or share[number] > worst.found.area + _TINY:
                worst.found = self._second(rate, float(share[number]), time_s, number, mask, swing)
            rate += 1

    def _judge_events(self, time_s: float) -> None:
        # A flash is a pair of opposing turns: of one kind alone (a grainy fade-in) there can be one more than of the other.
        rates = np.minimum(self._events.max(axis=0), self._events.min(axis=0) + 1)
        number = int(rates.argmax())
        if rates[number] <= self.large.found.rate:
            return
        direction = int(self._events[:, number].argmax())
        areas = [shares[direction, number] for _, _, _, events, shares in self._recent if events[direction, number]]
        self.large.found = WorstSecond(
            rate=int(rates[number]),
            area=float(np.median(areas)),
            start_s=max(self._recent[0][0], 0.0),
            place=self._fields.place(number),
            turns=True,
        )

    def _second(
        self, rate: int, area: float, time_s: float, number: int, mask: np.ndarray, swing: np.ndarray | None
    ) -> WorstSecond:
        inside = self._fields.cells(number)
        size = float(np.median(swing[inside][mask[inside]])) if swing is not None else 0.0
        return WorstSecond(
            rate=rate, area=area, start_s=max(time_s - 1.0, self._recent[0][0]), place=self._fields.place(number), swing=size
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class FlashReport:
    """What a scan found.

    ``general`` and ``red`` are the worst seconds among those that cover over a quarter of some field; ``general_small`` and
    ``red_small`` those that cover at least a hundredth of it.
    """

    general: WorstSecond
    red: WorstSecond
    general_small: WorstSecond
    red_small: WorstSecond
    frames: int
    duration_s: float
    hdr: bool

    @property
    def passes(self) -> bool:
        """Whether no second holds more than three general or three red flashes over a quarter of any field."""
        return self.general.rate <= LIMIT and self.red.rate <= LIMIT

    @property
    def worst(self) -> WorstSecond:
        """The second to look at first: red before general when its rate is higher; small places if nothing large flashes."""
        large = max(self.general, self.red, key=lambda second: second.rate)
        return large if large.rate else max(self.general_small, self.red_small, key=lambda second: second.rate)

    @property
    def verdict(self) -> Verdict:
        """Below or above the limit, in one sentence that claims no more than the scan."""
        worst, rule = self.worst, "BT.1702 (HDR)" if self.hdr else "WCAG 2.x"
        if not self.passes:
            kind = "red flashes" if self.red.rate > self.general.rate else "flashes"
            return Verdict(
                "above limit",
                f"{worst.rate} {kind} in the second from {worst.start_s:.2f} s cover {100 * worst.area:.0f} % of a 10-degree "
                f"field; the {rule} limit is 3 over 25 %. Lower the frame rate, show a mean over whole beat periods, or make "
                "the pane smaller.",
            )
        if worst.rate == 0:
            text = f"No flash by the {rule} rules was found."
        elif worst.area > QUARTER:
            text = (
                f"At most {worst.rate} flashes in any second over {100 * worst.area:.0f} % of a field; the {rule} limit is 3."
            )
        else:
            text = (
                f"At most {worst.rate} flashes in any second, over {100 * worst.area:.0f} % of a field; the {rule} limit "
                "applies above 25 %."
            )
        return Verdict("below limit", text + " This is no medical clearance.")

    def readings(self, of: str = "video") -> tuple[Reading, ...]:
        """Return rate, red rate and area as readings."""
        method = f"{'BT.1702 for HDR' if self.hdr else 'WCAG 2.x'}, cells of 0.1 degree, sliding 10-degree fields, any second"
        general = self.general if self.general.rate else self.general_small
        red = self.red if self.red.rate else self.red_small

        def made(name: str, value: float, unit: str) -> Reading:
            return Reading(name=name, of=of, value=float(value), unit=unit, frames=self.frames, method=method)

        return (
            made("flashes_per_second", general.rate, "1/s"),
            made("red_flashes_per_second", red.rate, "1/s"),
            made("area", 100.0 * self.worst.area, "%"),
        )


class FlashScan:
    """Takes the frames of a sequence one by one and judges them.

    Parameters
    ----------
    hdr : bool
        Cells are luminances in cd/m2 (BT.1702 rule) rather than relative to 1 (WCAG rule).
    """

    def __init__(self, *, hdr: bool = False) -> None:
        self._hdr = hdr
        self._general = Turns(hdr_change if hdr else general_change)
        self._red, self._red_old = RedTurns(), Turns(_red_old_change)
        self._counters: tuple[_Counter, _Counter, _Counter] | None = None
        self._first_s = self._last_s = 0.0
        self._frames = 0

    def add(self, time_s: float, cells: np.ndarray) -> None:
        """Take one frame: linear RGB of shape (rows, cols, 3), BT.709 primaries, from `to_cells`.

        Raises
        ------
        UsageError
            If time does not run forward or the shape changes.
        """
        if cells.ndim != 3 or cells.shape[2] != 3:
            raise UsageError(f"cells of shape {cells.shape} are not (rows, cols, 3).")
        shape = cells.shape[:2]
        if self._counters is None:
            fields = Fields(shape[1], shape[0])
            self._counters = (_Counter(fields, shape), _Counter(fields, shape), _Counter(fields, shape))
            self._first_s, self._shape = time_s, shape
        elif shape != self._shape or time_s <= self._last_s:
            raise UsageError(f"frame at {time_s:.4f} s of shape {shape} does not follow {self._last_s:.4f} s.")
        self._last_s = time_s
        self._frames += 1
        rgb = np.clip(np.asarray(cells, np.float64), 0.0, None)
        relative = rgb / HDR_REFERENCE if self._hdr else rgb
        up, down = self._general.add(luminance(rgb))
        self._counters[0].add(time_s, up, down, self._general.swing)
        self._counters[1].add(time_s, *self._red.add(relative), None)
        excess = 320.0 * np.clip(relative[..., 0] - relative[..., 1] - relative[..., 2], 0.0, None)
        saturated = red_ratio(relative) >= _RED_RATIO - _TINY
        self._counters[2].add(time_s, *self._red_old.add(excess, saturated), None)

    def finish(self) -> FlashReport:
        """Return the report.

        Raises
        ------
        UsageError
            If no frame was added.
        """
        if self._counters is None:
            raise UsageError("there is no frame to scan.")
        general, red, old = self._counters
        return FlashReport(
            general=general.large.found,
            general_small=general.small.found,
            red=max(red.large.found, old.large.found, key=lambda second: second.rate),
            red_small=max(red.small.found, old.small.found, key=lambda second: second.rate),
            frames=self._frames,
            duration_s=self._last_s - self._first_s,
            hdr=self._hdr,
        )


def scan_series(times_s: np.ndarray, cells: np.ndarray, *, hdr: bool = False) -> FlashReport:
    """Scan a whole series at once: times of shape (N,), cells of shape (N, rows, cols, 3) or (N, rows, cols) for grey."""
    scan = FlashScan(hdr=hdr)
    for time_s, frame in zip(np.asarray(times_s, float), cells, strict=True):
        scan.add(float(time_s), frame if frame.ndim == 3 else np.repeat(frame[..., None], 3, axis=2))
    return scan.finish()


__all__ = [
    "ACROSS",
    "LIMIT",
    "FlashReport",
    "FlashScan",
    "RedTurns",
    "Turns",
    "WorstSecond",
    "cell_grid",
    "chromaticity",
    "general_change",
    "hdr_change",
    "luminance",
    "red_ratio",
    "scan_series",
    "to_cells",
]

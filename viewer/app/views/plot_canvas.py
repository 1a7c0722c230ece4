"""Drawing of one plot: device colours, markers and line styles; the data bring the only hue."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
from PySide6.QtCore import QRectF, QSize, Qt
from PySide6.QtGui import QColor, QPainter, QPaintEvent, QPen
from PySide6.QtWidgets import QSizePolicy, QVBoxLayout, QWidget

from viewer.app.i18n import decimal_comma, number, tr
from viewer.app.model.plot import Curve, Plot
from viewer.app.theme import color, figures, px, theme, words
from viewer.app.views.parts import device_color, paint_marker
from viewer.publish.palette import DeviceStyle

SYMBOLS = {"ring": "o", "circle": "o", "triangle": "t1", "square": "s", "diamond": "d", "cross": "+", "star": "star"}
FEW = 40  # points up to which each has its error bar


class Legend(QWidget):
    """Marker and name of every clip of the plot, in as many lines as they need, and what is shaded."""

    def __init__(self, entries: list[tuple[DeviceStyle | None, str]], note: str) -> None:
        super().__init__()
        self._entries, self._note = entries, note
        self.setSizePolicy(QSizePolicy.Policy.Expanding, QSizePolicy.Policy.Fixed)
        self.setAccessibleName(", ".join([name for _, name in entries] + ([note] if note else [])))

    def _spots(self, width: int) -> tuple[list[tuple[float, float]], float]:
        metrics = self.fontMetrics()
        spots, x, y = [], 16.0, 0.0
        for _, name in self._entries:
            need = 18 + metrics.horizontalAdvance(name) + 16
            if x + need > width and x > 16:
                x, y = 16.0, y + px(20)
            spots.append((x, y))
            x += need
        rows = y + px(20) if self._entries else 0.0
        return spots, rows

    def heightForWidth(self, width: int) -> int:
        self.setFont(words(11))
        return int(self._spots(width)[1]) + (px(20) if self._note else 0) + 6

    def sizeHint(self) -> QSize:
        return QSize(200, self.heightForWidth(max(200, self.width())))

    def resizeEvent(self, event: Any) -> None:
        super().resizeEvent(event)
        self.setFixedHeight(self.heightForWidth(self.width()))

    def paintEvent(self, event: QPaintEvent) -> None:
        painter = QPainter(self)
        painter.setRenderHint(QPainter.RenderHint.Antialiasing)
        painter.fillRect(self.rect(), color("panel"))
        self.setFont(words(11))
        spots, rows = self._spots(self.width())
        painter.setFont(words(11))
        middle = int(Qt.AlignmentFlag.AlignVCenter)
        for (style, name), (x, y) in zip(self._entries, spots, strict=True):
            paint_marker(painter, style, x + 6, y + px(10), 4.5)
            painter.setPen(color("quiet"))
            painter.drawText(QRectF(x + 18, y, self.width(), px(20)), middle, name)
        if self._note:
            painter.fillRect(QRectF(16, rows + px(10) - 5, 12, 10), color("strong"))
            painter.setPen(color("quiet"))
            painter.drawText(QRectF(34, rows, self.width() - 40, px(20)), middle, self._note)
        painter.end()


def _speak(axis: Any) -> None:
    """Let an axis write its numbers as the user does."""
    plain = axis.tickStrings

    def spoken(values: Any, scale: float, spacing: float) -> list[str]:
        texts = [str(text).replace("-", "−") for text in plain(values, scale, spacing)]
        return [text.replace(".", ",") for text in texts] if decimal_comma() else texts

    axis.tickStrings = spoken


class PlotView(QWidget):
    """One plot with its legend below.  `clips` maps clip ids to (name, style)."""

    def __init__(self, plot: Plot, clips: Mapping[str, tuple[str, DeviceStyle | None]]) -> None:
        super().__init__()
        import pyqtgraph as pg

        pg.setConfigOptions(imageAxisOrder="row-major", antialias=True, background=theme().panel, foreground=theme().quiet)
        self._pg, self._plot, self._clips = pg, plot, clips
        self.canvas = pg.PlotWidget(background=theme().panel)
        self.canvas.setAccessibleName(tr("{title}; the table beside it holds the numbers", title=plot.title))
        self.canvas.setFocusPolicy(Qt.FocusPolicy.StrongFocus)
        self._dress()
        self._draw()
        layout = QVBoxLayout(self)
        layout.setContentsMargins(0, 0, 0, 0)
        layout.setSpacing(0)
        layout.addWidget(self.canvas, 1)
        seen = list(dict.fromkeys(curve.clip for curve in plot.curves)) if not plot.ticks else []
        entries = [(self._clips[c][1], self._clips[c][0]) for c in seen if c in self._clips]
        layout.addWidget(Legend(entries, plot.zone_words if plot.zones else ""))

    def close_canvas(self) -> None:
        """Let go of the scene before the widget goes."""
        self.canvas.close()

    def _dress(self) -> None:
        plot, item = self._plot, self.canvas.getPlotItem()
        item.setContentsMargins(4, 8, 16, 4)
        item.hideButtons()
        item.setMenuEnabled(False)
        item.setLogMode(x=plot.log_x, y=plot.log_y)
        for side, text in (("bottom", plot.x_title), ("left", plot.y_title)):
            axis = item.getAxis(side)
            axis.setPen(QPen(color("strong")))
            axis.setTextPen(QPen(color("quiet")))
            axis.setTickFont(figures(10))
            axis.enableAutoSIPrefix(False)
            _speak(axis)
            axis.setLabel(text)
            axis.label.setFont(words(11))
            axis.label.setDefaultTextColor(color("quiet"))
        if plot.log_x:
            self._log_ticks("bottom", [curve.x for curve in plot.curves])
        if plot.log_y:
            self._log_ticks("left", [curve.y for curve in plot.curves])
        if plot.ticks:
            item.getAxis("bottom").setTicks([list(plot.ticks)])
            item.getAxis("bottom").setTickFont(words(11))
            xs = [x for x, _ in plot.ticks]
            item.setXRange(min(xs) - 0.6, max(xs) + 0.6, padding=0)

    def _log_ticks(self, side: str, values: list[np.ndarray]) -> None:
        """Label 1, 2, 5 of every decade in plain numbers, when the curves span but few decades."""
        xs = np.concatenate([v[v > 0] for v in values] or [np.ones(1)])
        if not len(xs):
            return
        low, high = float(np.log10(xs.min())), float(np.log10(xs.max()))
        factors = (1, 2, 5) if high - low < 2.5 else (1,)
        ticks = [
            (float(np.log10(f * 10.0**k)), number(f * 10.0**k))
            for k in range(int(np.floor(low)) - 1, int(np.ceil(high)) + 1)
            for f in factors
            if low - 0.3 <= np.log10(f * 10.0**k) <= high + 0.3
        ]
        self.canvas.getPlotItem().getAxis(side).setTicks([ticks])

    def _draw(self) -> None:
        plot, item = self._plot, self.canvas.getPlotItem()
        for low, high in plot.zones:
            region = self._pg.LinearRegionItem(
                (low, high), movable=False, brush=color("strong", 150), pen=QPen(Qt.PenStyle.NoPen)
            )
            region.setZValue(-10)
            item.addItem(region, ignoreBounds=True)
        if plot.image is not None:
            self._image(plot.image)
        for x, y, radius in plot.rings:
            self._ring(x, y, radius)
        # Quiet curves first: what counts lies on top.
        for curve in sorted(plot.curves, key=lambda c: not c.quiet):
            self._curve(curve)
        for n, mark in enumerate(plot.marks):
            style = self._clips.get(mark.clip, ("", None))[1]
            shade = device_color(style) if mark.clip else color("quiet")
            line = self._pg.InfiniteLine(
                np.log10(max(mark.x, 1e-9)) if plot.log_x else mark.x,
                pen=QPen(shade, 0, Qt.PenStyle.DotLine),
                label=mark.text,
                labelOpts={
                    "position": 0.95 - 0.09 * (n % 8),
                    "color": color("text"),
                    "fill": color("panel"),  # a curve behind must not run through the words
                    "anchors": [(-0.05, 0.5), (-0.05, 0.5)],
                },
            )
            line.label.setFont(words(11))
            item.addItem(line)
        if plot.limits_x is not None:
            item.setXRange(*plot.limits_x, padding=0.02)
        self._bound_bars()

    def _bound_bars(self) -> None:
        """Let an error bar that dwarfs everything leave the frame, so that the values can be told apart."""
        plot = self._plot
        if plot.log_y or not plot.curves or plot.image is not None:
            return
        ys = np.concatenate([curve.y for curve in plot.curves])
        errors = np.concatenate([curve.error for curve in plot.curves if curve.error is not None] or [np.zeros(1)])
        span = float(np.ptp(ys)) or abs(float(ys[0])) or 1.0
        if float(np.max(errors)) > 20 * span:
            near = float(np.max(errors[errors <= 20 * span], initial=0.0))
            pad = max(0.5 * span, near)
            self.canvas.getPlotItem().setYRange(float(ys.min()) - pad, float(ys.max()) + pad, padding=0.02)

    def _image(self, array: np.ndarray) -> None:
        from viewer.app.model.render import cividis

        plot, item = self._plot, self.canvas.getPlotItem()
        table = cividis()[:, ::-1].copy()
        if theme().red:
            ramp = np.linspace(0, 192, 256).astype(np.uint8)
            table = np.stack([ramp, 0 * ramp, 0 * ramp], axis=1)
        low, high = (float(v) for v in np.nanpercentile(array, (0.5, 99.5)))
        image = self._pg.ImageItem(array)  # what is not a number stays clear
        image.setLookupTable(table)
        image.setLevels((low, high if high > low else low + 1.0))
        x, y, w, h = plot.image_rect
        image.setRect(x, y, w, h)
        item.addItem(image)
        item.invertY(True)
        item.getViewBox().setAspectLocked(plot.square)
        bar = self._pg.ColorBarItem(values=(low, high), width=10, interactive=False, colorMap=self._pg.ColorMap(None, table))
        _speak(bar.axis)
        bar.setImageItem(image, insert_in=item)
        bar.axis.setTickFont(figures(10))
        bar.axis.setTextPen(QPen(color("quiet")))

    def _ring(self, x: float, y: float, radius: float) -> None:
        from PySide6.QtWidgets import QGraphicsEllipseItem

        ring = QGraphicsEllipseItem(x - radius, y - radius, 2 * radius, 2 * radius)
        pen = QPen(color("focus"), 1.5, Qt.PenStyle.DashLine)
        pen.setCosmetic(True)
        ring.setPen(pen)
        self.canvas.getPlotItem().addItem(ring)

    def _curve(self, curve: Curve) -> None:
        plot, item = self._plot, self.canvas.getPlotItem()
        style = self._clips.get(curve.clip, ("", None))[1]
        shade = QColor(device_color(style))
        if curve.quiet:
            shade.setAlpha(150)
        pen = QPen(shade, 1.0 if curve.quiet or plot.fine else 2.0)
        pen.setCosmetic(True)
        if style is not None and style.dash and not plot.fine:
            pen.setDashPattern(list(style.dash))
        symbol = SYMBOLS.get(style.marker if style else "ring", "o")
        fill = None if style is None or style.hollow else shade
        x = np.log10(np.maximum(curve.x, 1e-12)) if plot.log_x else curve.x
        if curve.error is not None and (curve.points or len(curve.x) <= FEW):
            self._bars(curve, x, shade)
        if not curve.points:
            item.plot(curve.x, curve.y, pen=pen)
        if plot.fine:
            at = np.argsort(curve.y)[-3:]  # markers on the highest lines: the rest would be a row along the axis
        else:
            at = np.arange(0, len(curve.x), max(1, len(curve.x) // 12))
        y = np.log10(np.maximum(curve.y, 1e-12)) if plot.log_y else curve.y
        dots = self._pg.ScatterPlotItem(
            x=x[at], y=y[at], symbol=symbol, size=11 if curve.points else 7, pen=QPen(shade, 0), brush=fill
        )
        item.addItem(dots)

    def _bars(self, curve: Curve, x: np.ndarray, shade: QColor) -> None:
        error = np.asarray(curve.error)
        low, high = curve.y - error, curve.y + error
        y = curve.y
        if self._plot.log_y:
            low, high, y = (np.log10(np.maximum(v, 1e-12)) for v in (low, high, y))
        beam = 0.12 if curve.points else 0.02 * float(np.ptp(x)) if len(x) > 1 else 0.0
        self.canvas.getPlotItem().addItem(
            self._pg.ErrorBarItem(x=x, y=y, top=high - y, bottom=y - low, beam=beam, pen=QPen(shade, 0))
        )


__all__ = ["Legend", "PlotView"]

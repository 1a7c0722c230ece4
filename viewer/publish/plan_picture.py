"""A plan of what camera settings can show, as a picture."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np

from viewer.errors import PublishError, UsageError
from viewer.measure.flicker_planner import BAND_OF_INTEREST_HZ, Plan, Setting, blind_share, share_words
from viewer.publish.palette import LIGHT, OKABE_ITO
from viewer.resources import resource

FORMATS = (".png", ".svg", ".pdf")
MARKS = (20, 50, 100, 200, 500, 1000, 2000)
ROW_IN = 0.62
SEEN, HIDDEN = OKABE_ITO["blue"], LIGHT.strong


def write_plan(plan: Plan, path: Path | str) -> Path:
    """Write a plan as PNG, SVG or PDF, by the ending of `path`.

    One row a setting: the curve is the share of a modulation that the shutter leaves, grey is blind; the last row is blind
    in all settings together.

    Raises
    ------
    UsageError
        For another ending.
    PublishError
        If the file cannot be written.
    """
    target = Path(path)
    if target.suffix.lower() not in FORMATS:
        raise UsageError(f"a plan is written as {', '.join(FORMATS)}.", where=str(target))
    figure = draw_plan(plan)
    part = target.with_name(f".{target.name}.part{target.suffix}")
    try:
        figure.savefig(part, dpi=160, format=target.suffix[1:].lower(), facecolor="#ffffff")
        os.replace(part, target)
    except OSError as error:
        part.unlink(missing_ok=True)
        raise PublishError(f"the plan could not be written: {error.strerror or error}", where=str(target)) from error
    return target


def draw_plan(plan: Plan) -> Any:
    """Return the figure of a plan."""
    from matplotlib import font_manager, rc_context
    from matplotlib.figure import Figure

    font_manager.fontManager.addfont(str(resource("fonts/Inter-Regular.otf")))
    rows = len(plan.settings) + (1 if len(plan.settings) > 1 else 0)
    height = 1.22 + ROW_IN * rows
    with rc_context({"font.family": "Inter", "font.size": 9, "svg.fonttype": "path", "svg.hashsalt": "plan"}):
        figure = Figure(figsize=(8.4, height))
        for number in range(rows):
            bottom = (0.85 + ROW_IN * (rows - 1 - number)) / height
            axes = figure.add_axes((0.17, bottom, 0.71, (ROW_IN - 0.12) / height))
            last = number == rows - 1
            if number < len(plan.settings):
                _setting(axes, plan, plan.settings[number])
            else:
                _together(axes, plan)
            _dress(axes, plan, last=last)
        figure.text(0.17, 1.0 - 0.22 / height, "What each setting can show", color=LIGHT.text, fontsize=11, va="center")
        low, high = BAND_OF_INTEREST_HZ
        words = (
            "Curve: what the shutter leaves of a pulsing.  Grey: blind (shutter, or bands that stand still); "
            f"shares of {low:g} to {high:g} Hz, in octaves."
        )
        figure.text(0.17, 0.17 / height, words, color=LIGHT.quiet, fontsize=8, va="center")
    return figure


def _setting(axes: Any, plan: Plan, setting: Setting) -> None:
    axes.fill_between(plan.frequencies_hz, 0.0, setting.transmission, color=SEEN, alpha=0.18, linewidth=0)
    axes.plot(plan.frequencies_hz, setting.transmission, color=SEEN, linewidth=1.1)
    _shade(axes, plan, setting.blind_hz)
    name = f"{setting.frame_rate:.5g} fps\n1/{1.0 / setting.exposure_s:.4g} s"
    _name(axes, name, share_words(setting.share_blind))


def _together(axes: Any, plan: Plan) -> None:
    _shade(axes, plan, plan.blind_in_all_hz)
    _name(axes, "blind in all\ntogether", share_words(blind_share(plan.blind_in_all_hz)))


def _name(axes: Any, left: str, right: str) -> None:
    axes.text(-0.015, 0.5, left, transform=axes.transAxes, ha="right", va="center", color=LIGHT.text, linespacing=1.25)
    axes.text(1.015, 0.5, right, transform=axes.transAxes, ha="left", va="center", color=LIGHT.quiet)


def _shade(axes: Any, plan: Plan, zones: Any) -> None:
    low, high = float(plan.frequencies_hz[0]), float(plan.frequencies_hz[-1])
    # a gap of a tenth of a hertz is still to be seen
    least = 1.0 + 8e-3 * np.log(high / low) / np.log(125.0)
    for a, b in zones:
        if b > low and a < high:
            axes.axvspan(max(a, low), min(max(b, a * least), high), color=HIDDEN, alpha=0.55, linewidth=0)


def _dress(axes: Any, plan: Plan, *, last: bool) -> None:
    axes.set_xscale("log")
    axes.set_xlim(plan.frequencies_hz[0], plan.frequencies_hz[-1])
    axes.set_ylim(0.0, 1.02)
    axes.set_yticks([])
    axes.spines[["top", "right", "left"]].set_visible(False)
    axes.spines["bottom"].set_color(LIGHT.hairline)
    axes.set_xticks(MARKS, [str(mark) for mark in MARKS] if last else [])
    axes.set_xticks([], minor=True)
    axes.tick_params(colors=LIGHT.quiet, length=3 if last else 0)
    if last:
        axes.set_xlabel("Frequency of the light (Hz)", color=LIGHT.quiet)


__all__ = ["FORMATS", "draw_plan", "write_plan"]

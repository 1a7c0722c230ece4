"""``gloaming flicker``: gating and flicker of a region, and what a setting can show."""

from __future__ import annotations

from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from viewer.cli.common import CLIP, FRAMES, RECT, SECONDS, emit, json_option, light_options, progress_bar

if TYPE_CHECKING:
    from viewer.measure.flicker_planner import Plan

COLUMNS = 72


class Several(click.ParamType[Any]):
    """Numbers apart by commas, each of `one` kind."""

    def __init__(self, one: click.ParamType[Any], name: str) -> None:
        self.one, self.name = one, name

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> tuple[float, ...]:
        """Return the numbers."""
        if isinstance(value, tuple):
            return value
        return tuple(float(self.one.convert(part.strip(), param, ctx)) for part in str(value).split(",") if part.strip())


@click.command("flicker")
@click.argument("clip", type=CLIP, required=False)
@click.option("--region", type=RECT, help="Measure only this region; the whole field if left out.")
@click.option(
    "--readout-ms", type=click.FloatRange(min=0.01, max=1000), help="Delivered rows of the upright picture x row time."
)
@click.option("--readout-direction", type=click.Choice(["down", "up", "left", "right"]), help="In the upright picture.")
@click.option("--shutter", type=Several(SECONDS, "S"), help="Shutter time, such as 1/250 (with --plan: several).")
@click.option("--capture-rate", type=click.FloatRange(min=1), help="Frames per second of the camera, for slow motion.")
@click.option("--source", type=CLIP, metavar="CLIP", help="The lamp or screen filmed without the device.")
@click.option("--flat", type=CLIP, metavar="CLIP", help="An even field without bands in the same camera mode.")
@click.option("--also", type=CLIP, metavar="CLIP", multiple=True, help="Same device and scene at another frame rate.")
@click.option("--frames", type=FRAMES, default="0:", help="Use only these frames.")
@click.option("--plan", is_flag=True, help="No clip: show what camera settings can and cannot see.")
@click.option("--fps", type=Several(click.FLOAT, "FPS"), help="With --plan: frame rates, such as 25,59.94.")
@click.option(
    "--plot", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE", help="With --plan: draw it (PNG, SVG, PDF)."
)
@click.option("--mains", type=click.Choice(["50", "60"]), default="50", show_default=True, help="With --plan: mains frequency.")
@light_options
@json_option
def command(
    clip: Path | None,
    region: Any,
    readout_ms: float | None,
    readout_direction: str | None,
    shutter: tuple[float, ...] | None,
    capture_rate: float | None,
    source: Path | None,
    flat: Path | None,
    also: tuple[Path, ...],
    frames: Any,
    plan: bool,
    fps: tuple[float, ...] | None,
    plot: Path | None,
    mains: str,
    transfer: str | None,
    range: str | None,
    matrix: str | None,
    json_to: str | None,
) -> None:
    """Find which modulation a region shows: gating of the tube, or the light in front of it.

    Every row of a rolling-shutter frame is a sample in time. With --readout-ms the frequency follows without ambiguity; without
    it all candidates are listed, and clips at other frame rates (--also) narrow them. Frequencies that this shutter, frame rate
    and length could not have shown are always listed.

    The flicker of a finished video is another thing: see gloaming flash.
    """
    if plan:
        _plan(fps, shutter, readout_ms, float(mains), plot, json_to)
        return
    if clip is None:
        raise click.UsageError("name a CLIP, or use --plan.")
    if plot is not None:
        raise click.UsageError("--plot belongs to --plan.")
    if fps is not None:
        raise click.UsageError("--fps belongs to --plan; a clip knows its own rate (--capture-rate for slow motion).")
    if shutter is not None and len(shutter) != 1:
        raise click.UsageError("a clip has one shutter time.")
    from viewer.media import LightChoice, open_clip
    from viewer.tasks.flicker import measure_flicker

    choice = LightChoice(transfer=transfer, range=range, matrix=matrix)
    with ExitStack() as stack, progress_bar("flicker") as progress:
        opened = stack.enter_context(open_clip(clip, light=choice))
        helpers = [None if path is None else stack.enter_context(open_clip(path, light=choice)) for path in (source, flat)]
        others = [stack.enter_context(open_clip(path, light=choice)) for path in also]
        result = measure_flicker(
            opened,
            region,
            readout_ms=readout_ms,
            readout_direction=readout_direction,
            shutter_s=shutter[0] if shutter else None,
            capture_rate=capture_rate,
            source=helpers[0],
            flat=helpers[1],
            also=others,
            frames=frames,
            progress=progress,
        )
    emit(result, json_to)
    if json_to is None:
        _lists(result.extras)


def _lists(extras: Any) -> None:
    """Print candidates and blind frequencies below the table."""
    candidates = extras["candidates"]
    if len(candidates) > 1:
        click.echo("candidates (Hz, weight, implied readout ms):")
        for item in candidates[:20]:
            click.echo(f"  {item['frequency_hz']:10.3f}  {item['weight']:6.3f}  {item['readout_ms']:6.2f}")
        if len(candidates) > 20:
            click.echo(f"  and {len(candidates) - 20} more in the result document")
    zones = ", ".join(f"{low:.4g}..{high:.4g}" for low, high in extras["blind_hz"][:12])
    more = len(extras["blind_hz"]) - 12
    click.echo(f"blind (Hz): {zones}" + (f" and {more} more" if more > 0 else ""))


def _plan(
    fps: tuple[float, ...] | None,
    shutter: tuple[float, ...] | None,
    readout_ms: float | None,
    mains: float,
    plot: Path | None,
    json_to: str | None,
) -> None:
    if not fps or not shutter:
        raise click.UsageError("--plan needs --fps and --shutter, such as --fps 25,59.94 --shutter 1/50,1/250.")
    if min(fps) <= 0:
        raise click.UsageError("frame rates are above 0.")
    from viewer.measure.flicker_planner import exact_rate, plan
    from viewer.tasks.flicker import plan_result

    rates = [exact_rate(rate) for rate in fps]
    made = plan(rates, shutter, readout_s=None if readout_ms is None else readout_ms / 1e3, mains_hz=mains)
    if json_to is None:
        click.echo(draw(made))
    emit(plan_result(made), json_to)
    if plot is not None:
        from viewer.publish.plan_picture import write_plan

        write_plan(made, plot)


def draw(plan: Plan) -> str:
    """Return the plan as text: one line a setting, from 20 Hz to the end on a logarithmic axis."""
    import math

    from viewer.measure.flicker_planner import blind_share, share_words

    low, high = float(plan.frequencies_hz[0]), float(plan.frequencies_hz[-1])

    def place(frequency: float) -> int:
        return round((COLUMNS - 1) * math.log(frequency / low) / math.log(high / low))

    def bar(zones: Any) -> str:
        """Full where all of the column is blind, light where part of it is."""
        out = []
        for column in range(COLUMNS):
            left = low * (high / low) ** ((column - 0.5) / (COLUMNS - 1))
            right = low * (high / low) ** ((column + 0.5) / (COLUMNS - 1))
            blind = sum(max(0.0, min(right, b) - max(left, a)) for a, b in zones) / (right - left)
            out.append("█" if blind > 0.9 else "▒" if blind > 0.25 else "·" if blind > 0.0 else " ")
        return "".join(out)

    axis = [" "] * COLUMNS
    for mark in (20, 50, 100, 200, 500, 1000, 2000):
        if low <= mark <= high:
            text = str(mark)
            start = min(place(mark), COLUMNS - len(text))
            axis[start : start + len(text)] = text
    head = f"{'fps':>9} {'shutter':>8}  "
    lines = [head + "".join(axis) + "  Hz"]
    for item in plan.settings:
        name = f"{item.frame_rate:9.5g} {'1/' + format(1 / item.exposure_s, '.4g'):>8} "
        lines.append(f"{name}|{bar(item.blind_hz)}| {share_words(item.share_blind):>10}")
    if len(plan.settings) > 1:
        lines.append(f"{'all together':>18} |{bar(plan.blind_in_all_hz)}| {share_words(blind_share(plan.blind_in_all_hz)):>10}")
    lines.append(
        "█ blind   ▒ partly   · a narrow gap where bands stand still   (blank) can be seen; blind: 37 to 2400 Hz, in octaves"
    )
    return "\n".join(lines)


__all__ = ["command", "draw"]

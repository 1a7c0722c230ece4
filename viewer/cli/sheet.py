"""``gloaming sheet``: convert and check the figures of a data sheet."""

from __future__ import annotations

import click

from viewer.cli.common import emit, json_option
from viewer.errors import UsageError


@click.command("sheet")
@click.option("--gain", metavar="TEXT", multiple=True, help="Luminance gain, e.g. '10000 cd/m2/lx' or '30000 fL/fc'.")
@click.option("--ebi", metavar="TEXT", multiple=True, help="Dark glow, e.g. '2.5' (1e-11 phot), '0.25 ulx'.")
@click.option("--snr", metavar="TEXT", multiple=True, help="Tube SNR, e.g. '27.5'.")
@click.option(
    "--resolution", metavar="TEXT", multiple=True, help="Limiting resolution, e.g. '64 lp/mm' (means 64 up to the next step)."
)
@click.option("--fom", metavar="TEXT", multiple=True, help="Figure of merit as stated on the sheet.")
@click.option("--halo", metavar="TEXT", multiple=True, help="Halo diameter at the tube, e.g. '0.7 mm'.")
@click.option("--sensitivity", metavar="TEXT", multiple=True, help="Photocathode sensitivity, e.g. '900 uA/lm'.")
@click.option("--field", metavar="TEXT", multiple=True, help="Field of view, e.g. '40 deg'.")
@click.option("--focal", metavar="TEXT", multiple=True, help="Focal length of the objective, e.g. '27 mm'.")
@click.option("--diameter", metavar="TEXT", multiple=True, help="Useful cathode diameter, e.g. '18 mm'.")
@click.option("--light", metavar="TEXT", multiple=True, help="A light level in all units, e.g. '1 mfL', '0.01 lx'.")
@json_option
def command(json_to: str | None, light: tuple[str, ...], **typed: tuple[str, ...]) -> None:
    """Convert data-sheet figures both ways, keep what was typed, and flag the impossible and the inconsistent.

    Give a figure again for a second device, '-' where its sheet has none: units that were mixed up are then noticed too.

    Sheet figures and film figures are different quantities: a camera does not measure a tube's SNR or gain.
    """
    from viewer.tasks.sheet import sheet_result

    count = max((len(texts) for texts in typed.values()), default=0)
    sheets = [
        {name: texts[n] for name, texts in typed.items() if n < len(texts) and texts[n].strip() != "-"} for n in range(count)
    ]
    if not light and not any(sheets):
        raise UsageError("nothing to convert.", hint="For example: gloaming sheet --snr 27.5 --resolution 64")
    result = sheet_result(*sheets, light=light)
    emit(result, json_to)
    if json_to is None:
        same = result.extras["equivalents"]
        for number, found in enumerate(same if count > 1 else [same], 1):
            for name, texts in found.items():
                if texts:
                    click.echo(f"{f'sheet {number}, ' if count > 1 else ''}{name}: {' = '.join(texts)}")
        for text in result.extras["light"].values():
            click.echo(f"light: {text}")


__all__ = ["command"]

"""``gloaming sheet``: convert and check the figures of a data sheet."""

from __future__ import annotations

import click

from viewer.cli.common import emit, json_option
from viewer.errors import UsageError


@click.command("sheet")
@click.option("--gain", metavar="TEXT", help="Luminance gain, e.g. '10000 cd/m2/lx' or '30000 fL/fc'.")
@click.option("--ebi", metavar="TEXT", help="Dark glow, e.g. '2.5' (1e-11 phot), '0.25 ulx'.")
@click.option("--snr", metavar="TEXT", help="Tube SNR, e.g. '27.5'.")
@click.option("--resolution", metavar="TEXT", help="Limiting resolution, e.g. '64 lp/mm' (means 64 up to the next step).")
@click.option("--fom", metavar="TEXT", help="Figure of merit as stated on the sheet.")
@click.option("--halo", metavar="TEXT", help="Halo diameter at the tube, e.g. '0.7 mm'.")
@click.option("--sensitivity", metavar="TEXT", help="Photocathode sensitivity, e.g. '900 uA/lm'.")
@click.option("--field", metavar="TEXT", help="Field of view, e.g. '40 deg'.")
@click.option("--focal", metavar="TEXT", help="Focal length of the objective, e.g. '27 mm'.")
@click.option("--diameter", metavar="TEXT", help="Useful cathode diameter, e.g. '18 mm'.")
@json_option
def command(json_to: str | None, **typed: str | None) -> None:
    """Convert data-sheet figures both ways, keep what was typed, and flag the impossible and the inconsistent.

    Sheet figures and film figures are different quantities: a camera does not measure a tube's SNR or gain.
    """
    from viewer.tasks.sheet import sheet_result

    given = {name: text for name, text in typed.items() if text is not None}
    if not given:
        raise UsageError("nothing to convert.", hint="For example: gloaming sheet --snr 27.5 --resolution 64")
    result = sheet_result(given)
    emit(result, json_to)
    if json_to is None:
        for name, texts in result.extras["equivalents"].items():
            if texts:
                click.echo(f"{name}: {' = '.join(texts)}")


__all__ = ["command"]

"""The command line: finds each command's file when it is asked for, so that help stays fast."""

from __future__ import annotations

import importlib
import sys

import click

from viewer import __version__
from viewer.cli.common import fail
from viewer.errors import ViewerError

COMMANDS = {
    "demo": "build, line up, measure and publish the sample session",
    "open": "open the window",
    "probe": "what is in a file: streams, tags, true timing, oddities",
    "frame": "write one exact frame as PNG",
    "contrast": "contrast of a bright and a dark region",
    "bloom": "halo and bloom of point lights",
    "flicker": "gating and flicker of a region",
    "readout": "calibrate the readout time on a lamp of known frequency",
    "figure": "how visible a figure is against its surroundings",
    "tint": "tint of the phosphor",
    "edge": "edge spread, MTF and glow",
    "field": "field circle, scale, fall of light, distortion",
    "noise": "temporal and fixed-pattern noise",
    "ramp": "steps of the light level",
    "bars": "tri-bar targets and limiting resolution",
    "align": "line clips up in time and angle",
    "flash": "risk scan of a finished video for photosensitive viewers",
    "sheet": "data-sheet desk: convert and check figures",
    "audit": "are the camera settings the same in all clips?",
    "measure": "measure a whole session",
    "publish": "stills, footage, card and report of a session",
    "screens": "render every screen of the window as PNG",
    "batch": "many sessions or clips at once",
}


class Commands(click.Group):
    """A group whose commands live in modules of their own name."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names in the order of the job."""
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Import the command's module and return its command."""
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"viewer.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the list without importing any command."""
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(__version__, prog_name="gloaming")
def cli() -> None:
    """Line up, watch, measure and publish footage filmed through night-vision devices."""


def run(argv: list[str] | None = None) -> int:
    """Run one command and return its exit code: 0 ran, 2 wrong usage, 3 file trouble, 130 interrupted."""
    try:
        value = cli.main(args=argv, prog_name="gloaming", standalone_mode=False)
    except ViewerError as error:
        return fail(error)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except (KeyboardInterrupt, click.Abort):
        click.echo("gloaming: interrupted.", err=True)
        return 130
    except BrokenPipeError:
        sys.stderr.close()
        return 0
    except Exception as error:  # noqa: BLE001 - the last line of defence
        from viewer.session.faults import record_fault

        click.echo(f"gloaming: {record_fault(error)}", err=True)
        return 1
    return value if isinstance(value, int) else 0


__all__ = ["COMMANDS", "cli", "run"]

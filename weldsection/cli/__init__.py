"""The command line: one file for each command, and it only translates.

Commands are imported when they are run, so that ``weldsection --version``
does not wait for the picture libraries.
"""

from __future__ import annotations

import importlib
import io
import os
import sys
import warnings
from typing import NoReturn

import click

from weldsection._version import __version__
from weldsection.errors import WeldSectionError

# command name -> module under weldsection.cli whose `command` runs it
COMMANDS = {
    "measure": "Measure the beads on photos of etched sections.",
    "scale": "Show what gives a photo its scale, and how well.",
    "card": "Print a scale card to lay beside the coupon.",
    "camera": "Learn a camera's lens from photos of the lens sheet.",
    "plan": "Make the log sheet and the run order of a test plate.",
    "compare": "Compare the settings of measured beads.",
}


class _LazyGroup(click.Group):
    """Commands whose modules are imported only when asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        if cmd_name not in COMMANDS:
            return None
        module = importlib.import_module(f"weldsection.cli.{cmd_name}")
        command: click.Command = module.command
        return command

    def format_commands(
        self, ctx: click.Context, formatter: click.HelpFormatter
    ) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=_LazyGroup, invoke_without_command=True)
@click.version_option(__version__, prog_name="weldsection")
@click.pass_context
def group(context: click.Context) -> None:
    """Measure cut and etched weld coupons from a photo.

    A section shows one place in a weld. Whether a weld is fit for its job is
    for the code that applies to it and the people licensed to judge it.
    """
    if context.invoked_subcommand is None:
        click.echo(context.get_help())


def main() -> None:
    """Run the command line; the one place where errors become messages."""
    if not sys.warnoptions:
        warnings.simplefilter("ignore")  # meant for programmers, not for welders
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            # a name the terminal cannot show must not end the work
            stream.reconfigure(errors="replace")
    try:
        sys.exit(group.main(prog_name="weldsection", standalone_mode=False) or 0)
    except WeldSectionError as error:
        _stop(str(error), error.exit_code)
    except click.exceptions.Exit as stop:
        sys.exit(stop.exit_code)
    except click.ClickException as error:
        where = error.ctx.command_path if error.ctx else "weldsection"  # type: ignore[attr-defined]
        _stop(f"{error.format_message()} See '{where} --help'.", 2)
    except (click.Abort, KeyboardInterrupt):
        _stop("stopped; what was finished is kept.", 130)
    except OSError as error:
        # standard output is gone; nothing may be left in it for Python to flush
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if isinstance(error, BrokenPipeError):
            sys.exit(1)  # whoever read it has seen enough
        _stop(f"the output cannot be written ({error.strerror}).", 1)


def _stop(sentence: str, exit_code: int) -> NoReturn:
    printable = "".join(c if c.isprintable() else "?" for c in sentence)
    click.echo(f"weldsection: {printable}", err=True)
    sys.exit(exit_code)

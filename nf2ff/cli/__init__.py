"""The commands. Degrees, GHz, dB and dBm live here and in reports, nowhere below."""

from __future__ import annotations

import importlib

import click

import nf2ff

#: How readings in the table of a scan may get their level when they are transformed.
LATER = "or give --level when they are transformed"


#: Each command: its file and its function there. A file is imported when it is needed.
COMMANDS = {
    "compare": ("cli.compare", "compare"),
    "demo": ("cli.demo", "demo"),
    "export": ("cli.export", "export"),
    "import": ("cli.import_files", "import_files"),
    "inspect": ("cli.inspect", "inspect"),
    "plot": ("cli.plot", "plot"),
    "quiet-zone": ("cli.quiet_zone", "quiet_zone"),
    "simulate": ("cli.simulate", "simulate"),
    "study": ("cli.study", "study"),
    "transform": ("cli.transform", "transform"),
    "trp": ("cli.trp", "trp"),
    "uncertainty": ("cli.uncertainty", "uncertainty"),
}


class Commands(click.Group):
    """Commands that are imported when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of all commands, as ``--help`` lists them."""
        return sorted({*COMMANDS, *super().list_commands(ctx)})

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of a name, None if there is none."""
        if cmd_name not in COMMANDS:
            return super().get_command(ctx, cmd_name)
        module, function = COMMANDS[cmd_name]
        found = getattr(importlib.import_module(f"nf2ff.{module}"), function)
        assert isinstance(found, click.Command)
        return found


@click.group("nf2ff", cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(nf2ff.__version__, prog_name="nf2ff")
def main() -> None:
    """Near-field samples of an antenna on a sphere become its far field, with numbers.

    Radiated power and moving positioners can hurt: follow your laboratory's rules.
    """

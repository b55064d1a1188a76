"""The commands. Degrees, GHz, dB and dBm live here and in reports, nowhere below."""

from __future__ import annotations

import importlib

import click

import nf2ff

#: What --help says of each command. Its file is imported when the command is asked for, and
#: imports all that it needs then.
COMMANDS = {
    "compare": "Compare SECOND with FIRST, the reference: results, modes...",
    "demo": "Simulate a scan with a known answer, transform it, and...",
    "export": "Write what RESULT holds (a result of transform, or a...",
    "import": "Read FILES and write them as a native file: samples, or a...",
    "inspect": "Say what FILE holds: samples, modes, far field, probe,...",
    "plot": "Draw FILES: results, modes or far fields; of kind...",
    "quiet-zone": "Say how quiet the zone is that a field probe measured in...",
    "simulate": "Write the scan that a probe takes of the dipoles in...",
    "study": "See how errors grow, as STUDY (TOML) describes it.",
    "transform": "Transform the samples in SCAN (native or CSV) to modes and...",
    "trp": "Give the total radiated power (TRP) of a TABLE of EIRP, or...",
    "uncertainty": "State the uncertainty of the figures of SCAN (native or...",
}


class Commands(click.Group):
    """Commands that are imported when they are asked for."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Names of all commands."""
        del ctx
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """The command of a name, None if there is none."""
        del ctx
        if cmd_name not in COMMANDS:
            return None
        # A keyword is no name of a file.
        file = "import_files" if cmd_name == "import" else cmd_name.replace("-", "_")
        found = getattr(importlib.import_module(f"nf2ff.cli.{file}"), file)
        assert isinstance(found, click.Command)
        return found

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write what --help says of each command, without importing one."""
        del ctx
        with formatter.section("Commands"):
            formatter.write_dl(sorted(COMMANDS.items()))


@click.group("nf2ff", cls=Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(nf2ff.__version__, prog_name="nf2ff")
def main() -> None:
    """Near-field samples of an antenna on a sphere become its far field, with numbers.

    Radiated power and moving positioners can hurt: follow your laboratory's rules.
    """

"""The commands. Degrees, GHz, dB and dBm live here and in reports, nowhere below."""

from __future__ import annotations

import importlib
import signal
import sys
import warnings
from typing import Any, NoReturn

import click

import nf2ff
from nf2ff.messages.input_error import in_one_line

#: What --help says of each command. Its file is imported when the command is asked for, and
#: imports all that it needs then.
COMMANDS = {
    "align": "Find what is wrong with a set-up, and correct its scan.",
    "compare": "Compare two results or patterns.",
    "demo": "Simulate a scan, transform it, and compare with the truth.",
    "design-range": "Design a plane-wave array or a compact range.",
    "export": "Write a result as tables, cuts or a pattern file.",
    "filter-modes": "Suppress echoes by the size of the antenna.",
    "import": "Turn tables of samples or probe patterns into native files.",
    "inspect": "Say what a file holds.",
    "locate": "Say where in its box an antenna radiates.",
    "plan": "Plan a scan, and say which range suits.",
    "plot": "Draw patterns, scans, and figures over frequency.",
    "quiet-zone": "Evaluate a measured quiet zone.",
    "report": "Write a report of a result as one page.",
    "simulate": "Write the scan of an antenna made of dipoles.",
    "study": "Show how errors grow.",
    "transform": "Turn samples into modes and far field.",
    "trp": "Give TRP or TIS of a table of powers.",
    "uncertainty": "Say how sure the figures of a scan are.",
}


#: Signals that ask a command to stop, as Ctrl-C does (SIGINT); the last one that came.
_STOPS = [signal.SIGINT]
#: Longest time that a command may be given [s].
LONGEST_S = 1e9


def fail(message: str, code: int = 1) -> NoReturn:
    """End with a line on standard error."""
    click.echo(f"nf2ff: {in_one_line(message)}", err=True)
    sys.exit(code)


def stop_by_signals() -> None:
    """Let requests to end, or the end of a terminal, stop a command as Ctrl-C does, unless ignored."""

    def stop(number: int, _: object) -> NoReturn:
        _STOPS.append(signal.Signals(number))
        raise KeyboardInterrupt

    for name in ("SIGTERM", "SIGHUP"):
        number = getattr(signal, name, None)  # Windows has no SIGHUP
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, stop)


def stopped_by() -> signal.Signals:
    """The signal that stopped a command; 128 more is its exit code, as shells have it."""
    return _STOPS[-1]


class Commands(click.Group):
    """Commands that are imported when they are asked for, and end in one line where they fail."""

    def main(self, *args: Any, **kwargs: Any) -> Any:
        """Run one of them: of its output, also that of --help, a full disk may hold only a part."""
        # What a figure lacks is told in words. Whoever asks Python for warnings, or tests, gets them.
        warnings.filterwarnings("ignore", category=RuntimeWarning, append=True)
        try:
            return super().main(*args, **kwargs)
        except OSError as error:
            fail(f"the output cannot be written ({error.strerror})")

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        """Keep the words of the command for a process of its own."""
        given = list(args)
        try:
            rest = super().parse_args(ctx, args)
        except KeyboardInterrupt:
            fail("stopped", 128 + stopped_by())
        ctx.obj = given[len(given) - len(rest) - 1 :]
        return rest

    def invoke(self, ctx: click.Context) -> Any:
        """Run one of them until it ends, is stopped, or its time is over."""
        seconds = ctx.params.get("time_limit_s")
        try:
            if seconds is None:
                return super().invoke(ctx)
            if not seconds <= LONGEST_S:
                fail(f"--time-limit-s is {seconds:g}, expected seconds above 0, at most {LONGEST_S:g}", 2)
            code = importlib.import_module("nf2ff.cli.limited").run_limited(ctx.obj, seconds)
            if code is None:
                fail(f"ended after {seconds:g} s, not done: give it more time, or do not trust its files")
            if code < 0:
                fail(f"the command was ended by signal {-code}, as when a file makes a library crash")
            sys.exit(code)
        except KeyboardInterrupt:
            fail("stopped", 128 + stopped_by())

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
@click.option(
    "--time-limit-s",
    type=click.FloatRange(min=0, min_open=True),
    help="End the command after this time, whatever it is doing: for untrusted files.",
)
def main(time_limit_s: float | None) -> None:
    """Near-field samples of an antenna on a sphere become its far field, with numbers.

    Radiated power and moving positioners can hurt: follow your laboratory's rules.
    """
    del time_limit_s  # `Commands.invoke` has seen to it

"""What commands share that take long: processes, bars, templates of their descriptions."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import click
from tqdm import tqdm

from nf2ff.messages.input_error import InputError

#: What takes longer is told of while it lasts, and how often that is renewed [s].
PATIENCE, RENEWED = 2.0, 0.5

jobs_option = click.option(
    "--jobs", type=int, default=-1, show_default=True, help="Processes that make draws; -1 for one a core."
)


def template_option(template: Callable[..., str], words: str, *names: str) -> Callable[..., Any]:
    """Option --template: prints what ``template`` gives, of several for the name, and ends the command."""

    def show(context: click.Context, _: click.Parameter, wanted: Any) -> None:
        if wanted and not context.resilient_parsing:
            click.echo(template(wanted) if names else template(), nl=False)
            context.exit()

    how: dict[str, Any] = {"type": click.Choice(names)} if names else {"is_flag": True}
    return click.option("--template", is_eager=True, expose_value=False, callback=show, help=words, **how)


def check_jobs(jobs: int) -> None:
    """Refuse no process at all."""
    if jobs == 0:
        raise InputError("--jobs is 0, expected a number of processes, or -1 for one a core")


@contextmanager
def draws_bar(total: int) -> Iterator[Callable[[int], None]]:
    """A bar on standard error, where that is a terminal."""
    with tqdm(
        total=total, desc="draws", file=sys.stderr, disable=None if total else True, leave=False
    ) as bar:
        yield lambda done: bar.update(done - bar.n) and None


@contextmanager
def working(words: str) -> Iterator[None]:
    """What is done and for how long, on standard error where that is a terminal, once it takes long."""
    if not on_terminal():
        yield
        return
    done = threading.Event()

    def show() -> None:
        if done.wait(PATIENCE):
            return
        with tqdm(desc=words, bar_format="{desc}, {elapsed}", file=sys.stderr, leave=False) as bar:
            bar.start_t -= PATIENCE
            while not done.wait(RENEWED):
                bar.refresh()

    thread = threading.Thread(target=show, daemon=True)
    thread.start()
    try:
        yield
    finally:
        done.set()
        thread.join()


def tell(line: str) -> None:
    """A line on standard error, also while `working` says something there."""
    tqdm.write(line, file=sys.stderr)


def on_terminal() -> bool:
    """Whether people see what goes to standard error as it comes."""
    return sys.stderr.isatty()

"""What the commands that make draws share: processes and a bar; and templates of descriptions."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import click
from tqdm import tqdm

from nf2ff.messages.input_error import InputError

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

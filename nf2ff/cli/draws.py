"""What the commands that make draws share: processes and a bar."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click
from tqdm import tqdm

from nf2ff.messages.input_error import InputError

jobs_option = click.option(
    "--jobs", type=int, default=-1, show_default=True, help="Processes that make draws; -1 for one per core."
)


def check_jobs(jobs: int) -> None:
    """Refuse no process at all."""
    if jobs == 0:
        raise InputError("--jobs is 0, expected a number of processes, or -1 for one per core")


@contextmanager
def draws_bar(total: int) -> Iterator[Callable[[int], None]]:
    """A bar on standard error, where that is a terminal."""
    with tqdm(
        total=total, desc="draws", file=sys.stderr, disable=None if total else True, leave=False
    ) as bar:
        yield lambda done: bar.update(done - bar.n) and None

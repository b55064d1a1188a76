"""What the commands that make draws share: processes, a bar, and going on with draws that were stopped."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import click
from tqdm import tqdm

from nf2ff.cli.options import FILE
from nf2ff.io import safe
from nf2ff.io.native import read_provenance
from nf2ff.messages.input_error import InputError, found_in

jobs_option = click.option(
    "--jobs", type=int, default=-1, show_default=True, help="Processes that make draws; -1 for one per core."
)

resume_option = click.option(
    "--resume",
    type=FILE,
    help="File that the same command wrote when stopped: keep its draws and make the rest.",
)


def begun(path: Path, inputs: Sequence[Path], seed: int | None) -> int:
    """Seed of the draws that were begun there, of just these inputs."""
    about = read_provenance(path)
    known = json.loads(about.get("inputs", "{}"))
    with found_in(path):
        if other := [str(x) for x in inputs if safe.sha256(x) not in known.values()]:
            raise InputError(
                f"was not made of {', '.join(other)}: what is there now differs", "leave --resume out"
            )
        found = int(about.get("rng_seed", "0"))
        if seed not in (None, found):
            raise InputError(f"has draws of the seed {found}, --seed is {seed}", "leave one of the two out")
    return found


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

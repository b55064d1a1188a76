"""Options of a command that takes scans without a phase reference."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from functools import wraps
from pathlib import Path
from typing import Any, NamedTuple

import click
import numpy as np
from tqdm import tqdm

from nf2ff.cli.options import FILE, misused
from nf2ff.io import native
from nf2ff.measurement.coherence import WAYS, Coherent, with_coherence
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.metrics.phaseless import certified_samples
from nf2ff.solver.phaseless.reconstruction import Reconstruction

#: Most decibels from a reading to the noise.
MOST_DB = 200.0


class Phaseless(NamedTuple):
    """What is asked of a scan whose phases hold within groups only."""

    coherent: Coherent | None
    noise_db: float | None
    starts: int
    seed: int
    output: Path | None

    def grouped(self, samples: Samples) -> Samples:
        """The samples in the groups asked for, or as their file has them."""
        samples = samples if self.coherent is None else with_coherence(samples, self.coherent)
        if samples.coherence is None and (self.noise_db is not None or self.output is not None):
            misused(
                "--noise-db and --found-phases are of scans without a phase reference, and the file has no "
                "groups of coherent phase (column coherence): say by --coherent which readings share a phase"
            )
        return samples

    def certified(
        self, samples: Samples, probe: Probe, degree: int
    ) -> tuple[Samples, Reconstruction, list[str]]:
        """The readings with the phases found, the reconstruction, and what is left out; with a bar."""
        noise = None
        if self.noise_db is not None:
            if not abs(self.noise_db) <= MOST_DB:
                misused(f"--noise-db is {self.noise_db:g}, expected decibels, -{MOST_DB:g} to {MOST_DB:g}")
            noise = float(np.nanmax(np.abs(samples.response)) * 10 ** (self.noise_db / 20))
        with tqdm(desc="starts", file=sys.stderr, disable=None, leave=False) as bar:

            def progress(done: int, total: int) -> None:
                bar.total = total
                bar.update(done - bar.n)

            return certified_samples(
                samples,
                probe,
                degree=degree,
                noise=noise,
                starts=self.starts,
                rng=self.seed,
                progress=progress,
            )

    def write(self, samples: Samples, provenance: Mapping[str, str], *, overwrite: bool) -> None:
        """Write the scan with the phases found, if that was asked for."""
        if self.output is not None:
            native.write_samples(self.output, samples, provenance=provenance, overwrite=overwrite)


_OPTIONS = (
    click.option(
        "--coherent",
        type=click.Choice(WAYS),
        help="Which readings share a phase, in a scan without a phase reference; as its file says if not "
        "given.",
    ),
    click.option(
        "--noise-db",
        type=float,
        metavar="DB",
        help="Without a phase reference: rms noise of a reading over the largest reading; estimated if not "
        "given.",
    ),
    click.option(
        "--starts",
        type=click.IntRange(2),
        default=8,
        show_default=True,
        help="Without a phase reference: how many random starts.",
    ),
    click.option(
        "--seed", type=click.IntRange(min=0), default=0, show_default=True, help="Seed of the random starts."
    ),
    click.option("--found-phases", type=FILE, help="Native file to write: the scan with the phases found."),
)


def phaseless_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Options on scans without a phase reference, which the command gets as one value ``phaseless``."""

    @wraps(command)
    def packed(
        *args: Any,
        coherent: Coherent | None,
        noise_db: float | None,
        starts: int,
        seed: int,
        found_phases: Path | None,
        **kwargs: Any,
    ) -> Any:
        asked = Phaseless(coherent, noise_db, starts, seed, found_phases)
        return command(*args, phaseless=asked, **kwargs)

    for option in reversed(_OPTIONS):
        packed = option(packed)
    return packed

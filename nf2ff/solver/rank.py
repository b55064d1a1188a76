"""Few directions: whether they determine the lowest waves at all, which no distance between them tells."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import mode_count
from nf2ff.messages.input_error import InputError
from nf2ff.solver.direct import dense_matrix
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.problem import Problem

#: Highest degree that is looked at: from the next on, gaps between samples count as such.
HIGHEST = 4
#: Singular value, relative to the largest, below which a wave is not determined: noise of -60 dB would
#: be as strong as the wave.
LEAST = 1e-3
#: Samples that are looked at first; they mostly settle it.
SOME = 1000


def refuse_few_directions(prepared: Problem) -> None:
    """Refuse samples that do not determine all waves of a low degree, or are no more than their number.

    Parameters
    ----------
    prepared : Problem
        Samples of which none is missing, and the degree they are to be solved for.

    Raises
    ------
    ValueError
        It says how many waves are determined.
    """
    degree, samples = prepared.degree, prepared.samples
    if degree > HIGHEST:
        return
    count, unknowns = samples.port.size, mode_count(degree)
    readings, rank = 0, 0
    for most in (SOME, count):
        pick = np.zeros(count, bool)
        pick[np.random.default_rng(0).permutation(count)[:most]] = True
        readings, rank = _readings(prepared, pick), _rank(prepared, pick)
        if readings > unknowns and rank == unknowns:
            return
        if count <= most:
            break
    remedy = "measure in more directions, all around the antenna, with two polarisations each"
    if degree > 1:
        remedy += ", or take a lower degree"
    if rank < unknowns:
        what = f"the {count} samples determine {rank} of the {unknowns} waves of degree {degree}"
        raise InputError(what, remedy)
    who = f"the {count} samples" if readings == count else f"the {readings} different ones of {count} samples"
    what = (
        f"{who} are no more than the {unknowns} unknowns of degree {degree}: they would fit whatever was read"
    )
    raise InputError(what, remedy)


def _readings(prepared: Problem, pick: NDArray[np.bool_]) -> int:
    """How many of some samples differ in position or polarisation."""
    theta, phi, chi, radius = (x[pick] for x in prepared.samples.place(0))
    columns = [theta, phi, np.mod(chi, math.pi), radius, prepared.samples.port[pick]]
    return len(np.unique(np.round(np.stack(columns, axis=1), 9), axis=0))


def _rank(prepared: Problem, pick: NDArray[np.bool_]) -> int:
    """How many waves some samples determine."""
    one = prepared.samples.part((0,), pick)
    matrix = dense_matrix(
        plan_geometry(one), prepared.probe, frequency=float(one.frequency[0]), degree=prepared.degree
    )
    norm = np.linalg.norm(matrix, axis=0)
    values = np.linalg.svd(matrix / np.where(norm > 0, norm, 1), compute_uv=False)
    return int(np.count_nonzero(values > LEAST * values[0]))

"""How many degrees: what the samples determine, and what the antenna needs."""

from __future__ import annotations

import math
import operator

import numpy as np

from nf2ff.antenna.grids import Grid, grid_for_degree
from nf2ff.antenna.modes import mode_count, required_degree, wavenumber
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver.coverage import Coverage

#: Power that may lie above the degree taken for an antenna within a known sphere [dB]: a far-field
#: error of 1e-10, which costs a few degrees more than a tolerable one would.
DEGREE_TAIL_DB = -200.0
#: Samples for each unknown from which a degree is taken without being asked for, where they are no
#: full grid.
REDUNDANCY = 1.5


def whole(degree: int) -> int:
    """The degree a user asks for; what is no whole number from 1 is refused."""
    try:
        found = operator.index(degree)
    except TypeError:
        raise InputError(
            f"degree is {degree!r}, expected a whole number", "write it without a decimal point"
        ) from None
    if found < 1:
        raise InputError(f"degree is {degree}, expected at least 1")
    return found


def count_limit(samples: Samples) -> int:
    """Largest degree whose unknowns are no more than the samples of every frequency."""
    count = samples.response.shape[1]
    if samples.any_missing:
        count = int((~np.isnan(samples.response)).sum(axis=1).min())
    return max(0, math.isqrt(count // 2 + 1) - 1)


def scattered_limit(samples: Samples, coverage: Coverage) -> int:
    """Largest degree to take from samples that are no full grid without being asked.

    What density and spacing of the positions allow, and `REDUNDANCY`, counted over the part of the
    sphere that was seen.
    """
    top = count_limit(samples)
    if top < 1:
        return top
    seen = max(0.5, 1 - float(coverage.unseen(top).mean()))
    pairs = (top + 1) ** 2 / (REDUNDANCY * seen)
    return max(1, min(top, math.isqrt(int(pairs + 1)) - 1, coverage.supported_degree()))


def sampled_degree(grid: Grid) -> int:
    """Largest degree to take from a full grid without being asked; one without any is refused.

    A grid that starts one step from the poles determines twice what its quadrature does, by
    least squares.
    """
    if grid.degree < 1:
        rings = grid_for_degree(1, rule=grid.rule).theta.size
        raise InputError(
            f"the grid of {grid.theta.size} x {grid.phi.size} positions (theta x phi) determines "
            "no wave at all",
            f"degree 1 needs at least {rings} angles theta and 3 equal steps in phi over the full "
            "circle, since a cut does not determine the field beside it",
        )
    if grid.rule == "fejer-2":
        return min(grid.theta.size, (grid.phi.size - 1) // 2)
    return grid.degree


def choose_degree(
    samples: Samples, degree: int | None, limit: int, minimum_radius: float | None
) -> tuple[int, str]:
    """The degree to solve for and why, at most ``limit``; what asks for more is refused."""
    who = f"the {samples.response.shape[1]} samples"
    if degree is not None:
        if degree > limit:
            raise InputError(
                f"{who} determine degree {limit} at most, not {degree}, which needs "
                f"at least {mode_count(degree)} samples (its unknowns) in steps of at most "
                f"{180 / degree:.4g} deg in theta and {360 / (2 * degree + 1):.4g} deg in phi"
            )
        return degree, "given"
    if limit < 1:
        raise InputError(f"{who} are fewer than the 6 unknowns of degree 1", "measure more")
    k = float(wavenumber(samples.frequency.max()))
    if minimum_radius is not None:
        needed = required_degree(k * minimum_radius, tail_db=DEGREE_TAIL_DB)
        if needed <= limit:
            return needed, (
                f"minimum sphere of {minimum_radius:.6g} m, k r0 = {k * minimum_radius:.4g}, "
                f"{DEGREE_TAIL_DB:g} dB of the power above"
            )
        least = required_degree(k * minimum_radius, tail_db=-30.0)
        if least > limit:
            raise InputError(
                f"the samples determine degree {limit}, an antenna of minimum sphere "
                f"{minimum_radius:.6g} m (k r0 = {k * minimum_radius:.4g}) needs at least {least}",
                f"steps of at most {180 / least:.4g} deg",
            )
        return limit, (
            f"sampling; the minimum sphere of {minimum_radius:.6g} m asks for {needed} at "
            f"{DEGREE_TAIL_DB:g} dB"
        )
    # The antenna lies within the sphere on which it is measured.
    kr = k * samples.farthest
    # More than kr is needed in any case: a far sphere is not searched.
    inside = required_degree(kr, tail_db=DEGREE_TAIL_DB) if kr < limit else limit
    if inside < limit:
        return inside, "radius of the scan (it encloses the antenna)"
    return limit, "sampling"

"""From samples to modes."""

from __future__ import annotations

import math
import sys
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff import inversion, spin
from nf2ff.grid import Grid
from nf2ff.modes import Modes, mode_count, required_degree, wavenumber
from nf2ff.operator import TransmissionOperator, plan_geometry
from nf2ff.probe import Probe, response_constants
from nf2ff.samples import Samples
from nf2ff.scan import GridScan, NotAGridError, recognise_grid


@dataclass(frozen=True, slots=True)
class Quadrature:
    """Non-iterative solution on a full regular grid, for probes of azimuthal orders +-1.

    Parameters
    ----------
    threads : int or None
        Threads, None for all.
    """

    threads: int | None = None


@dataclass(frozen=True, slots=True)
class LeastSquares:
    """Conjugate gradients on any sample set.

    Parameters
    ----------
    rtol : float
        Fall of the gradient of the squared residual at which to stop.
    max_iterations : int
        Most steps.
    damping : float
        Weight of the solution's norm against the residual's; 0 for none.
    threads : int or None
        Threads, None for all.
    """

    rtol: float = 1e-9
    max_iterations: int = 200
    damping: float = 0.0
    threads: int | None = None

    def __post_init__(self) -> None:
        if not 0 < self.rtol < 1:
            msg = f"rtol is {self.rtol}, expected between 0 and 1"
            raise ValueError(msg)
        if self.max_iterations < 1:
            msg = f"max_iterations is {self.max_iterations}, expected at least 1"
            raise ValueError(msg)
        if not (self.damping >= 0 and math.isfinite(self.damping)):
            msg = f"damping is {self.damping}, expected a finite number >= 0"
            raise ValueError(msg)


@dataclass(frozen=True, slots=True)
class Direct:
    """Dense matrix and singular values, the oracle for small degrees."""


Method = Quadrature | LeastSquares | Direct


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Modes, and what the solver has to say of them.

    Parameters
    ----------
    modes : Modes
        The result.
    residual : (F,) ndarray
        Norm of (responses - model) over norm of responses; for a quadrature on up to 16 rings
        spread evenly over the grid.
    iterations : (F,) ndarray of int
        Steps of the iteration, 0 for a method without any.
    status : str
        How the solution was reached.
    degree_reason : str
        Why this degree was taken.
    tail_db : (F,) ndarray
        Power in the last two degrees relative to all [dB].
    warnings : tuple of tuple of str
        For each frequency, sentences on what to beware of.
    """

    modes: Modes
    residual: NDArray[np.float64]
    iterations: NDArray[np.int64]
    status: str
    degree_reason: str
    tail_db: NDArray[np.float64]
    warnings: tuple[tuple[str, ...], ...]


#: Radiated power of an antenna of known minimum sphere that may lie above the degree taken [dB].
DEGREE_TAIL_DB = -100.0


def solve(
    samples: Samples,
    probe: Probe,
    *,
    degree: int | None = None,
    method: Method | None = None,
    minimum_radius: float | None = None,
) -> Solution:
    """Spherical modes of an antenna from samples of its near field.

    Parameters
    ----------
    samples : Samples
        Responses and positions.
    probe : Probe
        The probe that took them.
    degree : int, optional
        Degree N. Otherwise from ``minimum_radius`` if given, else from the sampling, the radius
        and the mode power spectrum.
    method : Quadrature, LeastSquares or Direct, optional
        Otherwise Quadrature where the samples are a full grid that supports the degree.
    minimum_radius : float, optional
        Radius r0 of the smallest sphere about the origin that holds the antenna [m].

    Returns
    -------
    Solution

    Raises
    ------
    ValueError
        If the samples are fewer than the unknowns, too coarse for the antenna, inside its
        reactive zone or its minimum sphere, or of another unit than the probe.
    """
    reference = _check_units(samples, probe)
    _check_radius(samples, minimum_radius)
    scan = _find_grid(samples, probe, method)
    limit = _count_limit(samples)
    grid_degree = 0
    if scan is not None:
        grid_degree = min(scan.grid.degree, limit)
        limit = min(_sampled_degree(scan.grid), limit)
    chosen, reason = _choose_degree(
        samples, degree, limit if degree is None else _most(limit, grid_degree), minimum_radius
    )
    if method is None:
        method = Quadrature() if scan is not None and chosen <= grid_degree + 1 else LeastSquares()
        if scan is not None and scan.grid.rule == "fejer-2" and chosen > grid_degree:
            method = LeastSquares()
    if isinstance(method, Quadrature) and chosen == grid_degree + 1:
        reason += f"; the grid determines degree {grid_degree}, degree {chosen} is left zero"
    modes, estimates = _run(samples, scan, probe, min(chosen, _top(method, grid_degree)), method)
    if degree is None and minimum_radius is None:
        cut, why = _above_noise(samples, probe, modes)
        if cut < modes.degree:
            reason = f"{why} ({reason} would allow {modes.degree})"
            if isinstance(method, Quadrature):
                modes = modes.truncate(cut)
            else:
                modes, estimates = _run(samples, scan, probe, cut, method)
        chosen = modes.degree
    modes = modes.extend(chosen)
    modes = Modes(modes.frequency, modes.coefficients, reference)
    tail_db, warnings = _judge(modes, automatic=degree is None and minimum_radius is None)
    for notes, e in zip(warnings, estimates, strict=True):
        if not e.converged:
            notes.append(
                f"the iteration stopped after {e.iterations} steps before it converged: "
                "raise max_iterations or lower the degree"
            )
    return Solution(
        modes,
        np.array([e.residual for e in estimates]),
        np.array([e.iterations for e in estimates]),
        _status(method, scan, estimates),
        reason,
        tail_db,
        tuple(tuple(w) for w in warnings),
    )


def _top(method: Method, grid_degree: int) -> int:
    """Largest degree that the method itself can solve for."""
    return grid_degree if isinstance(method, Quadrature) else sys.maxsize


def _most(limit: int, grid_degree: int) -> int:
    """Largest degree a user may ask for.

    One more than a full grid determines is allowed, and left zero: the customary rule of steps
    pi/N and 2 pi / 2N gives just that grid.
    """
    return max(limit, grid_degree + 1) if grid_degree else limit


def _sampled_degree(grid: Grid) -> int:
    """Largest degree to take from a full grid without being asked.

    A grid that starts one step from the poles determines twice what its quadrature does, by
    least squares.
    """
    if grid.rule == "fejer-2":
        return min(grid.theta.size, (grid.phi.size - 1) // 2)
    return grid.degree


def _status(
    method: Method, scan: GridScan | None, estimates: list[inversion.Estimate]
) -> str:
    if isinstance(method, Direct):
        return "dense least squares"
    if isinstance(method, Quadrature) and scan is not None:
        size = f"{scan.grid.theta.size} x {scan.grid.phi.size}"
        return f"quadrature on a {scan.grid.rule} grid of {size} positions"
    if all(e.converged for e in estimates):
        return "least squares by conjugate gradients"
    return "least squares by conjugate gradients, stopped before convergence"


def _check_units(samples: Samples, probe: Probe) -> Any:
    if "relative" in (samples.response_unit, probe.response_unit):
        return "relative"
    if samples.response_unit != probe.response_unit:
        msg = (
            f"the responses are in {samples.response_unit}, the probe answers in "
            f"{probe.response_unit}: state the unit of the responses or give the probe that took "
            "them"
        )
        raise ValueError(msg)
    return "absolute"


def _check_radius(samples: Samples, minimum_radius: float | None) -> None:
    nearest = float(samples.radius.min())
    k = float(wavenumber(samples.frequency.min()))
    if k * nearest <= 1:
        msg = (
            f"radius is {nearest:.6g} m, within the reactive zone of any antenna (below "
            f"wavelength / 2 pi = {1 / k:.6g} m at {samples.frequency.min() / 1e9:.6g} GHz): check "
            "the unit of the radius (m) and of the frequency (Hz)"
        )
        raise ValueError(msg)
    if minimum_radius is None:
        return
    if not (minimum_radius > 0 and math.isfinite(minimum_radius)):
        msg = f"minimum_radius is {minimum_radius} m, expected a finite number > 0"
        raise ValueError(msg)
    if nearest <= minimum_radius:
        msg = (
            f"radius is {nearest:.6g} m, inside the antenna's minimum sphere of "
            f"{minimum_radius:.6g} m: measure outside it or correct minimum_radius"
        )
        raise ValueError(msg)


def _find_grid(samples: Samples, probe: Probe, method: Method | None) -> GridScan | None:
    """The full grid that a quadrature may use, None if there is none and none is demanded."""
    if isinstance(method, LeastSquares | Direct):
        return None
    m = np.array([-1, -1, 0, 0, 1, 1])
    if probe.degree > 1 or probe.coefficients[:, :, m == 0].any():
        if method is None:
            return None
        msg = "a quadrature needs a probe of azimuthal orders +-1: use LeastSquares"
        raise ValueError(msg)
    try:
        return recognise_grid(samples)
    except NotAGridError as error:
        if method is None:
            return None
        msg = f"the samples are not a full regular grid: {error}; use LeastSquares"
        raise ValueError(msg) from None


def _count_limit(samples: Samples) -> int:
    """Largest degree whose unknowns are no more than the samples of every frequency."""
    count = samples.response.shape[1]
    if np.isnan(samples.response.sum()):
        count = int((~np.isnan(samples.response)).sum(axis=1).min())
    return max(0, math.isqrt(count // 2 + 1) - 1)


def _choose_degree(
    samples: Samples, degree: int | None, limit: int, minimum_radius: float | None
) -> tuple[int, str]:
    count = samples.response.shape[1]
    if degree is not None:
        if degree < 1:
            msg = f"degree is {degree}, expected at least 1"
            raise ValueError(msg)
        if degree > limit:
            msg = (
                f"degree {degree} has {mode_count(degree)} unknowns, more than the {count} samples "
                f"determine: it needs at least {mode_count(degree)} samples in steps of at most "
                f"{180 / degree:.4g} deg in theta and {360 / (2 * degree + 1):.4g} deg in phi; "
                f"take those or a degree of at most {limit}"
            )
            raise ValueError(msg)
        return degree, "given"
    if limit < 1:
        msg = f"{count} samples are fewer than the 6 unknowns of degree 1: measure more"
        raise ValueError(msg)
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
            msg = (
                f"the samples determine degree {limit}, an antenna of minimum sphere "
                f"{minimum_radius:.6g} m (k r0 = {k * minimum_radius:.4g}) needs at least {least}: "
                f"steps of at most {180 / least:.4g} deg"
            )
            raise ValueError(msg)
        return limit, (
            f"sampling; the minimum sphere of {minimum_radius:.6g} m asks for {needed} at "
            f"{DEGREE_TAIL_DB:g} dB"
        )
    # The antenna lies within the sphere on which it is measured.
    inside = required_degree(k * float(samples.radius.max()), tail_db=DEGREE_TAIL_DB)
    if inside < limit:
        return inside, "radius of the scan, which encloses the antenna"
    return limit, "sampling"


def _quadrature(
    samples: Samples, scan: GridScan, probe: Probe, degree: int, threads: int
) -> list[inversion.Estimate]:
    count = samples.frequency.size
    parallel = count >= 2 * threads

    def one(index: int) -> inversion.Estimate:
        matrix = inversion.quadrature_matrix(
            probe, frequency=float(samples.frequency[index]), radius=scan.radius, degree=degree
        )
        return inversion.by_quadrature(
            scan, samples.response[index], matrix, threads=1 if parallel else threads
        )

    jobs = [partial(one, i) for i in range(count)]
    return spin.run(jobs, threads if parallel else 1)


def _dense(samples: Samples, probe: Probe, degree: int) -> list[inversion.Estimate]:
    result = []
    for i, frequency in enumerate(samples.frequency):
        part = samples.at_frequency(i)
        matrix = inversion.dense_matrix(
            plan_geometry(part), probe, frequency=float(frequency), degree=degree
        )
        result.append(inversion.by_dense_matrix(matrix, part.response[0]))
    return result


def _iterate(
    samples: Samples, probe: Probe, degree: int, method: LeastSquares
) -> list[inversion.Estimate]:
    threads = spin.thread_count(method.threads)
    result = []
    for i, frequency in enumerate(samples.frequency):
        part = samples.at_frequency(i)
        geometry = plan_geometry(part)
        operator = TransmissionOperator(
            geometry, probe, float(frequency), degree, 1e-3 * method.rtol, threads
        )
        weights = inversion.area_weights(geometry, degree=degree, threads=threads)
        estimate, _ = inversion.by_conjugate_gradients(
            operator, part.response[0], weights=weights, rtol=method.rtol,
            max_iterations=method.max_iterations, damping=method.damping,
        )  # fmt: skip
        result.append(estimate)
    return result


def _run(
    samples: Samples, scan: GridScan | None, probe: Probe, degree: int, method: Method
) -> tuple[Modes, list[inversion.Estimate]]:
    if isinstance(method, Quadrature):
        assert scan is not None
        threads = spin.thread_count(method.threads)
        estimates = _quadrature(samples, scan, probe, degree, threads)
    elif isinstance(method, Direct):
        estimates = _dense(samples, probe, degree)
    else:
        estimates = _iterate(samples, probe, degree, method)
    coefficients = np.stack([e.coefficients for e in estimates])
    return Modes(samples.frequency, coefficients), estimates


def _above_noise(samples: Samples, probe: Probe, modes: Modes) -> tuple[int, str]:
    """Degree above which there is nothing but a flat floor of noise, and how that was seen.

    White noise of the samples has the same power in every coefficient of the field received. The
    floor is the mean over the top quarter of the degrees, taken for noise only if it is flat:
    the two halves of that quarter agree within 3 dB.
    """
    top = modes.degree
    if top < 12:
        return top, ""
    n = np.arange(1, top + 1)
    middle = float(np.median(samples.radius))
    received = np.empty((modes.frequency.size, top))
    for f, frequency in enumerate(modes.frequency):
        p = response_constants(probe, frequency=float(frequency), radius=[middle], degree=top)
        gain = np.sum(np.abs(p[:, 0]) ** 2, axis=(0, 1))
        power = np.abs(modes.coefficients[f].reshape(-1, 2)) ** 2
        by_degree = np.add.reduceat(power, n * n - 1)
        gain[~np.isfinite(gain)] = 0
        # The gain holds the factor (2n+1)/4 pi of unnormalised functions, and a degree has
        # 2 (2n+1) coefficients.
        received[f] = (by_degree * gain).sum(axis=1) / (2 * n + 1) ** 2
    upper = received[:, (3 * top) // 4 :]
    half = upper.shape[1] // 2
    low, high = upper[:, :half].mean(axis=1), upper[:, half:].mean(axis=1)
    if not np.all((low < 2 * high) & (high < 2 * low)):
        return top, ""
    floor = np.maximum(low, high)[:, None]
    # 4 times the floor: the mean of 2 (2n+1) exponential values exceeds that by chance in fewer
    # than one case in a million from degree 3 on.
    above = np.flatnonzero((received > 4 * floor).any(axis=0))
    if not above.size:
        return top, ""
    level = 10 * np.log10((floor[:, 0] / received.max(axis=1)).max())
    cut = min(top, int(above[-1]) + 3)
    return cut, (
        f"spectrum: above degree {cut - 2} the field received is a flat floor, {level:.0f} dB per "
        "coefficient below the strongest degree"
    )


def _judge(modes: Modes, *, automatic: bool) -> tuple[NDArray[np.float64], list[list[str]]]:
    """Tail of the power spectrum [dB], and warnings; a hopeless automatic degree is refused."""
    power = modes.power_spectrum()
    total = power.sum(axis=1)
    if np.any(total == 0):
        f = int(np.argmax(total == 0))
        msg = f"all responses are zero at {modes.frequency[f] / 1e9:.9g} GHz"
        raise ValueError(msg)
    with np.errstate(divide="ignore"):
        tail_db = 10 * np.log10(power[:, -2:].sum(axis=1) / total)
        density = power / (2 * (2 * np.arange(1, modes.degree + 1) + 1))
        mean = total / mode_count(modes.degree)
        top_db = 10 * np.log10(density[:, -2:].mean(axis=1) / mean)
    warnings: list[list[str]] = [[] for _ in total]
    for f, frequency in enumerate(modes.frequency / 1e9):
        if automatic and modes.degree >= 4 and top_db[f] > -10:
            msg = (
                f"the sampling is too coarse for this antenna at {frequency:.9g} GHz: at degree "
                f"{modes.degree}, the largest it determines, the modes are only {-top_db[f]:.0f} dB "
                "below the average; use finer steps, or give a degree to accept the error"
            )
            raise ValueError(msg)
        if top_db[f] > -40:
            warnings[f].append(
                f"the mode spectrum has not fallen off at degree {modes.degree} (last degrees "
                f"{tail_db[f]:.1f} dB of the power): it is truncated, or the data are noisy; "
                "raise the degree or use finer steps"
            )
    return tail_db, warnings


__all__ = ["Direct", "LeastSquares", "Method", "Quadrature", "Solution", "solve"]

"""What a solver found: the modes, what it has to say of them, and how to solve alike again."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import AnyFarField
from nf2ff.antenna.fields import far_field_grid
from nf2ff.antenna.modes import Modes, mode_count
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.notice import Notice
from nf2ff.solver.coverage import Coverage
from nf2ff.solver.problem import Problem
from nf2ff.solver.strategy import LeastSquares


@dataclass(frozen=True, slots=True, eq=False)
class Part:
    """Frequencies of a scan with the same samples, and what solves them: no other's gap matters.

    Parameters
    ----------
    frequencies : tuple of int
        Which of the scan's frequencies.
    which : slice or (M,) ndarray of bool
        Samples that are there at these frequencies.
    prepared : Problem
        Solver of this part.
    """

    frequencies: tuple[int, ...]
    which: slice | NDArray[np.bool_]
    prepared: Problem

    @property
    def damped(self) -> bool:
        """Whether the solution is held back where the samples do not determine it."""
        return bool(getattr(self.prepared.method, "damping", None))

    def take(self, samples: Samples) -> Samples:
        """This part of the whole scan's samples."""
        return samples.part(self.frequencies, self.which)


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """Modes, and what the solver has to say of them.

    Parameters
    ----------
    modes : Modes
        The result; zero above the degree of each frequency.
    degree : (F,) ndarray of int
        Degree N found for each frequency: the same where the same samples are there.
    residual : (F,) ndarray
        Norm of (responses - model) over norm of responses; for a quadrature on 8 to 16
        rings spread evenly over the grid.
    iterations : (F,) ndarray of int
        Steps of the iteration, 0 for a method without any.
    status : str
        How the solution was reached.
    degree_reason : str
        Why this degree was taken.
    tail_db : (F,) ndarray
        Power in the last two degrees relative to all [dB].
    noise_floor : (F,) ndarray
        Relative rms noise of a sample, estimated from the residual and the redundancy
        1 - J/M; NaN where less than a tenth of the samples is redundant.
    coverage : tuple of (Coverage or None)
        For each frequency, what the samples saw of the sphere; None on a full regular grid.
    warnings : tuple of tuple of Notice
        For each frequency, what to beware of.
    doubts : tuple of tuple of Notice
        Those of them that are on single readings, which may be the cause of the others.
    parts : tuple of Part
        What solved each set of frequencies, for solving other responses in the same way.
    samples : Samples
        What was solved, as it was recorded.
    """

    modes: Modes
    degree: NDArray[np.int64]
    residual: NDArray[np.float64]
    iterations: NDArray[np.int64]
    status: str
    degree_reason: str
    tail_db: NDArray[np.float64]
    noise_floor: NDArray[np.float64]
    coverage: tuple[Coverage | None, ...]
    warnings: tuple[tuple[str, ...], ...]
    doubts: tuple[tuple[Notice, ...], ...]
    parts: tuple[Part, ...]
    samples: Samples

    @property
    def probe(self) -> Probe:
        """The probe at the scan's frequencies, with the azimuthal orders that were solved with."""
        return self.parts[0].prepared.probe

    @property
    def damped(self) -> bool:
        """Whether any part is held back where the samples do not determine it."""
        return any(part.damped for part in self.parts)

    def part_of(self, index: int) -> tuple[Part, int]:
        """The part that solved a frequency, and which of its own frequencies that is."""
        part = next(part for part in self.parts if index in part.frequencies)
        return part, part.frequencies.index(index)

    def degree_text(self) -> str:
        """The degree found, or from which to which where frequencies differ in it."""
        low, high = int(self.degree.min()), int(self.degree.max())
        return f"{low}" if low == high else f"{low} to {high}"

    @property
    def partial(self) -> NDArray[np.bool_]:
        """Whether a part of the sphere lacks a component of the field, (F,).

        TRP and directivity then leave out what is radiated there.
        """
        return np.array(
            [
                seen is not None and bool(seen.unseen(int(n)).any())
                for seen, n in zip(self.coverage, self.degree, strict=True)
            ]
        )


def join_parts(parts: Sequence[Part], rows: Sequence[NDArray[Any]], degree: int) -> NDArray[Any]:
    """Coefficients (F, J) of all frequencies from those (F', J') of each part, J' <= J."""
    count = sum(len(part.frequencies) for part in parts)
    joined = np.zeros((count, mode_count(degree)), dtype=complex)
    for part, q in zip(parts, rows, strict=True):
        joined[list(part.frequencies), : q.shape[1]] = q
    return joined


def join(found: list[Solution], samples: Samples) -> Solution:
    """One solution of a scan's samples from those of its parts."""
    parts = tuple(part for one in found for part in one.parts)
    order = np.argsort(np.concatenate([part.frequencies for part in parts]))
    top = max(one.modes.degree for one in found)
    q = join_parts(parts, [one.modes.coefficients for one in found], top)
    modes = Modes(samples.frequency, q, found[0].modes.reference)
    joined: dict[str, Any] = {"modes": modes, "parts": parts, "samples": samples}
    for name in ("degree", "residual", "iterations", "tail_db", "noise_floor"):
        joined[name] = np.concatenate([getattr(one, name) for one in found])[order]
    for name in ("coverage", "warnings", "doubts"):
        every = [x for one in found for x in getattr(one, name)]
        joined[name] = tuple(every[i] for i in order)
    for name in ("status", "degree_reason"):
        joined[name] = _told_once(found, name, samples)
    return Solution(**joined)


def _told_once(found: list[Solution], name: str, samples: Samples) -> str:
    """What is said of the parts: each sentence once, with its frequencies where they differ."""
    told: dict[str, list[float]] = {}
    for one in found:
        ghz = samples.frequency[list(one.parts[0].frequencies)] / 1e9
        told.setdefault(getattr(one, name), []).extend(ghz.tolist())
    if len(told) == 1:
        return next(iter(told))
    return "; ".join(
        f"{text} ({min(ghz):.9g} GHz)"
        if len(ghz) == 1
        else f"{text} ({len(ghz)} frequencies from {min(ghz):.9g} to {max(ghz):.9g} GHz)"
        for text, ghz in told.items()
    )


#: Fall of the gradient at which noise is followed no more: that of noise 60 dB below the samples
#: in a solution to 1e-9 and better. Waves that are hardly determined come last, with most noise.
NOISE_RTOL = 1e-6
#: Steps beyond which a few such waves may carry much of it. Realisations are then added until their
#: mean scatters by less than this part of it (0.4 dB), at most so many.
SHORT = 12
NOISE_SCATTER = 0.1
NOISE_DRAWS = 8


def noise_gain(solution: Solution, *, rng: int | np.random.Generator | None = None) -> NDArray[np.float64]:
    """Relative mean square error of the far field over relative mean square noise of the samples.

    Realisations of white noise are sent through the solver that found the solution. The result
    scatters by about sqrt(1/J), J the number of modes, where all of them are well determined.

    Parameters
    ----------
    solution : Solution
        Got from `solve`.
    rng : int or numpy.random.Generator, optional
        Source of the noise.

    Returns
    -------
    (F,) ndarray
        Ratio of powers; 10 log10 of it in dB, negative where sampling is redundant.
    """
    return noise_gains(solution, None, rng=rng)[0]


def noise_gains(
    solution: Solution, seen: AnyFarField | None, *, rng: int | np.random.Generator | None = None
) -> NDArray[np.float64]:
    """`noise_gain` of all directions, and of those that ``seen`` trusts.

    Parameters
    ----------
    solution, rng
        As in `noise_gain`.
    seen : FarField, FarFieldBlocks or None
        At the frequencies of the solution, on a grid of equal steps; marks directions that were not seen.

    Returns
    -------
    (2, F) ndarray
        Ratios of powers; the second NaN where nothing was seen.
    """
    generator = np.random.default_rng(rng)

    def powers(f: int, coefficients: NDArray[np.complex128]) -> tuple[float, float]:
        whole = float(0.5 * np.linalg.norm(coefficients) ** 2)
        if seen is None or seen.trusted is None or seen.trusted[f].all():
            return whole, whole
        one = Modes(solution.modes.frequency[f : f + 1], coefficients[None])
        field = far_field_grid(one, theta=seen.theta, phi=seen.phi)
        square = sum(np.abs(x[0]) ** 2 for x in field)
        # Up to a factor, which falls out.
        return whole, float(np.sum(square * np.sin(seen.theta)[:, None] * seen.trusted[f]))

    power = np.array([powers(f, q) for f, q in enumerate(solution.modes.coefficients)]).T
    gain = np.empty(power.shape)
    for part in solution.parts:
        prepared, rows = part.prepared, list(part.frequencies)
        method = prepared.method
        if isinstance(method, LeastSquares):
            prepared = replace(prepared, method=replace(method, rtol=_noise_rtol(method)))
        response = prepared.samples.response
        level = np.sqrt([0.5 * np.mean(np.abs(row) ** 2) for row in response])[:, None]
        found: list[list[tuple[float, float]]] = []
        while True:
            # In place and row by row: it is as large as the samples are.
            noise = np.empty(response.shape, dtype=complex)
            for row in (*noise.real, *noise.imag):
                row[:] = generator.standard_normal(row.size)
            noise *= level
            estimates = prepared.estimates(noise)
            found.append([powers(f, e.coefficients) for f, e in zip(rows, estimates, strict=True)])
            if max(e.iterations for e in estimates) <= SHORT or _settled(np.array(found)[:, :, 0]):
                break
        with np.errstate(invalid="ignore"):
            gain[:, rows] = np.mean(found, axis=0).T / power[:, rows]
    return gain


def _noise_rtol(method: LeastSquares) -> float:
    """Fall of the gradient to which noise is followed, see `NOISE_RTOL`.

    What damping holds back is found to a hundredth once the gradient has fallen by a hundredth of
    it (0.03 dB of the noise at most, measured).
    """
    return max(method.rtol, NOISE_RTOL, 0.01 * (method.damping or 0.0))


def _settled(draws: NDArray[np.float64]) -> bool:
    """Whether the mean of draws (D, F) is known to `NOISE_SCATTER`, or there are enough."""
    count = len(draws)
    if count < 2:
        return False
    scatter = draws.std(axis=0, ddof=1) / draws.mean(axis=0) / np.sqrt(count)
    return count >= NOISE_DRAWS or bool(scatter.max() < NOISE_SCATTER)


def noise_over_ideal(prepared: Problem, *, rng: int | np.random.Generator | None = None) -> float:
    """Noise in the waves found over that of evenly spread samples, as many, of one kind.

    A ratio of powers, found by one realisation at the first frequency; 1 where the operator is an
    isometry: samples of noise sigma, weighted by 8 pi / M each, then give each of the J
    coefficients the variance 8 pi sigma^2 / M. It is 1 of methods other than least squares, too.
    """
    method = prepared.method
    if not isinstance(method, LeastSquares):
        return 1.0
    generator = np.random.default_rng(rng)
    prepared = replace(prepared, method=replace(method, rtol=_noise_rtol(method))).alone(0)
    operator, weights = prepared.iteration(0)

    def white(*shape: int) -> NDArray[np.complex128]:
        pair = generator.standard_normal((2, *shape))
        return np.asarray((pair[0] + 1j * pair[1]) / np.sqrt(2))

    count = mode_count(prepared.degree)
    noise = white(*prepared.samples.response.shape)
    found = operator.from_modes(prepared.estimates(noise)[0].coefficients)
    test = operator.from_modes(operator.to_modes(operator.from_modes(white(count))))
    image = operator.forward(test)
    scale = np.sum(weights * np.abs(image) ** 2) / np.sum(np.abs(test) ** 2)
    ideal = count * 8 * np.pi / prepared.samples.response.shape[1] / scale
    return float(np.sum(np.abs(found) ** 2) / ideal)

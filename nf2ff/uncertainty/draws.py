"""From errors of a scan to errors of its result, by draws (JCGM 101:2008, from memory).

`derivatives` has the other way; the two agree where errors are small.
"""

from __future__ import annotations

import functools
import uuid
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna import fields as antenna_fields
from nf2ff.antenna.modes import Modes
from nf2ff.kernel import spin
from nf2ff.kernel.arrays import as_array, keep
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.gain_and_power import intensity
from nf2ff.solver.nearby import NearbySolver, Scan, by_least_squares
from nf2ff.solver.solution import Solution
from nf2ff.uncertainty.errors.catalogue import apply_each, simulated, solver_degree
from nf2ff.uncertainty.errors.checks import whole
from nf2ff.uncertainty.errors.error_term import ErrorTerm
from nf2ff.uncertainty.field_in_direction import TowardsFields, towards_columns
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.level_interval import PARTS
from nf2ff.uncertainty.local_figures import LocalFigures, localise
from nf2ff.uncertainty.workers import few_cores, in_order, worker_count

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
#: Gives the samples received at the positions and frequencies of samples, and with a probe.
Measure = Callable[[Samples, Probe], Samples]

#: Draws that one worker takes at once, at most: enough that planning the positions, which costs
#: about as much as a draw, does not count; as many for each of two or three threads.
BATCH = 24
#: Numbers of modes that a worker holds at most before it looks at their figures.
_TOGETHER = 2_000_000
#: Draws that a thread makes side by side, at most, and numbers of their modes.
_BESIDE, _MODES = 4, 120_000
#: What a process keeps from one portion of draws to the next, by the key of their `_Work`: this and what it
#: planned. The copy of it that each portion brings along has a probe of its own, which could be another one.
_KEPT: dict[str, tuple[_Work, NearbySolver]] = {}


@dataclass(frozen=True, slots=True, eq=False)
class Draws:
    """Figures of a scan whose errors were drawn again and again.

    Parameters
    ----------
    figures : tuple of Figure
        K figures.
    nominal : (F, K) array_like
        Values that errors are counted from: for the scan as it is, or of the reference; linear.
    values : (D, F, K) array_like
        Their values for each draw; NaN where a figure has none any more.
    error_levels : (D, F) array_like
        For each draw the power in the error of the modes relative to that of the modes.
    asked : int
        Draws asked for; fewer were made if the work was stopped.
    directions : (2, A) array_like
        theta and phi of the directions asked for; A may be 0 [rad].
    intensity : (3, F, A) array_like
        There the intensity that errors are counted from, and mean and standard deviation of the
        draws' [W/sr].
    error_signal : (F, A) array_like
        There the mean square of the error of the field over the nominal peak's field squared.
    fields : (D, F, B, 4) array_like or None
        For each draw the change of the fields behind the B figures that are levels in a direction,
        as `nf2ff.uncertainty.field_in_direction` has them.
    sums : (3, F, A) array_like or None
        There the sums over the draws of the change of the intensity [W/sr], of its square, and of the
        intensity of the error.
    batch : int
        So many draws at a time were added to the sums.

    Raises
    ------
    ValueError
        If shapes do not fit.
    """

    figures: tuple[Figure, ...]
    nominal: Real
    values: Real
    error_levels: Real
    asked: int
    directions: Real
    intensity: Real
    error_signal: Real
    fields: Real | None = None
    sums: Real | None = None
    batch: int = BATCH

    def __post_init__(self) -> None:
        values = as_array(self.values, float, "values", ndim=3, missing=True)
        count = as_array(self.directions, float, "directions", ndim=2).shape[1]
        draws, frequencies, figures = (*values.shape[:2], len(self.figures))
        shapes = {
            "nominal": (frequencies, figures),
            "values": (draws, frequencies, figures),
            "error_levels": (draws, frequencies),
            "directions": (2, count),
            "intensity": (3, frequencies, count),
            "error_signal": (frequencies, count),
            "fields": (draws, frequencies, len(towards_columns(self.figures)), PARTS),
            "sums": (3, frequencies, count),
        }
        for name, shape in shapes.items():
            keep(self, [name], float, shape=shape, of="the draws", missing=name == "values")

    @property
    def count(self) -> int:
        """Number of draws D."""
        return len(self.values)

    @property
    def error_level(self) -> Real:
        """Mean of ``error_levels``, (F,): mean square error of the far field over the sphere."""
        return np.asarray(self.error_levels.mean(axis=0))

    def lost(self) -> NDArray[np.int64]:
        """Number of draws in which each figure has no value, (F, K)."""
        return np.isnan(self.values).sum(axis=0)

    def standard_uncertainty(self) -> Real:
        """Root mean square deviation from the mean, (F, K); NaN where fewer than two have a value.

        Draws without a value are left out: see `lost`.
        """
        found = self.count - self.lost()
        square = np.nansum((self.values - self.nominal - self.bias()) ** 2, axis=0)
        return np.where(found > 1, np.sqrt(square / np.maximum(found - 1, 1)), np.nan)

    def bias(self) -> Real:
        """Mean of the draws minus the nominal value, (F, K); NaN where none has a value."""
        found = self.count - self.lost()
        total = np.nansum(self.values - self.nominal, axis=0)
        return np.where(found > 0, total / np.maximum(found, 1), np.nan)

    def interval(self, level: float = 0.95) -> tuple[Real, Real]:
        """Ends of the interval that holds ``level`` of the draws, with equal tails, (F, K) each.

        That is where results of scans lie whose errors are drawn, about a known truth. It is not
        where the truth lies about a result where errors have a bias: the draws have it once more.
        """
        if not 0 < level < 1:
            raise InputError(f"level is {level}, expected between 0 and 1")
        tail = 50 * (1 - level)
        # A figure without any value: NaN, of a single made-up draw.
        some = np.where(self.lost() < self.count, self.values, 0.0)
        low, high = np.nanpercentile(some, [tail, 100 - tail], axis=0)
        nothing = self.lost() == self.count
        return np.where(nothing, np.nan, low), np.where(nothing, np.nan, high)


def monte_carlo(
    solution: Solution,
    terms: Sequence[ErrorTerm],
    figures: Sequence[Figure],
    *,
    draws: int,
    rng: int | np.random.SeedSequence | None = None,
    jobs: int = -1,
    directions: tuple[ArrayLike, ArrayLike] | None = None,
    measure: Measure | None = None,
    reference: Modes | None = None,
    progress: Callable[[int], None] | None = None,
    most: int | None = None,
    after: Draws | None = None,
) -> Draws:
    """Solve a scan again with errors drawn, and look at its figures each time.

    Parameters
    ----------
    solution : Solution
        That of the scan as it is recorded. A quadrature serves while samples stay on their grid:
        where an error moves the record, all is solved by least squares, the scan as it is too.
    terms : sequence of ErrorTerm
        Errors; all act in each draw, in their order. There may be none where there is a reference.
    figures : sequence of Figure
        What to look at.
    draws : int
        Number of draws.
    rng : int or SeedSequence, optional
        Seed. Draw i takes the i-th child of it, whoever makes it: the result does not depend on
        the number of workers, but for rounding.
    jobs : int
        Processes, -1 for one per core. In 1, and for up to three cores, no process is started: draws are
        then made side by side on threads. Within a ``joblib.parallel_config`` block its backend is used:
        with ``distributed.Client(address)`` and ``joblib.parallel_config(backend="dask")`` all workers of
        a Dask cluster, on which this package is installed, unless ``jobs`` is 1.
    directions : (theta, phi), optional
        Directions (A,) each at which to follow the pattern too [rad]. Memory does not grow with
        the number of draws.
    measure : callable, optional
        Simulates the samples for each draw, at the true positions and with the true probe, as for
        `catalogue.simulated`; the solution then is of what it gives without errors. Otherwise
        errors are added to samples that were measured: their record is moved, which has the bias
        of errors of position to first order only (`uncertainty.remeasured`).
    reference : Modes, optional
        Known modes from which errors are counted, such as those of an antenna that is simulated,
        of the same frequencies. Otherwise those of the solution.
    progress : callable, optional
        Called with the number of draws done so far.
    most : int, optional
        Make only the first so many.
    after : Draws, optional
        Draws that the same call made before it was stopped, which are not made again: the result is
        what it would have been at once, to the last bit as far as a solution is.

    Returns
    -------
    Draws
        Of fewer draws than asked for if it was interrupted (KeyboardInterrupt) after the first.

    Raises
    ------
    ValueError
        If there are no draws or terms, the reference has other frequencies, those to go on ``after`` are of
        another scan or of other figures, or as `localise`.

    Notes
    -----
    The modes of a draw are those of the scan as it is and the change that the draw makes, which is
    solved for to 1e-4 of itself. Where errors are so large that the peak leaves the neighbourhood
    of the nominal one, it is searched anew. Noise as strong as the antenna's own variation over a
    degree's resolution lifts and moves the highest of many small maxima: a bias no derivative has.
    """
    draws = whole(draws, "draws")
    if not terms and reference is None:
        raise InputError("there is no error term", "name at least one")
    if measure is None and any(term.moves_record for term in terms):
        solution = by_least_squares(solution)
    modes = solution.modes
    known = modes if reference is None else reference
    if not np.array_equal(known.frequency, modes.frequency):
        raise InputError(f"the reference is known at {known.frequency} Hz, the scan is of {modes.frequency}")
    known = known.extend(max(known.degree, modes.degree))
    local = localise(figures, known)
    theta, phi = _directions(directions)
    some = tuple(figures[i] for i in towards_columns(figures))
    towards = tuple(TowardsFields(some, known.degree, q) for q in known.coefficients)
    work = _Work(solution, known, tuple(terms), tuple(local), towards, theta, phi, measure)
    seed = rng if isinstance(rng, np.random.SeedSequence) else np.random.SeedSequence(rng)
    nominal = np.stack([one.nominal for one in local])
    values = np.full((draws, *nominal.shape), np.nan)
    levels = np.zeros(values.shape[:2])
    fields = np.zeros((*values.shape[:2], len(some), PARTS))
    count, sums = 0, np.zeros((3, modes.frequency.size, theta.size))
    # On few cores threads do nearly as well as processes, and need not start.
    jobs = 1 if jobs == -1 and few_cores() else jobs
    batch, workers = min(BATCH, draws), worker_count(jobs)
    if workers > 1:  # as many for each
        rounds = -(-draws // (BATCH * workers))
        batch = -(-draws // (rounds * workers))
    if after is not None:
        _check_same(after, nominal, np.stack([theta, phi]), draws)
        count, batch = after.count, after.batch
        values[:count], levels[:count], fields[:count] = after.values, after.error_levels, after.fields
        sums = sums if after.sums is None else after.sums
    end = draws if most is None else min(draws, most)
    shares = [slice(start, min(start + batch, end)) for start in range(count, end, batch)]
    make = functools.partial(work.run, seed)
    parts = in_order(make, shares, jobs)
    try:
        for which, part in parts:
            values[which], levels[which], fields[which] = part.values, part.levels, part.fields
            # At once: an interruption finds both or neither.
            count, sums = which.stop, sums + part.moments
            if progress is not None:
                progress(count)
    except KeyboardInterrupt:
        if not count:
            raise
    finally:
        with warnings.catch_warnings():
            # Workers that are stopped have work left: as is meant.
            warnings.filterwarnings("ignore", message=".*have been cancelled")
            parts.close()
        _KEPT.pop(work.key, None)
    u = intensity(*work.field(known))
    # Sums are of the difference to the nominal: nothing is lost in subtracting.
    mean = sums[0] / count
    spread = np.sqrt(np.maximum(sums[1] / count - mean**2, 0) * count / max(1, count - 1))
    return Draws(
        tuple(figures),
        nominal,
        values[:count],
        levels[:count],
        draws,
        np.stack([theta, phi]),
        np.stack([u, u + mean, spread]),
        sums[2] / count / np.array([[one.highest] for one in local]),
        fields[:count],
        sums,
        batch,
    )


def _check_same(after: Draws, nominal: Real, directions: Real, draws: int) -> None:
    """Refuse to go on after draws of another question."""
    same = after.directions.shape == directions.shape
    same = same and np.allclose(after.directions, directions, rtol=0, atol=1e-6)
    check_known(after.nominal, nominal, same=same)
    if after.count > draws:
        raise InputError(f"{after.count} draws were made already, {draws} are asked for", "ask for more")


def check_known(before: Real, nominal: Real, *, same: bool = True) -> None:
    """Refuse to go on where figures (F, K) of the scan as it is are not those that draws had before."""
    same = same and before.shape == nominal.shape
    # A solution on many threads is the same but for what its stopping rule leaves.
    if not (same and np.allclose(before, nominal, rtol=1e-6, atol=1e-9, equal_nan=True)):
        raise InputError(
            "the draws to go on from are of another scan, or of other figures", "make all of them anew"
        )


def _directions(directions: tuple[ArrayLike, ArrayLike] | None) -> tuple[Real, Real]:
    if directions is None:
        return np.zeros(0), np.zeros(0)
    theta, phi = (as_array(x, float, "directions", ndim=1) for x in directions)
    if theta.shape != phi.shape or np.any((theta < 0) | (theta > np.pi)):
        raise InputError("directions must be theta and phi, equally many of each, theta in [0, pi] rad")
    return theta, phi


class _Part(NamedTuple):
    """Figures (D, F, K), change of fields behind some (D, F, B, 4) and relative power of the
    error (D, F) of some draws; sums over them of intensity minus nominal, its square, and the
    error's intensity (3, F, A)."""

    values: Real
    fields: Real
    levels: Real
    moments: Real


@dataclass(frozen=True, slots=True, eq=False)
class _Work:
    """What a worker needs to make draws: the scan as it is, its solution, the reference."""

    solution: Solution
    known: Modes
    terms: tuple[ErrorTerm, ...]
    local: tuple[LocalFigures, ...]
    towards: tuple[TowardsFields, ...]
    theta: Real
    phi: Real
    measure: Measure | None
    key: str = field(default_factory=lambda: uuid.uuid4().hex)

    def field(self, modes: Modes) -> tuple[Complex, Complex]:
        """Far field (F, A) in the directions followed."""
        if not self.theta.size:
            nothing = np.zeros((modes.frequency.size, 0), dtype=complex)
            return nothing, nothing
        return antenna_fields.far_field_points(modes, theta=self.theta, phi=self.phi, threads=1)

    def run(self, seed: np.random.SeedSequence, which: slice, threads: int | None) -> _Part:
        """Make some draws: the i-th takes the i-th child of the seed."""
        kept = _KEPT.get(self.key)
        if kept is None:
            _KEPT.clear()
            # Side by side on threads, each draw on one: then it is the same on however many.
            scan = self.solution
            kept = _KEPT[self.key] = self, NearbySolver(scan.parts, scan.modes, scan.samples, 1)
        work, solver = kept  # which other draws in this process may have dropped
        return work.draws(solver, seed, which, threads)

    def draws(
        self, solver: NearbySolver, seed: np.random.SeedSequence, which: slice, threads: int | None
    ) -> _Part:
        """The same by a solver of the scan as it is."""
        # Made where they are needed, so that their number costs no memory.
        seeds = [
            np.random.SeedSequence(seed.entropy, spawn_key=(*seed.spawn_key, i))
            for i in range(which.start, which.stop)
        ]
        threads = spin.thread_count(threads)
        power, u = self.known.radiated_power(), intensity(*self.field(self.known))
        count, moments = self.known.coefficients.size, np.zeros((3, *u.shape))
        beside, most = max(1, min(_BESIDE, _MODES // count)), max(threads, _TOGETHER // count)
        values, fields, levels = [], [], []
        for start in range(0, len(seeds), most):
            some = seeds[start : start + most]
            shares = [some[i : i + beside] for i in range(0, len(some), beside)]
            jobs = [functools.partial(self._some, solver, u, share) for share in shares]
            modes, seen, added = zip(*spin.run(jobs, threads), strict=True)
            held = np.concatenate(modes)
            del modes  # as many numbers again
            errors = held - self.known.coefficients
            levels.append(0.5 * (errors.real**2 + errors.imag**2).sum(axis=-1) / power)
            moments += np.sum(added, axis=0)
            near = [np.concatenate(each) for each in zip(*seen, strict=True)]
            own = [one.values(held[:, f], near[f]) for f, one in enumerate(self.local)]
            values.append(np.stack(own, axis=1))
            fields.append(self._fields(held))
        return _Part(np.concatenate(values), np.concatenate(fields), np.concatenate(levels), moments)

    def _some(
        self, solver: NearbySolver, u: Real, seeds: Sequence[np.random.SeedSequence]
    ) -> tuple[Complex, list[Real], Real]:
        """Modes (D, F, J) of some draws side by side, of each frequency the intensities (D, M) that figures
        need, and what is added to the sums, ``u`` (F, A) being the intensity without errors."""
        found = solver.modes_of(self._drawn(seeds))
        held = np.stack([modes.extend(self.known.degree).coefficients for modes in found])
        moments = np.zeros((3, *u.shape))
        for q in held if self.theta.size else ():
            pair = (q, q - self.known.coefficients)
            own, other = (intensity(*self.field(Modes(self.known.frequency, x))) for x in pair)
            moments += [own - u, (own - u) ** 2, other]
        return held, [one.intensities(held[:, f]) for f, one in enumerate(self.local)], moments

    def _fields(self, q: Complex) -> Real:
        """Change (D, F, B, 4) of the fields by modes (D, F, J)."""
        found = [one.values(q[:, f]) - one.values(one.known) for f, one in enumerate(self.towards)]
        return np.stack(found, axis=1)

    def _drawn(self, seeds: Sequence[np.random.SeedSequence]) -> list[Scan]:
        """Of each draw all terms, with sizes of its own, on the scan and its probe, and the degree."""
        samples, probe = self.solution.samples, self.solution.probe
        rngs = [np.random.default_rng(seed) for seed in seeds]
        drawn = [[term.drawn(rng) for term in self.terms] for rng in rngs]
        top = max(part.prepared.degree for part in self.solution.parts)
        if self.measure is None:
            scans = apply_each(drawn, samples, probe, rngs)
        else:
            pairs = zip(drawn, rngs, strict=True)
            scans = [(simulated(own, samples, probe, self.measure, rng), probe) for own, rng in pairs]
        return [(*scan, solver_degree(own, top)) for scan, own in zip(scans, drawn, strict=True)]

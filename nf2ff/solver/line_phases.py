"""Whether the phase jumps from cut to cut, told from the readings near the poles alone.

On a ring near a pole the readings have few azimuthal orders, about N sin(theta), whatever the antenna, and
all of them where each cut has a phase of its own. The factors a of the cuts that bring the readings a y of
all such rings nearest to few orders are the lowest eigenvector of

    sum over rings of  conj(y) (1 - P) y,     P the projection on these orders, y as a diagonal matrix,

over the power of the cuts. Noise falls by as much as there are factors to choose; jumps vanish.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import wavenumber
from nf2ff.kernel.sphere import canonical_angles
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.scan import ReadingCode
from nf2ff.solver.degree import count_limit

Complex = NDArray[np.complex128]
Real = NDArray[np.float64]

#: Angles and distances closer than this are the same [rad, m].
_SAME = 1e-6
#: Orders beyond N sin(theta) that a probe and the edge of the antenna may add.
_MARGIN = 2
#: Cuts that are looked at: fewer say nothing, of more every second or third is taken.
FEWEST, MOST = 12, 360
#: Equations for each factor at least.
_EQUATIONS = 1.2
#: Steps to phases alone.
_STEPS = 50
#: What factors take away over what they leave, each over its degrees of freedom. Noise makes 1, up to 12 on
#: cuts that are all alike, where smooth factors are free; jumps of 6 deg 300 and more at -50 dB of noise.
UNLIKELY = 30.0
#: Power beyond the orders that jumps leave, at least: those of `LEAST` leave a hundred times as much.
#: Rounding of scans without noise would pass for jumps.
_SHOWN = 1e-5
#: Part of what is left with one phase that phases alone must take away: levels that jump are another matter.
_BY_PHASE = 0.6
#: Jumps from one cut to the next that are told of, rms [rad].
LEAST = math.radians(4)
#: Frequencies that are looked at.
_FREQUENCIES = 5


class PhaseJumps(NamedTuple):
    """Phases that jump from cut to cut.

    Parameters
    ----------
    rms : float
        From one cut to the next, root mean square [rad].
    along : str
        What keeps its phase, as in `measurement.coherence.with_coherence`: "cuts" or "cuts-by-polarisation".
    degree : int
        The largest degree that the steps allow, with which the phases are recovered.
    """

    rms: float
    along: str
    degree: int


def judge_phases(samples: Samples, scan: str = "SCAN") -> list[Notice]:
    """Warning of phases that jump from cut to cut, by a few of the frequencies.

    Parameters
    ----------
    samples : Samples
        A scan with a phase reference.
    scan : str
        Its name, for the command that is told.

    Returns
    -------
    list of Notice
        One, or none.
    """
    count = samples.frequency.size
    asked = np.unique(np.linspace(0, count - 1, min(count, _FREQUENCIES)).round().astype(int)).tolist()
    found = [(f, one) for f in asked if (one := phase_jumps(samples, f)) is not None]
    if not found:
        return []
    f, worst = max(found, key=lambda x: x[1].rms)
    more = f" at {samples.frequency[f] / 1e9:.9g} GHz" if count > 1 else ""
    about = {"rms_deg": math.degrees(worst.rms), "along": worst.along, "degree": worst.degree}
    return [ReadingCode.PHASE_JUMPS(more=more, scan=scan, **about)]


@contextmanager
def naming_jumps(samples: Samples) -> Iterator[None]:
    """Name jumps of the phase, if there are any, in front of the remedy of what is refused meanwhile.

    An antenna too large for the steps in phi shows them as well.

    Parameters
    ----------
    samples : Samples
        The scan that may be refused.

    Returns
    -------
    context manager
    """
    try:
        yield
    except InputError as error:
        for jumps in judge_phases(samples)[:1]:
            error.remedy = f"{jumps}, or {error.remedy}"
        raise


def phase_jumps(samples: Samples, frequency: int = 0) -> PhaseJumps | None:
    """Jumps of the phase between the cuts of a scan.

    Parameters
    ----------
    samples : Samples
        A scan with a phase reference.
    frequency : int
        Which of its frequencies.

    Returns
    -------
    PhaseJumps or None
        None if there are none, or the scan does not show it: no cuts, no rings near a pole, or too few.

    Notes
    -----
    Jumps are found that exceed `LEAST` and some six times the noise of the readings near the poles over them.
    """
    if samples.coherence is not None:
        return None
    one = samples.at_frequency(frequency)
    rings, sign, phi, kinds = _rings(one)
    if rings.shape[0] == 0 or not phi.size >= FEWEST:
        return None
    step = max(1, math.ceil(phi.size / MOST))
    y, phi, theta = (one.response[0] * sign)[rings[:, ::step]], phi[::step], one.theta[rings[:, 0]]
    k = float(wavenumber(one.frequency[0]))
    allowed = _allowed(one, phi, step)
    degree = min((2 * math.pi / float(np.median(np.diff(phi))) - 1) / 2 * step, k * float(one.radius.min()))
    found = _jumps(y, phi, degree * np.abs(np.sin(theta)))
    # Polarisations that were read one after the other have phases of their own. Common ones may take jumps
    # away from the stronger.
    alone = [
        x for own in kinds if (x := _jumps(y[own], phi, degree * np.abs(np.sin(theta[own])))) is not None
    ]
    if len(alone) == len(kinds) > 1:
        apart, free = sum(x.left for x in alone), sum(x.free for x in alone)
        more = phi.size * (len(kinds) - 1)
        if found is None or found.left - apart > UNLIKELY * apart * more / free:
            return PhaseJumps(max(x.size for x in alone), "cuts-by-polarisation", allowed)
    return None if found is None else PhaseJumps(found.size, "cuts", allowed)


def _rings(one: Samples) -> tuple[NDArray[np.intp], Real, Real, list[NDArray[np.intp]]]:
    """Rows (R, M) of the rings near a pole, signs of all samples that make chi less than half a turn,
    azimuths (M,), and rings by kind of polarisation."""
    theta, phi, turned = canonical_angles(one.theta, one.phi)
    near = np.flatnonzero(np.sin(theta) < 0.8)
    half = np.floor((one.chi + np.pi * turned) / np.pi + _SAME)
    sign = 1 - 2 * np.mod(half, 2)
    none: tuple[NDArray[np.intp], Real, Real, list[NDArray[np.intp]]]
    none = np.zeros((0, 0), dtype=np.intp), sign, np.zeros(0), []
    if not near.size:
        return none
    chi = (one.chi + np.pi * (turned - half))[near]
    keys = [np.round(x / _SAME) for x in (theta[near], one.radius[near], chi, one.port[near] * _SAME)]
    column = np.round(phi[near] / _SAME)
    order = np.lexsort((column, *keys))
    key = np.stack(keys)[:, order]
    starts = np.flatnonzero(np.append(True, (key[:, 1:] != key[:, :-1]).any(axis=0)))
    sizes = np.diff(np.append(starts, order.size))
    count = int(np.bincount(sizes).argmax())
    own = starts[sizes == count]
    rows = order[own[:, None] + np.arange(count)]
    same = (column[rows] == column[rows[0]]).all(axis=1)
    rows, own = rows[same], own[same]
    if np.any(np.diff(column[rows[0]]) == 0):
        return none
    _, kind = np.unique(key[2:, own], axis=1, return_inverse=True)
    kinds = [np.flatnonzero(kind.ravel() == i) for i in range(int(kind.max()) + 1)]
    return near[rows], sign, phi[near[rows[0]]], kinds


def _allowed(one: Samples, phi: Real, taken: int) -> int:
    """The largest degree that readings and steps in theta and phi, each so many-th ``taken``, allow."""
    around = taken * (2 * math.pi / float(np.median(np.diff(phi))))
    theta = np.unique(np.round(canonical_angles(one.theta, one.phi)[0] / _SAME)) * _SAME
    along = math.pi / float(np.median(np.diff(theta))) if theta.size > 1 else math.inf
    return max(1, min(int((around - 1) / 2 + _SAME), int(along + _SAME), count_limit(one)))


class _Jumps(NamedTuple):
    """Rms jump from column to column [rad]; power beyond the orders that phases leave; its freedoms."""

    size: float
    left: float
    free: float


def _jumps(y: Complex, phi: Real, orders: Real) -> _Jumps | None:
    """Jumps from column to column of rings y (R, M) of so many azimuthal ``orders``; or none."""
    top = _MARGIN + np.ceil(orders + 2 * np.cbrt(orders)).astype(int)
    few = 2 * top + 1 <= 0.75 * phi.size
    y, top = y[few], top[few]
    equations = float(np.sum(phi.size - 2 * top - 1))
    power = np.sum(np.abs(y) ** 2, axis=0)
    if equations < _EQUATIONS * phi.size or not power.min() > 0:
        return None
    one = np.ones(phi.size, dtype=complex)
    together = _left(_matrix(y, phi, top), one, power)
    if together < _SHOWN:
        return None
    least, factors = _best(y, phi, top, power)
    free = equations - phi.size
    if together - least <= UNLIKELY * least * phi.size / free:
        return None
    # With as few orders as do, so that the factors hold no smooth part that orders could take up.
    for fewer in range(1, int(top.min()) + 1):
        less, tried = _best(y, phi, top - fewer, power)
        if less > 2 * least + 0.01 * together:
            break
        factors = tried
    matrix = _matrix(y, phi, top)
    # Phases alone: each step leaves less. A level that varies smoothly may be left in the factors.
    inside = np.diag(power) - matrix
    unit = min((_phases(inside, x) for x in (factors, one)), key=lambda x: _left(matrix, x, power))
    left = _left(matrix, unit, power)
    if left > (1 - _BY_PHASE) * together:
        return None
    turn = unit[1:] * unit[:-1].conj()
    size = float(np.sqrt(np.mean(np.angle(turn * np.exp(-1j * np.angle(turn.mean()))) ** 2)))
    return _Jumps(size, left * float(power.sum()), free) if size > LEAST else None


def _best(y: Complex, phi: Real, top: NDArray[Any], power: Real) -> tuple[float, Complex]:
    """Least power left over the power of the rings, and the factors (M,) that leave it."""
    from scipy.linalg import eigh

    matrix = _matrix(y, phi, top) / np.sqrt(power[:, None] * power)
    value, vector = eigh(matrix, subset_by_index=[0, 0])
    return float(max(value[0], 0.0)), vector[:, 0] / np.sqrt(power)


def _phases(inside: Complex, start: Complex) -> Complex:
    for _ in range(_STEPS):
        start = start / np.maximum(np.abs(start), np.finfo(float).tiny)
        start = inside @ start
    return np.asarray(start / np.maximum(np.abs(start), np.finfo(float).tiny))


def _left(matrix: Complex, factors: Complex, power: Real) -> float:
    return float(np.vdot(factors, matrix @ factors).real / np.sum(power * np.abs(factors) ** 2))


def _matrix(y: Complex, phi: Real, top: NDArray[Any]) -> Complex:
    """What rings times factors have beyond their orders, as a Hermitian matrix (M, M) of the factors."""
    found = np.diag(np.sum(np.abs(y) ** 2, axis=0)).astype(complex)
    for m in np.unique(top).tolist():
        basis = np.linalg.qr(np.exp(1j * np.outer(phi, np.arange(-m, m + 1))))[0]
        inside = basis @ basis.conj().T
        own = y[top == m]
        found -= inside * (own.conj().T @ own)
    return found

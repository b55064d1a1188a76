"""How far two results of one antenna differ: level of the error, equivalent stray signal, figures."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import FarField, far_field, trusted_around
from nf2ff.antenna.grids import gauss_legendre_grid
from nf2ff.antenna.modes import Modes, check_same_frequencies, rotate
from nf2ff.kernel.rotation import euler_angles
from nf2ff.kernel.sphere import angle_of_chord, unit_vectors
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.beam import CutPlanes, Peak, cut_planes, half_power_beamwidth, peak, sidelobe_level
from nf2ff.metrics.gain_and_power import intensity, nonzero_power
from nf2ff.metrics.planes import Plane, PlaneLike
from nf2ff.metrics.regions import Cone, radiated_fraction

Real = NDArray[np.float64]
#: What of the second result may be fitted to the first before they are compared.
Freedom = Literal["phase", "level", "rotation"]
#: Step of the derivative along an angle, over the angle in which the finest lobe turns [rad].
_STEP = 1e-3
#: Gauss-Newton steps at most, and the turn at which they end, over that angle.
_STEPS, _DONE = 30, 1e-11
#: Effect of a turn over that of the strongest below which it is error of the derivatives: about _STEP^2 / 6.
_FELT = 1e-6
#: A step is halved so often at most, until it brings the two nearer.
_HALVES = 6


@dataclass(frozen=True, slots=True, eq=False)
class Comparison:
    """Differences of a second result from the first at F frequencies.

    Parameters
    ----------
    frequency : (F,) ndarray
        Frequencies [Hz].
    error : (F,) ndarray
        Root mean square of the difference of the fields over the sphere, over that of the first.
    error_in_cone : (F,) ndarray or None
        The same within a cone about the first's peak, None where none was asked for.
    stray : (F,) ndarray
        Equivalent stray signal: largest difference of the fields over the first's peak field.
    stray_theta, stray_phi : (F,) ndarray
        Its direction [rad].
    first, second : Peak
        The peaks, the second after fitting.
    offset : (F,) ndarray
        Angle between the two peaks [rad].
    beamwidth, sidelobe : (2, C, F) ndarray
        Half-power beamwidths [rad] and highest sidelobes over the peak [1] of the first and the second, in
        the C planes of cuts; of what was seen, NaN where that does not tell.
    planes : tuple of tuple of Plane
        For each of the C cuts its plane at each frequency, through the first's peak.
    rotation : (3,) ndarray
        Turn that the second was given, a vector along the axis by the right-hand rule [rad].
    factor : (F,) ndarray
        Complex factor that the second was given.
    fitted : Modes
        The second so turned and multiplied.
    error_seen, stray_seen : (F,) ndarray or None
        Error and equivalent stray signal over the directions whose near field both saw, None where both
        saw all.
    seen : (F,) ndarray or None
        Part of the sphere that both saw.
    """

    frequency: Real
    error: Real
    error_in_cone: Real | None
    stray: Real
    stray_theta: Real
    stray_phi: Real
    first: Peak
    second: Peak
    offset: Real
    beamwidth: Real
    sidelobe: Real
    planes: tuple[tuple[Plane, ...], ...]
    rotation: Real
    factor: NDArray[np.complex128]
    fitted: Modes
    error_seen: Real | None = None
    stray_seen: Real | None = None
    seen: Real | None = None


def fit_to(
    first: Modes, second: Modes, free: Collection[Freedom]
) -> tuple[Modes, Real, NDArray[np.complex128]]:
    """The second result with the best turn, phase and level, by least squares over the whole sphere.

    Parameters
    ----------
    first, second : Modes
        The same F frequencies.
    free : collection of {"phase", "level", "rotation"}
        What may be fitted: one turn for all frequencies, a phase and a level for each.

    Returns
    -------
    fitted : Modes
        The second, turned and multiplied.
    rotation : (3,) ndarray
        Vector of the turn [rad].
    factor : (F,) ndarray
        Complex factors.

    Raises
    ------
    ValueError
        If the frequencies differ, something unknown is to be fitted, no power is radiated, or the level is
        fitted without the phase to opposite fields.

    Notes
    -----
    Gauss-Newton steps from where the second stands: the turn is found if it is less than about half a
    beamwidth, the width of the finest lobe. A turn that changes nothing, such as that of a dipole about
    itself, is left out.
    """
    from scipy.spatial.transform import Rotation

    if unknown := set(free) - {*get_args(Freedom)}:
        raise InputError(
            f"cannot fit {', '.join(sorted(unknown))}", f"choose from {', '.join(get_args(Freedom))}"
        )
    check_same_frequencies(first.frequency, second.frequency)
    for one in (first, second):
        nonzero_power(one.frequency, one.radiated_power())
    degree = max(first.degree, second.degree)
    a, b = first.extend(degree).coefficients, second.extend(degree)
    weight = 1 / np.linalg.norm(a, axis=1, keepdims=True)
    total = Rotation.identity()

    def turned(by: Any) -> NDArray[np.complex128]:
        angles = dict(zip(("alpha", "beta", "gamma"), euler_angles(by.as_matrix()), strict=True))
        return rotate(b, **angles).coefficients

    def factors(q: NDArray[np.complex128]) -> NDArray[np.complex128]:
        inner = np.einsum("fj,fj->f", q.conj(), a)
        norm = np.einsum("fj,fj->f", q.conj(), q).real
        phase = inner / np.where(inner == 0, 1, np.abs(inner)) if "phase" in free else np.ones(inner.shape)
        level = np.maximum((inner * phase.conj()).real, 0) / norm if "level" in free else 1.0
        return np.asarray(phase * level, dtype=complex)

    def apart(q: NDArray[np.complex128]) -> Real:
        return _real(weight * (a - factors(q)[:, None] * q))

    def some(c: NDArray[np.complex128]) -> NDArray[np.complex128]:
        if (none := np.flatnonzero(c == 0)).size:
            raise InputError(
                f"at {first.frequency[none[0]] / 1e9:.9g} GHz no level above 0 brings the second nearer",
                "let the phase be fitted too",
            )
        return c

    q, step = b.coefficients, _STEP / degree
    if "rotation" in free:
        for _ in range(_STEPS):
            c = some(factors(q))[:, None]
            columns = []
            for axis in np.eye(3):
                ahead, behind = (turned(Rotation.from_rotvec(s * step * axis) * total) for s in (1, -1))
                columns.append(c * (ahead - behind) / (2 * step))
            # The factor follows the turn: its own derivative is what these columns are free of.
            for column in columns:
                _project(column, c * q, free)
            matrix = np.stack([_real(weight * x) for x in columns], axis=1)
            left = apart(q)
            move = np.linalg.lstsq(matrix, left, rcond=_FELT)[0]
            for _ in range(_HALVES):
                tried = Rotation.from_rotvec(move) * total
                ahead = turned(tried)
                # Near the best, rounding hides what is gained.
                if np.linalg.norm(apart(ahead)) <= np.linalg.norm(left) * (1 + 1e-9):
                    total, q = tried, ahead
                    break
                move = move / 2
            else:
                break
            if np.linalg.norm(move) < _DONE / degree:
                break
    c = some(factors(q))
    return Modes(b.frequency, c[:, None] * q, first.reference), total.as_rotvec(), c


def _real(values: NDArray[np.complex128]) -> Real:
    return np.ascontiguousarray(values).view(float).ravel()


def _project(column: NDArray[np.complex128], q: NDArray[np.complex128], free: Collection[Freedom]) -> None:
    """Take from a column, in place, what a change of the free factors would do as well."""
    share = np.einsum("fj,fj->f", q.conj(), column) / np.einsum("fj,fj->f", q.conj(), q).real
    share = np.where("level" in free, share.real, 0) + 1j * np.where("phase" in free, share.imag, 0)
    column -= share[:, None] * q


def compare(
    first: Modes,
    second: Modes,
    *,
    free: Collection[Freedom] = (),
    cone: float | None = None,
    planes: tuple[PlaneLike, ...] = (0.0, np.pi / 2),
    seen: Sequence[FarField | None] = (),
) -> Comparison:
    """Compare two results of one antenna, exactly, from their modes.

    Parameters
    ----------
    first, second : Modes
        The same F frequencies; the first is the reference.
    free : collection of {"phase", "level", "rotation"}
        What is fitted before, see `fit_to`.
    cone : float, optional
        Half angle of a cone about the first's peak in which the error is stated too [rad].
    planes : tuple
        Planes of the cuts through the first's peak, as `metrics.beam.cut_planes` has them.
    seen : sequence of FarField or None
        Of the first and of the second, at the same frequencies; they mark directions whose near field was
        not seen. A turn of the second that is fitted does not turn its marks.

    Returns
    -------
    Comparison
        The differences.

    Raises
    ------
    ValueError
        If frequencies differ, or one level is absolute, the other relative, and the level is not free.

    Notes
    -----
    The difference of the fields is itself the field of modes, so its power, its share in a cone and its
    largest value are had as those of any antenna.
    """
    if first.reference != second.reference and "level" not in free:
        raise InputError(
            f"the first level is {first.reference}, the second {second.reference}",
            "let the level be fitted (--fit level), or give both the same",
        )
    fitted, rotation, factor = fit_to(first, second, free)
    degree = fitted.degree
    a = first.extend(degree)
    rest = replace(fitted, coefficients=a.coefficients - fitted.coefficients)
    power, lost = a.radiated_power(), rest.radiated_power()
    tops = peak(a), peak(fitted)
    # Where the two agree to the last bit there is no direction of largest difference.
    alike = lost == 0
    shown = (
        rest
        if not alike.any()
        else replace(rest, coefficients=np.where(alike[:, None], a.coefficients, rest.coefficients))
    )
    worst = peak(shown)
    stray = np.sqrt(lost * worst.directivity / (power * tops[0].directivity))
    within = None
    if cone is not None:
        region = Cone(tops[0].theta, tops[0].phi, cone)
        within = np.sqrt(
            np.where(alike, 0, radiated_fraction(shown, region) * lost)
            / (radiated_fraction(a, region) * power)
        )
    cuts = tuple(cut_planes(a, plane, tops[0]) for plane in planes)
    marks = (*seen, None, None)[:2]
    widths, lobes = (
        np.array(
            [
                [of(modes, plane=cut, at=top, seen=mark) for cut in cuts]
                for modes, top, mark in zip((a, fitted), tops, marks, strict=True)
            ]
        )
        for of in (half_power_beamwidth, _highest_sidelobe)
    )
    x, y = (unit_vectors(top.theta, top.phi)[0] for top in tops)
    offset = angle_of_chord(np.linalg.norm(x - y, axis=-1))
    return Comparison(
        first.frequency,
        np.sqrt(lost / power),
        within,
        np.where(alike, 0, stray),
        worst.theta,
        worst.phi,
        *tops,
        offset,
        widths,
        lobes,
        cuts,
        rotation,
        factor,
        fitted,
        *_where_seen(a, rest, tops[0], seen),
    )


def _where_seen(
    a: Modes, rest: Modes, top: Peak, seen: Sequence[FarField | None]
) -> tuple[Real | None, Real | None, Real | None]:
    """Error and stray signal over directions that all saw, and their part of the sphere."""
    marks = [x for x in seen if x is not None and x.trusted is not None and not x.trusted.all()]
    if not marks:
        return None, None, None
    # Four directions in the finest lobe, and a quadrature in theta.
    grid = gauss_legendre_grid(2 * a.degree + 8, 4 * a.degree + 8)
    where = np.meshgrid(grid.theta, grid.phi, indexing="ij")
    weight = np.broadcast_to(grid.weights[:, None], where[0].shape)
    fields = [far_field(x, theta=grid.theta, phi=grid.phi) for x in (rest, a)]
    figures = np.empty((3, a.frequency.size))
    for f in range(a.frequency.size):
        there = np.logical_and.reduce([trusted_around(x, *where, index=f) for x in marks])
        left, whole = (intensity(x.e_theta[f], x.e_phi[f]) for x in fields)
        highest = top.directivity[f] * a.radiated_power()[f] / (4 * np.pi)
        figures[0, f] = np.sqrt(np.sum(weight * left * there) / max(np.sum(weight * whole * there), 1e-300))
        figures[1, f] = np.sqrt(np.max(left * there) / highest)
        figures[2, f] = np.sum(weight * there) / np.sum(weight)
    return figures[0], figures[1], figures[2]


def _highest_sidelobe(modes: Modes, *, plane: CutPlanes, at: Peak, seen: FarField | None) -> Real:
    return sidelobe_level(modes, plane=plane, at=at, seen=seen).highest

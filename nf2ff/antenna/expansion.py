"""A far field given on a grid of directions becomes modes: measured patterns of probes, foremost.

The inverse of `far_field.far_field`, with an account of what the pattern does not tell.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna import fields, rings
from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.modes import WAVE_IMPEDANCE, Modes, Reference, mode_numbers, wavenumber
from nf2ff.antenna.rings import Rings
from nf2ff.kernel.arrays import as_array, keep
from nf2ff.messages.antenna import ExpansionCode
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
Missing = Literal["refuse", "zero"]

#: Part of the power that may lie above a degree chosen by the spectrum: an rms error of 1e-10 of
#: the pattern, below what is measured, above what the rounding of the transforms leaves.
POWER_ABOVE = 1e-20
#: Power in the highest degrees or azimuthal orders above which the sampling is too coarse to be
#: used without being asked, and above which there is a warning [dB].
COARSE_DB = -20.0
NOTABLE_DB = -40.0
#: Least number of degrees in which a floor of noise is looked for.
FLOOR_DEGREES = 12
#: Reasons for a degree.
GIVEN = "given"
SAMPLING = "steps in theta"
FLOOR = "spectrum: above it there is a flat floor of noise"
FALLEN = f"spectrum: at most {10 * np.log10(POWER_ABOVE):z.0f} dB of the power is above it"


@dataclass(frozen=True, slots=True, eq=False)
class Expansion:
    """Modes of a pattern, and how well they stand for it.

    Parameters
    ----------
    modes : Modes
        The waves, at the level of the pattern.
    residual : (F,) array_like
        Rms of pattern minus that of the modes over rms of the pattern, over the sphere.
    tail_db : (F,) array_like
        Power in the last two degrees that the steps in theta determine (below degree 4, in the last one)
        relative to all [dB]: whether the pattern has fallen off there.
    degree_reason : str
        Why this degree was taken.
    order : int
        Largest azimuthal order taken.
    origin : float
        Point (0, 0, ``origin``) of the pattern's frame about which the waves are expanded [m].
    missing_fraction : float
        Part of the sphere without data, taken as zero.
    missing_power : (F,) array_like
        Power that part would hold if its mean intensity were that of the nearest rings measured, relative to
        the power of the rest: a scale of what was left out, not a bound.
    warnings : tuple of tuple of Notice
        For each frequency, what to beware of (`ExpansionCode`).
    """

    modes: Modes
    residual: Real
    tail_db: Real
    degree_reason: str
    order: int
    origin: float
    missing_fraction: float
    missing_power: Real
    warnings: tuple[tuple[Notice, ...], ...]

    def __post_init__(self) -> None:
        names = ("residual", "tail_db", "missing_power")
        keep(self, names, float, shape=self.modes.frequency.shape, missing=True)


def expand_far_field(
    far_field: FarField,
    *,
    degree: int | None = None,
    order: int | None = None,
    missing: Missing = "refuse",
    origin: float = 0.0,
    input_power: float | None = None,
) -> Expansion:
    """Modes of a far field known on a grid, with an account of the expansion.

    Parameters
    ----------
    far_field : FarField
        Rings at any polar angles that reach over the sphere, a pole or both included or not; azimuth angles
        in equal steps over the full circle, in any order. Azimuths that occur twice (0 and 360 deg) are
        averaged. Its radiated power is not used.
    degree : int, optional
        Largest degree. By default the smallest above which there is less than `POWER_ABOVE` of the power, or
        nothing but a flat floor of noise; otherwise what the steps in theta determine.
    order : int, optional
        Largest azimuthal order. By default what the steps in phi determine, up to the degree; a pattern that
        has not fallen off there is refused. Given, it asserts that there are no others: 1 makes four azimuths
        suffice for a probe that has none but +-1.
    missing : {"refuse", "zero"}
        What to do where rings do not reach a pole: refuse, or take the field there as zero. The step at the
        edge makes the degrees fall off slowly: all that the rings determine are then taken unless ``degree``
        is given, e.g. what the antenna's size needs (`modes.required_degree`), and the residual shows what is
        left.
    origin : float
        Expand about the point (0, 0, ``origin``) of the pattern's frame: fewer degrees suffice if that is
        near the phase centre. What uses the modes must take that point for the antenna's place: their far
        field is the pattern times exp(-jk ``origin`` cos(theta)) [m].
    input_power : float, optional
        Power into the port to which an absolute pattern refers [W]; modes that radiate more are warned of.
        The modes always keep the level of the pattern: their radiated power over the input power is the
        efficiency.

    Returns
    -------
    Expansion
        Modes, residual, tail, warnings.

    Raises
    ------
    ValueError
        If a part of the sphere is missing, the steps are too coarse for the pattern or for what is asked,
        azimuth steps are unequal, or the pattern is zero.
    """
    found = expand_ports(
        frequency=far_field.frequency,
        theta=far_field.theta,
        phi=far_field.phi,
        e_theta=far_field.e_theta[:, None],
        e_phi=far_field.e_phi[:, None],
        reference=far_field.reference,
        degree=degree,
        order=order,
        missing=missing,
        origin=origin,
        input_power=input_power,
    )
    return found[0]


def modes_from_far_field(far_field: FarField, *, degree: int | None = None) -> Modes:
    """Modes of a far field that covers the sphere; `expand_far_field` without its account.

    Parameters
    ----------
    far_field : FarField
        Rings that reach over the whole sphere.
    degree : int, optional
        Largest degree, as in `expand_far_field`.

    Returns
    -------
    Modes
        Mode coefficients of the level of the far field.

    Raises
    ------
    ValueError
        As `expand_far_field`.
    """
    return expand_far_field(far_field, degree=degree).modes


def expand_ports(
    *,
    frequency: ArrayLike,
    theta: ArrayLike,
    phi: ArrayLike,
    e_theta: ArrayLike,
    e_phi: ArrayLike,
    reference: Reference = "absolute",
    degree: int | None = None,
    order: int | None = None,
    missing: Missing = "refuse",
    origin: float = 0.0,
    input_power: float | None = 1.0,
) -> tuple[Expansion, ...]:
    """Modes of each port of a probe from its patterns, all to the same degree.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies [Hz].
    theta, phi : (T,) and (P,) array_like
        Polar angles in [0, pi] and azimuth angles [rad].
    e_theta, e_phi : (F, L, T, P) array_like
        Far field lim r exp(+jkr) E of each of L ports, peak values, exp(+jwt) [V].
    reference, degree, order, missing, origin, input_power
        As in `expand_far_field`; 1 W into the port unless said otherwise.

    Returns
    -------
    tuple of Expansion
        One for each port.

    Raises
    ------
    ValueError
        As `expand_far_field`, or if shapes do not fit.
    """
    f = as_array(frequency, float, "frequency", ndim=1)
    t = as_array(theta, float, "theta", ndim=1)
    p = as_array(phi, float, "phi", ndim=1)
    parts = [as_array(e_theta, complex, "e_theta", ndim=4), as_array(e_phi, complex, "e_phi", ndim=4)]
    ports = parts[0].shape[1]
    shape = (f.size, max(1, ports), t.size, p.size)
    for name, value in zip(("e_theta", "e_phi"), parts, strict=True):
        if value.shape != shape:
            raise InputError(f"{name} has shape {value.shape}, expected (F, L, T, P) = {shape}")
    if missing not in ("refuse", "zero"):
        raise InputError(f"missing is {missing!r}, expected 'refuse' or 'zero'")
    # Ports run faster than frequencies: B = F L patterns.
    each = np.repeat(f, ports)
    field = np.stack(parts, axis=2).reshape(each.size, 2, t.size, p.size)
    dark = np.flatnonzero(~field.any(axis=(1, 2, 3)))
    if dark.size:
        raise InputError(
            f"the pattern of port {dark[0] % ports + 1} is zero at {each[dark[0]] / 1e9:.9g} GHz",
            "leave that frequency or port out",
        )
    if origin:
        # What radiates from nearer is early.
        early = np.exp(-1j * origin * np.outer(wavenumber(each), np.cos(t)))
        field *= early[:, None, :, None]
    measured = rings.arrange(t, p, field)
    whole, added = rings.complete(measured, zero=missing == "zero")
    fraction, lost = _left_out(whole, added)
    modes, reason, top, (tail_db, edge_db) = _expand(each, whole, degree=degree, order=order, edge=any(added))
    residual = _residual(modes, whole)
    result = []
    for port in range(ports):
        at = slice(port, None, ports)
        part = Modes(f, modes.coefficients[at], reference)
        power = part.radiated_power() if reference == "absolute" else np.zeros(f.size)
        each_frequency = zip(residual[at], tail_db[at], edge_db[at], lost[at], power, strict=True)
        warnings = tuple(tuple(_warnings(modes.degree, top, input_power, *x)) for x in each_frequency)
        figures = (reason, top, float(origin), fraction, lost[at], warnings)
        result.append(Expansion(part, residual[at], tail_db[at], *figures))
    return tuple(result)


def _left_out(whole: Rings, added: tuple[int, int]) -> tuple[float, Real]:
    """Part of the sphere taken as zero, and the power there at the intensity of its edge."""
    area = rings.ring_areas(whole.theta)
    intensity = _mean_square(whole.field)
    first, last = added[0], area.size - 1 - added[1]
    north, south = area[:first].sum(), area[last + 1 :].sum()
    power = (north * intensity[:, first] + south * intensity[:, last]) / (intensity @ area)
    return float((north + south) / (4 * np.pi)), np.asarray(power)


def _mean_square(field: Complex) -> Real:
    """|E|^2 averaged over each ring, (B, T)."""
    return np.asarray(np.square(np.abs(field)).sum(axis=1).mean(axis=-1))


def _expand(
    frequency: Real, whole: Rings, *, degree: int | None, order: int | None, edge: bool
) -> tuple[Modes, str, int, tuple[Real, Real]]:
    """Modes of B patterns, why that degree, order taken, power in last degrees and order [dB]."""
    limit, top = rings.degree_limit(whole.theta), rings.order_limit(whole.phi)
    steps = (
        f"steps of {np.degrees(np.diff(whole.theta).max()):.4g} deg in theta and "
        f"{360 / whole.phi.size:.4g} deg in phi"
    )
    if limit < 1 or top < 1:
        raise InputError(f"{steps} do not determine even degree 1", "measure in finer steps")
    for name, value, most in (("degree", degree, limit), ("order", order, top)):
        if value is not None and not 1 <= value <= most:
            raise InputError(
                f"{name} is {value}, but {steps} determine 1 to {most}", "measure in finer steps"
            )
    taken = min(order or top, limit)
    g, c = rings.analyse(whole, degree=limit, order=taken)
    # The far field of the waves has G = j^n sqrt(Z0) Q_2 and C = -j^(n+1) sqrt(Z0) Q_1.
    turn = (-1j) ** (mode_numbers(limit)[2][::2] % 4) / np.sqrt(WAVE_IMPEDANCE)
    q = np.stack([1j * turn * c, turn * g], axis=-1).reshape(frequency.size, -1)
    modes = Modes(frequency, q)
    power = modes.power_spectrum()
    tail_db = _level_db(power[:, -2 if limit >= 4 else -1 :], power)
    if degree is None:
        degree, reason = _choose_degree(power, taken, floor=not edge)
    else:
        reason = GIVEN
    modes = modes.truncate(degree)
    each = np.square(np.abs(modes.coefficients))
    last = np.abs(mode_numbers(degree)[1]) == taken
    edge_db = _level_db(each[:, last & (taken < degree)], each)
    if reason == SAMPLING:
        _refuse_coarse(frequency, steps, "degree", limit, tail_db)
    if order is None:
        _refuse_coarse(frequency, steps, "order", taken, edge_db)
    return modes, reason, min(taken, degree), (tail_db, edge_db)


def _choose_degree(power: Real, order: int, *, floor: bool) -> tuple[int, str]:
    """Smallest degree that holds all but `POWER_ABOVE`, or all above a floor of noise if any."""
    limit = power.shape[1]
    above = np.cumsum(power[:, ::-1], axis=1)[:, ::-1]
    enough = np.flatnonzero(np.all(above <= POWER_ABOVE * above[:, :1], axis=0))
    if enough.size:
        return int(enough[0]), FALLEN
    if limit < FLOOR_DEGREES or not floor:
        return limit, SAMPLING
    # White noise has the same power in each coefficient, a slope of zero over the logarithm of the
    # degree: within 0.3 over the upper half of 35 degrees, less for more (measured). A field with
    # a step has -3 (its coefficients fall as 1/n, and each degree has 2n+1), but -1 to -5, at times
    # none, where it beats with the steps of the grid (measured): so nothing is sought behind the
    # edge of a part taken as zero.
    n = np.arange(1, limit + 1)
    density = power / np.minimum(2 * n + 1, 2 * order + 1)
    start = limit // 2
    x = np.log(n[start:] + 0.5)
    x -= x.mean()
    slope = np.log(np.maximum(density[:, start:], np.finfo(float).tiny)) @ x / (x @ x)
    if abs(slope.mean()) > 0.75:
        return limit, SAMPLING
    noise = density[:, start:].mean(axis=1)[:, None]
    # The mean of K >= 6 exponential values exceeds four times their expectation by chance in at
    # most three cases in a million: exp(-24) sum_{i<6} 24^i / i!.
    signal = np.flatnonzero((density > 4 * noise).any(axis=0))
    return (min(limit, int(signal[-1]) + 3), FLOOR) if signal.size else (limit, SAMPLING)


def _level_db(part: Real, whole: Real) -> Real:
    """Sum of ``part`` (B, ...) over that of ``whole`` (B, ...) [dB]."""
    with np.errstate(divide="ignore"):
        return np.asarray(10 * np.log10(part.sum(axis=1) / whole.sum(axis=1)))


def _refuse_coarse(frequency: Real, steps: str, name: str, value: int, level_db: Real) -> None:
    f = int(np.argmax(level_db))
    if level_db[f] > COARSE_DB:
        raise InputError(
            f"{steps} are too coarse for this pattern: at {frequency[f] / 1e9:.9g} GHz {name} "
            f"{value}, the largest they determine, still has {level_db[f]:z.1f} dB of the power; "
            f"measure in finer steps, or give the {name} to accept the error"
        )


def _residual(modes: Modes, whole: Rings) -> Real:
    """Rms of the difference over rms of the pattern, rings weighted by their area."""
    again = np.stack(fields.far_field_grid(modes, theta=whole.theta, phi=whole.phi), axis=1)
    area = rings.ring_areas(whole.theta)
    power = _mean_square(whole.field) @ area
    return np.asarray(np.sqrt(_mean_square(again - whole.field) @ area / power))


def _warnings(
    degree: int,
    order: int,
    given: float | None,
    residual: float,
    tail_db: float,
    edge_db: float,
    lost: float,
    radiated: float,
) -> Iterator[Notice]:
    """What to beware of in one pattern."""
    if residual > 10 ** (NOTABLE_DB / 20):
        yield ExpansionCode.RESIDUAL(degree=degree, residual_db=20 * math.log10(residual))
    if tail_db > NOTABLE_DB:
        yield ExpansionCode.TAIL(tail_db=float(tail_db))
    if edge_db > NOTABLE_DB:
        yield ExpansionCode.EDGE(order=order, edge_db=float(edge_db))
    if lost > 10 ** (NOTABLE_DB / 10):
        yield ExpansionCode.MISSING(missing_db=10 * math.log10(lost))
    # One part in a million: levels written as text are rounded.
    if given is not None and radiated > given * (1 + 1e-6):
        excess_db = 10 * math.log10(radiated / given)
        yield ExpansionCode.POWER(radiated_w=float(radiated), input_w=given, excess_db=excess_db)

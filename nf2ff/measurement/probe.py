"""The probe: receiving coefficients and response constants.

The functions here raise InputError where values do not fit.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import (
    WAVE_IMPEDANCE,
    Modes,
    Reference,
    degree_of_count,
    mode_index,
    mode_numbers,
    wavenumber,
)
from nf2ff.kernel.arrays import as_array
from nf2ff.kernel.interpolation import interpolate_frequency, nearest_known
from nf2ff.kernel.rotation import rotate_coefficients
from nf2ff.kernel.translation import translation_coefficients
from nf2ff.measurement.samples import RESPONSE_UNITS, ResponseUnit
from nf2ff.messages.input_error import InputError, found_in

Complex = NDArray[np.complex128]

#: Numbers in one array of translation coefficients at most.
_TOGETHER = 2_000_000
#: Power of an azimuthal order relative to all below which it is rounding of doubles: an amplitude
#: of 450 times their last digit, where sums of waves leave ten to a hundred times.
ROUNDING_POWER = 1e-26


@dataclass(frozen=True, slots=True, eq=False)
class Probe:
    """A probe by the receiving coefficients R_{sigma mu nu} of each of its ports.

    An incident field sum a_{sigma mu nu} F^(4)_{sigma mu nu} (incoming waves about the probe's reference
    point, in sqrt(W)) gives the response sum a R. The frame has +z pointing away from the origin of the scan
    and +x along theta^ at chi = 0 (Hansen 1988, ch. 3).

    Parameters
    ----------
    frequency : (Fp,) array_like or None
        Frequencies [Hz]; None where the coefficients hold at every frequency.
    coefficients : (Fp, ports, J) array_like
        R in the order of the modes; Fp = 1 where ``frequency`` is None.
    response_unit : {"V/m", "sqrt(W)", "relative"}
        Unit of the response. "V/m" is the field strength: R is then multiplied by k sqrt(Z0), so that one set
        of coefficients serves every frequency.
    minimum_radius : float or None
        Radius of the smallest sphere about the reference point that holds the probe [m].

    Raises
    ------
    ValueError
        If shapes do not fit, a value is not finite or the unit is unknown.
    """

    frequency: NDArray[np.float64] | None
    coefficients: Complex
    response_unit: ResponseUnit = "sqrt(W)"
    minimum_radius: float | None = None

    def __post_init__(self) -> None:
        r = as_array(self.coefficients, complex, "coefficients", ndim=3)
        degree_of_count(r.shape[2])
        count = 1
        if self.frequency is not None:
            frequency = as_array(self.frequency, float, "frequency", ndim=1)
            count = frequency.size
            if np.any(frequency <= 0) or np.unique(frequency).size != count:
                raise InputError("the probe's frequencies must be positive and all different [Hz]")
            object.__setattr__(self, "frequency", frequency)
        if r.shape[0] != count or r.shape[1] < 1:
            raise InputError(f"coefficients have shape {r.shape}, expected ({count}, ports, J)")
        if self.response_unit not in RESPONSE_UNITS:
            raise InputError(
                f"response_unit is {self.response_unit!r}, expected 'V/m', 'sqrt(W)' or 'relative'"
            )
        if self.minimum_radius is not None and not 0 <= self.minimum_radius < np.inf:
            raise InputError(f"the probe's minimum_radius is {self.minimum_radius} m, expected a number >= 0")
        object.__setattr__(self, "coefficients", r)

    @property
    def ports(self) -> int:
        """Number of ports."""
        return int(self.coefficients.shape[1])

    def check_port(self, port: int) -> None:
        """Refuse a port (counted from 1) that the probe lacks."""
        if port > self.ports:
            has = f"{self.ports} port{'s' if self.ports > 1 else ''}"
            what = f"the samples use port {port}, the probe has {has}"
            raise InputError(what, "give a probe with that port")

    @property
    def degree(self) -> int:
        """Largest degree nu of the receiving coefficients."""
        return degree_of_count(self.coefficients.shape[2])

    def orders(self, port: int | None = None) -> list[int]:
        """Azimuthal orders mu of a port (counted from 0) or of any, at any frequency."""
        _, m, _ = mode_numbers(self.degree)
        r = self.coefficients if port is None else self.coefficients[:, port : port + 1]
        return np.unique(m[r.any(axis=(0, 1))]).tolist()

    @property
    def mu_max(self) -> int:
        """Largest |mu| of the receiving coefficients, at least 1."""
        return max([1, *(abs(mu) for mu in self.orders())])

    def transmit_modes(self) -> tuple[Modes, ...]:
        """Waves that the probe radiates with 1 W into each port, one Modes a port.

        In its own frame: boresight +z, reference polarisation x.

        InputError if the response is a field strength, or the coefficients belong to no frequency.
        """
        if self.response_unit == "V/m" or self.frequency is None:
            raise InputError(
                "a probe that reads field strength, or has no frequencies, has no pattern as an antenna",
                "give its far field",
            )
        reference: Reference = "relative" if self.response_unit == "relative" else "absolute"
        q = self.coefficients * (np.sqrt(2) * _half_turn(self.degree))
        return tuple(Modes(self.frequency, q[:, port], reference) for port in range(self.ports))

    def at_frequency(self, frequency: float) -> Complex:
        """Receiving coefficients (ports, J) at ``frequency`` [Hz], which the probe must have."""
        if self.frequency is None:
            return self.coefficients[0]
        (near,), (same,) = nearest_known(self.frequency, np.array([frequency]))
        if not same:
            low, high = self.frequency.min() / 1e9, self.frequency.max() / 1e9
            raise InputError(
                f"the probe has no data at {frequency / 1e9:.9g} GHz, its {self.frequency.size} "
                f"frequencies are from {low:.9g} to {high:.9g} GHz",
                "give a probe that has it",
            )
        return self.coefficients[near]


def _half_turn(degree: int) -> NDArray[np.float64]:
    """(-1)^(mu + nu) in the order of the modes.

    By reciprocity R_{sigma mu nu} = (-1)^mu T_{sigma,-mu,nu} with T the coefficients of the wave radiated
    (Hansen 1988, eq. 2.107, from memory); and the half turn about x that leads from the probe's own frame,
    looking at the antenna, to that of R takes T_{sigma mu nu} to (-1)^nu T_{sigma,-mu,nu}.
    """
    _, m, n = mode_numbers(degree)
    return np.asarray(1.0 - 2.0 * ((m + n) % 2))


def probe_from_modes(ports: Modes | Sequence[Modes], *, minimum_radius: float | None = None) -> Probe:
    """Probe from the waves that it radiates, by reciprocity.

    Azimuthal orders +-mu of a port that are nothing but rounding, above `ROUNDING_POWER` at no frequency, are
    left out: each costs a transform, and asks a quadrature for more values of chi.

    Parameters
    ----------
    ports : Modes or sequence of Modes
        For each port the waves radiated with 1 W into it, in the probe's own frame: boresight +z,
        reference polarisation x. Relative modes give relative responses.
    minimum_radius : float, optional
        Radius of the smallest sphere about the origin of that frame that holds the probe [m].

    Returns
    -------
    Probe
        Response in sqrt(W) at a matched load, or relative.

    Raises
    ------
    ValueError
        If there is no port, or ports differ in frequencies or kind of level.
    """
    ports = [ports] if isinstance(ports, Modes) else list(ports)
    if not ports:
        raise InputError("a probe needs at least one port")
    first = ports[0]
    for i, modes in enumerate(ports[1:], start=2):
        if not np.array_equal(modes.frequency, first.frequency):
            raise InputError(f"port {i} of the probe has other frequencies than port 1", "give it the same")
        if modes.reference != first.reference:
            raise InputError(f"port {i} of the probe is {modes.reference}, port 1 is {first.reference}")
    degree = max(modes.degree for modes in ports)
    t = np.stack([modes.extend(degree).coefficients for modes in ports], axis=1)
    unit: ResponseUnit = "sqrt(W)" if first.reference == "absolute" else "relative"
    probe = Probe(first.frequency, t * (_half_turn(degree) / np.sqrt(2)), unit, minimum_radius)
    return drop_weak_orders(probe, power=ROUNDING_POWER)


def drop_weak_orders(probe: Probe, *, power: float) -> Probe:
    """The probe without those azimuthal orders +-mu of a port that carry next to nothing.

    Parameters
    ----------
    probe : Probe
        The probe.
    power : float
        Power of a port in +mu and -mu together, relative to that in all its orders, which it must
        exceed at some frequency to be kept.

    Returns
    -------
    Probe
        With zero in place of the coefficients of the other orders.

    Raises
    ------
    ValueError
        If ``power`` is not within 0 ... 1.
    """
    if not 0 <= power < 1:
        raise InputError(f"power is {power}, expected a share of the whole, from 0 to below 1")
    _, m, _ = mode_numbers(probe.degree)
    share = np.square(np.abs(probe.coefficients))
    total = share.sum(axis=2)
    r = np.array(probe.coefficients)
    for mu in range(probe.mu_max + 1):
        mine = np.abs(m) == mu
        weak = np.all(share[:, :, mine].sum(axis=2) <= power * total, axis=0)
        r[:, np.outer(weak, mine)] = 0
    return replace(probe, coefficients=r)


def at_frequencies(
    probe: Probe, frequency: ArrayLike, *, extrapolate: bool = False
) -> tuple[Probe, NDArray[np.float64]]:
    """The probe at the frequencies of a scan, interpolated where it was not measured.

    Parameters
    ----------
    probe : Probe
        The probe.
    frequency : (F,) array_like
        Frequencies wanted [Hz].
    extrapolate : bool
        Whether frequencies outside of the probe's are taken from its last ones, not refused.

    Returns
    -------
    probe : Probe
        At ``frequency``; as it was if its coefficients hold at every frequency.
    error : (F,) ndarray
        Relative error of the coefficients as `interpolate_frequency` estimates it: 0 where they are known,
        NaN where that cannot be told.

    Raises
    ------
    ValueError
        If a frequency is outside those of the probe, and that was not asked for.
    """
    wanted = as_array(frequency, float, "frequency", ndim=1)
    if probe.frequency is None:
        return probe, np.zeros(wanted.size)
    with found_in("the probe"):
        found = interpolate_frequency(probe.frequency, probe.coefficients, wanted, extrapolate=extrapolate)
    return replace(probe, frequency=wanted, coefficients=found.values), found.error


def mounted(
    probe: Probe,
    *,
    port_factors: ArrayLike = 1.0,
    chi_offset: ArrayLike = 0.0,
    tilt_x: float = 0.0,
    tilt_y: float = 0.0,
) -> Probe:
    """The probe as it is mounted and cabled, where that is known to differ from what is recorded.

    Parameters
    ----------
    probe : Probe
        The probe, well aligned, its ports equally amplified.
    port_factors : (ports,) or (Fp, ports) array_like
        Complex factor of each port's reading against the others (channel balance), linear.
    chi_offset : () or (ports,) array_like
        True rotation of the probe about its axis minus the recorded chi: one for all ports or, for antennas
        of their own or ports whose patterns were each measured along x, one each [rad].
    tilt_x, tilt_y : float
        Turn of the whole probe, offset and all, about its reference point: about the x axis of the mount and
        then about its y axis, right-handed [rad]. These axes stand at the recorded chi: at chi = 0, tilt_x
        leans the boresight towards phi^ and tilt_y towards theta^.

    Returns
    -------
    Probe
        To be used with the samples as they were recorded. Azimuthal orders that a tilt raises no
        higher than rounding are left out.

    Raises
    ------
    ValueError
        If a value is not finite, a factor is zero, or factors or offsets do not fit the ports.
    """
    factors = as_array(port_factors, complex, "port_factors")
    shape = probe.coefficients.shape[:2]
    if factors.shape not in ((), shape[1:], shape):
        raise InputError(f"port_factors have shape {factors.shape}, expected {shape[1:]} or {shape}")
    if np.any(factors == 0):
        raise InputError(
            "port_factors are 0 somewhere", "leave out the samples of a port that does not answer"
        )
    offset = as_array(chi_offset, float, "chi_offset")
    if offset.shape not in ((), shape[1:]):
        raise InputError(f"chi_offset has shape {offset.shape}, expected one value or {shape[1:]}")
    tilts = as_array([tilt_x, tilt_y], float, "tilt_x, tilt_y")
    _, m, _ = mode_numbers(probe.degree)
    r = probe.coefficients * np.broadcast_to(factors, shape)[:, :, None]
    r = r * np.exp(1j * np.multiply.outer(np.broadcast_to(offset, shape[1:]), m))
    if not tilts.any():
        return replace(probe, coefficients=r)
    own = (r * _half_turn(probe.degree)).reshape(*shape, -1, 2).swapaxes(2, 3)
    quarter = np.pi / 2
    # About x: z is turned to x's place and back.
    own = rotate_coefficients(own, alpha=-quarter, beta=tilts[0], gamma=quarter)
    own = rotate_coefficients(own, alpha=0.0, beta=tilts[1], gamma=0.0)
    r = np.ascontiguousarray(own.swapaxes(2, 3)).reshape(r.shape) * _half_turn(probe.degree)
    return drop_weak_orders(replace(probe, coefficients=r), power=ROUNDING_POWER)


def keep_orders(probe: Probe, *, orders: Sequence[int]) -> Probe:
    """The probe with no azimuthal orders mu but those given: an approximation.

    Parameters
    ----------
    probe : Probe
        The probe.
    orders : sequence of int
        Orders mu to keep, each with its sign.

    Returns
    -------
    Probe
        With zero in place of the coefficients of the other orders.
    """
    _, m, _ = mode_numbers(probe.degree)
    return replace(probe, coefficients=np.where(np.isin(m, orders), probe.coefficients, 0))


def field_probe() -> Probe:
    """Ideal field probe: reads E_theta cos(chi) + E_phi sin(chi) at its place [V/m].

    Returns
    -------
    Probe
        One port, at all frequencies.

    Notes
    -----
    A regular wave of degree 1 has at the origin the field F^(1)_{2,+-1,1} = -+ (x^ +- j y^) / sqrt(12 pi),
    every other transverse one vanishes, and F^(1) = (F^(3) + F^(4))/2: hence R_{2,+-1,1} = -+ 1/sqrt(3 pi),
    and the response constants are those of Hansen (1988) as given by closed form, times k sqrt(Z0).
    """
    r = np.zeros((1, 1, 6), dtype=complex)
    r[0, 0, mode_index(s=2, m=1, n=1)] = -1 / np.sqrt(3 * np.pi)
    r[0, 0, mode_index(s=2, m=-1, n=1)] = 1 / np.sqrt(3 * np.pi)
    return Probe(None, r, "V/m")


def response_constants(
    probe: Probe, *, frequency: float, radius: ArrayLike, degree: int, largest_sum: float | None = None
) -> Complex:
    """Response constants P_{s mu n}(kA) without their common factor exp(-jkA)/kA.

    Parameters
    ----------
    probe : Probe
        The probe.
    frequency : float
        Frequency [Hz].
    radius : (R,) array_like
        Distances A of the probe from the origin [m].
    degree : int
        Largest degree N of the antenna's waves.
    largest_sum : float, optional
        Leave out waves of antenna and probe whose degrees n + nu exceed this.

    Returns
    -------
    (ports, R, 2 mu_max + 1, N, 2) ndarray
        P for mu = -mu_max ... mu_max (`Probe.mu_max`) and s = 1, 2, in the unit of the response per sqrt(W).
        Infinite where n is so far above kA that it exceeds the range of a double.

    Notes
    -----
    P = 1/2 sum C^{sn(3)}_{sigma mu nu}(kA) R_{sigma mu nu} (Hansen 1988, eq. 3.10, conjugated). For the ideal
    field probe P_{1,+-1,n} = -j N0 R_1n, P_{2,+-1,n} = -+ N0 R_2n with N0 = sqrt(2n+1)/(4 sqrt(pi)), times k
    sqrt(Z0).
    """
    r = probe.at_frequency(frequency)
    k = float(wavenumber(frequency))
    kr = k * np.atleast_1d(np.asarray(radius, dtype=float))
    top = probe.mu_max
    n_probe = probe.degree
    # R by kind, degree and order; zero where |mu| > nu.
    table = np.zeros((probe.ports, 2, n_probe, 2 * top + 1), dtype=complex)
    s, m, n = mode_numbers(n_probe)
    use = np.abs(m) <= top
    table[:, s[use] - 1, n[use] - 1, m[use] + top] = r[:, use]
    result = np.empty((probe.ports, kr.size, 2 * top + 1, degree, 2), dtype=complex)
    step = max(1, _TOGETHER // (n_probe * degree * (top + 1)))
    sums = np.add.outer(np.arange(1, n_probe + 1), np.arange(1, degree + 1))
    for start in range(0, kr.size, step):
        part = slice(start, start + step)
        coefficients = translation_coefficients(degree, kr[part], probe_degree=n_probe, mu_max=top)
        if largest_sum is not None:
            for c in coefficients:
                c[:, sums > largest_sum] = 0
        _combine(table, *coefficients, out=result[:, part])
    if probe.response_unit == "V/m":
        with np.errstate(over="ignore", invalid="ignore"):
            result *= k * np.sqrt(WAVE_IMPEDANCE)
    result[~np.isfinite(result)] = complex(np.inf, 0)
    return result


def _combine(table: Complex, same: Complex, other: Complex, *, out: Complex) -> None:
    """P = 1/2 sum C R; ``other`` changes its sign with that of mu, ``same`` does not."""
    top = table.shape[3] // 2
    with np.errstate(over="ignore", invalid="ignore"):
        for mu in range(-top, top + 1):
            r = 0.5 * table[:, :, :, top + mu]
            for port in range(table.shape[0]):
                for sigma in (0, 1):
                    nu = np.flatnonzero(r[port, sigma])
                    to = out[port, :, top + mu]
                    if sigma == 0:
                        to[...] = 0
                    if not nu.size:
                        continue
                    weight = r[port, sigma, nu]
                    c = same[..., abs(mu)][:, nu]
                    to[..., sigma] += np.einsum("v,rvn->rn", weight, c)
                    if mu:
                        c = other[..., abs(mu)][:, nu]
                        to[..., 1 - sigma] += np.einsum("v,rvn->rn", np.sign(mu) * weight, c)

"""The probe: receiving coefficients and response constants."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.modes import WAVE_IMPEDANCE, degree_of_count, mode_index, wavenumber
from nf2ff.special import as_array, radial_functions

ProbeUnit = Literal["V/m", "sqrt(W)", "relative"]


@dataclass(frozen=True, slots=True, eq=False)
class Probe:
    """A probe by the receiving coefficients R_{sigma mu nu} of each of its ports.

    An incident field sum a_{sigma mu nu} F^(4)_{sigma mu nu} (incoming waves about the probe's
    reference point, in sqrt(W)) gives the response sum a R. The frame has +z pointing away
    from the origin of the scan and +x along theta^ at chi = 0 (Hansen 1988, ch. 3).

    Parameters
    ----------
    frequency : (Fp,) array_like or None
        Frequencies [Hz]; None where the coefficients hold at every frequency.
    coefficients : (Fp, ports, J) array_like
        R in the order of the modes; Fp = 1 where ``frequency`` is None.
    response_unit : {"V/m", "sqrt(W)", "relative"}
        Unit of the response. "V/m" is the field strength: R is then multiplied by
        k sqrt(Z0), so that one set of coefficients serves every frequency.

    Raises
    ------
    ValueError
        If shapes do not fit, a value is not finite or the unit is unknown.
    """

    frequency: NDArray[np.float64] | None
    coefficients: NDArray[np.complex128]
    response_unit: ProbeUnit = "sqrt(W)"

    def __post_init__(self) -> None:
        r = as_array(self.coefficients, complex, "coefficients", ndim=3)
        degree_of_count(r.shape[2])
        count = 1
        if self.frequency is not None:
            frequency = as_array(self.frequency, float, "frequency", ndim=1)
            count = frequency.size
            if np.any(frequency <= 0) or np.unique(frequency).size != count:
                msg = "the probe's frequencies must be positive and all different [Hz]"
                raise ValueError(msg)
            object.__setattr__(self, "frequency", frequency)
        if r.shape[0] != count or r.shape[1] < 1:
            msg = f"coefficients have shape {r.shape}, expected ({count}, ports, J)"
            raise ValueError(msg)
        if self.response_unit not in ("V/m", "sqrt(W)", "relative"):
            msg = (
                f"response_unit is {self.response_unit!r}, expected 'V/m', 'sqrt(W)' or 'relative'"
            )
            raise ValueError(msg)
        object.__setattr__(self, "coefficients", r)

    @property
    def ports(self) -> int:
        """Number of ports."""
        return int(self.coefficients.shape[1])

    @property
    def degree(self) -> int:
        """Largest degree nu of the receiving coefficients."""
        return degree_of_count(self.coefficients.shape[2])

    def at_frequency(self, frequency: float) -> NDArray[np.complex128]:
        """Receiving coefficients (ports, J) at ``frequency`` [Hz], which the probe must have."""
        if self.frequency is None:
            return self.coefficients[0]
        near = int(np.argmin(np.abs(self.frequency - frequency)))
        if abs(self.frequency[near] - frequency) > 1e-9 * frequency:
            low, high = self.frequency.min() / 1e9, self.frequency.max() / 1e9
            msg = (
                f"the probe has no data at {frequency / 1e9:.9g} GHz, its {self.frequency.size} "
                f"frequencies are from {low:.9g} to {high:.9g} GHz: give a probe that has it"
            )
            raise ValueError(msg)
        return self.coefficients[near]


def field_probe() -> Probe:
    """Ideal field probe: reads E_theta cos(chi) + E_phi sin(chi) at its place [V/m].

    Notes
    -----
    A regular wave of degree 1 has at the origin the field F^(1)_{2,+-1,1} = -+ (x^ +- j y^) /
    sqrt(12 pi), every other transverse one vanishes, and F^(1) = (F^(3) + F^(4))/2: hence
    R_{2,+-1,1} = -+ 1/sqrt(3 pi), and the response constants are those of Hansen (1988) as given
    by closed form, times k sqrt(Z0).
    """
    r = np.zeros((1, 1, 6), dtype=complex)
    r[0, 0, mode_index(s=2, m=1, n=1)] = -1 / np.sqrt(3 * np.pi)
    r[0, 0, mode_index(s=2, m=-1, n=1)] = 1 / np.sqrt(3 * np.pi)
    return Probe(None, r, "V/m")


def response_constants(
    probe: Probe, *, frequency: float, radius: ArrayLike, degree: int
) -> NDArray[np.complex128]:
    """Response constants P_{s mu n}(kA) without their common factor exp(-jkA)/kA.

    Parameters
    ----------
    probe : Probe
        Probe of degree 1 (dipoles, electric and magnetic).
    frequency : float
        Frequency [Hz].
    radius : (R,) array_like
        Distances A of the probe from the origin [m].
    degree : int
        Largest degree N of the antenna's waves.

    Returns
    -------
    (ports, R, 3, N, 2) ndarray
        P for mu = -1, 0, 1 and s = 1, 2, in the unit of the response per sqrt(W). Infinite where
        n is so far above kA that it exceeds the range of a double.

    Raises
    ------
    ValueError
        If the probe has no data at that frequency or is of a degree above 1.

    Notes
    -----
    P = 1/2 sum C^{sn(3)}_{sigma mu nu}(kA) R_{sigma mu nu} (Hansen 1988, eq. 3.10, conjugated).
    For nu = 1 the translation coefficient is the wave's own field (sigma = 2) or its curl
    (sigma = 1) on the z axis. The transverse ones give back the constants of the ideal probe,
    P_{1,+-1,n} = -j N0 R_1n, P_{2,+-1,n} = -+ N0 R_2n with N0 = sqrt(2n+1)/(4 sqrt(pi)).
    """
    if probe.degree > 1:
        msg = (
            f"the probe is of degree {probe.degree}: response constants are known for degree 1 "
            "(dipole probes) only"
        )
        raise ValueError(msg)
    r = probe.at_frequency(frequency)
    k = float(wavenumber(frequency))
    kr = k * np.atleast_1d(np.asarray(radius, dtype=float))
    n = np.arange(1, degree + 1)
    g1, g2 = radial_functions(degree, kr)
    transverse = np.sqrt(3 * (2 * n + 1)) / 4
    with np.errstate(over="ignore", invalid="ignore"):
        axial = np.sqrt(3 * n * (n + 1) * (2 * n + 1) / 8) * g1 / kr[:, None]
    result = np.zeros((probe.ports, kr.size, 3, degree, 2), dtype=complex)
    for port in range(probe.ports):
        for mu in (-1, 0, 1):
            for sigma in (1, 2):
                weight = r[port, mode_index(s=sigma, m=mu, n=1)]
                if weight == 0:
                    continue
                out = result[port, :, mu + 1]
                with np.errstate(over="ignore", invalid="ignore"):
                    if mu == 0:
                        out[..., sigma - 1] += axial * weight
                    else:
                        out[..., sigma - 1] += transverse * g2 * weight
                        out[..., 2 - sigma] += 1j * mu * transverse * g1 * weight
    if probe.response_unit == "V/m":
        with np.errstate(over="ignore", invalid="ignore"):
            result *= k * np.sqrt(WAVE_IMPEDANCE)
    result[~np.isfinite(result)] = complex(np.inf, 0)
    return result

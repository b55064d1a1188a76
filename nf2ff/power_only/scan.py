"""Scans that measured power only: EIRP of a transmitter, sensitivity of a receiver, no phase.

They are taken in the far field or in an indirect far-field range, since power alone cannot be
transformed from near to far. Sensitivity is a power, too: near-field data of a receiver can be
transformed only if it reports a phase against a reference that holds from one position to the
next, for each polarisation. Without it, measure in the far field.

Radiated power can hurt: keep persons out of the range while a device transmits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import FarField
from nf2ff.kernel.arrays import as_array, keep
from nf2ff.kernel.sphere import canonical_angles
from nf2ff.messages.input_error import InputError
from nf2ff.metrics.gain_and_power import eirp

Real = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class PowerScan:
    """EIRP measured without phase at M directions, both polarisations or their sum.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies [Hz].
    theta : (M,) array_like
        Polar angles, in [0, pi] or beyond the pole in [-pi, 0]; kept from 0 to pi [rad].
    phi : (M,) array_like
        Azimuth angles; kept in [0, 2 pi) [rad].
    eirp_theta, eirp_phi : (F, M) array_like, optional
        EIRP of the two polarisations, both or neither [W].
    eirp_total : (F, M) array_like, optional
        Their sum, where only that was measured [W].

    Raises
    ------
    ValueError
        If shapes do not fit, an angle or a frequency is out of range, a power is negative or not
        finite, or not just the two polarisations or their sum are given.
    """

    frequency: Real
    theta: Real
    phi: Real
    eirp_theta: Real | None = None
    eirp_phi: Real | None = None
    eirp_total: Real | None = None

    def __post_init__(self) -> None:
        _set_directions(self)
        given = [getattr(self, name) is not None for name in _EIRP]
        if given not in ([True, True, False], [False, False, True]):
            names = ", ".join(n for n, there in zip(_EIRP, given, strict=True) if there) or "none"
            raise InputError(f"given is {names}: expected eirp_theta and eirp_phi, or eirp_total alone")
        for name in _EIRP:
            if getattr(self, name) is not None:
                _set_powers(self, name, positive=False)

    @property
    def eirp(self) -> Real:
        """EIRP of both polarisations together, (F, M) [W]."""
        given = [x for x in (self.eirp_theta, self.eirp_phi, self.eirp_total) if x is not None]
        return np.asarray(np.sum(given, axis=0))


_EIRP = ("eirp_theta", "eirp_phi", "eirp_total")


@dataclass(frozen=True, slots=True, eq=False)
class SensitivityScan:
    """Effective isotropic sensitivity of a receiver at M directions, in each polarisation.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies [Hz].
    theta, phi : (M,) array_like
        As in `PowerScan` [rad].
    eis_theta, eis_phi : (F, M) array_like
        Power that an isotropic antenna would receive from the weakest wave, polarised along
        theta^ and along phi^, that the receiver still decodes; NaN where it was not reached at
        the highest power [W].

    Raises
    ------
    ValueError
        If shapes do not fit, an angle or a frequency is out of range, or a sensitivity is
        infinite, zero or negative.
    """

    frequency: Real
    theta: Real
    phi: Real
    eis_theta: Real
    eis_phi: Real

    def __post_init__(self) -> None:
        _set_directions(self)
        _set_powers(self, "eis_theta", positive=True)
        _set_powers(self, "eis_phi", positive=True)


def _set_directions(scan: Any) -> None:
    """Convert and check frequencies and angles of a scan."""
    keep(scan, ("frequency", "theta", "phi"), float, ndim=1)
    frequency, theta, phi = scan.frequency, scan.theta, scan.phi
    if np.any(frequency <= 0) or frequency.size == 0:
        shown = f"{frequency.min():.9g} Hz" if frequency.size else "empty"
        raise InputError(f"frequency is {shown}, expected positive values [Hz]")
    if theta.size != phi.size or theta.size == 0:
        raise InputError(
            f"theta and phi are {theta.size} and {phi.size} angles, expected equally many, at least one"
        )
    beyond = np.flatnonzero(np.abs(theta) > np.pi * (1 + 1e-12))
    if beyond.size:
        raise InputError(
            f"theta is {theta[beyond[0]]:.6g} rad at position {beyond[0] + 1}, expected -pi to pi",
            "convert degrees to radians",
        )
    # Beyond the pole theta^ and phi^ are reversed, which no power tells.
    theta, phi, _ = canonical_angles(theta, phi)
    for name, value in (("theta", theta), ("phi", phi)):
        object.__setattr__(scan, name, as_array(value, float, name))


def _set_powers(scan: Any, name: str, *, positive: bool) -> None:
    """Convert and check the powers of a scan; those that must be positive may be missing."""
    shape = (scan.frequency.size, scan.theta.size)
    keep(scan, (name,), float, shape=shape, axes="(F, M)", missing=positive)
    value = getattr(scan, name)
    bad = np.argwhere(value <= 0 if positive else value < 0)
    if bad.size:
        i, j = bad[0]
        expected = "a positive power" if positive else "no negative power"
        raise InputError(
            f"{name} is {value[i, j]:.6g} W at {scan.frequency[i]:.9g} Hz, position {j + 1}: "
            f"expected {expected}; convert dBm to watts"
        )


def freeze_results(
    noun: Any, names: tuple[str, ...], *, whole: tuple[str, ...] = (), unstated: tuple[str, ...] = ()
) -> None:
    """Convert fields of a noun to read-only arrays (F,) of real numbers, whole ones, or NaN perhaps."""
    shape = (np.size(noun.frequency),)
    keep(noun, ("frequency", *names), float, shape=shape)
    keep(noun, whole, np.intp, shape=shape)
    keep(noun, unstated, float, shape=shape, missing=True)


def power_scan(far_field: FarField) -> PowerScan:
    """What a scan of power alone would see of a far field.

    Parameters
    ----------
    far_field : FarField
        Absolute far field on T polar angles and P azimuths.

    Returns
    -------
    PowerScan
        EIRP of both polarisations at M = T P directions, azimuth running faster.

    Raises
    ------
    ValueError
        If the level of the far field is only relative.
    """
    nothing = np.zeros_like(far_field.e_theta)
    shape = (far_field.frequency.size, far_field.theta.size * far_field.phi.size)
    eirp_theta = eirp(replace(far_field, e_phi=nothing)).reshape(shape)
    eirp_phi = eirp(replace(far_field, e_theta=nothing)).reshape(shape)
    theta = np.repeat(far_field.theta, far_field.phi.size)
    phi = np.tile(far_field.phi, far_field.theta.size)
    return PowerScan(far_field.frequency, theta, phi, eirp_theta, eirp_phi)

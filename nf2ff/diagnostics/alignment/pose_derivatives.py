"""Derivatives of responses by the pose of the probe, which are smooth everywhere, the poles too.

A pose has six ways to change: the probe swings about an axis through the origin, along its own x or its own y
(x along theta^ at chi = 0, z outwards); it turns about z; it moves outwards; it tilts about its reference
point, about x or about y. Those about the origin act on the functions of a rotation F that the response is a
sum of, D^n_{m mu}(F) = exp(j m phi) d^n_{m mu}(theta) exp(j mu chi): F Rx(a) is

    D^n_{m mu}(F Rx(a)) = sum over mu' of D^n_{m mu'}(F) [exp(j a J_x)]_{mu' mu},

so that its derivative at a = 0 is the same sum with j J_x P in the place of the response constants P; about y
and z with -j J_y P and j mu P (angular momentum in quantum mechanics, closed form). Derivatives along theta
and phi are none of these: at the poles they have no limit.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Modes, wavenumber
from nf2ff.kernel import spin
from nf2ff.measurement.probe import Probe, at_frequencies, mounted, response_constants
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.response import Change
from nf2ff.solver.transmission import TransmissionOperator

Complex = NDArray[np.complex128]

#: What a pose can do, in the order of the derivatives: angles [rad], but ``outward`` [m].
MOTIONS = ("swing-x", "swing-y", "twist", "outward", "tilt-x", "tilt-y")
#: Step of the differences over distance, in units of 1/k, and over tilt [rad].
_STEP, _TILT = 0.02, 1e-4
#: Relative accuracy of the transforms.
_TOLERANCE = 1e-9


def derivatives_by_pose(samples: Samples, probe: Probe, modes: Modes) -> Complex:
    """Derivatives of the responses of modes by the six motions of the probe.

    Parameters
    ----------
    samples : Samples
        Positions of the samples, at one frequency; responses do not matter.
    probe : Probe
        The probe.
    modes : Modes
        Modes of the antenna at that frequency.

    Returns
    -------
    (6, M) ndarray
        Derivatives by the motions in the order of `MOTIONS`, right-handed about the probe's axes x (along
        theta^ at chi = 0), y (along phi^ there) and z (outwards) [unit of the response per rad; per m].

    Raises
    ------
    ValueError
        If the frequencies of samples and modes differ, or there are several.
    """
    if samples.frequency.size != 1 or not np.array_equal(samples.frequency, modes.frequency):
        raise InputError(
            f"samples and modes have {samples.frequency.size} and {modes.frequency.size} frequencies, "
            "expected the same one",
            "take the samples and modes of one frequency",
        )
    samples = samples.at_frequency(0)
    probe, _ = at_frequencies(probe, samples.frequency)
    operator = TransmissionOperator(
        plan_geometry(samples),
        probe,
        float(samples.frequency[0]),
        modes.degree,
        _TOLERANCE,
        spin.thread_count(None),
    )
    maps = pose_operators(operator)
    x = operator.from_modes(modes.coefficients[0])
    return np.stack([maps[name].forward(x) for name in MOTIONS])


def pose_operators(operator: TransmissionOperator) -> dict[str, TransmissionOperator]:
    """For each of `MOTIONS` the operator of the derivative by it, on the coefficients of ``operator``."""
    tilted = [of_probe(operator, x).change for x in tilt_derivatives(operator.probe)]
    k = float(wavenumber(operator.frequency))
    changes = (_about_x, _about_y, _about_z, _outward(k), *tilted)
    return {name: replace(operator, change=x) for name, x in zip(MOTIONS, changes, strict=True)}


def of_probe(operator: TransmissionOperator, probe: Probe) -> TransmissionOperator:
    """The operator of another probe in the same places, on the coefficients of ``operator``."""
    ports = [g.port - 1 for g in operator.geometry]

    def change(_: Any, r: Any) -> Complex:
        found = response_constants(probe, frequency=operator.frequency, radius=r, degree=operator.degree)
        return found[ports]

    return replace(operator, change=change)


def _ladder(constants: Complex) -> tuple[Complex, Complex]:
    """(J_+ P, J_- P) / 2 of constants (ports, R, 2 top + 1, N, 2), for one more order on either side."""
    top, degree = constants.shape[2] // 2, constants.shape[3]
    n = np.arange(1, degree + 1)
    mu = np.arange(-top, top + 1)[:, None]
    raised, lowered = (
        0.5 * np.sqrt(np.maximum(n * (n + 1) - mu * (mu + step), 0))[:, :, None] * constants
        for step in (1, -1)
    )
    up = np.pad(raised, ((0, 0), (0, 0), (2, 0), (0, 0), (0, 0)))
    down = np.pad(lowered, ((0, 0), (0, 0), (0, 2), (0, 0), (0, 0)))
    return up, down


def _about_x(constants: Callable[[Any], Complex], r: Any) -> Complex:
    up, down = _ladder(constants(r))
    return 1j * (up + down)


def _about_y(constants: Callable[[Any], Complex], r: Any) -> Complex:
    up, down = _ladder(constants(r))
    return down - up


def _about_z(constants: Callable[[Any], Complex], r: Any) -> Complex:
    found = constants(r)
    top = found.shape[2] // 2
    return 1j * np.arange(-top, top + 1)[:, None, None] * found


def _outward(k: float) -> Change:
    """d/dr of P exp(-jkr) / kr, freed of that factor: P by differences of fourth order."""

    def change(constants: Callable[[Any], Complex], r: Any) -> Complex:
        r, h = np.asarray(r, dtype=float), _STEP / k
        slope = 8 * (constants(r + h) - constants(r - h)) - (constants(r + 2 * h) - constants(r - 2 * h))
        return slope / (12 * h) - (1j * k + 1 / r)[:, None, None, None] * constants(r)

    return change


def tilt_derivatives(probe: Probe) -> tuple[Probe, Probe]:
    """Derivatives of a probe by its two tilts: `mounted` has its x axis along ours, its y axis against it."""
    found = []
    for name, sign in (("tilt_x", 1), ("tilt_y", -1)):
        ends: Any = [mounted(probe, **{name: s * _TILT}).coefficients for s in (1, -1)]
        found.append(replace(probe, coefficients=sign * (ends[0] - ends[1]) / (2 * _TILT)))
    return found[0], found[1]

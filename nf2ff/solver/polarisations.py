"""Where samples are, and which polarisations they measured there."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import mode_numbers
from nf2ff.kernel.arrays import in_rows
from nf2ff.kernel.sphere import canonical_angles
from nf2ff.measurement.probe import Probe, field_probe, response_constants
from nf2ff.measurement.samples import Samples
from nf2ff.solver.positions import different_positions, plan_geometry

Real = NDArray[np.float64]

#: Samples less the length of the sum of their unit Stokes vectors from which a position tells both
#: components: two linear polarisations 1 deg apart, 2 - 2 cos(1 deg), as for the scan as a whole.
SEPARATE = 3e-4
#: Sine of the polar angle up to which a position is a pole.
POLE = 1e-9


def places(samples: Samples, probe: Probe) -> tuple[Real, Real, Real | None]:
    """Different positions among samples of one frequency, and the polarisations measured at each."""
    turn, handed = port_polarisations(probe, samples)
    if (found := _fully_measured(samples, turn, handed)) is not None:
        return (*found, None)
    theta, phi, _ = canonical_angles(samples.theta, samples.phi)  # half a turn of chi is none
    used = ~np.isnan(turn[samples.port - 1])
    if not used.all():
        theta, phi = theta[used], phi[used]
    port = samples.port[used] - 1
    stokes = _stokes(samples.chi[used] + turn[port], handed[port])
    near = np.sin(theta) < POLE
    if near.any():
        # At a pole all azimuths are one position; theta^ turns with them.
        turn = np.where(theta < 1, 2, -2) * np.where(near, phi, 0.0)
        c, s = np.cos(turn), np.sin(turn)
        stokes = np.stack(
            [c * stokes[:, 0] - s * stokes[:, 1], s * stokes[:, 0] + c * stokes[:, 1], stokes[:, 2]], axis=1
        )
        theta = np.where(near, np.where(theta < 1, 0.0, np.pi), theta)
        phi = np.where(near, 0.0, phi)
    first, position = different_positions(theta, phi)
    theta, phi = theta[first], phi[first]
    total = np.stack([np.bincount(position, weights=x, minlength=theta.size) for x in stokes.T], axis=1)
    length = np.sqrt((total**2).sum(axis=1))
    alone = np.bincount(position, minlength=theta.size) - length < SEPARATE
    if not alone.any():
        return theta, phi, None
    return theta, phi, np.where(alone[:, None], total / np.maximum(length, 1e-300)[:, None], np.nan)


def _stokes(angle: Real, handed: Real) -> Real:
    """Unit Stokes vectors (M, 3) of orientations [rad] and handedness."""
    linear = np.sqrt(1 - handed**2)
    return np.stack([linear * np.cos(2 * angle), linear * np.sin(2 * angle), 0 * angle + handed], axis=1)


def _fully_measured(samples: Samples, turn: Real, handed: Real) -> tuple[Real, Real] | None:
    """theta and phi of the positions where the same different polarisations were measured at each: the usual
    scan, of which nothing need be worked out for each sample. None of others, and of poles."""
    if len(samples.ports()) > 1 or samples.nearest < samples.farthest:
        return None
    (g,) = samples.once(plan_geometry)
    theta, phi = g.location.T
    if g.position is not None or g.chi.shape[1] > 1 or np.sin([theta.min(), theta.max()]).min() < POLE:
        return None
    each = _stokes(g.chi[:, 0] + turn[g.port - 1], handed[g.port - 1])
    return (theta, phi) if len(each) - np.linalg.norm(each.sum(axis=0)) >= SEPARATE else None


#: Part of a port's reception in the orders +-1, against the port that has most, which is none.
FAINT = 1e-6


def port_polarisations(probe: Probe, samples: Samples) -> tuple[Real, Real]:
    """What each port of a probe reads from afar, at the first frequency of samples."""
    place = {
        "frequency": float(samples.frequency[0]),
        "radius": [samples.middle],
        "degree": 1,
    }
    waves = []
    for one in (probe, field_probe()):
        # An electric dipole's wave, received as the circular waves mu = +1 and -1.
        constants = response_constants(one, **place)[:, 0, :, 0, 1]  # type: ignore[arg-type]
        middle = constants.shape[1] // 2
        waves.append(in_rows(constants[:, [middle + 1, middle - 1]].T))
    (plus, minus), (plus0, minus0) = waves
    power = np.abs(plus) ** 2 + np.abs(minus) ** 2
    ratio = plus * minus.conj() * (plus0 * minus0.conj()).conj()
    with np.errstate(invalid="ignore"):
        handed = (np.abs(plus) ** 2 - np.abs(minus) ** 2) / power
    # Of a port with a null on its axis, such as a difference port, rounding is no polarisation.
    m = mode_numbers(probe.degree)[1]
    received = (np.abs(probe.coefficients) ** 2).max(axis=0)
    share = received[:, np.abs(m) == 1].sum(axis=1) / np.maximum(received.sum(axis=1), 1e-300)
    heard = (power > 0) & (share > FAINT * share.max())
    turn = np.where(heard, 0.5 * np.angle(ratio), np.nan)
    return turn, np.nan_to_num(handed)

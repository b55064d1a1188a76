"""Scans with a probe in any place and attitude, in closed form, to find faults of a set-up in.

Poses are those of a chain of axes, its matrices from scipy: nothing here is taken from what estimates them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from nf2ff.antenna.closed_form import near_field, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, Modes
from nf2ff.measurement.probe import Probe, probe_from_modes
from nf2ff.measurement.probe_models import modes_of
from nf2ff.measurement.samples import Samples

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
WAVELENGTH = 0.03
FREQUENCY = SPEED_OF_LIGHT / WAVELENGTH
#: Axes of a mount: x as those of the pose, y and z against them.
MOUNT = np.diag([1.0, -1.0, -1.0])


@dataclass(frozen=True)
class Faults:
    """What is wrong with a set-up: angles [rad], lengths [m], logarithms of amplitude."""

    theta: float | Real = 0.0
    phi: float | Real = 0.0
    x: float = 0.0
    y: float = 0.0
    skew: float = 0.0
    sight: float = 0.0
    tilt_x: float = 0.0
    tilt_y: float = 0.0
    radius: float = 0.0
    #: Logarithm of the gain at each sample, and what is added relative to the largest response.
    gain: Complex | float = 0.0
    added: Complex | float = 0.0


def cluster(kr0: float, *, seed: int, count: int = 12) -> DipoleCluster:
    """Electric and magnetic dipoles in a ball of k r0 = ``kr0``."""
    rng = np.random.default_rng(seed)
    place = rng.normal(size=(count, 3))
    place /= np.linalg.norm(place, axis=1, keepdims=True)
    place *= kr0 * WAVELENGTH / (2 * np.pi) * rng.uniform(0.3, 1, (count, 1)) ** (1 / 3)
    moments = rng.normal(size=(2, count, 3)) + 1j * rng.normal(size=(2, count, 3))
    return DipoleCluster(place, moments[0], WAVE_IMPEDANCE * moments[1])


def two_by_two() -> tuple[DipoleCluster, DipoleCluster]:
    """Ports of a probe of 2 x 2 dipoles half a wavelength apart, with a reflector's image behind each."""
    at = 0.25 * WAVELENGTH * np.array([[1, 1], [1, -1], [-1, 1], [-1, -1]])
    place = np.concatenate([np.pad(at, ((0, 0), (0, 1))), np.pad(at, ((0, 0), (0, 1)))])
    place[4:, 2] = -0.25 * WAVELENGTH
    sign = np.repeat([1.0, -1j], 4)[:, None]
    return tuple(DipoleCluster(place, sign * np.array(axis)) for axis in ([[1, 0, 0]], [[0, 1, 0]]))


def probe_of(ports: Sequence[DipoleCluster], *, degree: int | None = None) -> Probe:
    """The same as receiving coefficients."""
    return probe_from_modes([modes_of(x, frequency=[FREQUENCY], degree=degree, power=1.0) for x in ports])


def poses(samples: Samples, faults: Faults) -> tuple[Real, Real]:
    """True position (M, 3), and axes x, y, z (outwards) of the probe as columns (M, 3, 3)."""

    def about(axis: str, angle: float | Real) -> Rotation:
        angle = np.broadcast_to(angle, samples.theta.shape)
        return Rotation.from_rotvec(angle[:, None] * np.eye(3)["xyz".index(axis)])

    turn = about("z", samples.phi + faults.phi)
    arm = turn * about("x", faults.skew) * about("y", samples.theta + faults.theta) * about("x", faults.sight)
    shift = turn.apply(np.array([faults.x, faults.y, 0.0]))
    position = shift + (samples.radius + faults.radius)[:, None] * arm.as_matrix()[:, :, 2]
    axes = (arm * about("z", samples.chi)).as_matrix()
    tilt = (Rotation.from_euler("y", faults.tilt_y) * Rotation.from_euler("x", faults.tilt_x)).as_matrix()
    return position, axes @ MOUNT @ tilt @ MOUNT


def responses(
    antenna: DipoleCluster, ports: Sequence[DipoleCluster], port: NDArray, position: Real, axes: Real
) -> Complex:
    """Waves (M,) that a probe of dipoles receives in poses, by reciprocity: -1/(2v) sum p.E - m.H."""
    frame = np.swapaxes(axes @ MOUNT, 1, 2)
    dual = DipoleCluster(antenna.position, antenna.magnetic / WAVE_IMPEDANCE**2, -antenna.electric)
    out = np.zeros(len(position), dtype=complex)
    for number, cluster in enumerate(ports, start=1):
        rows = np.flatnonzero(port == number)
        power = radiated_power_of(cluster, frequency=[FREQUENCY])[0]
        for offset, electric, magnetic in zip(
            cluster.position, cluster.electric, cluster.magnetic, strict=True
        ):
            points = position[rows] + offset @ frame[rows]
            for moment, source in ((electric, antenna), (-magnetic, dual)):
                if moment.any():
                    out[rows] += np.sum(_field(source, points) * (moment @ frame[rows]), axis=1)
        out[rows] *= -0.5 / np.sqrt(2 * power)
    return out


def _field(antenna: DipoleCluster, points: Real) -> Complex:
    """Cartesian field (M, 3)."""
    x, y, z = points.T
    theta, phi, r = np.arctan2(np.hypot(x, y), z), np.arctan2(y, x), np.linalg.norm(points, axis=1)
    e_r, e_theta, e_phi = near_field(antenna, frequency=[FREQUENCY], theta=theta, phi=phi, radius=r)
    st, ct, sp, cp = np.sin(theta), np.cos(theta), np.sin(phi), np.cos(phi)
    basis = np.array([[st * cp, st * sp, ct], [ct * cp, ct * sp, -st], [-sp, cp, 0 * st]])
    return np.einsum("um,uim->mi", np.array([e_r[0], e_theta[0], e_phi[0]]), basis)


def measured(
    record: Samples,
    antenna: DipoleCluster,
    ports: Sequence[DipoleCluster],
    faults: Faults,
    *,
    noise_db: float | None = -50.0,
    seed: int = 0,
) -> Samples:
    """The record with the responses of a faulty set-up, noise relative to the largest, rms."""
    w = responses(antenna, ports, record.port, *poses(record, faults))
    top = np.abs(w).max()
    w = w * np.exp(faults.gain) + top * faults.added
    if noise_db is not None:
        rng = np.random.default_rng(seed)
        w += (
            10 ** (noise_db / 20)
            * top
            * (rng.normal(size=w.shape) + 1j * rng.normal(size=w.shape))
            / np.sqrt(2)
        )
    return Samples(
        record.frequency,
        record.theta,
        record.phi,
        record.chi,
        record.radius,
        record.port,
        w[None],
        "sqrt(W)",
        time=record.time,
    )


def true_modes(antenna: DipoleCluster, degree: int) -> Modes:
    """Modes of the antenna, from its closed-form far field."""
    return modes_of(antenna, frequency=[FREQUENCY], degree=degree)


def error_db(found: Modes, truth: Modes) -> float:
    """Far-field error, relative to the field's rms, a common complex factor taken out [dB]."""
    a, b = found.coefficients[0], truth.coefficients[0]
    factor = np.vdot(a, b) / np.vdot(a, a)
    return float(20 * np.log10(np.linalg.norm(factor * a - b) / np.linalg.norm(b)))

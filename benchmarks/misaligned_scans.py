"""Scans with a probe in any place and attitude, in closed form, to find faults of a set-up in.

Poses are those of a chain of axes, its matrices from scipy: nothing here is taken from what estimates them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from nf2ff.antenna.closed_form import near_field, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, Modes
from nf2ff.antenna.points import constant_rate_spiral_for_degree, equal_area_spiral_for_degree
from nf2ff.diagnostics.alignment.model import Model
from nf2ff.diagnostics.alignment.parameters import Parameter, parameters_of
from nf2ff.kernel import spin
from nf2ff.measurement.probe import Probe, probe_from_modes
from nf2ff.measurement.probe_models import modes_of
from nf2ff.measurement.samples import Samples
from nf2ff.uncertainty.errors.error_term import ErrorTerm

Real = NDArray[np.float64]
Complex = NDArray[np.complex128]
WAVELENGTH = 0.03
NOISE_DB = -50.0
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
    noise_db: float | None = NOISE_DB,
    seed: int = 0,
) -> Samples:
    """The record with the responses of a faulty set-up, noise relative to the largest, rms."""
    w = responses(antenna, ports, record.port, *poses(record, faults))
    w = w * np.exp(faults.gain)
    top = np.abs(w).max()
    w += top * faults.added
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


def huygens_pair() -> tuple[DipoleCluster, DipoleCluster]:
    """Ports of the smallest probe that looks ahead: crossed electric and magnetic dipoles."""
    z = WAVE_IMPEDANCE
    return (
        DipoleCluster(np.zeros((1, 3)), np.array([[1, 0, 0]]), np.array([[0, z, 0]])),
        DipoleCluster(np.zeros((1, 3)), np.array([[0, 1, 0]]), np.array([[-z, 0, 0]])),
    )


def record(scan: str, degree: int, *, radius: float = 0.4) -> Samples:
    """Positions and times of a scan by name, both ports at each position; "+ C": C cuts through the poles,
    "turned": with the probe turned by a quarter on every other."""
    name, _, cuts = scan.removesuffix(" turned").partition(" + ")
    if name == "equal-area":
        points = equal_area_spiral_for_degree(degree)
        theta, phi = points.theta, points.phi
    elif name.startswith("constant-rate"):
        points = constant_rate_spiral_for_degree(degree)
        theta, phi = points.theta, points.phi
        if name.endswith("+-180"):  # from the far pole through the near one
            theta, phi = np.append(theta - np.pi, theta[1:]), np.append(phi, phi[-1] + phi[1:])
    else:
        # An arm that sweeps there and back, at one azimuth after the other; +-180 covers the sphere twice.
        double = name == "grid +-180"
        fast = np.linspace(-np.pi, np.pi, 2 * degree + 3) if double else np.linspace(0, np.pi, degree + 2)
        slow = np.pi / (degree + 1) * np.arange(2 * degree + 2)
        theta, phi = np.tile(fast, (slow.size, 1)), np.repeat(slow, fast.size)
        theta[1::2] = theta[1::2, ::-1]
        theta = theta.ravel()
    time, chi = np.arange(theta.size, dtype=float), np.zeros(theta.size)
    for i in range(int(cuts or 0)):
        cut = np.linspace(-np.pi, np.pi, 2 * degree + 5)
        theta = np.append(theta, cut)
        phi = np.append(phi, np.full(cut.size, 0.1 + i * np.pi / 2))
        chi = np.append(chi, np.full(cut.size, np.pi / 2 * (i % 2) * scan.endswith("turned")))
        time = np.append(time, time[-1] + 30 + np.arange(cut.size))
    count = theta.size
    return Samples(
        [FREQUENCY],
        np.repeat(theta, 2),
        np.repeat(phi, 2),
        np.repeat(chi, 2),
        radius,
        np.tile([1, 2], count),
        np.zeros((1, 2 * count)),
        "sqrt(W)",
        time=np.repeat(time, 2),
    )


def draw_faults(
    terms: Sequence[ErrorTerm], samples: Samples, rng: np.random.Generator
) -> tuple[Real, Faults, tuple[Parameter, ...]]:
    """Parameters of the terms drawn from their priors: values, what they make wrong, and which they are."""
    parameters = parameters_of(terms, samples)
    values = rng.normal(size=len(parameters)) * [x.prior for x in parameters]
    names = {"phi-theta": "skew", "theta-chi": "sight", "tilt-x": "tilt_x", "tilt-y": "tilt_y"}
    total: dict[str, Any] = {"gain": 0.0, "added": 0.0}
    for x, value in zip(parameters, values, strict=True):
        for name, shape in x.moves:
            total[names.get(name, name)] = total.get(names.get(name, name), 0.0) + value * shape
        for name, part in (("gain", x.gain), ("added", x.offset)):
            if part is not None:
                total[name] = total[name] + (1j if x.imaginary else 1) * value * part
    return values, Faults(**total), parameters


def known_solution(
    samples: Samples, probe: Probe, parameters: tuple[Parameter, ...], values: Real, degree: int
) -> Modes:
    """The solution of one who knows the values of all parameters."""
    placed = Model(samples, probe, parameters, degree, spin.thread_count(None)).at(values)
    weights = np.abs(placed.gain) ** 2 * 8 * np.pi / samples.port.size
    q, _ = placed.solve(placed.signal, weights)
    for _ in range(4 if values.any() else 0):
        q, _ = placed.solve(placed.signal - placed.bend(q), weights, start=q)
    return Modes([FREQUENCY], q[None])

"""Small scans of known antennas for the tests of errors, and their solution by dense matrices."""

from dataclasses import replace

import numpy as np
import oracle
from sources import ONE_METRE, K, random_cluster

from nf2ff.antenna.modes import Modes
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate
from nf2ff.solver.direct import dense_matrix
from nf2ff.solver.methods import area_weights
from nf2ff.solver.positions import plan_geometry
from nf2ff.uncertainty.errors.catalogue import make_term
from nf2ff.uncertainty.figure import Figure

PROBE = field_probe()


def spiral_scan(antenna, degree, *, radius=3.0, oversampling=1.5, frequency=ONE_METRE, **more):
    """Both polarisations at each position of a spiral that goes on for longer than it must."""
    points = equal_area_spiral_for_degree(degree, oversampling=oversampling)
    return simulate(
        antenna,
        frequency=frequency,
        theta=np.tile(points.theta, 2),
        phi=np.tile(points.phi, 2),
        chi=np.repeat([0.0, np.pi / 2], points.count),
        radius=radius,
        **more,
    )


def one_port(samples, rows):
    """Some of the samples."""
    fields = ("theta", "phi", "chi", "radius", "port")
    return replace(
        samples, **{x: getattr(samples, x)[rows] for x in fields}, response=samples.response[:, rows]
    )


def inverse(samples, degree, probe=PROBE, *, index=0):
    """Matrix (J, M) from responses to modes: dense, with the weights that the solver takes."""
    geometry = plan_geometry(samples)
    matrix = dense_matrix(geometry, probe, frequency=float(samples.frequency[index]), degree=degree)
    root = np.sqrt(area_weights(geometry, degree=degree, threads=1))[:, None]
    return np.linalg.pinv(root * matrix) * root.T


def dense_modes(samples, degree, probe=PROBE):
    q = [inverse(samples, degree, probe, index=f) @ w for f, w in enumerate(samples.response)]
    return Modes(samples.frequency, q)


def far_matrix(degree, theta, phi):
    """Matrix (2, J) from modes to E_theta and E_phi in a direction, by the textbook."""
    k = oracle.far_waves(degree, [theta], [phi])[0]
    return np.sqrt(oracle.Z0 / (4 * np.pi)) * k.T


ANTENNA = random_cluster(3, 0.15, seed=2)

FIGURES = (
    Figure("directivity"),
    Figure("eirp"),
    Figure("trp"),
    Figure("pointing-theta"),
    Figure("pointing-phi"),
    Figure("directivity-towards", theta=1.0, phi=0.3),
)

#: Sizes small enough for what is of third order in them to be below 1e-4 of the first.
SIZES = {
    "position-noise": {"axis": "theta", "rms": 1e-3},
    "axis-zero": {"axis": "radius", "offset": 1e-3 / K},
    "encoder-steps": {"axis": "phi", "step": 1e-3, "recorded": "read-back"},
    "wobble": {"axis": "radius", "of": "phi", "amplitude": 1e-3 / K, "order": 2, "phase": 0.4},
    "arm-sag": {"angle": 1e-3, "stretch": 1e-3 / K},
    "axes-apart": {"x": 1e-3 / K, "y": -5e-4 / K, "z": 7e-4 / K},
    "axes-not-square": {"angle": 1e-3},
    "backlash": {"axis": "theta", "width": 1e-3, "time": "rows"},
    "timing-lag": {"lag": 1e-3, "axes": ["phi"], "time": "rows", "interval": 1.0},
    "probe-pointing": {"tilt_x": 1e-3, "tilt_y": -6e-4},
    "probe-gain": {"amplitude": 1e-3},
    "probe-pattern": {"rms": 1e-3},
    "probe-polarisation": {"level": 1e-3, "phase": 0.5},
    "phase-noise": {"rms": 1e-3},
    "amplitude-noise": {"rms": 1e-3},
    "receiver-noise": {"rms": 1e-3},
    "noise-floor": {"rms": 0.01},
    "random-walk": {"phase": 1e-3, "amplitude": 1e-3, "time": "rows"},
    "slow-drift": {"phase": 1e-3, "amplitude": 1e-3, "intervals": 4, "time": "rows"},
    "wander": {"axis": "theta", "rms": 1e-3, "intervals": 4, "time": "rows"},
    "thermal-ramp": {"phase": 1e-3, "amplitude": 1e-3, "time": "rows"},
    "cable-flexing": {"amplitude": 1e-3, "axis": "phi"},
    "compression": {"loss": 1e-3},
    "leakage": {"level": 1e-3, "phase": 0.3},
    "channel-imbalance": {"amplitude": 1e-3, "phase": 1e-3, "between": "chi"},
    "multiple-reflections": {"level": 1e-3, "phase": 0.2},
    "stray-wave": {"level": 1e-4, "theta": 1.0, "phi": 0.3},
    "image-source": {"level": 1e-4, "theta": 1.0, "phi": 0.3, "distance": 5.0},
    "quiet-zone": {"level": 1e-4, "theta": 1.0, "phi": 0.3},
    "frequency-error": {"offset": 1e-4},
    "truncated-angle": {"theta_max": 2.9},
    "truncated-degree": {"degree": 4},
}

TERMS = {name: make_term(name, values) for name, values in SIZES.items()}

KNOWN = ["truncated-angle", "truncated-degree"]


__all__ = [
    "ANTENNA",
    "FIGURES",
    "KNOWN",
    "PROBE",
    "SIZES",
    "TERMS",
    "K",
    "dense_modes",
    "far_matrix",
    "inverse",
    "one_port",
    "spiral_scan",
]

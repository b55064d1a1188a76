"""Small scans of known antennas for the tests of errors, and their solution by dense matrices."""

from dataclasses import replace

import numpy as np
import oracle
from sources import ONE_METRE, K

from nf2ff.geometry import plan_geometry
from nf2ff.inversion import area_weights, dense_matrix
from nf2ff.modes import Modes
from nf2ff.points import equal_area_spiral_for_degree
from nf2ff.probe import field_probe
from nf2ff.simulate import simulate

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
        samples,
        **{x: getattr(samples, x)[rows] for x in fields},
        response=samples.response[:, rows],
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


__all__ = ["PROBE", "K", "dense_modes", "far_matrix", "inverse", "one_port", "spiral_scan"]

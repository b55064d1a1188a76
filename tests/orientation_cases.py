"""Antennas, scans and checks that several test files share."""

import numpy as np
from rotations import axis_rotation

from nf2ff.antenna.dipoles import DipoleCluster

ANGLES = [(0.4, 1.2, -2.0), (3.0, -0.3, 0.1), (0.0, np.pi, 0.0), (0.9, 0.0, 0.0), (0.0, 0.0, -2.2)]


#: Turned over about a slanted axis, as a device laid on its other side.
OVER = axis_rotation([1.0, 0.1, 0.0], angle=np.pi)


def named(abc):
    return dict(zip(("alpha", "beta", "gamma"), abc, strict=True))


def turned(cluster, rotation):
    """The cluster with its positions and moments turned as vectors."""
    return DipoleCluster(
        *(x @ rotation.T for x in (cluster.position, cluster.electric)), cluster.magnetic @ rotation.T
    )


def relative_error(found, expected):
    return np.abs(np.array(found) - np.array(expected)).max() / np.abs(expected).max()

"""Rotation matrices by scipy, as `kernel.rotation` takes them."""

import numpy as np
from scipy.spatial.transform import Rotation


def rotation_matrix(*, alpha, beta, gamma):
    """R = Rz(alpha) Ry(beta) Rz(gamma)."""
    return Rotation.from_euler("ZYZ", [alpha, beta, gamma]).as_matrix()  # capitals: turning axes


def axis_rotation(axis, *, angle):
    """Right-handed about an axis of any length."""
    return Rotation.from_rotvec(angle * np.array(axis) / np.linalg.norm(axis)).as_matrix()

"""What a probe is as an antenna."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.modes import mode_numbers
from nf2ff.measurement.probe import Probe
from nf2ff.metrics.gain_and_power import directivity, gain
from nf2ff.metrics.polarisation import axial_ratio, tilt_angle


def probe_figures(probe: Probe) -> list[dict[str, NDArray[np.float64]]]:
    """What each port is as an antenna: gain, polarisation and orders, for each frequency.

    Parameters
    ----------
    probe : Probe
        The probe, F frequencies.

    Returns
    -------
    list of dict of str to (F,) ndarray
        For each port directivity on the boresight, gain (of an absolute probe), level of the
        weaker of the polarisations x and y against the stronger there, tilt of the polarisation
        from x towards y, axial ratio, and the power in azimuthal orders other than +-1.
    """
    result = []
    for modes in probe.transmit_modes():
        field = far_field(modes, theta=[0.0], phi=[0.0])
        x, y = np.abs(field.e_theta[:, 0, 0]), np.abs(field.e_phi[:, 0, 0])
        _, m, _ = mode_numbers(modes.degree)
        power = np.square(np.abs(modes.coefficients))
        with np.errstate(divide="ignore", invalid="ignore"):
            figures = {"directivity_dbi": 10 * np.log10(directivity(field)[:, 0, 0])}
            if modes.reference == "absolute":
                figures["gain_dbi"] = 10 * np.log10(gain(field, input_power=1.0)[:, 0, 0])
            figures |= {
                "cross_polar_db": 20 * np.log10(np.minimum(x, y) / np.maximum(x, y)),
                "tilt_deg": np.degrees(tilt_angle(field)[:, 0, 0]),
                "axial_ratio_db": 20 * np.log10(axial_ratio(field)[:, 0, 0]),
                "other_orders_db": 10 * np.log10(power[:, np.abs(m) != 1].sum(axis=1) / power.sum(axis=1)),
            }
        result.append(figures)
    return result

"""Which samples share a phase, by how they were taken."""

from __future__ import annotations

from dataclasses import replace
from typing import Literal, get_args

import numpy as np

from nf2ff.kernel.sphere import canonical_angles
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError

Coherent = Literal["nothing", "positions", "cuts", "cuts-by-polarisation", "rings", "rings-by-polarisation"]
WAYS: tuple[Coherent, ...] = get_args(Coherent)
#: Steps of such scans over those needed with a reference, in theta and in phi, as certificates were tried.
FINER = 1.25
#: Angles and distances closer than this are the same [rad, m].
_SAME = 1e-6


def with_coherence(samples: Samples, along: Coherent) -> Samples:
    """The samples in groups of coherent phase, by where they were taken.

    Parameters
    ----------
    samples : Samples
        Samples at the same positions at all frequencies.
    along : str
        What shares a phase: "nothing", so that amplitudes alone count; "positions", all polarisations and
        ports at one position; "cuts", all samples of one azimuth as recorded and one radius; "rings", of one
        polar angle; "...-by-polarisation", those of one chi and port only.

    Returns
    -------
    Samples
        With ``coherence``.

    Raises
    ------
    ValueError
        If positions differ by frequency, or ``along`` is none of these.
    """
    if along not in WAYS:
        raise InputError(f"along is {along!r}, expected one of {', '.join(WAYS)}")
    if samples.moving:
        raise InputError("positions differ by frequency", "take the samples of one frequency first")
    if along == "nothing":
        return replace(samples, coherence=np.arange(samples.port.size))
    kind = along.removesuffix("-by-polarisation")
    theta, phi, _ = canonical_angles(samples.theta, samples.phi)
    if kind == "cuts":
        columns = [np.mod(samples.phi, 2 * np.pi)]
    elif kind == "rings":
        columns = [theta]
    else:
        columns = [theta, phi]
    columns.append(samples.radius)
    if along != kind:
        columns += [samples.chi, samples.port]
    keys = np.round(np.stack(columns) / _SAME)
    return replace(samples, coherence=np.unique(keys, axis=1, return_inverse=True)[1].ravel())

"""What samples must be before they are solved, each refusal in one line."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.modes import Reference, mode_numbers, wavenumber
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError
from nf2ff.solver.regular_grid import NotAGridError, recognise_grid

#: Polarisations nearer to each other than 1 deg [rad] are told apart by noise only.
SAME_POLARISATION = math.radians(1.0)


def check_units(samples: Samples, probe: Probe) -> Reference:
    """Whether the level of the result is known; units that do not fit are refused."""
    if "relative" in (samples.response_unit, probe.response_unit):
        return "relative"
    if samples.response_unit != probe.response_unit:
        raise InputError(
            f"the responses are in {samples.response_unit}, the probe answers in {probe.response_unit}",
            "state the unit of the responses or give the probe that took them; relative responses give "
            "directivity alone",
        )
    return "absolute"


def check_distance(
    radius: float, frequency: float, minimum_radius: float | None, *, reactive: str, inside: str
) -> None:
    """Refuse a radius [m] in the reactive zone or in the antenna's sphere; ``frequency`` is the lowest.

    ``reactive`` and ``inside`` are what is to be done about the one and the other.
    """
    k = float(wavenumber(frequency))
    if k * radius <= 1:
        raise InputError(
            f"radius is {radius:.6g} m, within the reactive zone of any antenna (below "
            f"wavelength / 2 pi = {1 / k:.6g} m at {frequency / 1e9:.6g} GHz)",
            reactive,
        )
    if minimum_radius is None:
        return
    if not (minimum_radius > 0 and math.isfinite(minimum_radius)):
        raise InputError(f"minimum_radius is {minimum_radius} m, expected a finite number > 0")
    if radius <= minimum_radius:
        raise InputError(
            f"radius is {radius:.6g} m, inside the antenna's minimum sphere of {minimum_radius:.6g} m", inside
        )


def check_reference(samples: Samples) -> None:
    """Refuse samples whose phases hold within groups only."""
    if samples.coherence is not None:
        groups = np.unique(samples.coherence).size
        raise InputError(
            f"the samples are in {groups} groups of coherent phase, without a reference between them",
            "find the phases first by `solver.phaseless.reconstruct`",
            option="nf2ff transform --found-phases FILE does so",
        )


def check_radius(samples: Samples, minimum_radius: float | None, probe: Probe) -> None:
    """Refuse samples in the reactive zone, or where the spheres of antenna and probe meet [m]."""
    nearest = samples.nearest
    check_distance(
        nearest,
        float(samples.frequency.min()),
        minimum_radius,
        reactive="check the unit of the radius (m) and of the frequency (Hz)",
        inside="measure outside it or correct minimum_radius",
    )
    if minimum_radius is None:
        return
    own = probe.minimum_radius or 0.0
    if nearest <= minimum_radius + own:
        raise InputError(
            f"radius is {nearest:.6g} m, but the probe's minimum sphere of {own:.6g} m and the "
            f"antenna's of {minimum_radius:.6g} m meet there",
            "measure further away, or correct these radii",
        )


def check_mixture(samples: Samples) -> None:
    """Refuse positions of several frequencies that only together make one regular grid."""
    if not samples.moving:
        return
    try:
        # A sweep while an axis turns at constant speed gives each frequency a whole grid.
        for i in range(samples.frequency.size):
            recognise_grid(samples.at_frequency(i))
    except NotAGridError:
        pass
    else:
        return
    shape = samples.response.shape
    columns: list[NDArray[Any]] = [samples.theta, samples.phi, samples.chi, samples.radius, samples.port]
    theta, phi, chi, radius, port = (np.broadcast_to(x, shape).ravel() for x in columns)
    none = np.zeros((1, samples.response.size), dtype=complex)
    together = Samples(samples.frequency[:1], theta, phi, chi, radius, port, none)
    try:
        grid = recognise_grid(together).grid
    except NotAGridError:
        return
    raise InputError(
        f"the positions of the {shape[0]} frequencies together make one regular grid of "
        f"{grid.theta.size} x {grid.phi.size}, of which each has a part: are frequencies mixed in "
        "one grid? If the axes did move between them, give each frequency a file of its own"
    )


def check_polarisations(samples: Samples, probe: Probe) -> None:
    """Refuse samples of one polarisation alone, from which no field can be told."""
    _, m, _ = mode_numbers(probe.degree)
    ports = samples.ports()
    r = np.abs(probe.coefficients[:, [port - 1 for port in ports]]).max(axis=1)
    # Whatever the higher orders, from afar only +1 and -1 are heard, one each circular wave.
    plus, minus = r[:, m == 1].max(axis=1), r[:, m == -1].max(axis=1)
    if np.any(np.minimum(plus, minus) == 0):
        who = f"port {ports[0]} of the probe receives"
        if len(ports) > 1:
            who = f"ports {', '.join(map(str, ports))} of the probe receive all the same"
        raise InputError(
            f"{who} one circular polarisation or none: a probe that receives both is needed, "
            "however it is turned"
        )
    # What is read through a port that receives nothing tells of no polarisation.
    dead = [port for port in ports if not probe.coefficients[:, port - 1].any()]
    ports = [port for port in ports if port not in dead]
    silent = np.isin(samples.port, dead) if dead else np.zeros(1, bool)
    several = len(ports) > 1
    turns = _turns(probe, ports) if several else None
    if several and turns is None:
        return
    for i, frequency in enumerate(samples.frequency):
        chi = samples.place(i)[2]
        missing = silent
        if samples.any_missing:
            missing = silent | np.isnan(samples.response[i])
        if missing.all():
            raise InputError(f"there is no sample at {frequency / 1e9:.9g} GHz", "leave that frequency out")
        if turns is not None:
            chi = chi + turns[np.searchsorted(ports, samples.port).clip(max=len(ports) - 1)]
        if missing.any():
            chi = chi[~missing]
        # A few hundred of them mostly settle it.
        some = chi[:: max(1, chi.size // 300)]
        if not (_differ(some) or _differ(chi)):
            if several:
                raise InputError(
                    f"ports {', '.join(map(str, ports))} of the probe read one polarisation only, "
                    f"the same at all samples at {frequency / 1e9:.9g} GHz: a second one, 90 deg "
                    "from it, is needed at each frequency"
                )
            mixed = " (two frequencies mixed in one grid?)" if samples.frequency.size > 1 else ""
            raise InputError(
                f"all samples at {frequency / 1e9:.9g} GHz have chi = "
                f"{math.degrees(chi[0]):z.6g} deg{mixed}: a second polarisation, chi 90 deg from "
                "it, is needed at each frequency"
            )
        if samples.chi.ndim == 1 and not samples.any_missing:
            return


def _turns(probe: Probe, ports: list[int]) -> NDArray[np.float64] | None:
    """Angles by which the ports are one and the same port turned [rad]; None if they are not."""
    _, m, _ = mode_numbers(probe.degree)
    r = probe.coefficients[:, [port - 1 for port in ports]]
    first = r[:, 0]
    rows = np.arange(len(first))
    # Seen at its strongest waves of orders +1 and -1, a port turned by a has exp(+-j a) of them.
    at = [np.where(m == mu, np.abs(first), 0).argmax(axis=1) for mu in (1, -1)]
    if any((first[rows, k] == 0).any() for k in at):
        return None
    plus, minus = (r[rows, :, k] / first[rows, k][:, None] for k in at)
    turns = 0.5 * np.angle(plus * minus.conj())
    like = (plus * np.exp(-1j * turns))[..., None] * np.exp(1j * m * turns[..., None])
    off = np.linalg.norm(r - like * first[:, None], axis=2)
    same = off <= SAME_POLARISATION * np.linalg.norm(r, axis=2)
    if not same.all() or np.abs(np.sin(turns - turns[:1])).max() > SAME_POLARISATION:
        return None
    return np.asarray(turns[0])


def _differ(chi: NDArray[np.float64]) -> bool:
    """Whether there are two polarisations."""
    return bool(np.abs(np.sin(chi - chi[0])).max() >= SAME_POLARISATION)

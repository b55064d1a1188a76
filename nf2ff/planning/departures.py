"""Where a measured scan departed from its plan."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from nf2ff.kernel.sphere import angle_of_chord, unit_vectors
from nf2ff.measurement.samples import Samples
from nf2ff.messages.notice import Notice
from nf2ff.messages.planning import DepartureCode
from nf2ff.planning.plan import Plan
from nf2ff.planning.scan_time import Schedule

Real = NDArray[np.float64]

#: Of the planned distance: what an uncertainty of a length does not explain (choice).
_DISTANCE = 0.005
#: Of a frequency, so that numbers that were rounded in a file are the same.
_FREQUENCY = 1e-6
#: Of a step, within which a planned position counts as read, and beyond which a reading counts as off
#: its place (choice).
_REACH, _OFF = 0.4, 0.25


def departures(plan: Plan, samples: Samples, *, degree: int | None = None) -> list[Notice]:
    """What was measured otherwise than planned.

    Parameters
    ----------
    plan : Plan
        The plan.
    samples : Samples
        What was measured.
    degree : int, optional
        Largest degree that was solved for.

    Returns
    -------
    list of Notice
        One for each departure; none where the scan follows the plan.
    """
    told = _frequencies(plan, samples)
    planned = plan.request.distance
    low, high = float(samples.radius.min()), float(samples.radius.max())
    if max(abs(low - planned), abs(high - planned)) > _DISTANCE * planned:
        told.append(DepartureCode.DISTANCE(low_m=low, high_m=high, planned_m=planned))
    told += _positions(plan, samples)
    if degree is not None and degree < plan.degree:
        told.append(DepartureCode.DEGREE(degree=degree, planned=plan.degree, tail_db=plan.request.tail_db))
    return told


def _frequencies(plan: Plan, samples: Samples) -> list[Notice]:
    planned, measured = plan.request.frequency, np.sort(samples.frequency)
    missing = planned[_nearest(planned, measured) > _FREQUENCY * planned]
    more = measured[_nearest(measured, planned) > _FREQUENCY * measured]
    told = []
    if missing.size:
        told.append(
            DepartureCode.NO_FREQUENCY(
                count=int(missing.size), planned=int(planned.size), first_ghz=float(missing[0]) / 1e9
            )
        )
    if more.size:
        told.append(DepartureCode.MORE_FREQUENCIES(count=int(more.size), first_ghz=float(more[0]) / 1e9))
        if more[-1] > planned[-1] * (1 + _FREQUENCY):
            told.append(DepartureCode.ABOVE(highest_ghz=float(more[-1]) / 1e9, planned_ghz=planned[-1] / 1e9))
    return told


def _nearest(wanted: Real, found: Real) -> Real:
    """Distance from each of ``wanted`` to the nearest of ``found``, which are sorted."""
    after = np.searchsorted(found, wanted)
    low, high = found[np.maximum(after - 1, 0)], found[np.minimum(after, found.size - 1)]
    return np.asarray(np.minimum(np.abs(wanted - low), np.abs(wanted - high)))


def _positions(plan: Plan, samples: Samples) -> list[Notice]:
    """Planned positions without both polarisations, and readings off their places, at the worst frequency."""
    from scipy.spatial import cKDTree

    step = math.pi / (plan.degree + 1)
    # The frequency with the fewest readings stands for all.
    worst = int(np.argmin((~np.isnan(samples.response)).sum(axis=1))) if samples.any_missing else 0
    some = samples.at_frequency(worst)
    theta, phi, chi = (np.ravel(x) for x in (some.theta, some.phi, some.chi))
    read = unit_vectors(theta, phi)[0]
    places = _places(plan.scan)
    off = cKDTree(np.concatenate(places)).query(read)[0]
    told = []
    if _median(off) > _OFF * step:
        others = {
            scan.name: _median(cKDTree(np.concatenate(_places(scan))).query(read)[0])
            for scan in plan.scans
            if scan.name != plan.scan.name
        }
        name = min(others, key=lambda x: others[x])
        if others[name] <= _OFF * step:
            return [DepartureCode.ANOTHER_SET(measured=name, planned=plan.scan.name)]
    beyond = off > _OFF * step
    if beyond.any():
        told.append(
            DepartureCode.OFF(
                count=int(beyond.sum()),
                readings=int(off.size),
                largest_deg=math.degrees(float(angle_of_chord(off.max()))),
                step_deg=math.degrees(step),
            )
        )
    # Two readings of a position count as two polarisations unless port and probe rotation are the same.
    kind = np.stack([some.port, np.round(np.mod(chi, math.pi) / math.radians(10)) % 18], axis=1)
    _, kind = np.unique(kind, axis=0, return_inverse=True)
    count = np.zeros(len(places[0]), dtype=int)
    for value in np.unique(kind):
        tree = cKDTree(read[np.ravel(kind) == value])
        near = [tree.query(place, distance_upper_bound=_REACH * step)[0] for place in places]
        count += np.isfinite(near).any(axis=0)
    for code, lacking in (
        (DepartureCode.NOT_READ, count == 0),
        (DepartureCode.ONE_POLARISATION, count == 1),
    ):
        if lacking.any():
            height = places[0][lacking, 2]
            ends = np.degrees(np.arccos(np.clip([height.max(), height.min()], -1, 1)))
            told.append(
                code(
                    count=int(lacking.sum()),
                    positions=count.size,
                    from_deg=float(ends[0]),
                    to_deg=float(ends[1]),
                    frequency_ghz=float(samples.frequency[worst]) / 1e9,
                )
            )
    return told


def _places(scan: Schedule) -> tuple[Real, Real]:
    """Where the first and the second polarisation of each position are read, (M, 3) each."""
    at = unit_vectors(scan.theta, scan.phi)[0]
    if scan.chi[0] != scan.chi[1]:
        return at[::2], at[1::2]
    # Turned between two passes, the second of which goes backwards.
    return at[: scan.positions], at[: scan.positions - 1 : -1]


def _median(distance: Real) -> float:
    return float(np.median(distance))

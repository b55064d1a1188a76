"""The figures that a result carries besides its peak: lobes, polarisation, power in regions."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import AnyFarField, FarField
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import Modes
from nf2ff.messages.result import ResultCode
from nf2ff.metrics.beam import Peak, half_power_beamwidth, sidelobe_level
from nf2ff.metrics.lobes import front_to_back
from nf2ff.metrics.planes import Plane, PlaneLike, beside, plane_of, reference_angle
from nf2ff.metrics.polarisation import axial_ratio, sense, tilt_angle
from nf2ff.metrics.regions import UPPER_HEMISPHERE, near_horizon, radiated_fraction
from nf2ff.metrics.result import Quantity

Real = NDArray[np.float64]
#: The two cuts through the peak, and what is said of each.
CUTS = {
    "theta": "along theta, at a pole phi = 0, or as asked (plane_theta)",
    "phi": "along phi, at a pole phi = 90 deg, or across that asked (plane_phi)",
}
#: Half-widths of the bands about the horizon [deg].
HORIZON_DEG = (15, 30, 45)
#: An ellipse whose axial ratio is this close to 1 is a circle, whose tilt is rounding: transforms
#: at points leave 1e-12 of the field.
ROUND = 1e-10


def summary_planes(
    modes: Modes, top: Peak, plane: PlaneLike = 0.0, told: Sequence[list[str]] = ()
) -> dict[str, tuple[Plane, ...]]:
    """Planes of the two cuts that beamwidths and sidelobes are summarised in.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    top : Peak
        Their peak.
    plane : float, str or Plane
        The first, as `nf2ff.metrics.planes.plane_of` has it; the second is across it.
    told : sequence of list of str
        For each frequency a list that gets a warning where such a plane is not to be had; planes
        of phi stand in for it there.

    Returns
    -------
    dict of str to tuple of Plane
        "theta" and "phi": for each frequency the first and the second.
    """
    pairs: list[tuple[Plane, Plane]] = []
    other = beside(plane)
    for f, one in enumerate(modes.each()):
        at = {"theta": float(top.theta[f]), "phi": float(top.phi[f])}
        try:
            first = plane_of(one, plane, **at)
            second = first.across if other is None else plane_of(one, other, **at)
        except ValueError as error:
            first, second = (plane_of(one, x, **at) for x in (0.0, np.pi / 2))
            if told:
                names = {"first": first.name, "second": second.name}
                told[f].append(ResultCode.NO_SUCH_PLANE(reason=str(error), **names))
        pairs.append((first, second))
    return {"theta": tuple(a for a, _ in pairs), "phi": tuple(b for _, b in pairs)}


def summarise(
    modes: Modes,
    top: Peak,
    planes: Mapping[str, tuple[Plane, ...]] | None = None,
    seen: AnyFarField | None = None,
) -> dict[str, Quantity]:
    """Figures of every frequency by name.

    Parameters
    ----------
    modes : Modes
        Mode coefficients, F frequencies.
    top : Peak
        Their peak.
    planes : mapping of str to tuple of Plane, optional
        What `summary_planes` gives; by default those along theta^ and phi^.
    seen : FarField or FarFieldBlocks, optional
        Marks directions whose near field was not seen: figures that need these are NaN.

    Returns
    -------
    dict of str to Quantity
        Half-power beamwidths and sidelobe levels in two cuts through the peak and what planes
        these are, front-to-back ratio, polarisation at the peak, and the fraction of the power
        radiated into the upper hemisphere and near the horizon. NaN where a cut has none, and
        for the tilt of a circle.
    """
    result: dict[str, Quantity] = {}

    def put(name: str, values: Any, units: str, long_name: str) -> None:
        result[name] = Quantity(np.asarray(values, dtype=float), units, long_name)

    if planes is None:
        planes = summary_planes(modes, top)
    for cut, words in CUTS.items():
        where, plane = f"in the cut through the peak {words}", planes[cut]
        azimuth, turn = (np.radians([getattr(x, y) for x in plane]) for y in ("phi_deg", "turn_deg"))
        put(f"plane_{cut}_azimuth", azimuth, "rad", f"plane of phi next to that of the cut {cut}")
        put(f"plane_{cut}_turn", turn, "rad", f"angle of the cut {cut} from it, towards phi^")
        width = half_power_beamwidth(modes, plane=plane, at=top, seen=seen)
        put(f"half_power_beamwidth_{cut}", width, "rad", f"half-power beamwidth {where}")
        lobes = sidelobe_level(modes, plane=plane, at=top, seen=seen)
        put(f"first_sidelobe_{cut}", lobes.first, "1", f"first sidelobe over the peak {where}")
        put(f"highest_sidelobe_{cut}", lobes.highest, "1", f"highest sidelobe {where}")
    put("front_to_back", front_to_back(modes, at=top, seen=seen), "1", "front-to-back ratio")
    at_peak = _field_at(modes, top)
    ratio = axial_ratio(at_peak)[:, 0, 0]
    put("axial_ratio", ratio, "1", "axial ratio at the peak")
    tops = zip(modes.each(), top.theta, top.phi, strict=True)
    start = [reference_angle(one, theta=float(t), phi=float(p)) for one, t, p in tops]
    # Where the beam is at a pole theta^ is that of any phi.
    tilt = tilt_angle(at_peak)[:, 0, 0]
    turned = np.mod(tilt - start + np.pi / 2, np.pi) - np.pi / 2
    tilt = np.where(np.asarray(start) == 0, tilt, turned)
    words = "tilt from theta^, at a pole from phi = 0, towards phi^ at the peak, NaN where circular"
    put("tilt", np.where(ratio > 1 + ROUND, tilt, np.nan), "rad", words)
    put("sense", sense(at_peak)[:, 0, 0], "1", "sense: 1 right-hand, -1 left-hand, 0 linear")
    put(
        "upper_hemisphere",
        radiated_fraction(modes, UPPER_HEMISPHERE),
        "1",
        "part of the power radiated to theta below 90 deg",
    )
    for degrees in HORIZON_DEG:
        band = near_horizon(math.radians(degrees))
        put(
            f"near_horizon_{degrees}",
            radiated_fraction(modes, band),
            "1",
            f"part of the power radiated within {degrees} deg of theta = 90 deg",
        )
    return result


def _field_at(modes: Modes, top: Peak) -> FarField:
    """Far field of each frequency at its own peak, as if all were in one direction."""
    fields = [
        far_field_points(one, theta=top.theta[f : f + 1], phi=top.phi[f : f + 1], threads=1)
        for f, one in enumerate(modes.each())
    ]
    e_theta, e_phi = (np.stack([pair[i][0] for pair in fields])[:, :, None] for i in (0, 1))
    one = np.zeros(1)
    power = modes.radiated_power()
    return FarField(modes.frequency, one, one, e_theta, e_phi, power, modes.reference)

"""Two results compared, in degrees and dB: lines for people, facts for JSON."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.metrics.comparison import Comparison
from nf2ff.metrics.level_cuts import LevelDifference
from nf2ff.report.numbers import aligned
from nf2ff.report.over_frequency import Row, frequency_table

Real = NDArray[np.float64]
#: Differences below this are rounding, which doubles cannot tell from none [dB].
ROUNDING_DB = -280.0


def _db(ratio: Real, factor: float = 10.0) -> Real:
    with np.errstate(divide="ignore"):
        return np.maximum(factor * np.log10(np.asarray(ratio, dtype=float)), ROUNDING_DB)


def comparison_rows(found: Comparison, *, cone: float | None = None) -> list[Row]:
    """Figures of a comparison by name; ``cone`` is the half angle it was made with [rad]."""
    level = "EIRP [dBm]" if found.first.eirp is not None else "directivity [dBi]"
    tops = [
        10 * np.log10(x.directivity if x.eirp is None or found.first.eirp is None else x.eirp / 1e-3)
        for x in (found.first, found.second)
    ]
    rows = [Row("error over the sphere [dB]", _db(found.error, 20))]
    if found.error_in_cone is not None and cone is not None:
        name = f"error within {math.degrees(cone):g} deg of the peak [dB]"
        rows.append(Row(name, _db(found.error_in_cone, 20)))
    if found.error_seen is not None and found.stray_seen is not None and found.seen is not None:
        rows += [
            Row("error over what both measured [dB]", _db(found.error_seen, 20)),
            Row("  equivalent stray signal there [dB]", _db(found.stray_seen, 20)),
            Row("  part of the sphere [%]", 100 * found.seen, 1),
        ]
    rows += [
        Row("equivalent stray signal [dB]", _db(found.stray, 20)),
        Row("  largest at theta [deg]", np.degrees(found.stray_theta), 1),
        Row("  and phi [deg]", np.mod(np.round(np.degrees(found.stray_phi), 1), 360), 1),
        Row(f"peak {level}, first", tops[0], 3),
        Row("  second less first [dB]", tops[1] - tops[0], 3),
        Row("angle between the peaks [deg]", np.degrees(found.offset), 3),
    ]
    seen = "" if found.seen is None else " of what was measured"
    for i, planes in enumerate(found.planes):
        names = {plane.name for plane in planes}
        where = names.pop() if len(names) == 1 else f"cut {i + 1}"
        widths, lobes = np.degrees(found.beamwidth[:, i]), _db(found.sidelobe[:, i])
        rows += [
            Row(f"half-power beamwidth, {where} [deg], first", widths[0], 3),
            Row("  second less first [deg]", widths[1] - widths[0], 3),
            Row(f"highest sidelobe{seen}, {where} [dB], first", lobes[0]),
            Row("  second less first [dB]", lobes[1] - lobes[0]),
        ]
    return rows


def comparison_lines(found: Comparison, *, cone: float | None = None, every: bool = False) -> list[str]:
    """Table of a comparison, and what was fitted before it."""
    lines = frequency_table(found.frequency, comparison_rows(found, cone=cone), every=every)
    turn = np.degrees(np.linalg.norm(found.rotation))
    if turn:
        axis = ", ".join(f"{x:z.3f}" for x in found.rotation / np.linalg.norm(found.rotation))
        lines.append(f"fitted before: the second turned by {turn:z.4f} deg about ({axis})")
    if np.any(found.factor != 1):
        factors = [Row("level [dB]", _db(np.abs(found.factor), 20), 3)]
        factors.append(Row("phase [deg]", np.degrees(np.angle(found.factor)), 2))
        lines.append("fitted before: the second multiplied by")
        lines += frequency_table(found.frequency, factors, every=every)
    return lines


def comparison_facts(found: Comparison) -> list[dict[str, Any]]:
    """Figures of a comparison at each frequency, ready for JSON."""

    def plain(value: float) -> float | None:
        return float(value) if math.isfinite(value) else None

    def there(values: Real | None, f: int) -> float | None:
        return None if values is None else float(_db(values[f], 20))

    facts = []
    for f, hertz in enumerate(found.frequency.tolist()):
        cuts = [
            {
                "plane": planes[f].name,
                "half_power_beamwidth_deg": [plain(x) for x in np.degrees(found.beamwidth[:, i, f])],
                "highest_sidelobe_db": [plain(x) for x in _db(found.sidelobe[:, i, f])],
            }
            for i, planes in enumerate(found.planes)
        ]
        within = found.error_in_cone
        facts.append(
            {
                "frequency_hz": hertz,
                "error_db": float(_db(found.error[f], 20)),
                "error_in_cone_db": None if within is None else float(_db(within[f], 20)),
                "error_measured_db": there(found.error_seen, f),
                "equivalent_stray_signal_measured_db": there(found.stray_seen, f),
                "measured_fraction": 1.0 if found.seen is None else float(found.seen[f]),
                "equivalent_stray_signal_db": float(_db(found.stray[f], 20)),
                "stray_theta_deg": math.degrees(found.stray_theta[f]),
                "stray_phi_deg": math.degrees(found.stray_phi[f]),
                "peak_directivity_dbi": [
                    float(10 * np.log10(x.directivity[f])) for x in (found.first, found.second)
                ],
                "peak_theta_deg": [math.degrees(x.theta[f]) for x in (found.first, found.second)],
                "peak_phi_deg": [math.degrees(x.phi[f]) for x in (found.first, found.second)],
                "peak_offset_deg": math.degrees(found.offset[f]),
                "cuts": cuts,
                "fitted_rotation_deg": np.degrees(found.rotation).tolist(),
                "fitted_level_db": float(_db(np.abs(found.factor[f]), 20)),
                "fitted_phase_deg": math.degrees(np.angle(found.factor[f])),
            }
        )
    return facts


def level_facts(name: str, one: LevelDifference) -> dict[str, Any]:
    """Differences of two cuts of levels, ready for JSON.

    Parameters
    ----------
    name : str
        The cut.
    one : LevelDifference
        What `metrics.level_cuts.compare_levels` found.

    Returns
    -------
    dict
        In degrees and dB, as the names say.
    """
    return {
        "cut": name,
        "peak_db": list(one.peak),
        "peak_angle_deg": [math.degrees(x) for x in one.peak_angle],
        "half_power_beamwidth_deg": [None if math.isnan(x) else math.degrees(x) for x in one.beamwidth],
        "error_db": float(_db(np.asarray(one.error), 20)),
        "equivalent_stray_signal_db": float(_db(np.asarray(one.stray), 20)),
        "stray_angle_deg": math.degrees(one.stray_angle),
    }


def level_lines(found: list[tuple[str, LevelDifference]], unit: str) -> list[str]:
    """Differences of cuts of levels as a table.

    Parameters
    ----------
    found : list of tuple
        Name of each cut, and what `metrics.level_cuts.compare_levels` found.
    unit : str
        Unit of the levels.

    Returns
    -------
    list of str
        Lines of text.
    """
    rows: list[tuple[str, ...]] = [
        ("cut", f"peak/{unit}", "second-first", "width/deg", "second-first", "error/dB", "stray/dB", "at/deg")
    ]
    for name, one in found:
        width = np.degrees(one.beamwidth)
        rows.append(
            (
                name,
                f"{one.peak[0]:z.2f}",
                f"{one.peak[1] - one.peak[0]:z.2f}",
                "-" if math.isnan(width[0]) else f"{width[0]:z.2f}",
                "-" if np.isnan(width).any() else f"{width[1] - width[0]:z.2f}",
                f"{_db(np.asarray(one.error), 20):z.1f}",
                f"{_db(np.asarray(one.stray), 20):z.1f}",
                f"{math.degrees(one.stray_angle):z.1f}",
            )
        )
    return [*aligned(rows, words=1), "amplitudes alone: what does not change them does not show"]

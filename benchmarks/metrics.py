"""Every metric of 101 frequencies at degree 30, directions 1 deg apart.

Run as ``python benchmarks/metrics.py [FREQUENCIES [DEGREE [STEP_DEG]]]``. Each row: name, seconds,
and an error where a closed form or an identity gives one. The antenna is invented: at each
frequency the pattern of largest directivity N (N + 2), tapered and with some disorder.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from typing import Any

import numpy as np
from measure import best_time

import nf2ff
from nf2ff.antenna.modes import SPEED_OF_LIGHT, mode_count, mode_numbers
from nf2ff.metrics import beam, beam_set, gain_and_power, lobes, polarisation
from nf2ff.metrics.regions import UPPER_HEMISPHERE, Cone, ThetaInterval, near_horizon, partial_radiated_power


def lopsided_beams(frequencies: int, degree: int) -> nf2ff.Modes:
    """A beam towards +z, a little different at each frequency."""
    rng = np.random.default_rng(1)
    s, m, n = mode_numbers(degree)
    # In exp(+jwt) an x-polarised beam towards +z has m = +-1 alone, growing as sqrt(2n + 1).
    q = np.where(np.abs(m) == 1, np.sqrt(2.0 * n + 1) * np.where((s == 2) & (m < 0), -1, 1), 0)
    q = np.where(s == 1, -np.abs(q), q) * 1j ** (1 - n) * np.exp(-((1.5 * n / degree) ** 2))
    shape = (frequencies, mode_count(degree))
    noise = rng.standard_normal(shape) + 1j * rng.standard_normal(shape)
    noise *= 0.1 * np.linalg.norm(q) / np.sqrt(2 * q.size)
    return nf2ff.Modes(SPEED_OF_LIGHT * (1 + 1e-3 * np.arange(frequencies)), q + noise)


def main(frequencies: int, degree: int, step_deg: float) -> None:
    """Print the table."""
    modes = lopsided_beams(frequencies, degree)
    theta = np.radians(np.arange(0, 180 + step_deg / 2, step_deg))
    phi = np.radians(np.arange(0, 360 - step_deg / 2, step_deg))
    pattern = nf2ff.far_field(modes, theta=theta, phi=phi)
    power, top = modes.radiated_power(), beam.peak(modes)
    about_beam = Cone(top.theta, top.phi, np.radians(20))
    panel = beam_set.BeamSet([pattern, pattern])
    best = beam_set.envelope(panel)
    lower = ThetaInterval(np.pi / 2, np.pi)

    def halves() -> float:
        both = [partial_radiated_power(modes, region) for region in (UPPER_HEMISPHERE, lower)]
        return float(np.abs(sum(both) / power - 1).max())

    def cones() -> float:
        opposite = Cone(np.pi - top.theta, top.phi + np.pi, np.pi - about_beam.half_angle)
        both = [partial_radiated_power(modes, region) for region in (about_beam, opposite)]
        return float(np.abs(sum(both) / power - 1).max())

    def integral() -> float:
        weight = beam_set.solid_angles(theta, phi)
        mean = np.einsum("ftp,tp->f", gain_and_power.directivity(pattern), weight) / (4 * np.pi)
        return float(np.abs(mean - 1).max())

    def parts() -> float:
        first, second = polarisation.partial_directivity(pattern, "ludwig-3")
        return float(np.abs((first + second) / gain_and_power.directivity(pattern) - 1).max())

    def peak_is_the_top() -> float:
        return float(max(0.0, (gain_and_power.eirp(pattern).max(axis=(1, 2)) / top.eirp - 1).max()))

    rows: list[tuple[str, Callable[[], Any], Callable[[], float] | None]] = [
        ("far field", lambda: nf2ff.far_field(modes, theta=theta, phi=phi), None),
        ("directivity", lambda: gain_and_power.directivity(pattern), integral),
        ("EIRP", lambda: gain_and_power.eirp(pattern), None),
        ("gain", lambda: gain_and_power.gain(pattern, input_power=2 * power), None),
        ("realised gain", lambda: gain_and_power.realised_gain(pattern, input_power=2 * power), None),
        ("radiation efficiency", lambda: gain_and_power.radiation_efficiency(modes, input_power=1), None),
        ("total efficiency", lambda: gain_and_power.total_efficiency(modes, input_power=1), None),
        ("TRP", lambda: gain_and_power.trp(modes), None),
        ("partial directivity", lambda: polarisation.partial_directivity(pattern, "ludwig-3"), parts),
        ("circular components", lambda: polarisation.components(pattern, "circular"), None),
        (
            "linear components",
            lambda: polarisation.components(pattern, "linear", reference_angle=np.pi / 4),
            None,
        ),
        ("axial ratio", lambda: polarisation.axial_ratio(pattern), None),
        ("tilt", lambda: polarisation.tilt_angle(pattern), None),
        ("sense", lambda: polarisation.sense(pattern), None),
        ("peak", lambda: beam.peak(modes), peak_is_the_top),
        ("half-power beamwidth", lambda: beam.half_power_beamwidth(modes, at=top), None),
        ("sidelobes", lambda: beam.sidelobe_level(modes, at=top), None),
        ("first nulls", lambda: lobes.first_nulls(modes, at=top), None),
        ("front to back", lambda: lobes.front_to_back(modes, at=top), None),
        ("front to rear cone", lambda: lobes.front_to_back(modes, rear_angle=np.radians(30), at=top), None),
        ("squint", lambda: lobes.squint(modes, theta=0, phi=0, at=top), None),
        (
            "cross-polar discrim.",
            lambda: lobes.cross_polar_discrimination(modes, Cone(0, 0, 0.3), "ludwig-3"),
            None,
        ),
        ("upper hemisphere", lambda: partial_radiated_power(modes, UPPER_HEMISPHERE), halves),
        ("near horizon", lambda: partial_radiated_power(modes, near_horizon(np.pi / 6)), None),
        ("cone", lambda: partial_radiated_power(modes, about_beam), cones),
        ("best of two beams", lambda: beam_set.envelope(panel), None),
        ("distribution", lambda: beam_set.distribution(best), None),
        ("percentiles", lambda: beam_set.percentile(best, [15, 50, 85]), None),
        ("fraction above", lambda: beam_set.fraction_above(best, 1.0), None),
    ]
    print(f"{frequencies} frequencies, degree {degree}, {theta.size} x {phi.size} directions")
    print(f"{'metric':>20} {'seconds':>8} {'error':>8}")
    for name, call, check in rows:
        error = "" if check is None else f"{check():8.1e}"
        print(f"{name:>20} {best_time(call, repeats=3):8.4f} {error}".rstrip(), flush=True)


if __name__ == "__main__":
    given = sys.argv[1:]
    main(
        int(given[0]) if given else 101,
        int(given[1]) if len(given) > 1 else 30,
        float(given[2]) if len(given) > 2 else 1.0,
    )

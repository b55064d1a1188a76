"""What each fault does to each figure, against scans that are solved again with it left in."""

import numpy as np
import pytest
from alignment_cases import DEGREE, PROBE, case, error_db, known_solution
from scipy.stats import chi2

from nf2ff.diagnostics.alignment.figures import effects_on_figures
from nf2ff.metrics.beam import half_power_beamwidth, peak


def test_effects_on_figures_are_those_of_the_fault_left_in():
    samples, _, found, *_ = case("equal-area + 2", 1)
    effects = effects_on_figures(found)
    assert effects.names == tuple(x.name for x in found.estimates())
    whole = known_solution(samples, PROBE, found.parameters, found.value, DEGREE)
    for i, name in enumerate(effects.names):
        # Solved again with this fault alone left in.
        values = np.where([x.group == name for x in found.parameters], 0.0, found.value)
        left_in = known_solution(samples, PROBE, found.parameters, values, DEGREE)
        power = 10 * np.log10(whole.radiated_power()[0] / left_in.radiated_power()[0])
        top, other = peak(whole), peak(left_in)
        directivity = 10 * np.log10(top.directivity[0] / other.directivity[0])
        width = half_power_beamwidth(whole)[0] - half_power_beamwidth(left_in)[0]
        told = {x.name: y for x, y in zip(effects.figures[:4], effects.change[i], strict=False)}
        # Second order: the square of what the fault changes, and the rest of the iteration.
        size = 10 ** (error_db(left_in, whole) / 20)
        for got, happened in (
            (told["trp"], power),
            (told["directivity"], directivity),
            (told["eirp"], power + directivity),
            (np.degrees(told["beamwidth"]), np.degrees(width)),
        ):
            assert got == pytest.approx(happened, rel=0.1, abs=0.002 + 30 * size**2)


def test_figures_scatter_as_what_is_left_says():
    ratio = []
    for seed in (1, 2, 3, 4):
        samples, size, found, *_ = case("equal-area + 2", seed)
        effects = effects_on_figures(found)
        # With all faults known, the same noise: the rest is what the estimates do.
        known = known_solution(samples, PROBE, found.parameters, size, DEGREE)
        power = 10 * np.log10(found.modes.radiated_power()[0] / known.radiated_power()[0])
        ratio.append(power / effects.total[[x.name for x in effects.figures].index("trp")])
    low, high = chi2.ppf([0.001, 0.999], 4) / 4
    assert low < np.mean(np.square(ratio)) < high

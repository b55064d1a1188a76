"""What each fault does to each figure, against scans that are solved again with it left in."""

import numpy as np
import pytest
from alignment_cases import DEGREE, PROBE, case, error_db, known_solution
from scipy.stats import chi2

from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import Modes
from nf2ff.diagnostics.alignment.figures import effects_on_figures
from nf2ff.metrics.beam import half_power_beamwidth, peak, sidelobe_level


@pytest.mark.slow
def test_effects_on_figures_are_those_of_the_fault_left_in():
    samples, _, found, *_ = case("equal-area + 2", 1)
    effects = effects_on_figures(found)
    assert effects.names == tuple(x.name for x in found.estimates())
    whole, q = found.modes, found.modes.coefficients[0]
    over = found.value / [x.prior for x in found.parameters]
    for i, name in enumerate(effects.names):
        alone = np.array([x.group == name for x in found.parameters])
        first = Modes(whole.frequency, (q + (alone * over) @ found.effect)[None])
        # Solved again with this fault alone left in: what is not of first order is twice the square of the
        # change, or a tenth of it by derivatives that were formed near by.
        left_in = known_solution(samples, PROBE, found.parameters, np.where(alone, 0, found.value), DEGREE)
        size = 10 ** (error_db(left_in, whole) / 20)
        assert 10 ** (error_db(first, left_in) / 20) < size * max(0.1, 2 * size)
        power = 10 * np.log10(whole.radiated_power()[0] / first.radiated_power()[0])
        directivity = 10 * np.log10(peak(whole).directivity[0] / peak(first).directivity[0])
        width = half_power_beamwidth(whole)[0] - half_power_beamwidth(first)[0]
        lobe = 10 * np.log10(sidelobe_level(whole).highest[0] / sidelobe_level(first).highest[0])
        expected = {"directivity": directivity, "eirp": power + directivity, "trp": power, "beamwidth": width}
        expected["sidelobe-level"] = lobe
        at = [[x.name for x in effects.figures].index(x) for x in expected]
        np.testing.assert_allclose(effects.change[i][at], list(expected.values()), rtol=1e-3, atol=1e-4)
        top = peak(whole)
        before, after = (
            np.array(far_field_points(x, theta=top.theta, phi=top.phi))[:, 0, 0] for x in (whole, first)
        )
        across = np.array([-before[1].conj(), before[0].conj()])
        ratio = abs(np.vdot(across, after)) / np.vdot(before, before).real
        assert effects.cross[i] == pytest.approx(ratio, rel=1e-6, abs=1e-9)


@pytest.mark.slow
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

"""Tolerances against closed forms, against the budget of which they are the inverse, and against draws."""

import math

import numpy as np
import pytest

from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.planning.axes import Axis, Positioner, Receiver
from nf2ff.planning.scan_time import schedule
from nf2ff.planning.tolerances import Wish, checked_by_draws, planned_solution, tolerances
from nf2ff.uncertainty.derivatives import linearised
from nf2ff.uncertainty.draws import monte_carlo
from nf2ff.uncertainty.errors.catalogue import make_term
from nf2ff.uncertainty.figure import Figure

DEG = math.pi / 180
#: A row of four Huygens sources along y, which radiates towards +x, at 3 GHz.
ROW = DipoleCluster(
    np.array([[0, y, 0] for y in (-0.075, -0.025, 0.025, 0.075)]),
    np.tile([0, 0, 1e-3 + 0j], (4, 1)),
    np.tile([0, -0.3767303 + 0j, 0], (4, 1)),
)
EIRP, TRP, POINTING = Figure("eirp"), Figure("trp"), Figure("pointing-phi")


def solved(scan_degree):
    axis = Axis(0.2, 0.4, 0.1)
    scan = schedule(
        "constant-rate-spiral", scan_degree, Positioner(axis, axis), Receiver(0.05, polarisation_switch=0.01)
    )
    return planned_solution(ROW, scan, frequency=3e9, radius=0.5, degree=10)


@pytest.fixture(scope="module")
def solution():
    return solved(10)


def test_gain_of_the_probe(solution):
    """EIRP and TRP change by 20/ln(10) dB times a relative change of amplitude (closed form)."""
    term = make_term("probe-gain", {"amplitude": 0.01})
    (found,) = tolerances(solution, [term], [Wish(EIRP, 0.3), Wish(TRP, 0.2)])
    assert found.limit is TRP
    assert found.alone.amplitude == pytest.approx(0.2 * math.log(10) / 20, rel=1e-4)
    assert found.shared.amplitude == pytest.approx(found.alone.amplitude, rel=1e-12)


def test_zero_of_phi(solution):
    """The beam at the equator turns with the zero of phi, degree for degree (closed form)."""
    term = make_term("axis-zero", {"axis": "phi", "offset": 1e-3})
    (found,) = tolerances(solution, [term], [Wish(POINTING, 0.05 * DEG)])
    assert found.alone.offset == pytest.approx(0.05 * DEG, rel=1e-3)
    # It takes nothing from the power (closed form: only rounding is left).
    (found,) = tolerances(solution, [term], [Wish(TRP, 0.1)])
    assert found.limit is None or found.alone.offset > 1.0


TERMS = [
    make_term("probe-gain", {"amplitude": 0.01}),
    make_term("phase-noise", {"rms_deg": 1.0}),
    make_term("position-noise", {"axis": "radius", "rms_mm": 0.1}),
]


def test_together_they_are_what_was_wished(solution):
    """The budget of all shared tolerances gives back the wish; each alone does so too."""
    wish = Wish(EIRP, 0.25)
    found = tolerances(solution, TERMS, [wish])
    scaled = [one.shared for one in found]
    budget = linearised(solution, scaled, [EIRP])
    level = 10 / math.log(10) * budget.combined()[0, 0] / budget.nominal[0, 0]
    assert level == pytest.approx(0.25, rel=1e-3)
    each = 10 / math.log(10) * budget.uncertainty[:, 0, 0] / budget.nominal[0, 0]
    np.testing.assert_allclose(each, 0.25 / math.sqrt(3), rtol=1e-3)
    for one in found:
        alone = linearised(solution, [one.alone], [EIRP])
        level = 10 / math.log(10) * alone.combined()[0, 0] / alone.nominal[0, 0]
        assert level == pytest.approx(0.25, rel=1e-3)


@pytest.mark.slow
def test_draws_agree(solution):
    """100 draws at the tolerance for 0.1 dB: three times the 7 % to which their spread is known."""
    # 1 / sqrt(2 x 99), closed form.
    found = tolerances(solution, TERMS, [Wish(EIRP, 0.1)])
    draws = monte_carlo(solution, [one.shared for one in found], [EIRP], draws=100, rng=1, jobs=1)
    level = 10 / math.log(10) * draws.standard_uncertainty()[0, 0] / draws.nominal[0, 0]
    assert level == pytest.approx(0.1, rel=0.21)


@pytest.mark.slow
def test_draws_bring_down_what_first_order_allows():
    """Phase noise takes exp(-rms^2) from the beam's power (closed form), which no derivative has.

    Many readings average its scatter, not that. EIRP in a fixed direction: the peak's own is the highest of
    several places, and noise lifts it.
    """
    solution = solved(24)
    ahead = Figure("eirp-towards", theta=math.pi / 2)
    wishes = [Wish(ahead, 0.5)]
    first = tolerances(solution, [make_term("phase-noise", {"rms_deg": 1.0})], wishes)
    (found,) = checked_by_draws(first, solution, wishes, draws=60, rng=1)

    def errors(rms):
        """Spread and shift of other draws [dB]."""
        term = make_term("phase-noise", {"rms": rms})
        made = monte_carlo(solution, [term], [ahead], draws=200, rng=7, jobs=1)
        level = 10 * np.log10(made.values / made.nominal)
        return level.std(ddof=1), level.mean()

    spread, shift = errors(found.shared.rms)
    # To three times what 60 draws leave open, 1 / sqrt(2 x 59).
    assert math.hypot(spread, shift) == pytest.approx(0.5, rel=3 / math.sqrt(118))
    # Of the mean to three times what 200 draws leave open.
    assert shift == pytest.approx(-10 / math.log(10) * found.shared.rms**2, abs=3 * spread / math.sqrt(200))
    assert math.hypot(*errors(first[0].shared.rms)) > 0.6


def test_what_draws_hold_stays(solution):
    """A gain is linear: sizes that first order gives stay as they are."""
    wishes = [Wish(EIRP, 0.1)]
    first = tolerances(solution, [make_term("probe-gain", {"amplitude": 0.01})], wishes)
    (found,) = checked_by_draws(first, solution, wishes, draws=60, rng=3)
    assert found.shared.amplitude == first[0].shared.amplitude


def test_refused(solution):
    with pytest.raises(ValueError, match=r"draws is 9, expected at least 10"):
        checked_by_draws([], solution, [Wish(EIRP, 0.1)], draws=9)
    with pytest.raises(ValueError, match=r"no uncertainty is wished"):
        tolerances(solution, TERMS, [])
    with pytest.raises(ValueError, match=r"eirp: 0 is wished, expected a number above 0"):
        Wish(EIRP, 0)
    with pytest.raises(ValueError, match=r"phase-noise has no size to be changed"):
        tolerances(solution, [make_term("phase-noise", {"rms": 0.0})], [Wish(EIRP, 0.1)])
    with pytest.raises(ValueError, match=r"truncated-degree has no size"):
        tolerances(solution, [make_term("truncated-degree", {"degree": 8})], [Wish(EIRP, 0.1)])

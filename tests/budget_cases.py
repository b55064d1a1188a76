"""Antennas, scans and checks that several test files share."""

import math

from nf2ff.uncertainty.budget.budget import Budget, Curvature
from nf2ff.uncertainty.budget.budget_term import Term, judged_degrees_of_freedom
from nf2ff.uncertainty.budget.metric import Metric

#: Sums of a dozen products of factors with rounding errors of their own.
RTOL = 100 * 2.0**-52


LENGTH = Metric("length", "nm")


def terms_of(sizes, metric="eirp", **keys):
    """Terms a, b, c ... of these standard uncertainties, sensitivity 1."""
    return [Term(chr(97 + i), u, sensitivity={metric: 1.0}, **keys) for i, u in enumerate(sizes)]


def end_gauge():
    """Terms of example H.1 of the GUM, from memory, in nm, K and 1/K."""
    nominal = 50.000623e6  # length of the standard [nm]
    excess, alpha = -0.1, 11.5e-6  # mean temperature above 20 degrees, expansion of the standard
    terms = [
        # Certificate: 0.075 um at k = 3, 18 degrees of freedom.
        Term("standard", 75, "nm", "normal", {"length": 1}, 3, 18),
        # 25 observations gave s = 13 nm; mean of five.
        Term("repeated", 13 / math.sqrt(5), "nm", "normal", {"length": 1}, 1, 24, "A"),
        # Comparator: 0.01 um at 95 % from six observations, t_95(5) = 2.57.
        Term("comparator, random", 10, "nm", "normal", {"length": 1}, 2.57, 5),
        # 0.02 um at three standard deviations, known to 25 %.
        Term("comparator, systematic", 20, "nm", "normal", {"length": 1}, 3, 8),
        Term("expansion", 2e-6, "1/K", "rectangular", {"length": 0}),
        Term("temperature", 0.2, "K", "normal", {"length": 0}),
        Term("its cycle", 0.5, "K", "arcsine", {"length": 0}),
        # +-1e-6 known to 10 %, +-0.05 degrees to 50 %.
        Term(
            "difference of expansion",
            1e-6,
            "1/K",
            "rectangular",
            {"length": -nominal * excess},
            1,
            judged_degrees_of_freedom(0.1),
        ),
        Term(
            "difference of temperature",
            0.05,
            "K",
            "rectangular",
            {"length": -nominal * alpha},
            1,
            judged_degrees_of_freedom(0.5),
        ),
    ]
    bends = [
        Curvature(a, b, {"length": -nominal})
        for a, b in (
            ("difference of expansion", "temperature"),
            ("its cycle", "difference of expansion"),
            ("expansion", "difference of temperature"),
        )
    ]
    return Budget(terms, [LENGTH], confidence=0.99), bends

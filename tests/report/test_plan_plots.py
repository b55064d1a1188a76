"""The picture of a plan shows what the plan says."""

import math

import numpy as np
import pytest

from nf2ff.planning.axes import Axis, Positioner, Receiver
from nf2ff.planning.enclosure import Part
from nf2ff.planning.plan import ScanRequest, make_plan
from nf2ff.report.plan_plots import plan_overview

AXIS = Axis(0.2, 0.4, 0.3, turns=1.1)


@pytest.mark.parametrize("count", [1, 3, 20])
def test_what_it_shows(count):
    request = ScanRequest(
        frequency=np.linspace(2e9, 3e9, count) if count > 1 else [2e9],
        device=Part(diameter=0.2),
        parts=(),
        coherent=True,
        centre=(0, 0, 0),
        distance=0.4,
        positioner=Positioner(AXIS, AXIS),
        receiver=Receiver(0.05, polarisation_switch=0.01),
    )
    plan = make_plan(request)
    ax = plan_overview(plan)
    degree, time, way, bar = ax.figure.axes
    assert list(degree.lines[1].get_ydata()) == [x.degree for x in plan.choices]
    assert degree.get_xlabel() == "frequency [GHz]"
    widths = sorted(patch.get_width() for patch in time.patches)
    # Slow axes: minutes or hours by the longest.
    unit = 3600 if "[h]" in time.get_xlabel() else 60
    np.testing.assert_allclose(widths, sorted(x.duration / unit for x in plan.scans))
    assert sum("axes cannot" in x.get_text() for x in time.texts) == sum(
        bool(x.impossible) for x in plan.scans
    )
    assert sum("taken" in x.get_text() for x in time.texts) == 1
    (points,) = way.collections
    shown = points.get_offsets()
    first = plan.scan.chi == plan.scan.chi[0]
    np.testing.assert_allclose(np.cos(np.radians(shown[:, 1])), np.cos(plan.scan.theta[first]), atol=1e-12)
    assert shown[:, 0].min() >= 0
    assert shown[:, 0].max() < 360
    assert "time of reading" in bar.get_ylabel()
    assert math.isclose(points.get_array().max() * 60, plan.scan.time[first].max(), rel_tol=1e-9)

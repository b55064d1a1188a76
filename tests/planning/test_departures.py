"""What was measured otherwise than planned, on scans that follow a plan but for one thing."""

import math
from dataclasses import replace

import numpy as np
import pytest

from nf2ff.measurement.samples import Samples
from nf2ff.messages.planning import DepartureCode
from nf2ff.planning.axes import Axis, Positioner, Receiver
from nf2ff.planning.departures import departures
from nf2ff.planning.enclosure import Part
from nf2ff.planning.plan import ScanRequest, make_plan
from nf2ff.planning.scan_time import NAMES

DEG = math.pi / 180
AXIS = Axis(10 * DEG, 20 * DEG, 0.3)
REQUEST = ScanRequest(
    frequency=[2.9e9, 3e9],
    device=Part(diameter=0.2),
    parts=(),
    coherent=True,
    centre=(0, 0, 0),
    distance=0.5,
    positioner=Positioner(AXIS, AXIS),
    receiver=Receiver(0.05, polarisation_switch=0.01),
)
TURNED = Positioner(AXIS, AXIS, AXIS)


def measured(plan, **changes):
    """Readings where the plan has them, all alike."""
    scan = plan.scan
    theta = np.where(scan.theta > math.pi, scan.theta - 2 * math.pi, scan.theta)
    count = theta.size
    found = Samples(
        frequency=plan.request.frequency,
        theta=theta,
        phi=scan.phi,
        chi=scan.chi,
        radius=np.full(count, plan.request.distance),
        port=np.ones(count, int),
        response=np.ones((plan.request.frequency.size, count), complex),
    )
    return replace(found, **changes)


@pytest.mark.parametrize("positioner", [REQUEST.positioner, TURNED], ids=["switched", "turned"])
@pytest.mark.parametrize("name", NAMES)
@pytest.mark.slow
def test_a_scan_as_planned_departs_nowhere(name, positioner):
    plan = make_plan(replace(REQUEST, scan=name, positioner=positioner))
    assert departures(plan, measured(plan), degree=plan.degree) == []


def test_two_ports_at_once_are_two_polarisations():
    """Both ports of a probe at each position of the grid, chi as mounted."""
    plan = make_plan(replace(REQUEST, scan="grid"))
    scan = plan.scan
    found = measured(plan, port=np.where(scan.chi > 0, 2, 1), chi=np.zeros(scan.chi.size))
    assert departures(plan, found) == []


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("positioner", [REQUEST.positioner, TURNED], ids=["switched", "turned"])
@pytest.mark.slow
def test_a_belt_that_was_not_read(name, positioner):
    plan = make_plan(replace(REQUEST, scan=name, positioner=positioner))
    lacks = np.abs(np.degrees(plan.scan.theta) - 90) < 25
    response = np.ones((2, lacks.size), complex)
    response[1, lacks] = np.nan
    (told,) = departures(plan, measured(plan, response=response))
    assert told.code is DepartureCode.NOT_READ
    # 65 to 115 deg but for the reach of the readings beside it, 0.4 of a step.
    step = 180 / (plan.degree + 1)
    assert 65 <= told.figures["from_deg"] < 65 + 2 * step
    assert 115 - 2 * step < told.figures["to_deg"] <= 115
    # The belt's part of the sphere (closed form), within a ring of it, or its part of the rings.
    part = told.figures["count"] / told.figures["positions"]
    assert min(math.sin(25 * DEG), 50 / 180) - 0.15 < part < math.sin(25 * DEG) + 0.05
    assert told.figures["frequency_ghz"] == 3


@pytest.mark.parametrize("name", NAMES)
def test_a_port_that_dropped_out_in_a_cap(name):
    plan = make_plan(replace(REQUEST, scan=name))
    kept = ~((np.degrees(plan.scan.theta) < 40) & (plan.scan.chi > 1))
    found = measured(plan)
    found = found.part([0, 1], kept)
    (told,) = departures(plan, found)
    assert told.code is DepartureCode.ONE_POLARISATION
    step = 180 / (plan.degree + 1)
    assert 40 - 1.5 * step < told.figures["to_deg"] <= 40


def test_another_set():
    plan = make_plan(replace(REQUEST, scan="grid"))
    other = make_plan(replace(REQUEST, scan="equal-area-spiral"))
    (told,) = departures(plan, measured(other))
    assert told == "the positions are those of the equal-area-spiral, not of the grid as planned"


def test_readings_off_their_places():
    """One reading 5 deg away in theta, of a step of some 14 deg."""
    plan = make_plan(replace(REQUEST, scan="grid"))
    theta = plan.scan.theta.copy()
    at = np.flatnonzero(np.abs(theta - math.pi / 2) < 0.2)[0]
    theta[at] += 5 * DEG
    (told,) = departures(plan, measured(plan, theta=theta))
    assert told.code is DepartureCode.OFF
    assert told.figures["count"] == 1
    assert told.figures["largest_deg"] == pytest.approx(5, abs=1e-6)
    assert told.figures["step_deg"] == pytest.approx(180 / (plan.degree + 1))
    # Jitter of a twentieth of a step is not worth a word: the positions are known.
    theta = plan.scan.theta + np.random.default_rng(1).uniform(-0.5, 0.5, theta.size) * DEG
    assert departures(plan, measured(plan, theta=np.clip(theta, 0, math.pi))) == []


def test_distance_frequencies_and_degree():
    plan = make_plan(REQUEST)
    count = plan.scan.time.size
    (told,) = departures(plan, measured(plan, radius=np.full(count, 0.51)))
    assert told.code is DepartureCode.DISTANCE
    assert departures(plan, measured(plan, radius=np.full(count, 0.501))) == []
    told = departures(plan, measured(plan, frequency=[2.9e9, 3.1e9]))
    assert [x.code for x in told] == [
        DepartureCode.NO_FREQUENCY,
        DepartureCode.MORE_FREQUENCIES,
        DepartureCode.ABOVE,
    ]
    assert told[0] == "1 of 2 planned frequencies were not measured, the first 3 GHz"
    assert departures(plan, measured(plan, frequency=[2.900_000_1e9, 3e9])) == []
    (told,) = departures(plan, measured(plan), degree=plan.degree - 3)
    assert told.code is DepartureCode.DEGREE
    assert departures(plan, measured(plan), degree=plan.degree + 3) == []

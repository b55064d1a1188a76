"""Plans as a whole: what they choose, what they refuse."""

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import DipoleCluster, huygens_source, rectangular_aperture
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, required_degree, wavenumber
from nf2ff.measurement.probe import field_probe
from nf2ff.messages.planning import PlanCode
from nf2ff.metrics.beam import peak
from nf2ff.planning.axes import Axis, Positioner, Receiver
from nf2ff.planning.distance import Link
from nf2ff.planning.enclosure import Part
from nf2ff.planning.plan import ScanRequest, averaging_db, make_plan, samples_of_grid
from nf2ff.planning.scan_time import NAMES
from nf2ff.planning.tolerances import planned_solution
from nf2ff.ranges.compare import RangeKind
from nf2ff.solver.solve import solve

DEG = math.pi / 180
BALL = Part(diameter=0.3)
ARRAY = Part(diameter=0.05)
REQUEST = ScanRequest(
    frequency=[28e9],
    device=BALL,
    parts=(ARRAY,),
    coherent=True,
    centre=(0, 0, 0),
    distance=0.5,
    positioner=Positioner(Axis(10 * DEG, 20 * DEG, 0.3), Axis(20 * DEG, 40 * DEG, 0.3)),
    receiver=Receiver(0.05, polarisation_switch=0.01),
)


def plan(**changes):
    return make_plan(replace(REQUEST, **changes))


@cache
def usual():
    """The plan as it is asked for above."""
    return plan()


def codes(found):
    return {notice.code for notice in found.warnings}


@pytest.mark.slow
def test_a_known_place_against_the_whole_device():
    """28 GHz, 30 cm and 5 cm: exact degrees (closed form) in place of 99 and 25 by the customary rule."""
    found = usual()
    k = float(wavenumber(28e9))
    assert found.minimum_radius == pytest.approx(0.025)
    assert found.choices[0].spectrum_degree == required_degree(0.025 * k) == 22
    assert found.degree - 22 in (0, 1)
    assert found.whole.spectrum_degree == required_degree(0.15 * k) == 100
    assert samples_of_grid(99) == 40_400
    assert samples_of_grid(25) == 2808
    anywhere = plan(parts=())
    assert anywhere.degree == found.whole.degree
    assert PlanCode.CUSTOMARY in codes(anywhere)
    assert PlanCode.CUSTOMARY not in codes(found)


@pytest.mark.slow
def test_what_centring_saves():
    """A part 10 cm off the centre: 12.5 cm against 2.5 cm (closed form)."""
    found = plan(parts=(Part((0.1, 0, 0), diameter=0.05),))
    assert found.minimum_radius == pytest.approx(0.125)
    assert found.centred_radius == pytest.approx(0.025)
    np.testing.assert_allclose(found.centre, [0.1, 0, 0], atol=1e-9)
    assert found.centred.degree == usual().degree < found.degree
    # So does moving the centre of rotation there, in a larger sphere of the whole device.
    moved = plan(parts=(Part((0.1, 0, 0), diameter=0.05),), centre=(0.1, 0, 0))
    assert moved.degree == found.centred.degree
    assert moved.ranges[0].length > found.ranges[0].length


def test_the_quickest_that_the_axes_can_do_is_taken():
    found = usual()
    assert found.scan.duration == min(scan.duration for scan in found.scans)
    limited = replace(REQUEST.positioner, phi=replace(REQUEST.positioner.phi, turns=1.1))
    found = plan(positioner=limited)
    assert not found.scan.impossible
    assert found.scan.name in ("grid", "swept-grid", "constant-density")
    assert [scan.name for scan in found.scans] == list(NAMES)
    assert plan(scan="grid").scan.name == "grid"


@pytest.mark.slow
def test_wishes():
    # A step of 5 deg is degree 35 (closed form: pi / step - 1).
    assert plan(step=5 * DEG).degree == 35
    assert plan(degree=30).degree == 30
    with pytest.raises(
        ValueError, match=r"a step of 10 deg is wished, which supports degree 17, but degree 2"
    ):
        plan(step=10 * DEG)
    with pytest.raises(ValueError, match=r"degree 9 is wished, but degree 2\d is needed.*leave the wish out"):
        plan(degree=9)
    with pytest.raises(ValueError, match=r"a degree and a step are wished"):
        plan(degree=30, step=5 * DEG)
    with pytest.raises(ValueError, match=r"may take 0.01 h, but the quickest takes 0\.\d+ h"):
        plan(time_limit=36)
    one, half = (
        replace(REQUEST.positioner, phi=replace(REQUEST.positioner.phi, turns=x)) for x in (1.0, 0.5)
    )
    with pytest.raises(ValueError, match=r"scan is 'equal-area-spiral', but phi would turn 2.* and can 1"):
        plan(positioner=one, scan="equal-area-spiral")
    with pytest.raises(ValueError, match=r"can do none of the scans"):
        plan(positioner=half)
    with pytest.raises(ValueError, match=r"scan is 'zigzag'"):
        plan(scan="zigzag")


def test_places():
    with pytest.raises(ValueError, match=r"takes a sphere of 0.3 m .* chamber allows 0.2 m"):
        plan(largest_device=0.2)
    with pytest.raises(ValueError, match=r"inside the minimum sphere of 0.15 m"):
        plan(distance=0.1, parts=())
    with pytest.raises(ValueError, match=r"the device turns within 0.15 m.*the probe will be hit"):
        plan(distance=0.1)
    with pytest.raises(ValueError, match=r"reactive zone"):
        plan(distance=0.151, parts=())
    with pytest.raises(ValueError, match=r"distance is 0.5 m, but the chamber allows 0.4 m"):
        plan(room=0.4)
    with pytest.raises(ValueError, match=r"part 1 reaches out of the device"):
        plan(parts=(Part((0.14, 0, 0), diameter=0.05),))
    with pytest.raises(ValueError, match=r"part 2 reaches out of the device"):
        plan(device=Part(sides=(0.3, 0.1, 0.1)), parts=(ARRAY, Part((0, 0.03, 0), diameter=0.05)))
    with pytest.raises(ValueError, match=r"degree 1\d\d\d takes .* readings: scans are laid out up to"):
        plan(device=Part(diameter=3.6), parts=(), distance=3)


@pytest.mark.slow
def test_warnings():
    near = plan(parts=(), distance=0.158, tail_db=-100)
    assert {PlanCode.CLOSE, PlanCode.BY_DISTANCE} <= codes(near)
    assert {PlanCode.OVERTRAVEL, PlanCode.MOVED} <= codes(plan(scan="swept-grid"))
    assert not codes(plan(scan="grid"))
    # 30 dBm - 55.4 dB + 10 dBi over -60 dBm: 44.6 dB, and positions over modes (closed form).
    noisy = plan(scan="grid", link=Link(30, 10, -60))
    n = noisy.degree
    assert codes(noisy) == {PlanCode.NOISE}
    averaged = 10 * math.log10((n + 2) * (2 * n + 2) / (2 * n * (n + 2)))
    assert noisy.warnings[0].figures["margin_db"] == pytest.approx(44.6 + averaged, abs=0.1)
    assert noisy.noise_margin_db == noisy.warnings[0].figures["margin_db"]
    assert usual().noise_margin_db is None
    # asin(2.5 cm / 50 cm), closed form.
    assert noisy.seen_angle == pytest.approx(math.asin(0.05), rel=1e-12)


@pytest.mark.parametrize("name", ["grid", "constant-rate-spiral", "equal-area-spiral"])
def test_noise_of_the_pattern(name):
    """Noise of readings, 40 dB below the peak's field there: error of the far field, rms, below its peak."""
    found = plan(frequency=[10e9], scan=name)
    source = huygens_source(direction=[0, 0.4, 1], polarisation=[1, 0, 0])
    antenna = rectangular_aperture(source, width=0.03, height=0.03, nodes=4)
    clean = planned_solution(antenna, found.scan, frequency=10e9, radius=0.5, degree=found.degree)
    w = clean.samples.response
    rng = np.random.default_rng(1)
    top = peak(clean.modes).directivity[0] * clean.modes.radiated_power()[0] / (4 * math.pi)
    sigma = 0.01 * math.sqrt(2 * WAVE_IMPEDANCE * top) / 0.5
    noise = sigma * (rng.normal(size=w.shape) + 1j * rng.normal(size=w.shape)) / math.sqrt(2)
    noisy = solve(replace(clean.samples, response=w + noise), field_probe(), degree=found.degree)
    error = replace(
        noisy.modes, coefficients=noisy.modes.coefficients - clean.modes.coefficients
    ).radiated_power()[0]
    below = 10 * math.log10(4 * math.pi * top / error)
    # Unequal areas add up to 0.9 dB on the grid (pi^2 / 8, closed form), chance 0.5 (286 modes).
    assert below == pytest.approx(40 + averaging_db(found.degree, found.scan.positions), abs=1.4)


@pytest.mark.slow
def test_parts_that_radiate_one_at_a_time():
    """Two parts of 5 cm 20 cm apart: one aperture of 25 cm, or each by itself 10 cm off the centre."""
    parts = (Part((0.1, 0, 0), diameter=0.05), Part((-0.1, 0, 0), diameter=0.05))
    together, alone = plan(parts=parts), plan(parts=parts, coherent=False)
    assert together.degree == alone.degree
    lengths = [x.ranges[0].length for x in (together, alone)]
    wavelength = 299792458.0 / 28e9
    assert lengths[0] == pytest.approx(0.15 - 0.125 + 2 * 0.25**2 / wavelength, rel=1e-9)
    assert lengths[1] == pytest.approx(0.15 - 0.025 + 2 * 0.05**2 / wavelength, rel=1e-9)
    assert alone.ranges[0].kind is RangeKind.DIRECT


@pytest.mark.slow
def test_an_antenna_ten_wavelengths_off_centre():
    """As a black box, at its known place, and on the centre: counts and errors as predicted.

    The smallest sphere of what is declared decides; the error is held against the closed form.
    """
    lam = SPEED_OF_LIGHT / 10e9
    source = huygens_source(direction=[1, 0, 1], polarisation=[0, 1, 0])
    panel = rectangular_aperture(source, width=1.5 * lam, height=1.5 * lam, nodes=4)
    away = DipoleCluster(panel.position + np.array([10 * lam, 0, 0]), panel.electric, panel.magnetic)
    box, part = Part(sides=(23 * lam, 4 * lam, 4 * lam)), Part((10 * lam, 0, 0), diameter=2.2 * lam)
    known = {"frequency": [10e9], "device": box, "distance": 15 * lam, "scan": "equal-area-spiral"}
    cases = {
        "black box": (plan(**known, parts=()), away),
        "known place": (plan(**known, parts=(part,)), away),
        "on it": (plan(**known | {"distance": 25 * lam}, parts=(part,), centre=(10 * lam, 0, 0)), panel),
    }
    radius = [math.hypot(11.5, 2, 2), 11.1, 1.1]
    degree = [found.degree for found, _ in cases.values()]
    for (found, antenna), r in zip(cases.values(), radius, strict=True):
        assert found.minimum_radius == pytest.approx(r * lam)
        # The exact spectrum of the worst dipole on that sphere, and what the distance adds to it.
        assert found.choices[0].spectrum_degree == required_degree(2 * math.pi * r)
        assert 0 <= found.degree - found.choices[0].spectrum_degree <= 4
        # 1.5 positions a pair of degree and order (closed form).
        n = found.degree
        assert found.scan.positions == pytest.approx(1.5 * n * (n + 2), rel=0.02)
        solution = planned_solution(
            antenna, found.scan, frequency=10e9, radius=found.request.distance, degree=n
        )
        theta, phi = np.arccos(np.linspace(-0.99, 0.99, 40)), 2.4 * np.arange(40)
        exact = np.array(far_field_of(antenna, frequency=[10e9], theta=theta, phi=phi))
        got = np.array(far_field_points(solution.modes, theta=theta, phi=phi))
        # The tail wished, -60 dB, is of the worst dipole and of power: this antenna is below it.
        assert np.linalg.norm(got - exact) / np.linalg.norm(exact) < 1e-3
    # A known place saves little while it stays off the centre, nearly all once it is on it.
    assert degree[0] > degree[1] > 4 * degree[2]

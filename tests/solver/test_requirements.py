"""What is refused before anything is solved, and what must not be."""

from dataclasses import replace

import numpy as np
import pytest

from nf2ff.antenna.grids import Grid, grid_for_degree
from nf2ff.antenna.modes import SPEED_OF_LIGHT, mode_index
from nf2ff.antenna.points import equal_area_spiral
from nf2ff.measurement.probe import Probe, field_probe
from nf2ff.measurement.samples import Samples
from nf2ff.solver.requirements import check_mixture, check_polarisations, check_radius, check_units

#: The wavelength is one metre, and 10/9 m.
F1 = SPEED_OF_LIGHT * np.ones(1)
F2 = SPEED_OF_LIGHT * np.array([0.9, 1.0])
F4 = SPEED_OF_LIGHT * np.array([0.7, 0.8, 0.9, 1.0])
PROBE = field_probe()


def make(count=12, frequency=F1, **changes):
    """Samples of two polarisations at places of no order, some arguments changed."""
    half = equal_area_spiral(count // 2)
    arguments = {
        "frequency": frequency,
        "theta": np.tile(half.theta, 2),
        "phi": np.tile(half.phi, 2),
        "chi": np.repeat([0, np.pi / 2], count // 2),
        "radius": 3.0,
        "port": 1,
        "response": np.ones((frequency.size, count)),
    }
    return Samples(**{**arguments, **changes})


def refusal(check, *arguments):
    """The one line with which it refuses."""
    with pytest.raises(ValueError) as error:  # noqa: PT011
        check(*arguments)
    text = str(error.value)
    assert "\n" not in text
    return text


# --- units --------------------------------------------------------------------------------------


@pytest.mark.parametrize("unit", ["V/m", "sqrt(W)", "relative"])
@pytest.mark.parametrize("probe_unit", ["V/m", "sqrt(W)", "relative"])
def test_units(unit, probe_unit):
    probe = Probe(None, PROBE.coefficients, probe_unit)
    samples = make(response_unit=unit)
    if "relative" in (unit, probe_unit):
        assert check_units(samples, probe) == "relative"
    elif unit == probe_unit:
        assert check_units(samples, probe) == "absolute"
    else:
        text = refusal(check_units, samples, probe)
        assert f"the responses are in {unit}, the probe answers in {probe_unit}: state" in text


# --- radius -------------------------------------------------------------------------------------


def test_reactive_zone():
    # k r = 1 at the lowest of the frequencies, and at the nearest of the samples.
    edge = 1 / (2 * np.pi * 0.9)
    check_radius(make(frequency=F2, radius=1.001 * edge), None, PROBE)
    radius = np.full((2, 12), 3.0)
    radius[1, 7] = 0.999 * edge
    text = refusal(check_radius, make(frequency=F2, radius=radius), None, PROBE)
    # 1 / (2 pi 0.9) m = 0.176839 m.
    assert text.startswith("radius is 0.176662 m, within the reactive zone of any antenna (below ")
    assert "wavelength / 2 pi = 0.176839 m at 0.269813 GHz): check the unit of the radius" in text


def test_minimum_sphere():
    samples = make(radius=np.linspace(2.0, 4.0, 12))
    check_radius(samples, 1.999, PROBE)
    for inside in (2.0, 5.0):
        text = refusal(check_radius, samples, inside, PROBE)
        assert text == (
            f"radius is 2 m, inside the antenna's minimum sphere of {inside:g} m: measure outside "
            "it or correct minimum_radius"
        )


def test_spheres_of_antenna_and_probe_meet():
    samples = make(radius=np.linspace(2.0, 4.0, 12))
    probe = replace(PROBE, minimum_radius=0.5)
    check_radius(samples, 1.499, probe)
    check_radius(samples, None, probe)
    assert refusal(check_radius, samples, 1.5, probe) == (
        "radius is 2 m, but the probe's minimum sphere of 0.5 m and the antenna's of 1.5 m meet "
        "there: measure further away, or correct these radii"
    )


@pytest.mark.parametrize("value", [0.0, -1.0, np.inf, np.nan])
def test_minimum_radius_that_is_none(value):
    text = refusal(check_radius, make(), value, PROBE)
    assert text == f"minimum_radius is {value} m, expected a finite number > 0"


# --- polarisations ------------------------------------------------------------------------------

ONE_CHI = (
    r"all samples at {} GHz have chi = {} deg{}: a second polarisation, chi 90 deg from it, is "
    "needed at each frequency"
)
MIXED = " (two frequencies mixed in one grid?)"


@pytest.mark.parametrize("chi_deg", [0, 37, -90, 180])
def test_one_polarisation(chi_deg):
    # Half a turn on is the same polarisation.
    turned = np.radians(chi_deg + 180 * (np.arange(12) % 3))
    text = refusal(check_polarisations, make(chi=turned), PROBE)
    assert text == ONE_CHI.format("0.299792458", chi_deg, "")


def test_two_polarisations_are_nearer_than_noise_can_tell():
    chi = np.radians(30 + 0.9 * (np.arange(12) % 2))
    assert refusal(check_polarisations, make(chi=chi), PROBE).startswith("all samples at")
    check_polarisations(make(chi=np.radians(30 + 1.1 * (np.arange(12) % 2))), PROBE)


def test_the_second_polarisation_may_be_rare():
    # One in ten thousand: few are looked at first, but all before a refusal.
    chi = np.zeros(20_000)
    chi[[4321, 17_777]] = 1.0
    check_polarisations(make(20_000, chi=chi), PROBE)
    check_polarisations(make(20_000, frequency=F2, chi=np.stack([chi, chi])), PROBE)
    chi[:] = 0
    assert "have chi = 0 deg" in refusal(check_polarisations, make(20_000, chi=chi), PROBE)


@pytest.mark.parametrize("at", [0, 1])
def test_one_polarisation_at_one_frequency(at):
    # By missing responses, and by a chi of its own.
    ghz = ("0.269813212", "0.299792458")[at]
    response = np.ones((2, 12))
    response[at, :6] = np.nan
    text = refusal(check_polarisations, make(frequency=F2, response=response), PROBE)
    assert text == ONE_CHI.format(ghz, 90, MIXED)
    chi = np.stack([make().chi, make().chi])
    chi[at] = np.radians(20)
    text = refusal(check_polarisations, make(frequency=F2, chi=chi), PROBE)
    assert text == ONE_CHI.format(ghz, 20, MIXED)


def test_each_polarisation_at_another_frequency():
    # As where the second frequency was written into the rows of the second polarisation.
    response = np.ones((2, 12))
    response[0, 6:] = response[1, :6] = np.nan
    text = refusal(check_polarisations, make(frequency=F2, response=response), PROBE)
    assert text == ONE_CHI.format("0.269813212", 0, MIXED)


def test_a_frequency_without_samples():
    response = np.ones((2, 12))
    response[1] = np.nan
    text = refusal(check_polarisations, make(frequency=F2, response=response), PROBE)
    assert text == "there is no sample at 0.299792458 GHz: leave that frequency out"


def dipoles(*ports):
    """Probe of degree 1, each port given as {(s, m): R}."""
    r = np.zeros((1, len(ports), 6), dtype=complex)
    for i, port in enumerate(ports):
        for (s, m), value in port.items():
            r[0, i, mode_index(s=s, m=m, n=1)] = value
    return Probe(None, r, "V/m")


LINEAR = {(2, 1): -1, (2, -1): 1}


def test_two_ports_are_two_polarisations():
    probe = dipoles(LINEAR, {(2, 1): -1j, (2, -1): -1j})
    port = np.repeat([1, 2], 6)
    check_polarisations(make(chi=0.0, port=port), probe)
    for one in (1, 2):
        text = refusal(check_polarisations, make(chi=0.0, port=one), probe)
        assert text == ONE_CHI.format("0.299792458", 0, "")


@pytest.mark.parametrize(
    "port",
    [{(2, 1): 1}, {(2, -1): 1j}, {(1, 1): 1, (2, 1): 2}, {(1, -1): 1, (2, 0): 3}, {(2, 0): 1}, {}],
    ids=["right", "left", "right of both kinds", "left and axial", "axial", "deaf"],
)
def test_probe_of_one_circular_polarisation(port):
    # Turned about its axis it only changes its phase.
    text = refusal(check_polarisations, make(), dipoles(port))
    assert text == (
        "port 1 of the probe receives one circular polarisation or none: a probe that receives "
        "both is needed, however it is turned"
    )
    both = dipoles(LINEAR, port)
    assert refusal(check_polarisations, make(port=2), both).startswith("port 2 of the probe rec")
    # A port that took no sample does not matter, nor does one beside another that hears both.
    check_polarisations(make(), both)
    check_polarisations(make(port=np.tile([1, 2], 6)), both)
    two = refusal(check_polarisations, make(port=np.tile([1, 2], 6)), dipoles(port, port))
    assert two.startswith("ports 1, 2 of the probe receive all the same one circular polarisation")


def test_two_ports_of_opposite_sense():
    check_polarisations(make(port=np.tile([1, 2], 6)), dipoles({(2, 1): 1}, {(2, -1): 1}))


def test_elliptical_and_magnetic_probes_are_good():
    for port in (
        {(2, 1): 1, (2, -1): 0.1},
        {(1, 1): 1, (2, -1): 1},
        {(1, 1): 1, (1, -1): 1},
        {(2, 1): -1, (2, -1): 1, (2, 0): 1},
    ):
        check_polarisations(make(), dipoles(port))


def test_probe_of_one_circular_polarisation_at_one_frequency():
    r = np.repeat(PROBE.coefficients, 2, axis=0)
    r[1, 0, mode_index(s=2, m=1, n=1)] = 0
    probe = Probe(F2, r, "V/m")
    assert "one circular polarisation" in refusal(check_polarisations, make(frequency=F2), probe)


def turned_port(angle, level=1.0):
    """The ideal probe turned by ``angle``: its waves of order m by exp(j m angle)."""
    return {(2, m): -m * level * np.exp(1j * m * angle) for m in (-1, 1)}


@pytest.mark.parametrize("level", [1.0, 0.3j])
@pytest.mark.parametrize(
    ("angle", "chi", "enough"),
    [
        (0.0, (0.0, 0.0), False),
        (0.0, (0.2, 0.2 + np.pi), False),
        (0.0, (0.0, 0.5), True),
        (1.2, (1.2, 0.0), False),
        (1.2, (-1.2, 0.0), True),
        (-0.7, (0.1, 0.8), False),
        (np.pi / 2, (0.3, 0.3), True),
        (np.pi / 2, (np.pi / 2, 0.0), False),
    ],
)
def test_ports_that_are_one_port_turned(angle, chi, enough, level):
    # Port 2 at chi reads what port 1 does at chi + angle: two ports are no two polarisations.
    probe = dipoles(turned_port(0.0), turned_port(angle, level))
    port = np.arange(40) % 2 + 1
    samples = make(40, chi=np.where(port == 1, *chi), port=port)
    if enough:
        check_polarisations(samples, probe)
        return
    assert refusal(check_polarisations, samples, probe) == (
        "ports 1, 2 of the probe read one polarisation only, the same at all samples at "
        f"{samples.frequency[0] / 1e9:.9g} GHz: a second one, 90 deg from it, is needed at each "
        "frequency"
    )
    # Of which one is missing is told, too.
    other = np.array(samples.chi)
    other[5] += np.pi / 2
    check_polarisations(make(40, chi=other, port=port), probe)
    response = np.ones((1, 40), dtype=complex)
    response[0, 5] = np.nan
    gone = make(40, chi=other, port=port, response=response)
    assert "read one polarisation only" in refusal(check_polarisations, gone, probe)


@pytest.mark.parametrize("dead", [0, 1, 2])
def test_samples_of_a_port_that_receives_nothing_do_not_count(dead):
    ports = [turned_port(0.0)] * 3
    ports[dead] = {}
    probe, port = dipoles(*ports), np.arange(42) % 3 + 1
    turned = np.where(port == dead + 1, np.pi / 2, 0.0)
    assert "one polarisation only" in refusal(check_polarisations, make(42, chi=turned, port=port), probe)
    check_polarisations(make(42, chi=np.pi / 2 * (np.arange(42) % 2), port=port), probe)


def test_ports_of_different_patterns_are_left_alone():
    # A magnetic dipole along with the electric one: not the same port turned.
    probe = dipoles(turned_port(0.0), {**turned_port(0.0), (1, 1): 1.0})
    check_polarisations(make(40, chi=0.0, port=np.arange(40) % 2 + 1), probe)


def test_ports_that_turn_over_frequency():
    # The same at one frequency, not at the other: left to the solution.
    one, two = (dipoles(turned_port(0.0), turned_port(a)).coefficients for a in (0.0, 1.5))
    probe = Probe(F2, np.concatenate([one, two]), "V/m")
    check_polarisations(make(40, F2, chi=0.0, port=np.arange(40) % 2 + 1), probe)


# --- frequencies mixed in one grid --------------------------------------------------------------


def on_grid(frequency, *, theta, phi, chi):
    """Samples at positions (F, M)."""
    return make(theta.shape[1], frequency, theta=theta, phi=phi, chi=chi, response=np.ones(theta.shape))


def all_of(grid: Grid):
    """Theta, phi, chi of both polarisations on a grid, in rows of a table."""
    t, p, c = np.meshgrid(grid.theta, grid.phi, [0, np.pi / 2], indexing="ij")
    return t.ravel(), p.ravel(), c.ravel()


@pytest.mark.parametrize("rule", ["clenshaw-curtis", "fejer-1", "gauss-legendre"])
@pytest.mark.parametrize("how", ["checkerboard", "halves", "at random"])
def test_frequencies_mixed_in_one_grid(rule, how, rng):
    grid = grid_for_degree(8, rule=rule)
    if grid.theta.size % 2:
        grid = grid_for_degree(9, rule=rule)
    theta, phi, chi = all_of(grid)
    place = np.arange(theta.size) // 2
    ring, column = place // grid.phi.size, place % grid.phi.size
    first = {
        "checkerboard": (ring + column) % 2 == 0,
        "halves": ring < grid.theta.size // 2,
        "at random": np.isin(place, rng.permutation(place.max() + 1)[: place.max() // 2 + 1]),
    }[how]
    both = [np.flatnonzero(first), np.flatnonzero(~first)]
    samples = on_grid(
        F2,
        **{
            name: np.stack([x[b] for b in both]) for name, x in (("theta", theta), ("phi", phi), ("chi", chi))
        },
    )
    text = refusal(check_mixture, samples)
    assert text == (
        f"the positions of the 2 frequencies together make one regular grid of {grid.theta.size} "
        f"x {grid.phi.size}, of which each has a part: are frequencies mixed in one grid? If the "
        "axes did move between them, give each frequency a file of its own"
    )


def test_positions_that_do_not_move_are_no_mixture():
    theta, phi, chi = all_of(grid_for_degree(8))
    same = make(theta.size, F2, theta=theta, phi=phi, chi=chi, response=np.ones((2, theta.size)))
    check_mixture(same)


def test_the_same_positions_written_out_for_each_frequency():
    theta, phi, chi = all_of(grid_for_degree(8))
    check_mixture(
        on_grid(F2, **{name: np.stack([x, x]) for name, x in (("theta", theta), ("phi", phi), ("chi", chi))})
    )


@pytest.mark.parametrize("radius", [3.0, "moving"])
def test_moving_axes_are_no_mixture(radius, rng):
    spiral = equal_area_spiral(60)
    at = np.tile(spiral.theta, 2), np.tile(spiral.phi, 2)
    late = np.linspace(0, 0.1, 4)[:, None]
    samples = make(
        120,
        F4,
        theta=at[0] * (1 - late),
        phi=at[1] + late,
        radius=3.0 if radius == 3.0 else 3 + rng.uniform(0, 1, (4, 120)),
    )
    assert samples.moving
    check_mixture(samples)


@pytest.mark.parametrize("frequency", [F2, F4], ids=["two", "four"])
def test_sweep_while_the_azimuth_turns(frequency):
    # Stepped in theta and turning in phi, a sweep of F frequencies in each step of phi: all of
    # them have a whole regular grid, shifted by 1/F of a step from one to the next.
    grid = grid_for_degree(8)
    theta, phi, chi = all_of(grid)
    late = np.arange(frequency.size)[:, None] / frequency.size * (grid.phi[1] - grid.phi[0])
    ones = np.ones((frequency.size, 1))
    check_mixture(on_grid(frequency, theta=theta * ones, phi=phi + late, chi=chi))

"""Readings that cannot be right are told of, and clean scans are left alone."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

import nf2ff
from nf2ff.antenna.dipoles import DipoleCluster, array_of, huygens_source
from nf2ff.antenna.grids import equiangular_grid, gauss_legendre_grid
from nf2ff.antenna.points import constant_rate_spiral_for_degree, equal_area_spiral_for_degree
from nf2ff.measurement.samples import Samples
from nf2ff.messages.scan import ReadingCode
from nf2ff.solver import suspect_readings
from nf2ff.solver.regular_grid import recognise_grid

FREQUENCY = 3e9
WAVELENGTH = nf2ff.antenna.modes.SPEED_OF_LIGHT / FREQUENCY
K = 2 * np.pi / WAVELENGTH
RADIUS = 0.6
KINDS = {
    ReadingCode.SPIKE: "spike",
    ReadingCode.SPIKES: "spike",
    ReadingCode.ALONE: "one",
    ReadingCode.CONTRADICTION: "pair",
    ReadingCode.STUCK: "run",
    ReadingCode.FACTOR_AT_POLES: "factor",
    ReadingCode.REVERSED_AT_POLES: "factor",
    ReadingCode.FACTOR_BY_MODEL: "factor",
}


def array(count, centre, ahead, across):
    """Square of Huygens sources half a wavelength apart, closed form."""
    up, right = np.array(across, float), np.cross(ahead, across)
    steps = WAVELENGTH / 2 * (np.arange(count) - (count - 1) / 2)
    places = steps[:, None, None] * up + steps[None, :, None] * right + np.array(centre)
    source = huygens_source(direction=ahead, polarisation=across, moment=1e-3)
    return array_of(source, positions=places.reshape(-1, 3), weights=np.ones(count**2))


def dipole(moment, place=(0, 0, 0)):
    return DipoleCluster(np.array([place], float), np.array([moment], complex), np.zeros((1, 3), complex))


ANTENNAS = {
    "dipole along z": dipole([0, 0, 1e-3]),
    "dipole along x": dipole([1e-3, 0, 0]),
    "dipole in a corner": dipole([1e-3, 0, 0], (0.1, 0.1, 0.05)),
    "array to the pole": array(4, (0, 0, 0), (0, 0, 1), (1, 0, 0)),
    "array to the equator": array(4, (0, 0, 0), (1, 0, 0), (0, 0, 1)),
    "array in a corner": array(3, (0.1, -0.05, 0.08), (0.6, 0, 0.8), (0, 1, 0)),
    "three in a row": array_of(
        dipole([0, 0, 1e-3]),
        positions=np.array([[-0.05, 0, 0], [0, 0, 0], [0.05, 0, 0]]),
        weights=np.array([1, -2, 1.0]),
    ),
}
#: Those whose two polarisations can be told apart by a fit.
BEAMS = ("array to the pole", "array to the equator", "array in a corner")


def degree_of(antenna):
    return max(5, nf2ff.required_degree(K * antenna.minimum_radius, tail_db=-80.0))


def on_grid(grid):
    t, p = (x.ravel() for x in np.meshgrid(grid.theta, grid.phi, indexing="ij"))
    return t, p


def through_the_poles(degree):
    theta = np.linspace(-np.pi, np.pi, 2 * degree + 3)
    phi = np.pi * np.arange(degree + 2) / (degree + 2)
    return tuple(x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))


def spiral(points):
    return points.theta, points.phi


SETS = {
    "poles": lambda n: on_grid(equiangular_grid(n + 2, 2 * n + 2)),
    "poles, odd": lambda n: on_grid(equiangular_grid(n + 2, 2 * n + 1)),
    "no poles": lambda n: on_grid(gauss_legendre_grid(n + 1, 2 * n + 1)),
    "equal area": lambda n: spiral(equal_area_spiral_for_degree(n)),
    "constant rate": lambda n: spiral(constant_rate_spiral_for_degree(n)),
    "through the poles": through_the_poles,
}


def scan(antenna, kind, *, noise_db=None, rng=None, degree=None):
    theta, phi = SETS[kind](degree_of(antenna) if degree is None else degree)
    chi = np.repeat([0, np.pi / 2], theta.size)
    samples = nf2ff.simulate(
        antenna, frequency=[FREQUENCY], theta=np.tile(theta, 2), phi=np.tile(phi, 2), chi=chi, radius=RADIUS
    )
    if noise_db is None:
        return samples
    rms = np.sqrt(np.mean(np.abs(samples.response) ** 2))
    white = rng.normal(size=(2, *samples.response.shape))
    noise = rms * 10 ** (noise_db / 20) * (white[0] + 1j * white[1]) / np.sqrt(2)
    return changed(samples, samples.response[0] + noise[0])


def changed(samples, response, **more):
    part = {x: getattr(samples, x) for x in ("theta", "phi", "chi", "radius", "port")} | more
    return Samples(samples.frequency, **part, response=response[None], response_unit="V/m")


def told(samples, **how):
    """Kinds of the sentences on readings, and the sentences."""
    warnings = nf2ff.solve(samples, nf2ff.field_probe(), **how).warnings[0]
    found = {KINDS[w.code]: w for w in warnings if w.code in KINDS}
    return found


# --- no false alarms ----------------------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("kind", SETS)
@pytest.mark.parametrize("name", ANTENNAS)
def test_clean_scans(name, kind, rng):
    antenna = ANTENNAS[name]
    for noise in (None, -60, -40, -20):
        samples = scan(antenna, kind, noise_db=noise, rng=rng)
        assert not told(samples, degree=degree_of(antenna)), noise
        assert suspect_readings.judge_readings(samples) == [[]]


def test_clean_scans_by_a_coarse_degree(rng):
    # A model that is too simple leaves a misfit of its own; it is not that of single readings.
    for name in BEAMS:
        antenna = ANTENNAS[name]
        samples = scan(antenna, "equal area", noise_db=-60, rng=rng)
        assert not told(samples, degree=degree_of(antenna) // 2)


def test_symmetry_makes_equal_readings():
    # E_theta of a dipole along z is the same all around, and E_phi is zero: bit by bit.
    samples = scan(ANTENNAS["dipole along z"], "poles")
    assert len(suspect_readings.runs(samples.response[0])) > 1
    assert not told(samples)


# --- each kind ----------------------------------------------------------------------------------


@pytest.mark.parametrize("noise", [-60, -40])
@pytest.mark.parametrize("kind", SETS)
@pytest.mark.parametrize("name", BEAMS)
def test_a_spike(name, kind, noise, rng):
    antenna = ANTENNAS[name]
    samples = scan(antenna, kind, noise_db=noise, rng=rng)
    w = samples.response[0].copy()
    row = rng.choice(np.flatnonzero(np.abs(w) > 0.1 * np.sqrt(np.mean(np.abs(w) ** 2))))
    w[row] *= 100
    found = told(changed(samples, w), degree=degree_of(antenna))
    assert found.keys() <= {"spike", "one"}
    (sentence,) = found.values()
    assert sentence.startswith(f"sample {row + 1} (theta ")


def test_a_spike_is_told_where_the_scan_is_refused(rng):
    antenna = ANTENNAS["array to the pole"]
    samples = scan(antenna, "poles", noise_db=-60, rng=rng)
    w = samples.response[0].copy()
    w[100] = 1000 * np.abs(w).max()
    says = r"^sample 101 \(theta .*\) stands .* above all readings nearby.*; with these readings"
    with pytest.raises(ValueError, match=says):
        nf2ff.solve(changed(samples, w), nf2ff.field_probe())
    # And where only power is left over nothing is added.
    with pytest.raises(ValueError, match=r"^all responses are zero"):
        nf2ff.solve(changed(samples, 0 * w), nf2ff.field_probe())


@pytest.mark.parametrize("axes", ["ctp", "cpt", "tpc", "ptc"])
@pytest.mark.parametrize("grid", [gauss_legendre_grid(12, 28), equiangular_grid(30, 30)])
def test_a_spike_wherever_it_stands_in_a_raster(grid, axes, rng):
    # At the ends of lines, in any order of the axes; the steps in theta and phi may differ.
    chi = np.array([0, np.pi / 2])
    order = ["ctp".index(x) for x in axes]
    columns = np.meshgrid(chi, grid.theta, grid.phi, indexing="ij")
    chi, theta, phi = (x.transpose(order).ravel() for x in columns)
    made = nf2ff.simulate(
        ANTENNAS["array in a corner"], frequency=[FREQUENCY], theta=theta, phi=phi, chi=chi, radius=RADIUS
    )
    own = recognise_grid(made)
    assert own.shape is not None
    away = np.flatnonzero((theta > 0.3) & (theta < 2.8))
    for row in {away[0], away[-1], *rng.choice(away, 6).tolist()}:
        w = made.response[0].copy()
        w[row] = 100 * np.abs(w).max()
        (at,) = suspect_readings.each_place(made.changed(response=w[None]), scan=own)
        assert suspect_readings.spikes(at, w, made, 0)[1] == [row]
    (at,) = suspect_readings.each_place(made, scan=own)
    assert suspect_readings.spikes(at, made.response[0], made, 0) == ([], [])


@pytest.mark.parametrize("axes", ["ctp", "cpt", "tpc", "ptc"])
def test_kinds_and_poles_of_a_raster(axes):
    # As they are of samples in any order.
    grid, turns = equiangular_grid(9, 12), np.radians([0, 90, 180, 30])
    order = ["ctp".index(x) for x in axes]
    columns = np.meshgrid(turns, grid.theta, grid.phi, indexing="ij")
    chi, theta, phi = (x.transpose(order).ravel() for x in columns)
    made = nf2ff.Samples([FREQUENCY], theta, phi, chi, RADIUS, 1, np.ones((1, chi.size)))
    own = recognise_grid(made)
    assert own.shape is not None
    (at,), (wanted,) = (suspect_readings.each_place(made, scan=x) for x in (own, None))
    np.testing.assert_array_equal(at.kind, wanted.kind)
    assert at.kinds == 3
    for found, pole in zip(at.poles, wanted.poles, strict=True):
        np.testing.assert_array_equal(found, pole)
        assert pole.size == 48


@pytest.mark.slow
@pytest.mark.parametrize("kind", SETS)
def test_a_position_measured_twice(kind, rng):
    antenna = ANTENNAS["array in a corner"]
    samples = scan(antenna, kind, noise_db=-40, rng=rng)
    w = samples.response[0]
    row = int(np.argmax(np.abs(w)))
    place = {x: getattr(samples, x) for x in ("theta", "phi", "chi", "radius", "port")}
    for factor, bad in ((1.0, False), (0.7, True), (-1.0, True)):
        twice = changed(
            samples, np.append(w, factor * w[row]), **{x: np.append(v, v[row]) for x, v in place.items()}
        )
        found = told(twice, degree=degree_of(antenna))
        if not bad:
            assert not found
            continue
        assert {"pair"} <= found.keys() <= {"pair", "one"}, found
        assert f"sample {w.size + 1} (theta" in found["pair"]
        assert suspect_readings.judge_readings(twice)[0] == [found["pair"]]
        if factor > 0 and kind not in ("poles", "poles, odd", "through the poles"):
            # Closed form: 20 lg 0.7.
            assert f"differ by {-20 * math.log10(factor):.1f} dB and 0 deg" in found["pair"]


def test_the_same_position_otherwise_written(rng):
    # theta -> -theta, phi -> phi + 180 deg and chi -> chi + 180 deg is the same, and a full turn.
    theta, phi, chi = rng.uniform(0.1, 3, 40), rng.uniform(0, 6, 40), rng.uniform(0, 6, 40)
    one = (np.append(theta, -theta), np.append(phi, phi - np.pi), np.append(chi, chi + 3 * np.pi))
    at = suspect_readings.places(*one, np.ones(80), np.ones(80, dtype=np.int16))
    assert sorted(at.pairs[1] - at.pairs[0]) == [40] * 40
    at = suspect_readings.places(*one, np.repeat([1.0, 1.1], 40), np.ones(80, dtype=np.int16))
    assert at.pairs[0].size == 0
    at = suspect_readings.places(*one, np.ones(80), np.repeat([1, 2], 40).astype(np.int16))
    assert at.pairs[0].size == 0
    # At the north pole chi + phi counts alone, at the south pole chi - phi.
    for pole, sign in ((0.0, -1), (np.pi, 1)):
        at = suspect_readings.places(
            np.full(2, pole),
            np.array([0.3, 0.8]),
            np.array([1.0, 1.0 + sign * 0.5]),
            np.ones(2),
            np.ones(2, dtype=np.int16),
        )
        assert [rows.tolist() for rows in at.pairs] == [[0], [1]]


@pytest.mark.slow
@pytest.mark.parametrize("kind", SETS)
@pytest.mark.parametrize("name", BEAMS)
def test_a_receiver_that_hung_and_a_cable_that_was_off(name, kind, rng):
    antenna = ANTENNAS[name]
    samples = scan(antenna, kind, noise_db=-60, rng=rng)
    top = int(np.argmax(np.abs(samples.response[0])))
    first = max(0, min(top - 10, samples.chi.size - 21))
    for value in (0, None):
        w = samples.response[0].copy()
        w[first : first + 20] = w[top] if value is None else value
        found = told(changed(samples, w), degree=degree_of(antenna))
        assert found.keys() == {"run"}, found
        same = "the same value" if value is None else "zero"
        assert found["run"].startswith(f"20 readings in a row are {same}, sample {first + 1} (")
        assert f"to sample {first + 20} (theta" in found["run"]


FACTORS = {
    "20 deg": np.exp(1j * np.radians(20)),
    "-90 deg": -1j,
    "180 deg": -1.0,
    "3 dB low": 10**-0.15,
    "both": 1.5 * np.exp(0.5j),
}


@pytest.mark.slow
@pytest.mark.parametrize("factor", FACTORS.values(), ids=FACTORS)
@pytest.mark.parametrize("kind", SETS)
@pytest.mark.parametrize("name", BEAMS)
def test_a_factor_between_the_polarisations(name, kind, factor, rng):
    antenna = ANTENNAS[name]
    samples = scan(antenna, kind, noise_db=-60, rng=rng)
    w = np.where(samples.chi > 1, factor, 1) * samples.response[0]
    found = told(changed(samples, w), degree=degree_of(antenna))
    assert found.keys() == {"factor"}, found
    assert found["factor"].startswith(f"the {w.size // 2} readings at chi 90 deg are off those at ")
    asked = "did the phase jump or drift, or a cable change, between them?"
    if factor == -1 and "at the poles" in found["factor"]:
        asked = "does phi or chi count the other way round, or is the sign of one polarisation reversed?"
    assert asked in found["factor"]
    numbers = re.search(r"by (\S+) dB and (\S+) deg (at the poles|by the model)", found["factor"])
    level, phase = (float(x) for x in numbers.groups()[:2])
    got = 10 ** (level / 20) * np.exp(1j * np.radians(phase))
    # What noise leaves after the fit is up to a fifth of the power it goes by.
    assert abs(got / factor - 1) < 0.2


def test_a_small_factor_is_left_to_the_budget(rng):
    antenna = ANTENNAS["array to the pole"]
    samples = scan(antenna, "poles", noise_db=-60, rng=rng)
    # 0.2 dB and 1 deg: |1.023 e^(j 1 deg) - 1| = 0.03.
    w = np.where(samples.chi > 1, 10**0.01 * np.exp(1j * np.radians(1)), 1) * samples.response[0]
    assert "factor" not in told(changed(samples, w), degree=degree_of(antenna))


def test_two_ports_with_a_factor_between(rng):
    antenna = ANTENNAS["array to the pole"]
    samples = scan(antenna, "equal area", noise_db=-60, rng=rng)
    # The same readings as those of two crossed ports that stay where they are.
    r = nf2ff.field_probe().coefficients
    m = nf2ff.antenna.modes.mode_numbers(1)[1]
    crossed = r * np.exp(1j * m * np.pi / 2)
    probe = nf2ff.Probe(None, np.concatenate([r, crossed], axis=1), "V/m")
    port = np.where(samples.chi > 1, 2, 1)
    for factor, expected in ((1.0, set()), (1j, {"factor"})):
        w = np.where(port == 2, factor, 1) * samples.response[0]
        two = changed(samples, w, chi=0 * samples.chi, port=port)
        warnings = nf2ff.solve(two, probe, degree=degree_of(antenna)).warnings[0]
        assert {KINDS[w.code] for w in warnings if w.code in KINDS} == expected, warnings
    assert "chi 0 deg, port 2 are off those at chi 0 deg, port 1" in " ".join(warnings)


# --- what is left alone -------------------------------------------------------------------------


def test_nothing_is_removed(rng):
    antenna = ANTENNAS["array to the pole"]
    samples = scan(antenna, "poles", noise_db=-60, rng=rng)
    w = samples.response[0].copy()
    w[70] *= 100
    spiked = changed(samples, w)
    modes = nf2ff.solve(spiked, nf2ff.field_probe(), degree=degree_of(antenna)).modes
    plain = nf2ff.solve(samples, nf2ff.field_probe(), degree=degree_of(antenna)).modes
    assert np.abs(modes.coefficients - plain.coefficients).max() > 0
    np.testing.assert_array_equal(spiked.response[0], w)


def test_missing_readings_are_no_zeros(rng):
    antenna = ANTENNAS["array to the pole"]
    samples = scan(antenna, "equal area", noise_db=-60, rng=rng)
    w = samples.response[0].copy()
    w[200:220] = np.nan
    w[500] *= 100
    found = told(changed(samples, w), degree=degree_of(antenna))
    assert found.keys() <= {"spike", "one"}
    (sentence,) = found.values()
    assert sentence.startswith("sample 501 (")


def test_each_frequency_by_itself(rng):
    antenna = ANTENNAS["array to the pole"]
    samples = scan(antenna, "poles", noise_db=-60, rng=rng)
    w = samples.response[0].copy()
    w[200:220] = 0
    both = Samples(
        [FREQUENCY, 1.01 * FREQUENCY],
        samples.theta,
        samples.phi,
        samples.chi,
        RADIUS,
        1,
        np.stack([samples.response[0], w]),
    )
    first, second = nf2ff.solve(both, nf2ff.field_probe(), degree=degree_of(antenna)).warnings
    assert ReadingCode.STUCK not in [x.code for x in first]
    assert [x.code for x in second].count(ReadingCode.STUCK) == 1


@pytest.mark.parametrize("what", ["factor", "one"])
def test_what_the_model_shows_of_the_second_frequency(what, rng):
    # Of a spiral, which has no readings of both polarisations at a pole, only the model can tell;
    # each frequency has its own.
    antenna = ANTENNAS["array in a corner"]
    samples = scan(antenna, "equal area", noise_db=-60, rng=rng)
    other = nf2ff.simulate(
        antenna,
        frequency=[0.8 * FREQUENCY],
        theta=samples.theta,
        phi=samples.phi,
        chi=samples.chi,
        radius=RADIUS,
    )
    w = samples.response[0].copy()
    if what == "factor":
        w[samples.chi > 1] *= 1j
    else:
        w[np.argsort(np.abs(w))[w.size // 2]] *= -8
    response = np.stack([other.response[0], w])
    both = replace(samples, frequency=np.array([0.8, 1]) * FREQUENCY, response=response)
    first, second = nf2ff.solve(both, nf2ff.field_probe(), degree=degree_of(antenna)).warnings
    assert not [x for x in first if x.code in KINDS]
    assert {KINDS[x.code] for x in second if x.code in KINDS} == {what}


def test_what_one_sphere_cannot_show():
    # README names these: the residual is that of the right data, and nothing is said.
    antenna = ANTENNAS["array in a corner"]
    right = scan(antenna, "poles", degree=degree_of(antenna) + 4)
    place = {"radius": 1.05 * right.radius}
    for wrong in (
        changed(right, right.response[0].conj()),
        changed(right, right.response[0], **place),
        changed(right, 2j * right.response[0]),
        Samples(right.frequency / 2, right.theta, right.phi, right.chi, 2 * right.radius, 1, right.response),
    ):
        how = {"degree": degree_of(antenna) + 4}
        solution = nf2ff.solve(wrong, nf2ff.field_probe(), **how)
        assert solution.warnings == ((),)
        expected = nf2ff.solve(right, nf2ff.field_probe(), **how).residual
        np.testing.assert_allclose(solution.residual, expected, rtol=1e-3)


@pytest.mark.parametrize("name", ["array to the pole", "array in a corner"])
def test_angles_that_count_the_other_way_are_told_from_a_factor(name):
    grid = nf2ff.antenna.grids.grid_for_degree(20)
    samples = nf2ff.simulate_grid(ANTENNAS[name], frequency=[FREQUENCY], grid=grid, radius=RADIUS)
    across = samples.chi > 1
    codes = ReadingCode.REVERSED_AT_POLES, ReadingCode.FACTOR_AT_POLES
    for wrong, code in (
        (replace(samples, phi=-samples.phi), codes[0]),
        (replace(samples, response=samples.response * np.where(across, -1, 1)), codes[0]),
        (replace(samples, response=samples.response * np.where(across, -0.8, 1)), codes[1]),
        (replace(samples, response=samples.response * np.where(across, 1j, 1)), codes[1]),
    ):
        told = [x.code for x in nf2ff.solve(wrong, nf2ff.field_probe(), degree=20).warnings[0]]
        assert [x for x in told if x in codes] == [code]

"""What is said of scans that are noisy, too coarse, or hold weak sources far from the origin.

Antennas are arrays of dipoles, whose fields are closed forms and use no spherical wave.
"""

import json
import re
from dataclasses import replace

import numpy as np
import pytest
from commands import assert_refused, run

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.antenna.dipoles import DipoleCluster
from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.io import native
from nf2ff.io.tables import write_table
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate
from nf2ff.messages.input_error import InputError
from nf2ff.messages.solution import SolutionCode
from nf2ff.solver.degree import choose_degree
from nf2ff.solver.solve import solve
from nf2ff.solver.strategy import LeastSquares, Quadrature

#: The wavelength is one metre.
FREQUENCY = SPEED_OF_LIGHT
PROBE = field_probe()
COARSE = "sampling is too coarse"
NOISY, PLATEAU = SolutionCode.NOISY, SolutionCode.PLATEAU
#: What is said of a spectrum that was cut off.
TRUNCATED = (SolutionCode.TRUNCATED, SolutionCode.TRUNCATED_AT_LIMIT)


def array(*, weak=0.0, distance=6.0, count=1, seed=1):
    """4 x 4 dipoles along x, half a wavelength apart, of a beam at the poles; and weak ones.

    ``count`` dipoles in random directions at a distance [m] radiate, if in phase, a field that is
    ``weak`` times that of the array at its peak.
    """
    rng = np.random.default_rng(seed)
    line = 0.5 * (np.arange(4) - 1.5)
    place = [(x, y, 0.0) for x in line for y in line]
    moment = [np.array([1e-3, 0, 0], dtype=complex)] * 16
    for _ in range(count if weak else 0):
        direction = rng.normal(size=3)
        direction /= np.linalg.norm(direction)
        place.append(tuple(distance * direction))
        # Across the line of sight to the pole, so that it radiates there with all its strength.
        angle = rng.uniform(0, np.pi)
        part = np.exp(2j * np.pi * rng.uniform()) * 16e-3 * weak / count
        moment.append(part * np.array([np.cos(angle), np.sin(angle), 0]))
    return DipoleCluster(np.array(place), np.array(moment))


def positions(kind, degree):
    """Theta, phi, chi of both polarisations at positions that determine ``degree``."""
    if kind == "spiral":
        spiral = equal_area_spiral_for_degree(degree)
        theta, phi = spiral.theta, spiral.phi
    else:
        grid = equiangular_grid(degree + 2, 2 * degree + 2)
        theta, phi = (x.ravel() for x in np.meshgrid(grid.theta, grid.phi, indexing="ij"))
    return {
        "theta": np.repeat(theta, 2),
        "phi": np.repeat(phi, 2),
        "chi": np.tile([0, np.pi / 2], theta.size),
    }


def scan(antenna, kind="grid", degree=35, *, noise_db=None, seed=0, frequency=(FREQUENCY,)):
    """At 20 m, noise so far below the largest response [dB], rms."""
    samples = simulate(antenna, frequency=frequency, radius=20.0, **positions(kind, degree))
    if noise_db is None:
        return samples
    rng = np.random.default_rng(seed)
    shape = samples.response.shape
    noise = (rng.normal(size=shape) + 1j * rng.normal(size=shape)) / np.sqrt(2)
    largest = np.abs(samples.response).max(axis=1, keepdims=True)
    return replace(samples, response=samples.response + noise * largest * 10 ** (noise_db / 20))


def far_field_error(modes, antenna):
    """Largest error over the sphere relative to the largest field, linear."""
    theta, phi = np.linspace(0.02, 3.1, 60), np.linspace(0, 6.2, 41)
    t, p = (x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))
    wanted = np.array(far_field_of(antenna, frequency=modes.frequency, theta=t, phi=p))[:, 0]
    pattern = far_field(modes, theta=theta, phi=phi)
    got = np.array([pattern.e_theta[0].ravel(), pattern.e_phi[0].ravel()])
    return np.abs(got - wanted).max() / np.abs(wanted).max()


def said(solution, *codes, f=0):
    return [w for w in solution.warnings[f] if w.code in codes]


# --- weak sources beyond the degree sampled -------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["grid", "spiral"])
@pytest.mark.parametrize("distance", [6.0, 8.0, 12.0])  # k r0 = 38, 50, 75 for degree 35
@pytest.mark.parametrize(("level_db", "count"), [(-41, 1), (-41, 2), (-30, 1), (-50, 1)])
def test_weak_sources_are_told_of(kind, distance, level_db, count):
    antenna = array(weak=10 ** (level_db / 20), distance=distance, count=count)
    solution = solve(scan(antenna, kind), PROBE)
    (sentence,) = said(solution, PLATEAU)
    # The field that is left out is that of the weak sources: at 20 m, from 8 to 32 m away, and
    # what of it happens to look like the antenna's.
    assert sentence.figures["level_db"] == pytest.approx(level_db, abs=9)
    assert not said(solution, NOISY)
    # It is not cut off as noise.
    assert solution.modes.degree >= 33
    assert not solution.degree_reason.startswith("spectrum")


def test_a_weak_source_that_is_just_resolved_is_kept():
    # k r0 = 34.5: the spectrum is flat up to the last degrees, and the modes explain all but little
    # of it. What the truncation leaves is less than the source itself.
    antenna = array(weak=10 ** (-41 / 20), distance=5.5)
    solution = solve(scan(antenna), PROBE)
    assert solution.modes.degree == 35
    assert far_field_error(solution.modes, antenna) < 10 ** (-41 / 20) / 2


def test_weak_source_by_the_command(tmp_path):
    path = tmp_path / "scan.csv"
    write_table(path, scan(array(weak=10 ** (-41 / 20))))
    done = run("transform", path, "-o", tmp_path / "result.h5", "--json")
    assert done.code == 0
    (fact,) = json.loads(done.out)["frequencies"]
    assert [w for w in fact["warnings"] if "and not noise" in w]
    assert "warning, 0.299792458 GHz: above degree" in done.err
    assert "and not noise" in done.err
    assert "no noise" in fact["degree_reason"]


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["grid", "spiral"])
@pytest.mark.parametrize("noise_db", [-60, -50, -40])
def test_noise_is_cut_off_without_a_word_of_sources(kind, noise_db):
    for seed in range(3):
        solution = solve(scan(array(), kind, noise_db=noise_db, seed=seed), PROBE)
        assert not said(solution, PLATEAU)
        assert not said(solution, *TRUNCATED)
        assert solution.degree_reason.startswith("spectrum")
        assert solution.modes.degree < 20


def test_channels_that_are_unequal_are_no_noise():
    # Readings of chi 90 deg 3 % too large, which no wave explains at the poles of a grid.
    samples = scan(array())
    factor = np.where(samples.chi == 0, 1.0, 1.03)
    solution = solve(replace(samples, response=samples.response * factor), PROBE)
    assert "unequal channels" in said(solution, PLATEAU)[0]


@pytest.mark.parametrize("step", [1e-3, 1e-4])
def test_rounded_readings_are_no_plateau(step):
    # A table of 3 or 4 decimals of the largest value.
    for kind in ("grid", "spiral"):
        samples = scan(array(), kind)
        unit = np.abs(samples.response).max() * step
        w = samples.response / unit
        rounded = (np.round(w.real) + 1j * np.round(w.imag)) * unit
        assert not said(solve(replace(samples, response=rounded), PROBE), PLATEAU)


# --- noise that is not coarse sampling ------------------------------------------------------------


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["grid", "spiral"])
@pytest.mark.parametrize("degree", [18, 20, 35])
@pytest.mark.parametrize("noise_db", [-30, -25, -20])
def test_strong_noise_is_called_noise(kind, degree, noise_db):
    for seed in range(3):
        antenna = array()
        solution = solve(scan(antenna, kind, degree, noise_db=noise_db, seed=seed), PROBE)
        assert not said(solution, PLATEAU, *TRUNCATED, SolutionCode.LARGE_RESIDUAL)
        # A degree or two above that of the antenna (k r0 = 6.7), far below that of the grid.
        assert 5 <= solution.modes.degree <= 12
        # The rms of the noise against the largest response, within what is left of the array.
        for sentence in said(solution, NOISY):
            assert sentence.figures["rms_db"] == pytest.approx(noise_db, abs=3)
        if noise_db >= -25:
            assert "(a higher degree would only add noise)" in said(solution, NOISY)[0]
        # Noise of -20 dB of the peak in 720 samples or more, 200 unknowns at most.
        assert far_field_error(solution.modes, antenna) < 0.5


def test_strong_noise_by_the_command(tmp_path):
    path = tmp_path / "scan.csv"
    write_table(path, scan(array(), "spiral", 20, noise_db=-25))
    done = run("transform", path, "-o", tmp_path / "result.h5", "--json")
    assert done.code == 0
    (fact,) = json.loads(done.out)["frequencies"]
    assert [w for w in fact["warnings"] if "the data are noisy" in w]
    assert not [w for w in fact["warnings"] if "raise the degree" in w]
    assert COARSE not in done.err


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["grid", "spiral"])
@pytest.mark.parametrize("noise_db", [None, -40])
def test_coarse_sampling_is_called_coarse(kind, noise_db):
    # k r0 = 15.6: an array of 8 x 8 with its beam off the pole.
    line = 0.5 * (np.arange(8) - 3.5)
    place = np.array([(x, y, 0.0) for x in line for y in line])
    phase = np.exp(2j * np.pi * place @ [0.3, 0.2, 0])
    antenna = DipoleCluster(place, phase[:, None] * np.array([1e-3, 0, 0]))
    for degree in (7, 9, 12, 13):
        with pytest.raises(ValueError, match=COARSE):
            solve(scan(antenna, kind, degree, noise_db=noise_db), PROBE)


@pytest.mark.parametrize("kind", ["grid", "spiral"])
def test_nothing_but_noise(kind, tmp_path):
    samples = scan(array(), kind, 20)
    rng = np.random.default_rng(3)
    noise = rng.normal(size=(2, *samples.response.shape))
    path = tmp_path / "scan.csv"
    write_table(path, replace(samples, response=noise[0] + 1j * noise[1]))
    line = assert_refused(
        tmp_path, "transform", path, "-o", tmp_path / "out.h5", says="there is nothing but noise"
    )
    assert "at 0.299792458 GHz vary from sample to sample at random" in line


def test_one_frequency_of_noise_among_good_ones_is_named():
    samples = scan(array(), "grid", 20, frequency=(FREQUENCY, 1.02 * FREQUENCY))
    rng = np.random.default_rng(3)
    response = np.array(samples.response)
    noise = rng.normal(size=(2, response.shape[1]))
    response[1] = noise[0] + 1j * noise[1]
    response[0] += 1e-3 * np.abs(response[0]).max() * (noise[0] - 1j * noise[1])
    with pytest.raises(ValueError, match=r"responses at 0\.305788307 GHz vary .* at random"):
        solve(replace(samples, response=response), PROBE)


def test_frequencies_are_told_of_one_by_one():
    # A weak source at one frequency, noise of -30 dB at another.
    weak = scan(array(weak=10 ** (-41 / 20)))
    noisy = scan(array(), frequency=(1.001 * FREQUENCY,), noise_db=-25)
    both = replace(
        weak,
        frequency=np.append(weak.frequency, noisy.frequency),
        response=np.concatenate([weak.response, noisy.response]),
    )
    solution = solve(both, PROBE)
    assert said(solution, PLATEAU, f=0)
    assert not said(solution, NOISY, f=0)
    assert said(solution, NOISY, f=1)
    assert not said(solution, PLATEAU, f=1)


@pytest.mark.slow
def test_many_frequencies_are_asked_at_some():
    frequency = FREQUENCY * (1 + 0.001 * np.arange(30))
    antenna = array(weak=10 ** (-41 / 20), distance=8.0)
    solution = solve(scan(antenna, degree=20, frequency=frequency), PROBE)
    assert all(said(solution, PLATEAU, f=f) for f in range(30))


@pytest.mark.parametrize(("noise_db", "told"), [(-30, True), (-50, True), (-75, False)])
def test_floor_of_which_nothing_is_known(noise_db, told, monkeypatch):
    # Where the positions do not tell, the floor is cut off, and that it may be a field is said
    # unless it is next to nothing: the largest of 5000 readings is 9 dB above the rms.
    monkeypatch.setattr("nf2ff.solver.whiteness.FEWEST_PAIRS", 10**9)
    solution = solve(scan(array(), "spiral", noise_db=noise_db), PROBE)
    found = said(solution, SolutionCode.FLAT_FLOOR)
    assert len(found) == told
    assert solution.degree_reason.startswith("spectrum")
    if told:
        assert found[0].figures["level_db"] == pytest.approx(noise_db + 9, abs=2)
        assert "may come from weak sources far from the origin" in found[0]
    assert not said(solution, NOISY, PLATEAU, *TRUNCATED)


@pytest.mark.slow
@pytest.mark.parametrize("chi", ["apart", "at random"])
def test_positions_of_one_reading_each(chi):
    # Polarisations in turn, or at random: fewer neighbours to compare, but enough.
    rng = np.random.default_rng(5)
    spiral = equal_area_spiral_for_degree(30)
    count = spiral.theta.size
    angle = rng.uniform(0, np.pi, count) if chi == "at random" else np.pi / 2 * (np.arange(count) % 2)
    for antenna, word in ((array(weak=0.01), PLATEAU), (array(), NOISY)):
        samples = simulate(
            antenna, frequency=[FREQUENCY], radius=20.0, theta=spiral.theta, phi=spiral.phi, chi=angle
        )
        if word == NOISY:
            level = 10 ** (-28 / 20) * np.abs(samples.response).max()
            noise = rng.normal(size=(2, 1, count)) * level / np.sqrt(2)
            samples = replace(samples, response=samples.response + noise[0] + 1j * noise[1])
        assert said(solve(samples, PROBE), word)


# --- samples that are too few ---------------------------------------------------------------------


def cut(tmp_path, theta_count=37, phi_count=2):
    """A table of ``theta_count`` x ``phi_count`` positions with two polarisations each."""
    grid = equiangular_grid(theta_count, phi_count)
    theta, phi = (x.ravel() for x in np.meshgrid(grid.theta, grid.phi, indexing="ij"))
    path = tmp_path / "cut.csv"
    samples = simulate(
        array(),
        frequency=[FREQUENCY],
        radius=20.0,
        theta=np.repeat(theta, 2),
        phi=np.repeat(phi, 2),
        chi=np.tile([0, np.pi / 2], theta.size),
    )
    write_table(path, samples)
    return path, samples


def test_a_single_cut(tmp_path):
    path, samples = cut(tmp_path)
    assert samples.response.size == 148
    line = assert_refused(
        tmp_path,
        "transform",
        path,
        "-o",
        tmp_path / "out.h5",
        says=r"grid of 37 x 2 positions \(theta x phi\) determines no wave at all: degree 1 needs",
    )
    assert "at least 3 angles theta and 3 equal steps in phi" in line
    assert "fewer than the 6 unknowns" not in line
    with pytest.raises(ValueError, match="no wave at all"):
        solve(samples, PROBE, degree=1)
    # Three of each are enough, as it says.
    few = simulate(
        DipoleCluster(np.zeros((1, 3)), [[1e-3, 2e-3, 3e-3]]),
        frequency=[FREQUENCY],
        radius=20.0,
        **positions("grid", 1),
    )
    assert np.unique(few.theta).size == 3
    modes = solve(few, PROBE, degree=1).modes
    # k^2 Z0 |p|^2 / (12 pi), the short dipole (closed form).
    expected = (2 * np.pi) ** 2 * WAVE_IMPEDANCE * 14e-6 / (12 * np.pi)
    assert modes.radiated_power()[0] == pytest.approx(expected, rel=1e-9)


def test_the_frequency_that_lacks_samples_is_named(tmp_path):
    samples = scan(array(), "spiral", 12, frequency=(FREQUENCY, 1.1 * FREQUENCY))
    response = np.array(samples.response)
    response[1, 5:] = np.nan
    few = replace(samples, response=response)
    sentence = (
        "0.329771704 GHz: the 5 samples are fewer than the 6 unknowns of degree 1: "
        "measure more; or leave that frequency out"
    )
    with pytest.raises(ValueError, match=re.escape(sentence)):
        solve(few, PROBE, method=LeastSquares())
    with pytest.raises(ValueError, match=r"0\.329771704 GHz: the 5 samples determine"):
        solve(few, PROBE, degree=3)
    # A command still adds the option that the remedy needs.
    with pytest.raises(InputError, match=r"^0\.\d+ GHz: the samples are not a full regular grid") as caught:
        solve(few, PROBE, degree=1, method=Quadrature())
    assert caught.value.option == "--method least-squares"
    path = tmp_path / "scan.h5"
    native.write_samples(path, few)
    assert_refused(tmp_path, "transform", path, "-o", tmp_path / "out.h5", says=re.escape(sentence))


def test_degree_within_a_far_sphere_is_not_searched(monkeypatch):
    # Whatever k r, a degree above what the samples determine need not be found.
    samples = replace(scan(array(), "grid", 4), radius=np.full(120, 1e15))
    monkeypatch.setattr("nf2ff.solver.degree.required_degree", lambda *_, **__: pytest.fail("searched"))
    assert choose_degree(samples, None, 4, None) == (4, "sampling")

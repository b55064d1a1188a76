"""Derivatives of figures by all that may err, against dense solutions of disturbed scans."""

import functools
import math
import re
from dataclasses import replace

import numpy as np
import pytest
from error_scans import (
    ANTENNA,
    FIGURES,
    KNOWN,
    PROBE,
    TERMS,
    dense_modes,
    far_matrix,
    inverse,
    one_port,
    spiral_scan,
)
from probe_oracle import cluster_modes
from sources import ONE_METRE, K, random_cluster

from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import Modes
from nf2ff.measurement.probe import probe_from_modes
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.solver.direct import dense_matrix
from nf2ff.solver.positions import plan_geometry
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.derivatives import MEAN_MAGNITUDE, FirstOrder, linearised
from nf2ff.uncertainty.derivatives import RTOL as ADJOINT_RTOL
from nf2ff.uncertainty.errors.catalogue import ERROR_TERMS, make_term
from nf2ff.uncertainty.errors.receiver import PhaseNoise, RandomWalk, ReceiverNoise
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.local_figures import localise

#: Power above this degree: below 1e-12 of all (k r0 = 0.94).
DEGREE = 6
RANDOM = [name for name, term in TERMS.items() if term.random]
SYSTEMATIC = [n for n in TERMS if n not in [*RANDOM, *KNOWN, "probe-pattern"]]
#: What the adjoint solutions are asked for, times the conditioning of the sampling, about 3; what
#: is of third order in the sizes; and differences of positions, 1e-8.
RTOL = 2e-4


@functools.lru_cache
def scan():
    return spiral_scan(ANTENNA, DEGREE, radius=2.0)


@functools.lru_cache
def truth():
    return Modes(ONE_METRE, [cluster_modes(ANTENNA, K, DEGREE)])


@functools.lru_cache
def local():
    return localise(FIGURES, truth())[0]


#: For what needs a dense solution for each sample.
SMALL = 3


@functools.lru_cache
def small_scan():
    """A scan of the antenna's waves up to degree 3, so that no residual is left, and those."""
    modes = truth().truncate(SMALL)
    place = spiral_scan(ANTENNA, SMALL, radius=2.0)
    matrix = dense_matrix(plan_geometry(place), PROBE, frequency=float(ONE_METRE[0]), degree=SMALL)
    return replace(place, response=(matrix @ modes.coefficients[0])[None]), modes


def values_of(modes, near=None):
    """Figures (K,) of modes near the truth, or near others."""
    one = local() if near is None else localise(FIGURES, near)[0]
    return one.values(modes.coefficients[0])


@functools.lru_cache
def found(name):
    return linearised(solve(scan(), PROBE, degree=DEGREE), [TERMS[name]], FIGURES)


def figures_after(term, sign=1, samples=None, probe=PROBE):
    """Figures of the disturbed scan, solved with its dense matrix."""
    moved, other = term.apply(scan() if samples is None else samples, probe, 0, sign=sign)
    return values_of(dense_modes(moved, DEGREE, other))


def half_difference(term):
    return 0.5 * (figures_after(term) - figures_after(term, -1))


def assert_close(got, wanted, rtol=RTOL, figures=6):
    """Within rtol, or what is left where nothing changes at all: an adjoint solution good to
    `ADJOINT_RTOL`, of an error of relative size 1e-3, the largest here."""
    rest = 1e-3 * ADJOINT_RTOL
    power = truth().radiated_power()[0]
    # Relative to what the figure is; the angles' are to a radian.
    one, towards = local().nominal[[0, 5]]
    floor = rest * np.array([one, power, power, 1.0, 1.0, towards])[:figures]
    np.testing.assert_array_less(np.abs(got - wanted), rtol * np.abs(wanted) + floor)


# --- every error ---------------------------------------------------------------------------------


def test_no_error_is_left_out():
    assert set(TERMS) == set(ERROR_TERMS)


@pytest.mark.parametrize("name", SYSTEMATIC)
def test_systematic_errors(name):
    # Half the difference of the figures with the error of either sign, each size by itself.
    term = TERMS[name]
    variance, bias = np.zeros(len(FIGURES)), np.zeros(len(FIGURES))
    if term.polar is not None:
        # Real and imaginary part of the vector, of half the variance each (closed form).
        turned = replace(term, **{term.polar[1]: getattr(term, term.polar[1]) + np.pi / 2})
        variance = 0.5 * (half_difference(term) ** 2 + half_difference(turned) ** 2)
    else:
        for field in term.sizes:
            change = half_difference(replace(term, **{x: 0.0 for x in term.sizes if x != field}))
            mean = math.sqrt(2 / math.pi) if field in term.unsigned else 0.0
            variance += change**2 * (1 - mean**2)
            bias += mean * change
    assert np.any(variance > 0)
    assert_close(found(name).uncertainty[0, 0], np.sqrt(variance))
    assert_close(found(name).bias[0, 0], bias)


@pytest.mark.slow
@pytest.mark.parametrize("name", RANDOM)
def test_random_errors(name):
    # Each draw by itself, the figures' change by finite differences of dense solutions; the
    # variances add up, half of them for each part of complex draws.
    term, variance = TERMS[name], np.zeros(len(FIGURES))
    samples, modes = small_scan()
    (near,) = localise(FIGURES, modes)
    got = linearised(solve(samples, PROBE, degree=SMALL), [term], FIGURES)
    for effect in term.effects(samples):
        solver = inverse(samples, SMALL)
        for k in range(effect.draws):
            draws = np.zeros(effect.shape)
            draws[..., k] = 0.1 / max(1e-9, np.abs(effect.spread(np.eye(effect.draws)[k])).max())
            draws *= 1e-3 * (np.abs(samples.response).max() if effect.quantity == "response" else 1)
            one = effect.spread(draws)
            for factor in (1, 1j) if effect.quantity == "response" else (1,):
                pair = []
                for sign in (1, -1):
                    w, place = samples.response, samples
                    if effect.quantity == "response":
                        w = w + sign * factor * one
                    elif effect.quantity == "phase":
                        w = w * np.exp(1j * sign * one)
                    elif effect.quantity == "amplitude":
                        w = w * (1 + sign * one)
                    else:
                        at = getattr(samples, effect.quantity) + sign * one
                        place = replace(samples, **{effect.quantity: at})
                    use = solver if place is samples else inverse(place, SMALL)
                    pair.append(near.values(use @ w[0]))
                part = (pair[0] - pair[1]) / (2 * draws[..., k].ravel()[0])
                variance += part**2 * (0.5 if effect.quantity == "response" else 1)
    assert_close(got.uncertainty[0, 0], np.sqrt(variance), rtol=5 * RTOL)
    assert not got.bias.any()


@pytest.mark.parametrize("name", KNOWN)
def test_known_errors_are_a_bias(name):
    # Of a noisy scan, since there is nothing to lose of one without any noise.
    noisy = spiral_scan(ANTENNA, DEGREE, radius=2.0, noise=1.0, rng=3)
    term = TERMS[name]
    samples, degree = term.apply(noisy, PROBE)[0], getattr(term, "degree", DEGREE)
    before = dense_modes(noisy, DEGREE)
    after = dense_modes(samples, degree).extend(DEGREE)
    change = values_of(after, before) - values_of(before, before)
    got = linearised(solve(noisy, PROBE, degree=DEGREE), [term], FIGURES)
    np.testing.assert_allclose(got.bias[0, 0], change, rtol=1e-4, atol=1e-6)
    assert not got.uncertainty.any()
    assert np.abs(change).min() > 1e-5


@pytest.mark.slow
def test_errors_of_receiving_coefficients_on_their_own():
    # A probe of degree 1, two ports: each coefficient and each of its two parts by itself.
    probe, samples = real_probe()
    (near,) = localise(FIGURES, small_scan()[1])
    coefficients = probe.coefficients
    variance = np.zeros(len(FIGURES))
    for at in np.argwhere(np.abs(coefficients) > 1e-6 * np.abs(coefficients).max()):
        for factor in (1, 1j):
            pair = []
            for sign in (1, -1):
                r = coefficients.copy()
                r[tuple(at)] *= 1 + sign * 1e-3 * factor
                modes = dense_modes(samples, SMALL, replace(probe, coefficients=r))
                pair.append(near.values(modes.coefficients[0]))
            variance += 0.5 * ((pair[0] - pair[1]) / 2e-3) ** 2
    term = make_term("probe-pattern", {"rms": 0.01})
    got = linearised(solve(samples, probe, degree=SMALL), [term], FIGURES)
    # Steps of 1e-3 of a figure that is not linear.
    np.testing.assert_allclose(got.uncertainty[0, 0], 0.01 * np.sqrt(variance), rtol=1e-3)


@functools.lru_cache
def real_probe():
    """A probe of degree 1 and two ports, and its scan of the antenna: by the transmission formula,
    so that no wave is left over which neither of them has.
    """
    clusters = [random_cluster(2, 0.2, seed=s) for s in (8, 9)]
    probe = probe_from_modes([Modes(ONE_METRE, [cluster_modes(c, K, 1)]) for c in clusters])
    place = small_scan()[0]
    port = np.repeat([1, 2], place.theta.size // 2)
    samples = replace(place, chi=0 * place.chi + 0.3, port=port, response_unit="sqrt(W)")
    matrix = dense_matrix(plan_geometry(samples), probe, frequency=float(ONE_METRE[0]), degree=SMALL)
    return probe, replace(samples, response=(matrix @ small_scan()[1].coefficients[0])[None])


# --- the same as closed forms --------------------------------------------------------------------


def test_noise_towards_a_direction():
    # 4 pi U changes by 4 pi Re(conj(E) dE) / Z0, dE = sum h_i n_i with h = F S, F the textbook's
    # far field and S the dense inverse; of white noise of mean square sigma^2 its variance is
    # 8 pi^2 sigma^2 |E.h|^2 / Z0^2 (closed form).
    figure = Figure("eirp-towards", theta=1.0, phi=0.3)
    h = far_matrix(DEGREE, 1.0, 0.3) @ inverse(scan(), DEGREE)
    field = h @ scan().response[0]
    z0 = 376.730313668
    sigma = 1e-3 * np.abs(scan().response).max()
    wanted = 4 * np.pi / z0 * sigma / np.sqrt(2) * np.linalg.norm(field.conj() @ h)
    got = linearised(solve(scan(), PROBE, degree=DEGREE), [ReceiverNoise(rms=1e-3)], [figure])
    assert got.uncertainty[0, 0, 0] == pytest.approx(wanted, rel=1e-4)
    # Phases turn each sample's own share, and amplitudes stretch it.
    shares = (field.conj() @ h) * scan().response[0]
    wanted = 4 * np.pi / z0 * 1e-3 * np.linalg.norm(shares.imag)
    got = linearised(solve(scan(), PROBE, degree=DEGREE), [PhaseNoise(rms=1e-3)], [figure])
    assert got.uncertainty[0, 0, 0] == pytest.approx(wanted, rel=1e-4)


def test_gain_of_the_probe_is_the_gain_of_all():
    # Twice the relative amplitude in every power, nothing in directivity and direction.
    got = found("probe-gain")
    relative = got.uncertainty[0, 0, 1:3] / got.nominal[0, 1:3]
    np.testing.assert_allclose(relative, 2e-3, rtol=1e-5)
    np.testing.assert_allclose(got.uncertainty[0, 0, [0, 3, 4, 5]], 0, atol=1e-8)


def test_a_turn_about_the_phi_axis_is_a_change_of_phi():
    # Closed form: d D / d phi times the offset, by differences of the textbook's far field.
    offset, e = 1e-3, 1e-4
    q = truth().coefficients[0]

    def level(phi):
        return np.sum(np.abs(far_matrix(DEGREE, 1.0, phi) @ q) ** 2)

    slope = (level(0.3 + e) - level(0.3 - e)) / (2 * e) / level(0.3)
    term = make_term("axis-zero", {"axis": "phi", "offset": offset})
    got = linearised(solve(scan(), PROBE, degree=DEGREE), [term], [FIGURES[-1]])
    relative = got.uncertainty[0, 0, 0] / got.nominal[0, 0]
    assert relative == pytest.approx(abs(slope) * offset, rel=1e-4)


def test_mean_magnitudes():
    # Integrals of |x| over the densities of variance 1, by sums of a million midpoints.
    p = (np.arange(10**6) + 0.5) / 10**6
    forms = {
        "normal": None,
        "rectangular": np.sqrt(3) * (2 * p - 1),
        "arcsine": np.sqrt(2) * np.cos(np.pi * p),
        "triangular": np.sqrt(6) * np.where(p < 0.5, np.sqrt(2 * p) - 1, 1 - np.sqrt(2 - 2 * p)),
    }
    from scipy.special import ndtri

    forms["normal"] = ndtri(p)
    for name, x in forms.items():
        assert np.mean(x**2) == pytest.approx(1, rel=1e-4)
        assert MEAN_MAGNITUDE[name] == pytest.approx(np.mean(np.abs(x)), rel=1e-5)


# --- kinds of scans ------------------------------------------------------------------------------


def test_frequencies_ports_and_missing_samples():
    # Each frequency alone, without its missing samples; times are those of all samples.
    whole = spiral_scan(ANTENNA, DEGREE, radius=2.0, frequency=ONE_METRE * [1.0, 0.9])
    response = whole.response.copy()
    response[1, [3, 40]] = np.nan
    holes = replace(whole, response=response)
    time = np.arange(float(whole.theta.size))
    terms = [
        RandomWalk(phase=0.01, time=time),
        ReceiverNoise(rms=1e-3),
        make_term("position-noise", {"axis": "radius", "rms": 1e-3}),
        make_term("axis-zero", {"axis": "theta", "offset": 1e-3}),
    ]
    figures = FIGURES[:3]
    both = linearised(solve(holes, PROBE, degree=DEGREE), terms, figures)
    first = linearised(solve(one_frequency(whole, 0), PROBE, degree=DEGREE), terms, figures)
    np.testing.assert_allclose(both.uncertainty[:, 0], first.uncertainty[:, 0], rtol=1e-4)
    present = np.flatnonzero(~np.isnan(response[1]))
    left = one_port(one_frequency(holes, 1), present)
    # A walk that starts and ends with samples that are there is the same walk.
    terms[0] = RandomWalk(phase=0.01, time=time[present])
    second = linearised(solve(left, PROBE, degree=DEGREE), terms, figures)
    np.testing.assert_allclose(both.uncertainty[:, 1], second.uncertainty[:, 0], rtol=1e-4)
    np.testing.assert_allclose(both.nominal[1], second.nominal[0], rtol=1e-7)


@pytest.mark.slow
@pytest.mark.parametrize("missing", [[-1, -2, -3], list(range(20, 60, 3))], ids=["last", "some"])
def test_a_walk_of_which_samples_are_missing(missing):
    # The variance grows with the time since the first sample, missing or not (closed form): that of
    # the whole walk, by the rows that are left of it.
    response = scan().response.copy()
    response[0, missing] = np.nan
    term = RandomWalk(phase=0.01, time="rows")
    got = linearised(solve(replace(scan(), response=response), PROBE, degree=DEGREE), [term], FIGURES[:3])
    present = np.flatnonzero(~np.isnan(response[0]))
    left = one_port(scan(), present)
    share = present / (response.size - 1)
    root = np.linalg.cholesky(0.01**2 * np.minimum.outer(share, share) + 1e-18 * np.eye(share.size))
    solver, variance = inverse(left, DEGREE), np.zeros(3)
    for column in 1e-2 * root.T:  # each a phase of all samples, small
        pair = [
            values_of(Modes(ONE_METRE, [solver @ (left.response[0] * np.exp(sign * 1j * column))]))
            for sign in (1, -1)
        ]
        variance += (0.5e2 * (pair[0] - pair[1])[:3]) ** 2
    assert_close(got.uncertainty[0, 0], np.sqrt(variance), rtol=5 * RTOL, figures=3)


def one_frequency(samples, index):
    part = slice(index, index + 1)
    return replace(samples, frequency=samples.frequency[part], response=samples.response[part])


def test_positions_may_be_poles_and_axes_may_move_with_frequency():
    # The rings of a grid at theta = 0 and 180 deg; and positions given for each frequency.
    grid = equiangular_grid(DEGREE + 3, 2 * DEGREE + 3)
    samples = simulate_grid(ANTENNA, frequency=ONE_METRE, grid=grid, radius=2.0)
    term = make_term("position-noise", {"axis": "theta", "rms": 1e-3})
    got = linearised(solve(samples, PROBE, degree=DEGREE), [term], FIGURES[:3])
    moving = replace(samples, **{x: getattr(samples, x)[None] for x in ("theta", "phi", "chi", "radius")})
    again = linearised(solve(moving, PROBE, degree=DEGREE), [term], FIGURES[:3])
    np.testing.assert_allclose(got.uncertainty, again.uncertainty, rtol=1e-6)
    assert np.all(got.uncertainty[0, 0, :2] > 0)


def test_combined_is_the_root_of_the_sum_of_squares():
    terms = [TERMS["phase-noise"], TERMS["axis-zero"]]
    got = linearised(solve(scan(), PROBE, degree=DEGREE), terms, FIGURES[:3])
    alone = [found(x).uncertainty[0, 0, :3] for x in ("phase-noise", "axis-zero")]
    np.testing.assert_allclose(got.combined()[0], np.hypot(*alone), rtol=1e-6)


# --- refusals ------------------------------------------------------------------------------------


def test_refusals():
    with pytest.raises(ValueError, match="there is no error term: name at least one"):
        linearised(solve(scan(), PROBE, degree=DEGREE), [], FIGURES)
    seen = one_port(scan(), np.flatnonzero(scan().theta < 2.0))
    with pytest.raises(ValueError, match=r"damped and has no derivatives.*: use monte_carlo, or"):
        linearised(solve(seen, PROBE, degree=DEGREE), [PhaseNoise(rms=0.1)], FIGURES)
    relative = Samples(
        scan().frequency, scan().theta, scan().phi, scan().chi, scan().radius, 1, scan().response, "relative"
    )
    with pytest.raises(ValueError, match="eirp needs absolute data"):
        linearised(solve(relative, PROBE, degree=DEGREE), [PhaseNoise(rms=0.1)], [Figure("eirp")])
    with pytest.raises(ValueError, match="random-walk depends on when each sample was taken"):
        linearised(solve(scan(), PROBE, degree=DEGREE), [RandomWalk(phase=0.1)], FIGURES)


def test_a_noun_of_wrong_shape():
    message = "uncertainty has shape (1, 1, 2), expected (T, F, K) = (1, 1, 1)"
    with pytest.raises(ValueError, match=re.escape(message)):
        FirstOrder((TERMS["leakage"],), FIGURES[:1], [[1.0]], [[[1.0, 2.0]]], [[[0.0]]])

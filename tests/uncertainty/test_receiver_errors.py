"""Errors of responses against plain formulas, statistics and vectors of plane waves."""

import re
from dataclasses import replace

import numpy as np
import probe_oracle
import pytest
import scipy.stats
from sources import EPS, ONE_METRE, ORIGIN, K, X, Y, Z, basis, random_cluster

from nf2ff.antenna.dipoles import DipoleCluster, huygens_source
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, Modes
from nf2ff.measurement.probe import Probe, field_probe, probe_from_modes
from nf2ff.measurement.samples import Samples
from nf2ff.uncertainty.errors.catalogue import apply_each, apply_terms
from nf2ff.uncertainty.errors.position import AxisZero
from nf2ff.uncertainty.errors.receiver import (
    AmplitudeNoise,
    CableFlexing,
    ChannelImbalance,
    Compression,
    Leakage,
    NoiseFloor,
    PhaseNoise,
    RandomWalk,
    ReceiverNoise,
    SlowDrift,
    ThermalRamp,
)
from nf2ff.uncertainty.errors.room import ImageSource, MultipleReflections, StrayWave

PROBE = field_probe()


def scan(count=12, frequencies=2, seed=3, port=1, **place):
    """Random responses at random positions; the third sample is missing at the first frequency."""
    rng = np.random.default_rng(seed)
    response = rng.normal(size=(frequencies, count)) + 1j * rng.normal(size=(frequencies, count))
    response[0, 2] = np.nan
    place = {
        "theta": rng.uniform(0.1, 3, count),
        "phi": rng.uniform(0, 6, count),
        "chi": rng.uniform(-1, 4, count),
        "radius": rng.uniform(2, 3, count),
    } | place
    frequency = SPEED_OF_LIGHT * (1 + 0.2 * np.arange(frequencies))
    return Samples(frequency, **place, port=port, response=response)


def constant(count, frequencies=1):
    frequency = SPEED_OF_LIGHT * (1 + 0.2 * np.arange(frequencies))
    return Samples(frequency, 1.0, 0.0, 0.0, 2.0, 1, np.ones((frequencies, count)))


def largest_by_hand(samples):
    return [max(abs(w) for w in row if not np.isnan(w)) for row in samples.response]


def received(term, samples, rng=None, sign=1, probe=PROBE):
    moved, same = term.apply(samples, probe, rng, sign=sign)
    assert same is probe
    for name in ("theta", "phi", "chi", "radius", "port", "frequency"):
        np.testing.assert_array_equal(getattr(moved, name), getattr(samples, name))
    # A signal error has no other true positions.
    assert term.truth(samples, probe, rng) == (samples, probe)
    return moved.response


# --- random --------------------------------------------------------------------------------------


@pytest.mark.parametrize("degrees", [1, 2, 5, 10])
def test_phase_noise_costs_4343_s2_db(degrees):
    # The mean of exp(j phi) is exp(-s^2/2), a loss of 4.343 s^2 dB (closed form; published check
    # values 0.0013, 0.0053, 0.0331, 0.1323 dB). Its real part scatters by s^2/sqrt(2M).
    count, s = 100_000, np.radians(degrees)
    w = received(PhaseNoise(rms=s), constant(count), degrees)
    loss = -20 * np.log10(abs(w.mean()))
    assert loss == pytest.approx(20 / np.log(10) / 2 * s**2, abs=5 * 8.686 * s**2 / np.sqrt(2 * count))
    np.testing.assert_allclose(np.abs(w), 1, rtol=0, atol=4 * EPS)


def test_noise_has_the_size_that_it_is_given():
    # Standard deviations from 2M real numbers scatter by 1/sqrt(4M) of themselves.
    count = 20_000
    samples = constant(count, 2)
    near = 5 / np.sqrt(2 * count)
    w = received(AmplitudeNoise(rms=0.02), samples, 1)
    assert not w.imag.any()
    assert (w.real - 1).std() == pytest.approx(0.02, rel=near)
    w = received(PhaseNoise(rms=0.02), samples, 1)
    assert np.angle(w).std() == pytest.approx(0.02, rel=near)
    # Normal, by Kolmogorov's test: 1e-3 of normal samples fail, of 40000 rectangular ones all.
    assert scipy.stats.kstest(np.angle(w).ravel() / 0.02, "norm").pvalue > 1e-3
    # Frequencies and samples are independent of each other.
    assert abs(np.mean(np.angle(w[0]) * np.angle(w[1]))) < 5 * 0.02**2 / np.sqrt(count)
    assert abs(np.mean(np.angle(w[0, 1:]) * np.angle(w[0, :-1]))) < 5 * 0.02**2 / np.sqrt(count)
    for term, size in ((NoiseFloor(rms=0.02), 0.02), (ReceiverNoise(rms=0.02), 0.02)):
        noise = received(term, samples, 1) - samples.response
        assert np.sqrt(np.mean(np.abs(noise) ** 2)) == pytest.approx(size, rel=near)
        assert noise.real.std() == pytest.approx(noise.imag.std(), rel=2 * near)
        assert abs(np.mean(noise**2)) < 5 * size**2 / np.sqrt(2 * count)


def test_receiver_noise_refers_to_the_largest_response():
    samples = scan()
    (floor,) = ReceiverNoise(rms=0.01).effects(samples)
    wanted = 0.01 * np.array(largest_by_hand(samples))
    np.testing.assert_allclose(floor.rms, np.repeat(wanted[:, None], 12, axis=1), rtol=4 * EPS)
    (floor,) = NoiseFloor(rms=0.01).effects(samples)
    np.testing.assert_array_equal(floor.rms, np.full((2, 12), 0.01))
    w = received(ReceiverNoise(rms=0.01), samples, 3)
    np.testing.assert_array_equal(np.isnan(w), np.isnan(samples.response))


@pytest.mark.parametrize(
    "term",
    [PhaseNoise(rms=0.1), AmplitudeNoise(rms=0.1), ReceiverNoise(rms=0.1), NoiseFloor(rms=0.1)],
    ids=lambda t: t.name,
)
def test_noise_is_reproducible_and_has_a_sign(term):
    samples = scan()
    once, again, other = (received(term, samples, seed) for seed in (4, 4, 5))
    np.testing.assert_array_equal(once, again)
    assert not np.array_equal(once, other, equal_nan=True)
    opposite = received(term, samples, 4, sign=-1)
    if term.name == "phase-noise":
        got, wanted = opposite * once, samples.response**2
    else:
        got, wanted = opposite + once, 2 * samples.response
    np.testing.assert_allclose(got, wanted, rtol=20 * EPS)
    assert term.random
    assert term.drawn(3) is term
    # What is applied is what the effects say of the same draws, with its sign.
    (effect,) = term.effects(samples)
    rng = np.random.default_rng(4)
    draws = rng.standard_normal(effect.shape)
    if effect.quantity == "response":
        change = effect.spread(draws + 1j * rng.standard_normal(effect.shape)) / np.sqrt(2)
        wanted = samples.response + change
    elif effect.quantity == "phase":
        wanted = samples.response * np.exp(1j * effect.spread(draws))
    else:
        wanted = samples.response * (1 + effect.spread(draws))
    np.testing.assert_allclose(once, wanted, rtol=20 * EPS)


# --- drift ---------------------------------------------------------------------------------------


def test_random_walk_has_the_covariance_of_wiener():
    # cov(t, t') = s^2 min(t, t')/T, time counted from the first sample (closed form). Rows of the
    # linear map from unit draws give it exactly.
    time = np.array([3.0, 1.0, 7.0, 7.0, 2.5, 11.0])
    samples = constant(6)
    effects = RandomWalk(phase=0.2, amplitude=0.03, time=time).effects(samples)
    assert [e.quantity for e in effects] == ["phase", "amplitude"]
    since = time - 1
    for effect, size in zip(effects, (0.2, 0.03), strict=True):
        rows = effect.spread(np.eye(effect.draws))
        wanted = size**2 * np.minimum.outer(since, since) / 10
        np.testing.assert_allclose(rows.T @ rows, wanted, rtol=0, atol=20 * EPS * size**2)
        np.testing.assert_allclose(effect.rms, size * np.sqrt(since / 10), rtol=10 * EPS)
    assert effects[0].draws == 5  # two samples at one time have one phase


def test_random_walk_of_a_scan():
    # Against the start, over 800 scans: 5/sqrt(2 x 800) of its size.
    samples, rng = constant(4, 2), np.random.default_rng(1)
    term = RandomWalk(phase=0.1, amplitude=0.02, time="rows")
    w = np.array([received(term, samples, rng) for _ in range(800)])
    np.testing.assert_array_equal(w[:, :, 0], 1)
    np.testing.assert_array_equal(w[:, 0], w[:, 1])
    for part, size in ((np.angle(w), 0.1), (np.abs(w) - 1, 0.02)):
        for i in (1, 2, 3):
            wanted = size * np.sqrt(i / 3)
            assert part[:, 0, i].std() == pytest.approx(wanted, rel=5 / np.sqrt(1600))
    assert abs(np.mean(np.angle(w[:, 0, 3]) * (np.abs(w[:, 0, 3]) - 1))) < 5 * 0.002 / np.sqrt(800)
    only = RandomWalk(amplitude=0.02, time="rows")
    assert [e.quantity for e in only.effects(samples)] == ["amplitude"]
    assert not received(only, samples, 1).imag.any()
    # One sample, or all at one time: no drift.
    alone = RandomWalk(phase=1.0, time=[5.0]).apply(constant(1), PROBE, 1)[0]
    np.testing.assert_array_equal(alone.response, 1)


def test_thermal_ramp_by_its_formula():
    samples = scan()
    time = np.random.default_rng(5).uniform(10, 90, 12)
    for sign in (1, -1):
        got = received(ThermalRamp(phase=0.3, amplitude=-0.02, time=time), samples, sign=sign)
        for i, t in enumerate(time):
            share = sign * (t - time.min()) / (time.max() - time.min())
            wanted = samples.response[:, i] * (1 - 0.02 * share)
            wanted = wanted * (np.cos(0.3 * share) + 1j * np.sin(0.3 * share))
            np.testing.assert_allclose(got[:, i], wanted, rtol=10 * EPS)
    rows = received(ThermalRamp(phase=0.3, time="rows"), constant(4))
    np.testing.assert_allclose(np.angle(rows), [[0, 0.1, 0.2, 0.3]], rtol=0, atol=4 * EPS)


# --- cables and receiver -------------------------------------------------------------------------


@pytest.mark.parametrize("axis", ["theta", "phi", "chi"])
def test_cable_flexing_by_its_formula(axis):
    samples = scan()
    for sign in (1, -1):
        got = received(CableFlexing(amplitude=0.2, axis=axis, start=0.5), samples, sign=sign)
        for i, angle in enumerate(getattr(samples, axis)):
            phase = sign * 0.2 * np.sin(angle + 0.5)
            wanted = samples.response[:, i] * (np.cos(phase) + 1j * np.sin(phase))
            np.testing.assert_allclose(got[:, i], wanted, rtol=10 * EPS)


def test_compression_by_its_formula():
    samples = scan()
    got = received(Compression(loss=0.05), samples)
    for f, top in enumerate(largest_by_hand(samples)):
        for i, w in enumerate(samples.response[f]):
            wanted = w * (1 - 0.05 * abs(w) ** 2 / top**2)
            np.testing.assert_allclose(got[f, i], wanted, rtol=10 * EPS)
    # 0.1 dB at the largest response; at a tenth of it a hundredth of that.
    loss = 1 - 10 ** (-0.1 / 20)
    two = Samples(ONE_METRE, 1.0, 0.0, 0.0, 2.0, 1, [[1.0, 0.1]])
    w = received(Compression(loss=loss), two)
    np.testing.assert_allclose(-20 * np.log10(abs(w[0, 0])), 0.1, rtol=1e-12)
    np.testing.assert_allclose(abs(w[0, 1]), 0.1 * (1 - loss / 100), rtol=4 * EPS)
    np.testing.assert_allclose(received(Compression(loss=-0.1), two)[0, 0], 1.1, rtol=4 * EPS)
    # At a third the characteristic is flat at its top: a maximum, closed form.
    close = Samples(ONE_METRE, 1.0, 0.0, 0.0, 2.0, 1, [[1.0, 1 - 1e-4]])
    w = received(Compression(loss=1 / 3), close)[0]
    assert 0 <= abs(w[0]) - abs(w[1]) < 2e-8
    dark = Samples(ONE_METRE, 1.0, 0.0, 0.0, 2.0, 1, [[0.0, 0.0]])
    np.testing.assert_array_equal(received(Compression(loss=0.1), dark), 0)


@pytest.mark.parametrize(
    ("level_db", "up", "down", "digits"),
    [
        (-20, 0.828, -0.915, 5e-4),
        (-30, 0.270, -0.279, 5e-4),
        (-40, 0.0864, -0.0873, 5e-5),
        (-50, 0.0274, -0.0275, 5e-5),
        (-60, 0.0087, -0.0087, 5e-5),
    ],
)
def test_leakage_gives_the_bounds_of_an_error_signal(level_db, up, down, digits):
    # 20 log10(1 +- a) (closed form), as published check values, to the digits printed; at -50 dB
    # one value is printed for both, to which the lower one rounds within one more digit.
    for phase, wanted in ((0.3, up), (0.3 + np.pi, down)):
        samples = Samples(ONE_METRE, 1.0, 0.0, 0.0, 2.0, 1, [[np.exp(0.3j), 0.1]])
        w = received(Leakage(level=10 ** (level_db / 20), phase=phase), samples)
        assert 20 * np.log10(abs(w[0, 0])) == pytest.approx(wanted, abs=digits)


def test_leakage_is_one_vector_for_each_frequency():
    samples = scan()
    for sign in (1, -1):
        got = received(Leakage(level=0.01, phase=0.7), samples, sign=sign) - samples.response
        for f, top in enumerate(largest_by_hand(samples)):
            vector = sign * 0.01 * top * (np.cos(0.7) + 1j * np.sin(0.7))
            present = ~np.isnan(samples.response[f])
            np.testing.assert_allclose(got[f, present], vector, rtol=0, atol=10 * EPS * top)


def test_imbalance_of_ports_and_of_polarisations():
    factor = 1.02 * (np.cos(0.1) + 1j * np.sin(0.1))
    opposite = 0.98 * (np.cos(0.1) - 1j * np.sin(0.1))
    samples = scan(port=np.array([1, 2, 3] * 4))
    term = ChannelImbalance(amplitude=0.02, phase=0.1, port=2)
    for sign, value in ((1, factor), (-1, opposite)):
        wanted = samples.response * np.where(samples.port == 2, value, 1)
        np.testing.assert_allclose(received(term, samples, sign=sign), wanted, rtol=10 * EPS)
    chi = np.radians([0, 90, 180, -90, 10, 100, 44, 46, 270, 360, -180, 80.0])
    other = np.array([0, 1, 0, 1, 0, 1, 0, 1, 1, 0, 0, 1], dtype=bool)
    samples = scan(chi=chi)
    term = ChannelImbalance(amplitude=0.02, phase=0.1, between="chi")
    ratio = received(term, samples)[1] / samples.response[1]
    np.testing.assert_allclose(ratio, np.where(other, factor, 1), rtol=10 * EPS)


# --- the range -----------------------------------------------------------------------------------


def test_reflections_ripple_with_half_a_wavelength():
    samples = scan()
    got = received(MultipleReflections(level=0.03, phase=0.4), samples)
    for f, frequency in enumerate(samples.frequency):
        k = 2 * np.pi * frequency / SPEED_OF_LIGHT
        for i, r in enumerate(samples.radius):
            angle = 0.4 - 2 * k * r
            wanted = samples.response[f, i] * (1 + 0.03 * (np.cos(angle) + 1j * np.sin(angle)))
            np.testing.assert_allclose(got[f, i], wanted, rtol=50 * EPS)
    # Two spheres a quarter wavelength apart: the mean of the two is free of it (closed form).
    term = MultipleReflections(level=0.1, phase=1.0)
    near, far = (received(term, Samples(ONE_METRE, 1.0, 0.0, 0.0, r, 1, [[1.0]]))[0, 0] for r in (2.0, 2.25))
    assert abs(near - 1) == pytest.approx(0.1, rel=1e-13)
    assert (near + far) / 2 == pytest.approx(1, rel=1e-14)


def plane_wave_by_hand(probe, place, direction, e):
    """w ~ p.E - m.H summed over the probe's dipoles in a wave that comes from ``direction``."""
    h = np.cross(-direction, e) / WAVE_IMPEDANCE
    theta, phi, chi, radius = place
    axes = probe_oracle.mounting(theta, phi, chi)
    centre = radius * basis([theta], [phi])[0, 0]
    total = 0
    for offset, p, m in zip(probe.position, probe.electric, probe.magnetic, strict=True):
        point = centre + axes @ offset
        total += np.exp(1j * K * direction @ point) * ((axes @ p) @ e - (axes @ m) @ h)
    return total


@pytest.mark.parametrize("moving", [False, True])
def test_stray_wave_as_a_probe_of_dipoles_hears_it(moving):
    # The probe's own boresight looks at the origin: mounted opposite to where the wave comes from
    # (theta, phi) -> (pi - theta, phi + pi), chi such that its stronger axis is along the field.
    # Tolerance: the 1e-12 asked of the transform, modes of the clusters to degree 14 (k r0 = 1.6,
    # tail (2n+1) j_n(1.6)^2 below 1e-20).
    clusters = [random_cluster(3, 0.25, seed=5), random_cluster(2, 0.2, seed=6)]
    modes = [Modes(ONE_METRE, probe_oracle.cluster_modes(c, K, 14)[None], "relative") for c in clusters]
    probe = probe_from_modes(modes)
    port = np.array([1, 2] * 6)
    samples = scan(frequencies=1, port=port)
    if moving:
        rng = np.random.default_rng(8)
        theta = rng.uniform(-3, 3, (1, 12))
        samples = scan(frequencies=1, port=port, theta=theta)
    term = StrayWave(level=0.05, theta=1.1, phi=0.6, phase=0.3, tilt=0.4)
    r_unit, theta_unit, phi_unit = basis([1.1], [0.6])[:, 0]
    e = theta_unit * np.cos(0.4) + phi_unit * np.sin(0.4)
    got = received(term, samples, probe=probe) - samples.response
    top = largest_by_hand(samples)[0]
    facing = {}
    for number, cluster in enumerate(clusters, start=1):
        # Field along theta^ at (pi - theta, phi + pi), which is theta^ of the wave's direction.
        options = [
            plane_wave_by_hand(cluster, (np.pi - 1.1, 0.6 + np.pi, chi, 2.0), r_unit, theta_unit)
            for chi in (0.0, np.pi / 2)
        ]
        # Axis y_p is along theta^ at chi = 90 deg. Take out the way from the origin.
        facing[number] = max(options, key=abs) * np.exp(2j * K)
    theta = np.broadcast_to(samples.theta, (1, 12))[0]
    for i in range(12):
        if i == 2:  # missing
            continue
        place = theta[i], samples.phi[i], samples.chi[i], samples.radius[i]
        heard = plane_wave_by_hand(clusters[port[i] - 1], place, r_unit, e) / facing[port[i]]
        wanted = 0.05 * top * np.exp(0.3j) * heard
        assert abs(got[0, i] - wanted) < 1e-10 * top


def test_stray_wave_of_the_ideal_probe():
    # E along x_p = theta^ cos(chi) + phi^ sin(chi), from any direction (closed form).
    samples = scan()
    term = StrayWave(level=0.05, theta=2.0, phi=-1.0, phase=0.3, tilt=0.4)
    r_unit, theta_unit, phi_unit = basis([2.0], [-1.0])[:, 0]
    e = theta_unit * np.cos(0.4) + phi_unit * np.sin(0.4)
    for sign in (1, -1):
        got = received(term, samples, sign=sign) - samples.response
        for f, top in enumerate(largest_by_hand(samples)):
            k = 2 * np.pi * samples.frequency[f] / SPEED_OF_LIGHT
            for i in range(3, 12):
                out, across, along = basis(samples.theta[[i]], samples.phi[[i]])[:, 0]
                axis = across * np.cos(samples.chi[i]) + along * np.sin(samples.chi[i])
                wave = np.exp(1j * (0.3 + k * samples.radius[i] * (r_unit @ out))) * (e @ axis)
                assert abs(got[f, i] - sign * 0.05 * top * wave) < 1e-11 * top


def test_stray_wave_comes_from_where_it_is_said_to():
    # A probe that hears nothing from behind (Huygens source, zero in closed form), opposite to the
    # direction and looking at it, and on its side with its back to it.
    cluster = huygens_source(direction=Z, polarisation=X)
    t = probe_oracle.cluster_modes(cluster, K, 1)[None]
    probe = probe_from_modes(Modes(ONE_METRE, t, "relative"))
    samples = Samples(ONE_METRE, [np.pi, 0.0], 0.0, 0.0, 2.0, 1, [[1.0, 0.5]])
    got = received(StrayWave(level=0.1, theta=0.0, phi=0.0), samples, probe=probe)
    # At theta = 180 deg, phi = 0, theta^ is -x^, and theta^ of the direction is x^; a way of 2.
    np.testing.assert_allclose(got[0, 0] - 1, -0.1 * np.exp(-2j * K), rtol=0, atol=1e-12)
    np.testing.assert_allclose(got[0, 1], 0.5, rtol=0, atol=1e-12)


def dipole_field(moment, way):
    """Field of a short dipole at a way (3,) from it, relative to moment/way: C. A. Balanis, Antenna
    Theory, the infinitesimal dipole (from memory): E_theta and E_r with their terms in 1/kr."""
    r = np.linalg.norm(way)
    n, kr = way / r, K * r
    along = (moment @ n) * n
    near = 1 / (1j * kr) - 1 / kr**2
    return np.exp(-1j * kr) / r * ((moment - along) * (1 + near) - 2 * near * along)


def test_image_source_is_a_dipole_in_the_room():
    # What the ideal probe reads of it, from the dipole's own field. At 150 m and more the terms
    # left out are below 3/kr = 3.2e-3 of the wave; as a plane wave it would be wrong altogether.
    rng = np.random.default_rng(4)
    samples = scan(frequencies=1, radius=rng.uniform(30, 60, 12))
    place = {"theta": 2.0, "phi": -1.0, "phase": 0.3, "tilt": 0.4}
    term = ImageSource(level=0.05, distance=210.3, **place)
    ahead, across, along = basis([2.0], [-1.0])[:, 0]
    moment = across * np.cos(0.4) + along * np.sin(0.4)
    at_origin = np.vdot(moment, dipole_field(moment, -210.3 * ahead))
    top = largest_by_hand(samples)[0]
    for sign in (1, -1):
        got = received(term, samples, sign=sign) - samples.response
        wanted = np.empty(12, dtype=complex)
        for i in range(12):
            out, to_theta, to_phi = basis(samples.theta[[i]], samples.phi[[i]])[:, 0]
            e = dipole_field(moment, samples.radius[i] * out - 210.3 * ahead) / at_origin
            axis = to_theta * np.cos(samples.chi[i]) + to_phi * np.sin(samples.chi[i])
            wanted[i] = sign * 0.05 * np.exp(0.3j) * top * (e @ axis)
        present = np.arange(12) != 2
        size = np.abs(wanted).max()
        np.testing.assert_allclose(got[0, present], wanted[present], rtol=0, atol=4e-3 * size)
        plane = received(StrayWave(level=0.05, **place), samples, sign=sign) - samples.response
        assert np.abs(plane - got)[0, present].max() > size


def test_image_source_is_a_plane_wave_at_each_place():
    # A probe with a pattern hears, at each place, the wave from there towards the source.
    clusters = [random_cluster(3, 0.25, seed=5), random_cluster(2, 0.2, seed=6)]
    probe = probe_from_modes(
        [Modes(ONE_METRE, probe_oracle.cluster_modes(c, K, 8)[None], "relative") for c in clusters]
    )
    samples = scan(frequencies=1, port=np.array([1, 2] * 6))
    got = (
        received(
            ImageSource(level=0.05, theta=1.1, phi=0.6, phase=0.3, tilt=0.4, distance=5.3),
            samples,
            probe=probe,
        )
        - samples.response
    )
    ahead, across, along = basis([1.1], [0.6])[:, 0]
    field = across * np.cos(0.4) + along * np.sin(0.4)
    top = largest_by_hand(samples)[0]
    for i in range(12):
        if i == 2:  # missing
            continue
        out = basis(samples.theta[[i]], samples.phi[[i]])[0, 0]
        way = 5.3 * ahead - samples.radius[i] * out
        r = np.linalg.norm(way)
        theta, phi = np.arccos(way[2] / r), np.arctan2(way[1], way[0])
        _, to_theta, to_phi = basis([theta], [phi])[:, 0]
        parts = to_theta @ field, to_phi @ field
        # Of that plane wave, with its phase taken to the place.
        size = 0.05 * 5.3 / r * np.hypot(*parts)
        phase = 0.3 - K * (r - 5.3) - K * samples.radius[i] * (way @ out) / r
        one = replace(
            samples,
            port=samples.port[[i]],
            response=samples.response[:, [i]],
            **{x: getattr(samples, x)[[i]] for x in ("theta", "phi", "chi", "radius")},
        )
        level = size * top / abs(one.response[0, 0])
        wave = StrayWave(level=level, theta=theta, phi=phi, phase=phase, tilt=np.arctan2(*parts[::-1]))
        wanted = received(wave, one, probe=probe) - one.response
        assert abs(got[0, i] - wanted[0, 0]) < 1e-10 * top
    # From far away it is the same wave everywhere: what is left is k r^2 / 2d of the phase.
    far = ImageSource(level=0.05, theta=1.1, phi=0.6, tilt=0.4, distance=1e9)
    plane = StrayWave(level=0.05, theta=1.1, phi=0.6, tilt=0.4)
    first, second = (received(x, samples, probe=probe) for x in (far, plane))
    np.testing.assert_allclose(first, second, rtol=0, atol=0.05 * 30 * top * K * 9 / 2e9 + 1e-6 * top)


# --- refusals ------------------------------------------------------------------------------------

ALONG = DipoleCluster(ORIGIN, [Z])
DEAF = probe_from_modes(Modes(ONE_METRE, probe_oracle.cluster_modes(ALONG, K, 1)[None]))


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: PhaseNoise(rms=-0.1), "phase-noise: rms is -0.1 rad, expected a number >= 0"),
        (lambda: AmplitudeNoise(rms=-0.1), "amplitude-noise: rms is -0.1 relative, expected"),
        (lambda: ReceiverNoise(rms=-0.1), "receiver-noise: rms is -0.1 level, expected"),
        (lambda: NoiseFloor(rms=-0.1), "noise-floor: rms is -0.1 response, expected"),
        (lambda: RandomWalk(phase=-0.1), "random-walk: phase is -0.1 rad, expected"),
        (lambda: CableFlexing(amplitude=-0.1, axis="phi"), "cable-flexing: amplitude is -0.1 rad"),
        (lambda: CableFlexing(amplitude=0.1, axis="radius"), "axis is 'radius', expected one of"),
        (lambda: Leakage(level=-0.1), "leakage: level is -0.1 level, expected a number >= 0"),
        (lambda: MultipleReflections(level=-0.1), "multiple-reflections: level is -0.1 ratio"),
        (lambda: StrayWave(level=-0.1, theta=0, phi=0), "stray-wave: level is -0.1 level"),
        (lambda: Compression(loss=0.34), "loss is 0.34, expected at most 1/3, beyond which a str"),
        (lambda: ChannelImbalance(between="port"), "between is 'port' (did you mean 'ports'?)"),
        (lambda: ChannelImbalance(port=0), "channel-imbalance: port is 0, expected a whole"),
        (
            lambda: received(RandomWalk(phase=0.1), scan(), 1),
            "random-walk depends on when each sample was taken, and the scan has no times: give "
            "time [s] for every sample, or time = 'rows'",
        ),
        (lambda: received(RandomWalk(), scan(), 1), "random-walk depends on when each sample was taken"),
        (lambda: RandomWalk(phase=0.1).effects(scan()), "the scan has no times"),
        (lambda: RandomWalk(phase=0.1).truth(scan(), PROBE), "the scan has no times"),
        (
            lambda: received(ThermalRamp(phase=0.1, time=[0.0, 1.0]), scan()),
            "thermal-ramp: there are 2 times for 12 samples: give one for each",
        ),
        (
            lambda: received(ChannelImbalance(amplitude=0.1), scan()),
            "channel-imbalance compares port 2 with others, the samples have port 1 only: name",
        ),
        (
            lambda: received(ChannelImbalance(amplitude=0.1), scan(port=2)),
            "channel-imbalance compares port 2 with others, the samples have port 2 only: name",
        ),
        (
            lambda: received(ChannelImbalance(port=3), scan(port=np.array([1, 2] * 6))),
            "compares port 3 with others, the samples have port 1, 2 only: name one of several",
        ),
        (
            lambda: received(ChannelImbalance(amplitude=0.1, between="chi"), scan(chi=0.1)),
            "compares samples at chi near 0 with those near 90 deg, the samples have only one",
        ),
        (
            lambda: received(StrayWave(level=0.1, theta=1.0, phi=0.0), scan(frequencies=1), probe=DEAF),
            "stray-wave: the probe hears nothing on its boresight, to which the level refers",
        ),
        (
            lambda: received(ImageSource(level=0.1, theta=1.0, phi=0.0, distance=2.0), scan()),
            "image-source: distance is 2 m, the probe goes out to 2.70814 m: give a larger one",
        ),
        (
            lambda: received(StrayWave(level=0.1, theta=1.0, phi=0.0), scan(port=2)),
            "the samples use port 2, the probe has 1 port",
        ),
    ],
)
def test_what_cannot_be_is_refused(make, message):
    with pytest.raises(ValueError, match=re.escape(message)) as caught:
        make()
    assert "\n" not in str(caught.value)


def test_the_stronger_axis_of_the_probe_is_the_reference():
    # A probe along y alone: the wave along that axis at full level.
    r = probe_oracle.cluster_modes(DipoleCluster(ORIGIN, [Y]), K, 1)[None]
    probe = probe_from_modes(Modes(ONE_METRE, r))
    assert isinstance(probe, Probe)
    samples = Samples(ONE_METRE, np.pi / 2, np.pi, [0.0, np.pi / 2], 2.0, 1, [[1.0, 1.0]])
    # At phi = 180 deg it looks at +x; theta^ = -z. y_p = theta^ sin(chi) - phi^ cos(chi).
    term = StrayWave(level=0.1, theta=np.pi / 2, phi=0.0)
    got = received(term, samples, probe=probe)[0] - 1
    np.testing.assert_allclose(got, [0, 0.1 * np.exp(-2j * K)], rtol=0, atol=1e-12)


def test_slow_drift_has_its_rms_and_no_mean():
    # 400 draws of 14 coefficients know a variance to sqrt(2 / 5600) = 2 %.
    time = np.linspace(0, 3600, 721)
    drift = SlowDrift(phase=0.2, intervals=12, time=time)
    effect = drift.effects(scan(count=time.size))[0]
    rng = np.random.default_rng(1)
    drawn = np.array([effect.drawn(rng) for _ in range(400)])
    np.testing.assert_allclose(drawn.mean(axis=1), 0, atol=1e-12)
    assert np.sqrt(np.mean(drawn**2)) == pytest.approx(0.2, rel=0.04)
    np.testing.assert_allclose(np.sqrt(np.mean(drawn**2, axis=0)), effect.rms, rtol=0.15)
    # Smooth: a spline of that many intervals changes by no more than its size over one of them.
    assert np.abs(np.diff(drawn, axis=1)).max() < np.abs(drawn).max() / 10


def test_the_scan_s_own_times_serve():
    samples = scan()
    time = np.random.default_rng(2).permutation(samples.port.size) * 10.0
    timed = replace(samples, time=time)
    own = ThermalRamp(phase=0.3).apply(timed, PROBE)[0].response
    np.testing.assert_array_equal(own, ThermalRamp(phase=0.3, time=time).apply(samples, PROBE)[0].response)


# --- several draws -------------------------------------------------------------------------------

RESPONSES = [
    ReceiverNoise(rms=0.01),
    PhaseNoise(rms=0.1),
    Leakage(level=0.01),
    RandomWalk(phase=0.1, amplitude=0.02, time="rows"),
    SlowDrift(phase=0.1, time="rows"),
    AmplitudeNoise(rms=0.0),
    Compression(loss=0.01),
    AmplitudeNoise(rms=0.02),
    NoiseFloor(rms=0.01, distribution="triangular"),
    ThermalRamp(phase=0.1, time="rows"),
]


@pytest.mark.parametrize(
    "terms", [RESPONSES, [], [*RESPONSES, AxisZero(axis="theta", offset=0.01)]], ids=["all", "none", "moved"]
)
def test_draws_side_by_side_are_those_of_each_alone(terms):
    # To the last bit: of arrays so large together that numpy forms products of temporaries in place.
    samples = scan(count=2100)

    def draw(seed):
        rng = np.random.default_rng(seed)
        return [term.drawn(rng) for term in terms], rng

    drawn, rngs = zip(*map(draw, range(5)), strict=True)
    together = apply_each(drawn, samples, PROBE, rngs)
    for seed, (got, probe) in enumerate(together):
        own, rng = draw(seed)
        alone, _ = apply_terms(own, samples, PROBE, rng)
        assert probe is PROBE
        np.testing.assert_array_equal(got.response, alone.response)
        np.testing.assert_array_equal(got.theta, alone.theta)
    if terms:
        assert not np.array_equal(together[0][0].response[1], together[1][0].response[1])

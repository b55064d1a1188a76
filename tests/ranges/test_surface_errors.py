"""Errors of a reflector's surface: what is drawn, and what it does."""

import numpy as np
import pytest

from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.ranges.physical_optics import Currents, radiated_field
from nf2ff.ranges.reflector import Reflector, RolledRim, SharpRim, reflector_currents, surface_nodes
from nf2ff.ranges.surface_errors import SurfaceErrors, required_rms, ruze_loss_db, surface_ripple

#: On the axis of the paraboloid, where incidence is within 8 deg of the normal.
AXIAL = Reflector(1.5, 0.0, RolledRim(0.4, 0.2, 0.13))


def test_heights_have_the_stated_correlation():
    # Means over 60 surfaces of 36 x 36 independent bumps: relative error of a variance sqrt(2/(60 * 1300)) =
    # 0.5 %, fewer for what they share; four times that.
    gap = np.array([0, 0.01, 0.02, 0.04])
    x, y = np.meshgrid(np.arange(0.02, 0.98, 0.02), np.arange(0.02, 0.98, 0.02))
    place = np.stack([np.stack([x.ravel() + g, y.ravel()], axis=1) for g in gap]).reshape(-1, 2)
    sums = np.zeros(4)
    for seed in range(60):
        h = SurfaceErrors(3e-5, 0.02, 1.0, seed)(place).reshape(4, -1) / 3e-5
        sums += (h[0] * h).mean(axis=1) / 60
    assert sums == pytest.approx(np.exp(-((gap / 0.02) ** 2)), abs=0.02)


def test_closed_forms_as_printed():
    # 25 um at 90 GHz: 0.0386 dB; 24 um: 0.0356; lambda/100: 0.069 dB.
    f = 90e9
    assert ruze_loss_db(25e-6, frequency=f) == pytest.approx(0.0386, abs=5e-5)
    assert ruze_loss_db(24e-6, frequency=f) == pytest.approx(0.0356, abs=5e-5)
    assert ruze_loss_db(SPEED_OF_LIGHT / f / 100, frequency=f) == pytest.approx(0.069, abs=5e-4)
    # The same as phases: 5.40, 5.19 and 7.2 deg (long bumps: all of the screen is phase in the zone).
    for rms, printed, digit in (
        (25e-6, 5.40, 0.005),
        (24e-6, 5.19, 0.005),
        (SPEED_OF_LIGHT / f / 100, 7.2, 0.05),
    ):
        _, angle = surface_ripple(rms, correlation_length=1e3, distance=2.5, frequency=f)
        assert np.degrees(angle) == pytest.approx(printed, abs=digit)
    assert SPEED_OF_LIGHT / f / 25e-6 == pytest.approx(133, abs=0.5)
    # Two sigma of 0.5 dB with short bumps want lambda/309.
    short = required_rms(0.25, correlation_length=5e-3, distance=2.5, frequency=f)
    assert SPEED_OF_LIGHT / f / short == pytest.approx(309, abs=0.5)
    for rms, printed in ((25e-6, (0.579, 0.571, 0.524, 0.271)), (10e-6, (0.232, 0.228, 0.210, 0.109))):
        for c, expected in zip((0.01, 0.03, 0.05, 0.1), printed, strict=True):
            how = {"correlation_length": c, "distance": 2.5, "frequency": f}
            level, angle = surface_ripple(rms, **how)
            assert level == pytest.approx(expected, abs=5e-4)
            # Both variances together are that of the phase of the screen.
            screen = 4 * np.pi * f / SPEED_OF_LIGHT * rms
            assert (level / 8.685889638) ** 2 + angle**2 == pytest.approx(screen**2, rel=1e-9)
            assert required_rms(level, **how) == pytest.approx(rms, rel=1e-12)


def test_gain_is_lost_as_ruze_says():
    # On the axis the far field is the sum of currents times exp(jkz); over 12 surfaces of 900 bumps the mean
    # of exp(j phase) is good to phase / sqrt(12 * 900 / 2) = 1 % of a loss of 1.1 dB's phase of 0.5 rad.
    f, rms = 20e9, 6e-4
    feed, k = AXIAL.feed(exponent=0), 2 * np.pi * 20e9 / SPEED_OF_LIGHT
    sharp = Reflector(1.5, 0.0, SharpRim(0.4))

    def gain(height):
        currents = reflector_currents(sharp, feed, frequency=f, height=height)
        return currents.moment[:, 0] @ np.exp(1j * k * currents.position[:, 2])

    fields = np.array([gain(SurfaceErrors(rms, 0.015, 0.8, seed)) for seed in range(12)])
    loss = -20 * np.log10(np.abs(fields.mean() / gain(None)))
    # Incidence at half the angle of the feed, on the mean over the disc: cos^2 = 1/(1 + rho^2/(4F^2)) =
    # 0.991.
    assert loss == pytest.approx(0.991 * ruze_loss_db(rms, frequency=f), rel=0.05)


@pytest.mark.slow
def test_variances_in_the_zone():
    # Physical optics of surfaces h cos(qx): amplitude and phase of the ripple at the zone, squared, added up
    # over the spectrum c^2/2 q exp(-q^2 c^2/4) of the heights. Without draws: the closed form to 5 %.
    f, z, h = 15e9, 1.0, 2e-5
    k = 2 * np.pi * f / SPEED_OF_LIGHT
    x = np.linspace(-0.1, 0.1, 21)
    points = np.stack([x, 0 * x, z + 0 * x], axis=1)
    feed = AXIAL.feed()
    node, weight = np.polynomial.legendre.leggauss(16)
    orders, weight = 39 * (node + 1), 39 * weight

    def read(height):
        return radiated_field(reflector_currents(AXIAL, feed, frequency=f, height=height), points)[:, 0]

    flat, found = read(None), []
    for q in orders:
        change = np.log(read(lambda at, q=q: h * np.cos(q * at[:, 0])) / flat)
        waves = np.stack([np.cos(q * x), np.sin(q * x)], axis=1)
        found.append(np.linalg.lstsq(waves, change, rcond=None)[0][0] / (2 * k * h))
    found = np.array(found)
    # Each by itself: sin and cos of q^2 z/(2k), paraxial; the next term is q^4 z/(8 k^3) = 0.15 rad at the
    # end, 0.05 at q = 60. Beyond it rays of the first order come from within a wavelength or two of the edge.
    turn = orders**2 * z / (2 * k)
    inner = orders < 60
    assert np.abs(found.real)[inner] == pytest.approx(np.abs(np.sin(turn))[inner], abs=0.06)
    assert np.abs(found.imag)[inner] == pytest.approx(np.abs(np.cos(turn))[inner], abs=0.06)
    for c in (0.063, 0.08, 0.126):
        share = weight * c**2 / 2 * orders * np.exp(-((orders * c) ** 2) / 4)
        level, angle = surface_ripple(h, correlation_length=c, distance=z, frequency=f)
        assert share @ found.real**2 == pytest.approx((level / 8.685889638 / (2 * k * h)) ** 2, rel=0.05)
        assert share @ found.imag**2 == pytest.approx((angle / (2 * k * h)) ** 2, rel=0.05)


@pytest.mark.slow
def test_variances_of_random_surfaces():
    # Draws of heights, physical optics to first order in them: the field is a sum over currents, so that what
    # each height changes is had from two fields of each current. A zone of 0.4 m, 0.5 m away, at 15 GHz: D is
    # 2.5 and 1.1. The closed form is paraxial, and leaves out the cosine of incidence; of bumps of 1.5
    # wavelengths (60 mm at 7.5 GHz) physical optics has 6 % less variance of the amplitude.
    f, z, draws = 15e9, 0.5, 1200
    feed, h = AXIAL.feed(), 1e-6
    x = np.linspace(-0.19, 0.19, 9)
    points = np.stack([a.ravel() for a in np.meshgrid(x, x, [z])], axis=1)
    points = points[np.hypot(*points.T[:2]) <= 0.2]

    def parts(height):
        currents = reflector_currents(AXIAL, feed, frequency=f, step=0.8, height=height)
        each = zip(currents.position[:, None], currents.moment[:, None], strict=True)
        return np.stack([radiated_field(Currents(f, *one), points)[:, 0] for one in each], axis=1)

    flat = parts(None)
    slope = (parts(lambda at: np.full(len(at), h)) - flat) / h / flat.sum(axis=1)[:, None]
    place = surface_nodes(AXIAL, feed, step=0.8 * SPEED_OF_LIGHT / f).position[:, :2]
    for c in (0.05, 0.075):
        heights = np.stack([SurfaceErrors(1.0, c, 1.1, seed)(place) for seed in range(draws)], axis=1)
        change = slope @ heights
        # One draw by itself, 2 k h = 0.006, 0.02 at peaks: what is not of first order is half its square.
        one = 1e-5 * heights[:, 0]
        whole = reflector_currents(AXIAL, feed, frequency=f, step=0.8, height=lambda _, one=one: one)
        first = np.log(radiated_field(whole, points)[:, 0] / flat.sum(axis=1)) / 1e-5
        assert np.abs(first - change[:, 0]).max() < 0.02 * np.abs(change[:, 0]).max()
        # The surface is rho^2/(4F) nearer.
        level, angle = surface_ripple(1.0, correlation_length=c, distance=z - 0.2**2 / 12, frequency=f)
        for part, closed in ((change.real, level / 8.685889638), (change.imag, angle)):
            each = np.mean(part**2, axis=0)
            assert each.std() / np.sqrt(draws) < 0.015 * each.mean()  # the standard error
            assert each.mean() == pytest.approx(closed**2, rel=0.05)


def test_what_is_refused():
    for make, says in (
        (lambda: SurfaceErrors(0, 0.1, 1), "rms of the surface is 0"),
        (lambda: SurfaceErrors(1e-5, -1, 1), "correlation_length of the surface is -1"),
        (lambda: SurfaceErrors(1e-5, 1e-4, 1), "correlation length of 0.0001 m on 1 m is too short"),
    ):
        with pytest.raises(ValueError, match=says):
            make()

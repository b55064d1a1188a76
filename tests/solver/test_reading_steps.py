"""A receiver that was restarted within a scan is told of at the reading, and nothing else is taken for it."""

from dataclasses import replace

import numpy as np
import pytest

import nf2ff
from nf2ff.antenna.dipoles import array_of, huygens_source
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.points import equal_area_spiral_for_degree
from nf2ff.messages.scan import ReadingCode
from nf2ff.solver import model_agreement

FREQUENCY, RADIUS = 3e9, 0.6
FACTORS = (np.exp(1j), 0.85, 0.7 * np.exp(-2j))


def panel():
    """Nine Huygens sources half a wavelength apart, off-centre, closed form."""
    step = 0.05 * (np.arange(3) - 1)
    places = np.array([(0.02, y, z + 0.03) for y in step for z in step])
    source = huygens_source(direction=[1, 0, 0], polarisation=[0, 0.8, 0.6], moment=1e-3)
    return array_of(source, positions=places, weights=np.ones(9))


def places(kind):
    if kind == "spiral":
        path = equal_area_spiral_for_degree(18)
        return path.theta, path.phi
    theta, phi = np.radians(np.arange(0, 181, 9.0)), np.radians(np.arange(0, 360, 9.0))
    if kind == "rings":
        return np.repeat(theta, phi.size), np.tile(phi, theta.size)
    return np.tile(theta, phi.size), np.repeat(phi, theta.size)


def scan(kind, *, noise_db, rng, hertz=(FREQUENCY,)):
    """Two passes, chi = 0 and 90 deg, one after the other."""
    theta, phi = (np.tile(x, 2) for x in places(kind))
    chi = np.repeat([0, np.pi / 2], theta.size // 2)
    about = {"frequency": hertz, "theta": theta, "phi": phi, "chi": chi, "radius": RADIUS}
    clean = nf2ff.simulate(panel(), **about)
    size = np.abs(clean.response).max() * 10 ** (noise_db / 20) / np.sqrt(2)
    parts = rng.standard_normal((2, *clean.response.shape))
    return replace(clean, response=clean.response + size * (parts[0] + 1j * parts[1]))


def stepped(samples, row, factor):
    response = samples.response.copy()
    response[:, row:] *= factor
    return replace(samples, response=response)


def readings_told(samples):
    """Warnings of readings at each frequency."""
    found = nf2ff.solve(samples, nf2ff.field_probe())
    return [[x for x in some if isinstance(x.code, ReadingCode)] for some in found.warnings]


@pytest.mark.parametrize("factor", FACTORS)
@pytest.mark.parametrize("place", [0.31, 0.77])
@pytest.mark.parametrize("kind", ["rings", "cuts", "spiral"])
def test_a_step_is_told_at_its_reading(kind, place, factor, rng):
    samples = scan(kind, noise_db=-70, rng=rng)
    row = int(place * samples.port.size)
    ((notice,),) = readings_told(stepped(samples, row, factor))
    assert notice.code is ReadingCode.STEP
    told = notice.figures
    # Noise hides no more than a few readings at a null.
    first = int(notice.figures["where"].split()[1])
    assert abs(first - (row + 1)) <= 8, notice
    assert told["count"] == samples.port.size - first + 1
    # By some hundred readings of -30 dB of noise and less beside the step, three standard deviations.
    assert told["level_db"] == pytest.approx(20 * np.log10(abs(factor)), abs=0.1)
    assert told["turn_deg"] == pytest.approx(np.degrees(np.angle(factor)), abs=0.6)


@pytest.mark.parametrize("kind", ["rings", "spiral"])
def test_between_the_passes_it_is_a_factor(kind, rng):
    samples = scan(kind, noise_db=-50, rng=rng)
    ((notice,),) = readings_told(stepped(samples, samples.port.size // 2, 0.8j))
    assert notice.code in (ReadingCode.FACTOR_AT_POLES, ReadingCode.FACTOR_BY_MODEL)


def test_in_the_order_of_time_and_of_polarisations_side_by_side(rng):
    samples = scan("rings", noise_db=-70, rng=rng)
    half = samples.port.size // 2
    beside = np.tile(np.arange(half), 2)
    turned = replace(samples, response=samples.response * np.where(beside >= 300, 1j, 1))
    for one, order in (
        (turned, "the table, polarisations side by side"),
        (replace(turned, time=beside * 1.0), "time"),
    ):
        ((notice,),) = readings_told(one)
        assert notice.code is ReadingCode.STEP
        assert notice.figures["order"] == order
        assert notice.figures["count"] == 2 * (half - 300)
        assert "from sample 301 (" in notice


def test_at_each_frequency_and_with_missing_readings(rng):
    samples = scan("rings", noise_db=-70, rng=rng, hertz=(FREQUENCY, 1.1 * FREQUENCY))
    response = stepped(samples, 500, 1j).response.copy()
    response[:, 100:110] = np.nan
    found = readings_told(replace(samples, response=response))
    assert [[x.code for x in some] for some in found] == [[ReadingCode.STEP]] * 2
    assert all("from sample 501 (" in some[0] for some in found)


def test_drift_is_no_step(rng):
    samples = scan("rings", noise_db=-70, rng=rng)
    drift = np.exp(1j * np.linspace(0, 1, samples.port.size))
    (told,) = readings_told(replace(samples, response=samples.response * drift))
    assert not any(x.code is ReadingCode.STEP for x in told)


@pytest.mark.parametrize("kind", ["drift", "step at one"])
def test_it_is_looked_for_at_few_frequencies_that_have_none(kind, rng, monkeypatch):
    hertz = FREQUENCY * (1 + 0.01 * np.arange(6))
    samples = scan("rings", noise_db=-70, rng=rng, hertz=hertz)
    response, count = samples.response.copy(), samples.port.size
    if kind == "drift":
        response *= np.exp(1j * np.linspace(0, 1, count))
    else:
        response[4, 500:] *= 1j
    sought, real = [], model_agreement.find_step
    monkeypatch.setattr(
        model_agreement, "find_step", lambda *a, **o: sought.append(a[0].size) or real(*a, **o)
    )
    found = nf2ff.solve(
        replace(samples, response=response), nf2ff.field_probe(), method=nf2ff.LeastSquares(threads=1)
    )
    told = [any(x.code is ReadingCode.STEP for x in some) for some in found.warnings]
    # In two orders each: that of the table, and polarisations side by side.
    assert len(sought) == (2 * model_agreement.MOST_FAILED if kind == "drift" else 1)
    assert told == [kind == "step at one" and f == 4 for f in range(6)]


@pytest.mark.parametrize("step_deg", [12, 15])
def test_a_ring_at_a_pole_before_readings_too_coarse_for_the_antenna_is_no_step(step_deg):
    # Three wavelengths from the origin: degree 28 or so is needed, 11 and 14 are sampled. Modes explain the
    # pole by itself, so a factor that made all others vanish was told of.
    source = huygens_source(direction=[0, 0, 1], polarisation=[1, 0, 0], position=[0.3, 0, 0], moment=1e-3)
    grid = equiangular_grid(180 // step_deg + 1, 360 // step_deg)
    samples = nf2ff.simulate_grid(source, frequency=[FREQUENCY], grid=grid, radius=1.0, noise=1e-4, rng=0)
    with pytest.raises(ValueError, match=r"^the sampling is too coarse for this antenna"):
        nf2ff.solve(samples, nf2ff.field_probe())

"""Regular waves fitted to readings of a field probe."""

import numpy as np
import pytest
from range_devices import FREQUENCY, K, device, direct_sum, modes_of, random_waves

from nf2ff.antenna.modes import mode_numbers
from nf2ff.antenna.points import equal_area_spiral
from nf2ff.kernel.sphere import unit_vectors
from nf2ff.messages.ranges import IncidentCode
from nf2ff.ranges.incident_field import IncidentField, PlaneWaves, received
from nf2ff.ranges.regular_waves import magnetic, regular_waves, tangential_strength, truncation_error_db
from nf2ff.ranges.zone_waves import fit_regular_waves

WAVELENGTH = 2 * np.pi / K


def on_sphere(kr, count):
    """Places on a sphere, and its unit vectors."""
    spiral = equal_area_spiral(count)
    r, t, p = unit_vectors(spiral.theta, spiral.phi)
    return kr / K * r, r, t, p


def rows(place, *vectors):
    """Each place with each of several vectors (M, 3)."""
    return np.tile(place, (len(vectors), 1)), np.concatenate(vectors)


def probing(kind, kr, degree):
    """Places, electric and magnetic vectors, at 1.5 positions for each pair of n and m."""
    place, r, t, p = on_sphere(kr, int(1.5 * degree * (degree + 2)))
    if kind == "ball":
        rng = np.random.default_rng(1)
        place = rng.normal(size=(2 * len(place), 3))
        place *= kr / K * (rng.uniform(size=len(place)) ** (1 / 3) / np.linalg.norm(place, axis=1))[:, None]
        return *rows(place, *(np.tile(x, (len(place), 1)) for x in np.eye(3))), None
    if kind == "two spheres":
        inner = place * (1 - np.pi / 2 / kr)
        both = zip(rows(place, t, p), rows(inner, t, p), strict=True)
        return *(np.concatenate(x) for x in both), None
    if kind == "radial":
        return *rows(place, t, p, r), None
    if kind == "plane":
        count = int(np.sqrt(len(place))) + 1
        x = np.stack(np.meshgrid(*2 * [np.linspace(-kr / K, kr / K, count)]), axis=-1).reshape(-1, 2)
        flat = np.concatenate([x, np.zeros((len(x), 1))], axis=1)
        return *rows(flat, *(np.tile(u, (len(x), 1)) for u in np.eye(3)[:2])), None
    where, e = rows(place, t, p)
    if kind == "huygens":
        return where, e / 2, np.concatenate([np.cross(r, t), np.cross(r, p)]) / 2
    return where, e, None


def fit(kind, kr=12.0, degree=12, *, most=99.0):
    """The fit of readings that are zero: only its noise is of interest."""
    where, e, h = probing(kind, kr, degree)
    return fit_regular_waves(
        where,
        np.zeros(len(where)),
        e,
        frequency=FREQUENCY,
        degree=degree,
        magnetic_part=h,
        most_noise_gain_db=most,
    )


@pytest.mark.slow
@pytest.mark.parametrize(
    ("kind", "kr", "condition", "gain_db", "within_db"),
    [
        ("tangential", 12.0, 22, 8.5, 0.2),
        ("tangential", 12.57, 28, 13.1, 0.3),
        ("radial", 12.0, 4.6, 2.9, 0.2),
        ("huygens", 12.0, 1.7, 0.5, 0.2),
        ("two spheres", 12.0, 6.6, 3.9, 0.5),
        ("ball", 12.0, 8.7, 5.1, 0.5),
    ],
)
def test_noise_gain_of_ways_of_probing(kind, kr, condition, gain_db, within_db):
    # Printed values of a prototype, of the waves as they are: mean s^2 times mean 1/s^2. Its places are
    # not known (points on the sphere, random ones, second sphere inside or outside), so that the gain
    # is compared to the tenths of a dB stated, and the condition to a third.
    where, e, h = probing(kind, kr, 12)
    waves = regular_waves(12, where, wavenumber=K)
    matrix = np.einsum("mx,mxj->mj", e, waves)
    if h is not None:
        matrix += np.einsum("mx,mxj->mj", h, magnetic(waves))
    s = np.sqrt(np.linalg.eigvalsh(matrix.conj().T @ matrix))
    assert 10 * np.log10(np.mean(s**2) * np.mean(1 / s**2)) == pytest.approx(gain_db, abs=within_db)
    assert s[-1] / s[0] == pytest.approx(condition, rel=1 / 3)


def test_huygens_sources_hear_all_degrees_alike():
    # Closed form: their part of each wave is sqrt(j_n^2 + ((x j_n)'/x)^2) of it, which the scale takes
    # out; 1.5 positions for each wave leave 0.1 dB.
    found = fit("huygens", 4.493409457909064, 7)
    assert np.abs(found.degree_gain_db).max() < 0.1
    assert found.condition < 1.3


# j_1(x) = 0 at x = 4.4934 (tan x = x), (x j_1)' = 0 at 2.7437 (closed forms): of degree 1 the waves s = 1
# and s = 2 have no tangential field there. Those of s = 1 have no radial field either.
@pytest.mark.parametrize(
    ("kr", "cures", "fails"),
    [
        (4.493409457909064, ("two spheres", "huygens"), ("tangential", "radial")),
        (2.743707269992269, ("two spheres", "huygens", "radial"), ("tangential",)),
    ],
)
def test_a_sphere_at_a_resonance_is_refused_and_cured(kr, cures, fails):
    for kind in fails:
        with pytest.raises(ValueError, match=r"waves of degree 1 with a noise gain.* add a second sphere"):
            fit(kind, kr, 6, most=15.0)
    for kind in cures:
        assert fit(kind, kr, 6, most=15.0).degree_gain_db.max() < 8


def test_a_plane_is_refused():
    # Printed: 56 dB and a condition of 1e4 for one plane at kR = 12.
    with pytest.raises(ValueError, match="on a plane measure off it as well"):
        fit("plane", 6.0, 6, most=15.0)


@pytest.fixture(scope="module")
def fitted():
    """Six plane waves fitted on two spheres, and themselves."""
    rng = np.random.default_rng(8)
    u, a = random_waves(rng, 6)
    exact = PlaneWaves(u, a)
    degree = 11
    place, _, t, p = on_sphere(4.0, 250)
    where, e = (np.concatenate(x) for x in zip(rows(place, t, p), rows(0.8 * place, t, p), strict=True))
    reading = np.sum(e * exact.field_at(where, K), axis=1)
    return exact, where, e, reading, fit_regular_waves(where, reading, e, frequency=FREQUENCY, degree=degree)


def test_the_field_is_that_of_the_plane_waves(fitted, rng):
    exact, _, _, _, fit = fitted
    points = rng.normal(size=(40, 3))
    points *= (2.0 / K) * rng.uniform(size=(40, 1)) / np.linalg.norm(points, axis=1)[:, None]
    expected = exact.field_at(points, K)
    found = fit.waves.field_at(points, K)
    # Waves above degree 11 at kR = 4, which the fit folds into those below: -68 dB there (closed form,
    # `truncation_error_db`), and less inside.
    within = 10 ** (truncation_error_db(11, 4.0) / 20)
    assert np.abs(found - expected).max() < within * np.abs(expected).max()
    assert fit.residual < 1e-4
    assert fit.relative_error < 1e-3


@pytest.mark.slow
@pytest.mark.parametrize("inward", [False, True])
def test_huygens_sources_read_both_fields(fitted, rng, inward):
    # Of a plane wave Z0 H = u x E.
    exact = fitted[0]
    place, r, t, p = on_sphere(4.0, 250)
    where, e = rows(place, t / 2, p / 2)
    towards = -r if inward else r
    h = np.concatenate([np.cross(towards, t), np.cross(towards, p)]) / 2
    waves = np.exp(-1j * K * where @ exact.direction.T)
    reading = np.sum(e * (waves @ exact.amplitude), axis=1)
    reading += np.sum(h * (waves @ np.cross(exact.direction, exact.amplitude)), axis=1)
    found = fit_regular_waves(where, reading, e, frequency=FREQUENCY, degree=11, magnetic_part=h)
    points = (2.0 / K) * rng.uniform(-1, 1, (20, 3)) / np.sqrt(3)
    expected = exact.field_at(points, K)
    within = 10 ** (truncation_error_db(11, 4.0) / 20)
    assert np.abs(found.waves.field_at(points, K) - expected).max() < within * np.abs(expected).max()


def test_a_device_hears_the_same_in_both(fitted):
    exact, _, _, _, fit = fitted
    cluster = device(np.random.default_rng(3), size=0.03)
    modes = modes_of(cluster, 11)
    along, across = exact.direction[0], np.cross(exact.direction[0], [1, 2, 3])
    one, two = (IncidentField(FREQUENCY, w, along, across, 1.0) for w in (exact, fit.waves))
    expected = direct_sum(cluster, exact.direction, exact.amplitude)
    assert received(modes, one) == pytest.approx(expected, rel=1e-8)
    assert received(modes, two) == pytest.approx(expected, rel=1e-5)


@pytest.mark.slow
def test_error_estimate_is_that_of_the_noise(fitted, rng):
    _, where, e, reading, clean = fitted
    level = 0.01 * np.sqrt(np.mean(np.abs(reading) ** 2))
    # Of the tangential fields on the outer sphere, kR = 4: orthogonal waves of this strength.
    strength = tangential_strength(11, 4.0)[mode_numbers(11)[2] - 1]
    errors, told = [], []
    for _ in range(4):
        noise = level / np.sqrt(2) * (rng.normal(size=reading.size) + 1j * rng.normal(size=reading.size))
        found = fit_regular_waves(where, reading + noise, e, frequency=FREQUENCY, degree=11)
        off = found.waves.coefficients - clean.waves.coefficients
        errors.append(np.linalg.norm(off * strength) / np.linalg.norm(clean.waves.coefficients * strength))
        told.append(found.relative_error)
    # 286 waves: a few per cent of scatter, more where few of them carry the most.
    assert np.mean(told) == pytest.approx(np.mean(errors), rel=0.1)
    assert found.residual == pytest.approx(0.01 * np.sqrt(1 - 286 / reading.size), rel=0.05)


def test_high_noise_gain_is_told():
    found = fit("tangential", 4.2, 6)
    (notice,) = found.warnings
    assert notice.code is IncidentCode.NOISE
    assert notice.figures["degree"] == int(np.argmax(found.degree_gain_db)) + 1
    assert fit("huygens", 4.2, 6).warnings == ()


def test_bad_readings_are_refused(monkeypatch):
    good = {"frequency": FREQUENCY, "degree": 1}
    place, e = np.ones((6, 3)), np.ones((6, 3))
    for words, says in (
        ((place, np.ones(5), e, good), r"position has shape \(6, 3\), expected \(M, 3\) = \(5, 3\)"),
        ((place, np.ones(6), e[:5], good), "electric has shape"),
        ((place, np.ones(6), e, good | {"magnetic_part": e[:5]}), "magnetic_part has shape"),
        ((place, np.ones(6), e, good | {"degree": 0}), "degree is 0, expected at least 1"),
        ((place, np.ones(6), e, good | {"frequency": 0}), "frequency is 0 Hz"),
        (
            (place, np.ones(6), e, good | {"degree": 2}),
            "6 readings cannot determine 16 waves of degree 2: read more",
        ),
        ((place, np.ones(6), 0 * e, good), "electric is 0 everywhere"),
        ((place, np.ones(6), e, good), "the readings determine the waves of degree 1 with a noise gain"),
    ):
        with pytest.raises(ValueError, match=says):
            fit_regular_waves(*words[:3], **words[3])
    for most, remedy in ((10, "take fewer readings"), (100, "lower the degree to 1, or take fewer readings")):
        monkeypatch.setattr("nf2ff.ranges.zone_waves.MOST_NUMBERS", most)
        with pytest.raises(ValueError, match=rf"16 waves, degree 2, are too many for a dense .*: {remedy}"):
            fit_regular_waves(np.ones((16, 3)), np.ones(16), np.ones((16, 3)), **good | {"degree": 2})

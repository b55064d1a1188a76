"""`FarField` and `far_field` on any grid of directions."""

import numpy as np
import oracle
import pytest

from nf2ff.antenna.far_field import FarField, far_field
from nf2ff.antenna.fields import far_field_points
from nf2ff.antenna.modes import SPEED_OF_LIGHT, Modes
from nf2ff.io.native import write_far_field

EPS = 2.0**-52
F, T, P = 2, 3, 4
DEGREE = 7
FREQUENCY = SPEED_OF_LIGHT * np.array([0.5, 1.5])


@pytest.fixture
def modes(random_q):
    """Two frequencies of random modes."""
    return Modes(FREQUENCY, np.stack([random_q(DEGREE), random_q(DEGREE)]), "relative")


def make(**changes):
    """A far field, some arguments changed."""
    e = np.arange(F * T * P).reshape(F, T, P) * (1 - 2j)
    arguments = {
        "frequency": FREQUENCY,
        "theta": [0.0, 1.0, np.pi],
        "phi": [0.0, 1.0, 4.0, -1.0],
        "e_theta": e,
        "e_phi": 2 * e,
        "radiated_power": [1.0, 2.0],
    }
    return FarField(**{**arguments, **changes})


# --- the quantity -------------------------------------------------------------------------------


def test_arrays_are_converted_and_read_only():
    field = make()
    assert field.reference == "absolute"
    assert field.e_theta.dtype == complex
    assert field.theta.dtype == float
    for name in ("frequency", "theta", "phi", "e_theta", "e_phi", "radiated_power"):
        with pytest.raises(ValueError, match="read-only"):
            getattr(field, name)[:] = 0
    with pytest.raises(AttributeError):
        field.theta = np.zeros(3)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"frequency": 1e9}, "frequency has 0 dimensions, expected 1"),
        ({"theta": 0.0}, "theta has 0 dimensions, expected 1"),
        ({"phi": [[0.0]]}, "phi has 2 dimensions, expected 1"),
        ({"radiated_power": 1.0}, "radiated_power has 0 dimensions, expected 1"),
        ({"e_theta": np.zeros((T, P))}, "e_theta has 2 dimensions, expected 3"),
        ({"e_theta": np.zeros((F, P, T))}, r"e_theta has shape \(2, 4, 3\), expected \(F, T, P\) = "),
        ({"e_phi": np.zeros((1, T, P))}, r"e_phi has shape \(1, 3, 4\), expected \(F, T, P\) = \(2"),
        ({"radiated_power": [1.0]}, "radiated_power has 1 values for 2 frequencies"),
        ({"theta": [-0.1, 1, 2]}, r"theta of a far field is -0.1 rad, .* \[0, pi\]: .* turn phi"),
        ({"theta": [0, 1, 3.15]}, r"theta of a far field is 3.15 rad, expected within \[0, pi\]"),
        ({"theta": [0, 90, 180]}, r"theta of a far field is 90 rad, .* \[0, pi\]: convert degrees"),
        ({"frequency": [1e9, -1]}, "frequency is -1 Hz, expected positive values"),
        ({"theta": [0, np.nan, 1]}, r"theta is nan at index \(1\)"),
        ({"phi": [0, 1, 2, np.inf]}, r"phi is inf at index \(3\)"),
        ({"e_phi": np.full((F, T, P), np.nan)}, "e_phi is .*nan.* at index"),
        ({"radiated_power": [1.0, np.inf]}, r"radiated_power is inf at index \(1\)"),
        ({"frequency": FREQUENCY * 1j}, "frequency must be real"),
        ({"reference": "dBi"}, "reference is 'dBi', expected 'absolute' or 'relative'"),
        ({"trusted": True}, "trusted has 0 dimensions, expected 3"),
        (
            {"trusted": np.ones((F, P, T), bool)},
            r"trusted has shape \(2, 4, 3\), expected \(F, T, P\) = \(2, 3,",
        ),
    ],
)
def test_bad_input_is_refused_with_one_line(changes, message):
    with pytest.raises(ValueError, match=message) as error:
        make(**changes)
    assert "\n" not in str(error.value)


def test_directions_to_trust():
    assert make().trusted is None
    assert make().trusted_fraction().tolist() == [1, 1]
    mark = np.ones((F, T, P), dtype=bool)
    assert make(trusted=mark).trusted_fraction().tolist() == [1, 1]
    mark[1, 1, 2] = False
    field = make(trusted=mark)
    assert mark.flags.writeable
    with pytest.raises(ValueError, match="read-only"):
        field.trusted[:] = True
    np.testing.assert_array_equal(field.trusted, mark)
    # The poles stand for no solid angle: of four equal parts at theta = 1 one is gone.
    # One frequency says nothing of another.
    assert field.trusted_fraction() == pytest.approx([1, 0.75], rel=1e-12)
    mark[:, [0, 2]] = False
    assert make(trusted=mark).trusted_fraction() == pytest.approx([1, 0.75], rel=1e-12)


def test_trusted_part_of_a_cap():
    # A cap of 60 deg on a grid of 1 deg, (1 - cos 60) / 2 of the sphere to half a step of its edge.
    theta, phi = np.radians(np.arange(181)), np.radians(np.arange(0, 360, 30))
    mark = np.repeat((theta > np.radians(60.5))[:, None], phi.size, axis=1)
    e = np.zeros((1, theta.size, phi.size))
    field = FarField([1e9], theta, phi, e, e, [1.0], "absolute", mark[None])
    wanted = (1 + np.cos(np.radians(60.5))) / 2
    # Sums of sines in steps of h: (h/2) / tan(h/2) = 1 - h^2/12.
    assert field.trusted_fraction() == pytest.approx(wanted, abs=np.radians(1) ** 2)


# --- as a labelled dataset ----------------------------------------------------------------------


def test_trusted_part_of_the_poles_alone():
    e, mark = np.zeros((1, 2, 4)), np.array([[1, 1, 1, 1], [1, 0, 0, 0]], dtype=bool)
    assert (
        FarField([1e9], [0, np.pi], np.arange(4), e, e, [1.0], trusted=mark[None]).trusted_fraction() == 5 / 8
    )


def test_labelled_dataset():
    mark = np.arange(F * T * P).reshape(F, T, P) % 5 > 0
    field = make(trusted=mark, phi=[0.0, 1.0, 4.0, 5.0])
    data = field.to_xarray()
    assert set(data.data_vars) == {"e_theta", "e_phi", "radiated_power", "trusted"}
    assert dict(data.sizes) == {"frequency": F, "theta": T, "phi": P}
    for name in ("frequency", "theta", "phi"):
        assert name in data.coords
        np.testing.assert_array_equal(data[name], getattr(field, name))
    for name in data.data_vars:
        np.testing.assert_array_equal(data[name].values, getattr(field, name))
    assert {name: data[name].dims for name in data.data_vars} == {
        "e_theta": ("frequency", "theta", "phi"),
        "e_phi": ("frequency", "theta", "phi"),
        "radiated_power": ("frequency",),
        "trusted": ("frequency", "theta", "phi"),
    }
    assert {name: item.attrs["units"] for name, item in data.variables.items()} == {
        "frequency": "Hz",
        "theta": "rad",
        "phi": "rad",
        "e_theta": "V",
        "e_phi": "V",
        "radiated_power": "W",
        "trusted": "1",
    }
    assert all(item.attrs["long_name"] for item in data.variables.values())
    assert data.attrs["time_factor"] == "exp(+jwt)"
    assert data.attrs["phasors"].startswith("peak values")
    assert data.attrs["reference"] == "absolute"
    # By name and unit: the far field is where it should be, and e_phi is twice e_theta in `make`.
    one = data.sel(phi=4.0, theta=1.0).isel(frequency=1)
    assert one.e_theta.item() == field.e_theta[1, 1, 2]
    assert one.e_phi.item() == 2 * field.e_theta[1, 1, 2]
    assert not data.e_theta.values.flags.writeable


def test_labelled_dataset_is_that_of_a_native_file(tmp_path):
    xarray = pytest.importorskip("xarray")
    pytest.importorskip("h5netcdf")
    field = make(trusted=np.stack([np.eye(T, P, dtype=bool)] * F), reference="relative")
    write_far_field(tmp_path / "f.h5", field)
    with xarray.open_dataset(tmp_path / "f.h5", group="/far_field", engine="h5netcdf") as found:
        data = field.to_xarray()
        xarray.testing.assert_equal(data, found)
        assert set(data.variables) == set(found.variables)
        for name in data.variables:
            assert data[name].attrs == found[name].attrs
            assert data[name].dims == found[name].dims
        assert data.attrs.items() >= found.attrs.items()
        assert data.attrs["reference"] == "relative"


def test_labelled_dataset_without_marks():
    assert "trusted" not in make().to_xarray()


# --- from modes ---------------------------------------------------------------------------------

STEP = 2 * np.pi / 24
AROUND = STEP * np.arange(24)
PHI = {
    "full circle": AROUND,
    "with end point": np.append(AROUND, 2 * np.pi),
    "two turns": STEP * np.arange(48),
    "from -180 deg": AROUND - np.pi,
    "from -180 to 180 deg": np.linspace(-np.pi, np.pi, 25),
    "few steps": np.arange(4) * np.pi / 2,  # fewer than the 2N + 1 orders
    "descending": AROUND[::-1],
    "partial": np.linspace(0.2, 1.7, 9),
    "nearly a circle": AROUND[:-1],
    "irregular": np.array([0.0, 3.0, 0.1, -7.0, 2.0, 2.0]),
    "unequal by little": AROUND + 1e-9 * np.sin(AROUND),
    "one": np.array([0.7]),
    "one cut": np.array([0.3, 0.3 + np.pi]),
}
THETA = {
    "regular": np.linspace(0, np.pi, 13),
    "irregular": np.array([2.2, 0.0, 1.0, np.pi, 1.0, 0.01]),
    "one": np.array([1.1]),
}


@pytest.mark.parametrize("phi", PHI)
@pytest.mark.parametrize("theta", THETA)
def test_far_field_of_any_directions(theta, phi, modes):
    t, p = THETA[theta], PHI[phi]
    field = far_field(modes, theta=t, phi=p)
    assert field.e_theta.shape == field.e_phi.shape == (2, t.size, p.size)
    np.testing.assert_array_equal(field.theta, t)
    np.testing.assert_array_equal(field.phi, p)
    tt, pp = (x.ravel() for x in np.meshgrid(t, p, indexing="ij"))
    got = np.stack([field.e_theta, field.e_phi]).reshape(2, 2, -1)
    at_points = np.array(far_field_points(modes, theta=tt, phi=pp))
    for f in range(2):
        # Two ways through the library; the points are good to what is asked of them, 1e-12.
        size = np.abs(at_points[:, f]).max()
        np.testing.assert_allclose(got[:, f], at_points[:, f], rtol=0, atol=1e-12 * size)
        wanted = oracle.far_field(modes.coefficients[f], DEGREE, tt, pp).T
        # Degree 7: Legendre functions 10 N eps, 126 terms; phi to 7 rad, order 7: 49 eps.
        np.testing.assert_allclose(got[:, f], wanted, rtol=0, atol=1000 * EPS * size)


@pytest.mark.parametrize("theta", [1e-12, 1e-9, 1e-8, 1e-7, 1e-5, 1e-3])
@pytest.mark.parametrize("phi", ["full circle", "irregular"])
def test_far_field_close_to_the_poles(theta, phi, modes):
    # Angles that are poles but for their last digits, as a positioner's readings are.
    t, p = np.array([theta, np.pi - theta]), PHI[phi]
    field = far_field(modes, theta=t, phi=p)
    tt, pp = (x.ravel() for x in np.meshgrid(t, p, indexing="ij"))
    got = np.stack([field.e_theta, field.e_phi]).reshape(2, 2, -1)
    for f in range(2):
        wanted = oracle.far_field(modes.coefficients[f], DEGREE, tt, pp).T
        size = np.abs(wanted).max()
        # A hundredth of the 1e-9 promised of far fields.
        np.testing.assert_allclose(got[:, f], wanted, rtol=0, atol=1e-11 * size)


def test_power_and_reference_come_along(modes):
    field = far_field(modes, theta=[0.0, 1.0], phi=[0.0])
    np.testing.assert_array_equal(field.frequency, FREQUENCY)
    np.testing.assert_array_equal(field.radiated_power, modes.radiated_power())
    assert field.reference == "relative"
    absolute = Modes(FREQUENCY, modes.coefficients)
    assert far_field(absolute, theta=[0.0], phi=[0.0]).reference == "absolute"


def test_far_field_carries_the_radiated_power(modes):
    # The integral of (|E_theta|^2 + |E_phi|^2)/(2 Z0) over the sphere is 1/2 sum |Q|^2: exact by
    # N + 1 Gauss-Legendre nodes and 2 N + 1 azimuths.
    x, weight = np.polynomial.legendre.leggauss(DEGREE + 1)
    phi = 2 * np.pi * np.arange(2 * DEGREE + 1) / (2 * DEGREE + 1)
    field = far_field(modes, theta=np.arccos(x), phi=phi)
    intensity = (np.abs(field.e_theta) ** 2 + np.abs(field.e_phi) ** 2) / (2 * oracle.Z0)
    power = 2 * np.pi * intensity.mean(axis=2) @ weight
    np.testing.assert_allclose(power, field.radiated_power, rtol=500 * EPS)


@pytest.mark.parametrize(
    ("theta", "phi", "message"),
    [
        ([-0.1], [0.0], r"theta of a grid of directions lies in \[0, pi\] rad"),
        ([3.2], [0.0], r"theta of a grid of directions lies in \[0, pi\] rad"),
        ([[0.1]], [0.0], "theta has 2 dimensions, expected 1"),
        ([0.1], 0.0, "phi has 0 dimensions, expected 1"),
        ([np.nan], [0.0], "theta is nan at index"),
        ([0.1], [np.inf], "phi is inf at index"),
    ],
)
def test_far_field_refuses(theta, phi, message, modes):
    with pytest.raises(ValueError, match=message):
        far_field(modes, theta=theta, phi=phi)

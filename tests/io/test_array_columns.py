"""NumPy archives and MAT files by the same map as tables; expected values are the arrays themselves."""

import warnings

import h5py
import numpy as np
import pytest
import scipy.io
from scipy.io import savemat

from nf2ff.io.layout import Layout
from nf2ff.io.mapping import read_mapped
from nf2ff.io.proposal import propose
from nf2ff.io.toml import read_toml
from nf2ff.messages.input_error import InputError

THETA, PHI, GHZ = np.array([0.0, 30, 90]), np.array([10.0, 200]), np.array([1.5, 2, 3, 4])
RNG = np.random.default_rng(3)
S = RNG.normal(size=(4, 2, 3)) + 1j * RNG.normal(size=(4, 2, 3))  # frequency, phi, theta

GRID = """
axes = ["frequency", "phi", "theta"]
theta = { column = "th", unit = "deg" }
phi = { column = "ph", unit = "deg" }
chi = { value = 0, unit = "deg" }
radius = { column = "r", unit = "mm" }
frequency = { column = "f", unit = "GHz" }

[[response]]
complex = { column = "S" }
"""
CONTENT = {"th": THETA, "ph": PHI, "f": GHZ, "r": np.array(500.0), "S": S, "note": np.array("by hand")}


@pytest.fixture
def read(tmp_path, monkeypatch):
    """Return a function that writes an archive and a map, and reads them."""
    monkeypatch.chdir(tmp_path)

    def of(layout, content, kind="npz"):
        if kind == "npz":
            np.savez_compressed("a.npz", **content)
        else:
            savemat("a.mat", content)
        (tmp_path / "map.toml").write_text(layout)
        return read_mapped([f"a.{kind}"], read_toml("map.toml", Layout))

    return of


def check(found, value=S):
    np.testing.assert_array_equal(found.frequency, GHZ * 1e9)
    np.testing.assert_array_equal(found.theta, np.radians(np.tile(THETA, 2)))
    np.testing.assert_array_equal(found.phi, np.radians(np.repeat(PHI, 3)))
    np.testing.assert_array_equal(found.radius, np.full(6, 0.5))
    np.testing.assert_array_equal(found.response, value.reshape(4, 6))


@pytest.mark.parametrize("kind", ["npz", "mat"])
def test_readings_along_axes(read, kind):
    check(read(GRID, CONTENT, kind))
    parts = GRID.replace('complex = { column = "S" }', 'real = { column = "re" }\nimag = { column = "im" }')
    check(read(parts, CONTENT | {"re": S.real, "im": S.imag}, kind))


def test_what_the_library_will_change_is_no_fault(read, monkeypatch):
    real = scipy.io.loadmat

    def warns(*args, **more):
        warnings.warn("the kind of sparse matrices changes", DeprecationWarning, stacklevel=1)
        return real(*args, **more)

    monkeypatch.setattr(scipy.io, "loadmat", warns)
    check(read(GRID, CONTENT, "mat"))


@pytest.mark.parametrize("kind", ["npz", "mat"])
def test_columns_of_one_shape(read, kind):
    f, p, t = np.meshgrid(GHZ, PHI, THETA, indexing="ij")
    layout = GRID.replace('axes = ["frequency", "phi", "theta"]\n', "")
    check(read(layout, CONTENT | {"th": t, "ph": p, "f": f}, kind))
    flat = {"th": t.ravel(), "ph": p.ravel(), "f": f.ravel(), "S": S.ravel()}
    check(read(layout, CONTENT | flat, kind))


def test_fields_of_a_structure_and_missing_readings(read):
    missing = S.copy()
    missing[0, 0, 1] = np.nan
    content = {"scan": {**CONTENT, "S": missing}}
    layout = GRID
    for name in ("th", "ph", "r", "f", "S"):
        layout = layout.replace(f'column = "{name}"', f'column = "scan.{name}"')
    check(read(layout, content, "mat"), missing)


@pytest.mark.parametrize(
    ("change", "layout", "says"),
    [
        (
            {},
            ('column = "S"', 'column = "s"'),
            "no array 's', there are .*Write complex = { column = \"S\" }",
        ),
        ({}, ('column = "S"', "column = 1"), "column 1 is a number: name an array: complex = "),
        (
            {},
            ('complex = { column = "S" }', 'real = { column = "S" }\nimag = { column = "S" }'),
            "array 'S' is complex, expected the real: write complex = { column = \"S\" } if it is so",
        ),
        ({"th": [0, np.nan, 1]}, ("", ""), r"array 'th'\(2\) is nan: expected a finite number"),
        (
            {"S": S.transpose(0, 2, 1)},
            ("", ""),
            r"array 'S' has shape \(4, 3, 2\), expected \(4, 2, 3\) by its axes: put the names in axes = ",
        ),
        (
            {},
            ('axes = ["frequency", "phi", "theta"]\n', ""),
            r"array 'th' has shape \(3,\), the readings have \(4, 2, 3\): write axes = \[\"theta\", \.\.\.\]",
        ),
        ({"r": [1.0, 2]}, ("", ""), r"array 'r' has shape \(2,\), the readings have \(4, 2, 3\)"),
        ({}, ('"phi", "theta"', '"phi", "phi"'), "axes has 'phi': expected each once, of theta, phi"),
        ({}, ('"phi", "theta"', '"phi", "real"'), "axes has 'real': expected each once, of theta, phi"),
        (
            {"im": S.imag[:2], "re": S.real},
            ('complex = { column = "S" }', 'real = { column = "re" }\nimag = { column = "im" }'),
            r"arrays 're' and 'im' have shapes \(4, 2, 3\) and \(2, 2, 3\): expected the same",
        ),
        ({"th": [0, 30, 190]}, ("", ""), r"a.npz, row 3: theta is 190 deg: expected -180 to 180"),
    ],
)
def test_archives_that_are_refused(read, change, layout, says):
    with pytest.raises(InputError, match=says) as caught:
        read(GRID.replace(*layout), CONTENT | change)
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"PK\x03\x04 and no more", "a.npz: cannot be read as an archive of arrays"),
        (
            b"MATLAB 5.0 MAT-file" + b" " * 105 + b"\0\1IM" + b"\x0e\0\0\0\xff\xff",
            "a.npz: cannot be read as an",
        ),
        (b"MATLAB 7.3 MAT-file", "a.npz: cannot be read as an archive of arrays"),
        (b"\x89HDF\r\n\x1a\n", "a.npz: cannot be read as an archive of arrays"),
    ],
)
def test_broken_files(tmp_path, monkeypatch, data, says):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.npz").write_bytes(data)
    (tmp_path / "map.toml").write_text(GRID)
    with pytest.raises(InputError, match=says):
        read_mapped(["a.npz"], read_toml("map.toml", Layout))


def test_objects_are_not_unpacked(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    np.savez("a.npz", **(CONTENT | {"th": np.array([{}], dtype=object)}))
    (tmp_path / "map.toml").write_text(GRID)
    with pytest.raises(InputError, match="no array 'th', there are ph, f, r, S"):
        read_mapped(["a.npz"], read_toml("map.toml", Layout))


def test_a_proposal_names_axes_by_their_lengths(read, tmp_path):
    with pytest.raises(InputError, match="chi is given neither"):
        read(GRID.replace("chi =", "# chi ="), {"theta_deg": THETA, "phi_deg": PHI, "freq": GHZ, "S21": S})
    text = propose("a.npz")
    assert 'axes = ["frequency", "phi", "theta"]    # ? ' in text
    assert 'frequency = { column = "freq", unit = "GHz" }    # ? unit guessed' in text
    assert 'complex = { column = "S21" }' in text
    for name, value in (("chi", "0"), ("radius", "0.5")):
        text = text.replace(f"# {name} = {{ value = ...", f"{name} = {{ value = {value}")
    (tmp_path / "map.toml").write_text(text)
    check(read_mapped(["a.npz"], read_toml("map.toml", Layout)))


def write_73(path, content):
    """A MAT file of version 7.3 (its layout from memory): HDF5 behind 512 bytes of text, axes reversed,
    complex numbers as pairs, text as numbers of class char, cells as references."""
    pair = np.dtype([("real", "f8"), ("imag", "f8")])
    with h5py.File(path, "w", userblock_size=512) as file:
        for name, value in content.items():
            value = np.asarray(value)
            text = value.dtype.kind == "U"
            if text:
                value = np.array([[ord(x) for x in str(value)]], dtype="u2")
            value = np.atleast_2d(value).T
            if value.dtype.kind == "c":
                parts = np.empty(value.shape, dtype=pair)
                parts["real"], parts["imag"] = value.real, value.imag
                value = parts
            item = file.create_dataset(name, data=value)
            item.attrs["MATLAB_class"] = np.bytes_("char" if text else "double")
        cell = file.create_dataset("c", (1, 1), dtype=h5py.ref_dtype)
        cell.attrs["MATLAB_class"] = np.bytes_("cell")
        file.create_dataset("#refs#/a", data=[1.0])
    start = path.read_bytes()
    path.write_bytes(b"MATLAB 7.3 MAT-file, by hand".ljust(512, b" ") + start[512:])


def test_a_mat_file_of_version_7_3(tmp_path):
    write_73(tmp_path / "a.mat", CONTENT)
    (tmp_path / "map.toml").write_text(GRID)
    check(read_mapped([tmp_path / "a.mat"], read_toml(tmp_path / "map.toml", Layout)))
    # Fields of structures have dotted names.
    fields = {"d/S" if x == "S" else x: value for x, value in CONTENT.items()}
    write_73(tmp_path / "b.mat", fields)
    (tmp_path / "map.toml").write_text(GRID.replace('"S"', '"d.S"'))
    check(read_mapped([tmp_path / "b.mat"], read_toml(tmp_path / "map.toml", Layout)))
    assert 'column = "d.S"' in propose(tmp_path / "b.mat")


def test_hdf5_of_other_programs_has_its_axes_as_they_are(tmp_path):
    with h5py.File(tmp_path / "a.h5", "w") as file:
        for name, value in CONTENT.items():
            if value.dtype.kind != "U":
                file[name] = value
    (tmp_path / "map.toml").write_text(GRID)
    check(read_mapped([tmp_path / "a.h5"], read_toml(tmp_path / "map.toml", Layout)))


def test_hdf5_that_is_refused(tmp_path):
    (tmp_path / "map.toml").write_text(GRID)
    layout = read_toml(tmp_path / "map.toml", Layout)
    with h5py.File(tmp_path / "link.h5", "w") as file:
        file["S"] = h5py.ExternalLink("/etc/passwd", "/x")
    with pytest.raises(InputError, match="/S is a soft or external link"):
        read_mapped([tmp_path / "link.h5"], layout)
    with h5py.File(tmp_path / "own.h5", "w") as file:
        file.attrs.update({"format": "nf2ff", "kind": "samples"})
    with pytest.raises(InputError, match="is a native file, whose layout is known: no map is needed"):
        read_mapped([tmp_path / "own.h5"], layout)

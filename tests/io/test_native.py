"""Native files: they come back, open elsewhere, and are refused where they are not sound."""

from __future__ import annotations

import dataclasses
import hashlib
import json
import time
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import nf2ff.io.hdf5
from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.modes import Modes
from nf2ff.io import hdf5_inspect, native, safe, tables
from nf2ff.measurement.probe import Probe
from nf2ff.measurement.samples import Samples
from nf2ff.metrics.result import Quantity, Result

FREQUENCY = [1e9, 2.5e9]


def random(*shape: int, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return rng.normal(size=shape) + 1j * rng.normal(size=shape)


def some_samples(**change: Any) -> Samples:
    given = {
        "frequency": FREQUENCY,
        "theta": [0.1, -2, 3],
        "phi": 0.5,
        "chi": [[0, 1, 2], [3, 4, 5.5]],
        "radius": 1.5,
        "port": [1, 2, 1],
        "response": random(2, 3),
        "response_unit": "sqrt(W)",
    }
    return Samples(**(given | change))


def some_modes(reference: str = "absolute") -> Modes:
    return Modes(FREQUENCY, random(2, 16), reference)


def some_far_field() -> FarField:
    theta, phi = [0, 1.5, np.pi], [0, 1, 2, 3.0]
    field = random(2, 2, 3, 4)
    return FarField(FREQUENCY, theta, phi, *field, [0.5, 0.25], "relative")


def write_full(path: Path, **change: Any) -> None:
    given = {
        "modes": some_modes(),
        "far_field": some_far_field(),
        "quantities": {
            "peak": Quantity([10.5, np.nan], "dBi", "peak directivity"),
            "iterations": (np.array([3, 4]), "1", "steps of the solver"),
        },
        "warnings": [["short of\nsamples", "θ out of reach"], []],
        "notes": {"method": "quadrature"},
    }
    overwrite = change.pop("overwrite", False)
    native.write_result(path, Result(**(given | change)), overwrite=overwrite)


def assert_same(a: Any, b: Any, *names: str) -> None:
    for name in names:
        np.testing.assert_array_equal(getattr(a, name), getattr(b, name), err_msg=name)


SAMPLES = ("frequency", "theta", "phi", "chi", "radius", "port", "response", "response_unit")
FAR_FIELD = ("frequency", "theta", "phi", "e_theta", "e_phi", "radiated_power", "reference")


@settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.integers(1, 4),
    st.integers(1, 9),
    st.integers(0, 2**32 - 1),
    st.sampled_from(["V/m", "sqrt(W)", "relative"]),
    st.sets(st.sampled_from(["theta", "phi", "chi", "radius"])),
)
def test_samples_come_back(
    tmp_path: Path, frequencies: int, count: int, seed: int, unit: str, moving: set[str]
) -> None:
    rng = np.random.default_rng(seed)
    place = {
        name: rng.uniform(1e-3, 3, (frequencies, count) if name in moving else count)
        for name in ("theta", "phi", "chi", "radius")
    }
    response = random(frequencies, count, seed=seed)
    response[rng.random(response.shape) < 0.2] = np.nan
    port = rng.integers(1, 32767, count)
    samples = Samples(
        rng.permutation(frequencies) + 1e9, **place, port=port, response=response, response_unit=unit
    )
    path = tmp_path / "s.h5"
    native.write_samples(path, samples, overwrite=True)
    assert_same(native.read_samples(path), samples, *SAMPLES)


def test_large_samples_come_back_in_chunks(tmp_path: Path) -> None:
    count = nf2ff.io.hdf5._CHUNK + 5
    samples = some_samples(theta=np.linspace(0, 3, count), chi=0, port=1, response=random(2, count))
    native.write_samples(tmp_path / "s.h5", samples)
    assert_same(native.read_samples(tmp_path / "s.h5"), samples, *SAMPLES)


@pytest.mark.parametrize("taken", [[0.0, 2, 4.5], [[0.0, 2, 4], [1, 3, 5]]])
def test_times_come_back(tmp_path: Path, taken: Any) -> None:
    native.write_samples(tmp_path / "a.h5", some_samples(time=taken))
    found = native.read_samples(tmp_path / "a.h5").time
    np.testing.assert_array_equal(found, taken)
    with h5py.File(tmp_path / "a.h5", "r+") as file:
        file["samples/time"].attrs["units"] = np.bytes_("min")
    with pytest.raises(ValueError, match="/samples/time has units 'min', expected s"):
        native.read_samples(tmp_path / "a.h5")


@pytest.mark.parametrize("reference", ["absolute", "relative"])
def test_modes_come_back(tmp_path: Path, reference: str) -> None:
    native.write_modes(tmp_path / "m.h5", some_modes(reference))
    found = native.read_modes(tmp_path / "m.h5")
    assert_same(found, some_modes(reference), "frequency", "coefficients", "reference")


def test_far_fields_come_back(tmp_path: Path) -> None:
    native.write_far_field(tmp_path / "f.h5", some_far_field())
    assert_same(native.read_far_field(tmp_path / "f.h5"), some_far_field(), *FAR_FIELD)
    assert native.read_far_field(tmp_path / "f.h5").trusted is None
    with h5py.File(tmp_path / "f.h5") as file:
        assert "trusted" not in file["far_field"]


def test_directions_to_trust_come_back(tmp_path: Path) -> None:
    field = some_far_field()
    mark = np.arange(field.e_theta.size).reshape(field.e_theta.shape) % 5 > 1
    field = dataclasses.replace(field, trusted=mark)
    write_full(tmp_path / "r.h5", far_field=field)
    found = native.read_far_field(tmp_path / "r.h5")
    assert_same(found, field, *FAR_FIELD, "trusted")
    assert found.trusted is not None
    assert found.trusted.dtype == bool
    with h5py.File(tmp_path / "r.h5") as file:
        item = file["far_field/trusted"]
        axes = [f"/far_field/{name}" for name in ("frequency", "theta", "phi")]
        assert [axis[0].name for axis in item.dims] == axes
        assert set(np.unique(item)) == {0, 1}
    xarray = pytest.importorskip("xarray")
    pytest.importorskip("h5netcdf")
    with xarray.open_dataset(tmp_path / "r.h5", group="/far_field", engine="h5netcdf") as data:
        np.testing.assert_array_equal(data.trusted, mark)


def test_directions_to_trust_of_another_shape(tmp_path: Path) -> None:
    field = some_far_field()
    field = dataclasses.replace(field, trusted=np.ones(field.e_theta.shape, bool))
    native.write_far_field(tmp_path / "f.h5", field)
    with h5py.File(tmp_path / "f.h5", "a") as file:
        values = file["far_field/trusted"]
        about = dict(values.attrs)
        del file["far_field/trusted"]
        file["far_field"].create_dataset("trusted", data=np.ones((1, 4, 3), np.uint8)).attrs.update(
            units=about["units"]
        )
    with pytest.raises(ValueError, match=r"f\.h5: /far_field/trusted has shape \(1, 4, 3\), but 2 of freq"):
        native.read_far_field(tmp_path / "f.h5")


@pytest.mark.parametrize("frequency", [None, FREQUENCY])
def test_probes_come_back(tmp_path: Path, frequency: list[float] | None) -> None:
    probe = Probe(frequency, random(2 if frequency else 1, 3, 6), "V/m")
    native.write_probe(tmp_path / "p.h5", probe)
    found = native.read_probe(tmp_path / "p.h5")
    assert (found.frequency is None) == (frequency is None)
    assert_same(found, probe, "coefficients", "response_unit")
    if frequency:
        assert_same(found, probe, "frequency")


def test_results_come_back(tmp_path: Path) -> None:
    path = tmp_path / "r.h5"
    write_full(path)
    found = native.read_result(path)
    assert_same(found.modes, some_modes(), "frequency", "coefficients", "reference")
    assert found.far_field is not None
    assert_same(found.far_field, some_far_field(), *FAR_FIELD)
    np.testing.assert_array_equal(found.quantities["peak"].values, [10.5, np.nan])
    assert found.quantities["peak"][1:] == ("dBi", "peak directivity")
    np.testing.assert_array_equal(found.quantities["iterations"].values, [3, 4])
    assert found.warnings == (("short of samples", "θ out of reach"), ())
    assert found.notes == {"method": "quadrature"}
    assert_same(native.read_far_field(path), some_far_field(), *FAR_FIELD)
    assert_same(native.read_modes(path), some_modes(), "coefficients")

    write_full(path, far_field=None, quantities={}, warnings=(), notes={}, overwrite=True)
    found = native.read_result(path)
    assert (found.far_field, found.quantities, found.warnings, found.notes) == (None, {}, (), {})


def test_provenance(tmp_path: Path) -> None:
    (tmp_path / "scan.csv").write_bytes(b"theta")
    # HDF5 holds no more than 64 KiB within an attribute itself.
    command = "nf2ff transform " + "x" * 100_000
    origin = safe.provenance(inputs=[tmp_path / "scan.csv"], command=command, seed=7)
    write_full(tmp_path / "r.h5", provenance=origin)
    found = native.read_provenance(tmp_path / "r.h5")
    assert found == origin == native.read_result(tmp_path / "r.h5").provenance
    digest = hashlib.sha256(b"theta").hexdigest()
    assert json.loads(found["inputs"]) == {str(tmp_path / "scan.csv"): digest}
    assert json.loads(found["libraries"])["numpy"] == np.__version__
    assert found["program"].startswith("nf2ff ")
    assert (found["command"], found["rng_seed"]) == (command, "7")
    assert "rng_seed" not in safe.provenance()
    with pytest.raises(ValueError, match=r"none\.csv: no such file"):
        safe.provenance(inputs=[tmp_path / "none.csv"])


def test_a_file_without_provenance_is_read(tmp_path: Path) -> None:
    write_full(tmp_path / "r.h5")
    with h5py.File(tmp_path / "r.h5", "a") as file:
        del file["provenance"]
    assert native.read_provenance(tmp_path / "r.h5") == {}


def test_equal_runs_give_equal_files(tmp_path: Path) -> None:
    write_full(tmp_path / "a.h5")
    time.sleep(1.1)  # HDF5 has times in whole seconds
    write_full(tmp_path / "b.h5")
    assert (tmp_path / "a.h5").read_bytes() == (tmp_path / "b.h5").read_bytes()


def test_every_dataset_has_units_name_axes_and_checksum(tmp_path: Path) -> None:
    write_full(tmp_path / "r.h5")
    with h5py.File(tmp_path / "r.h5") as file:
        assert dict(file.attrs) == {"format": b"nf2ff", "version": 1, "kind": b"result"}
        seen = []
        for group in ("modes", "far_field", "solution"):
            for name, data in file[group].items():
                seen.append(name)
                assert isinstance(data.attrs["units"], bytes)
                assert isinstance(data.attrs["long_name"], bytes)
                assert data.fletcher32
                assert data.is_scale or all(len(axis) == 1 for axis in data.dims)
        assert len(seen) == 6 + 6 + 4
        assert [axis[0].name for axis in file["far_field/e_phi"].dims] == [
            "/far_field/frequency",
            "/far_field/theta",
            "/far_field/phi",
        ]
        assert file["far_field"].attrs["reference"] == b"relative"


def test_xarray_opens_files_as_they_are(tmp_path: Path) -> None:
    xarray = pytest.importorskip("xarray")
    pytest.importorskip("h5netcdf")
    write_full(tmp_path / "r.h5")
    native.write_samples(tmp_path / "s.h5", some_samples())
    native.write_probe(tmp_path / "p.h5", Probe(None, random(1, 2, 6)))

    def opened(name: str, group: str) -> Any:
        with xarray.open_dataset(tmp_path / name, group=group, engine="h5netcdf") as data:
            return data.load()

    far, right = opened("r.h5", "/far_field"), some_far_field()
    assert far.e_theta.dims == ("frequency", "theta", "phi")
    assert far.e_theta.attrs["units"] == "V"
    np.testing.assert_array_equal(far.e_theta, right.e_theta)
    np.testing.assert_array_equal(far.sel(frequency=2.5e9, phi=3.0).e_phi, right.e_phi[1, :, 3])
    assert far.radiated_power.dims == ("frequency",)
    modes = opened("r.h5", "/modes")
    assert modes.coefficients.dims == ("frequency", "mode")
    np.testing.assert_array_equal(modes.coefficients, some_modes().coefficients)
    assert modes.n.values.tolist() == [1] * 6 + [2] * 10
    solution = opened("r.h5", "/solution")
    assert solution.peak.dims == solution.warnings.dims == ("frequency",)
    samples = opened("s.h5", "/samples")
    assert (samples.theta.dims, samples.chi.dims) == (("sample",), ("frequency", "sample"))
    np.testing.assert_array_equal(samples.response, some_samples().response)
    assert opened("p.h5", "/probe").coefficients.dims == ("port", "mode")


def test_samples_by_content(tmp_path: Path) -> None:
    samples = some_samples(response_unit="V/m")
    tables.write_table(tmp_path / "odd.h5", samples)
    native.write_samples(tmp_path / "odd.csv", samples)
    np.testing.assert_array_equal(native.read_samples(tmp_path / "odd.h5").response, samples.response)
    assert_same(native.read_samples(tmp_path / "odd.csv"), samples, *SAMPLES)
    other = native.read_samples(tmp_path / "odd.h5", time_convention="exp(-iwt)", response_unit="relative")
    np.testing.assert_array_equal(other.response, samples.response.conj())
    assert other.response_unit == "relative"
    native.read_samples(tmp_path / "odd.csv", time_convention="exp(+jwt)", response_unit="V/m")
    for option in ({"time_convention": "exp(-iwt)"}, {"response_unit": "sqrt(W)"}):
        with pytest.raises(ValueError, match=r"is native: exp\(\+jwt\), responses in V/m: leave"):
            native.read_samples(tmp_path / "odd.csv", **option)


def test_file_kind(tmp_path: Path) -> None:
    path = tmp_path / "x"
    write_full(path)
    assert native.file_kind(path) == "result"
    native.write_probe(path, Probe(None, random(1, 2, 6)), overwrite=True)
    assert native.file_kind(path) == "probe"
    tables.write_table(path, some_samples(), overwrite=True)
    assert native.file_kind(path) == "table"
    tables.write_pattern(path, some_far_field(), overwrite=True)
    path.write_text("\ufeff# a pattern\n\n" + path.read_text())
    assert native.file_kind(path) == "pattern"
    for text in ("", "# nothing\n", "a,b\n1,2\n", "\udcff"):
        path.write_bytes(text.encode(errors="surrogateescape"))
        with pytest.raises(ValueError, match="is neither a native file nor a CSV table"):
            native.file_kind(path)


NSMA_STARTS = ("REVNUM:,NSMA WG16.99.050", "! of ours\r\n\r\nrevdat: 1999", "\ufeffANTMAN,X")


@pytest.mark.parametrize("level", ["eirp_theta_dbm,eirp_phi_dbm", "eirp_dbm", "eis_theta_dbm"])
def test_tables_of_power_hold_no_samples(tmp_path: Path, level: str) -> None:
    path = tmp_path / "x.csv"
    path.write_text(f"# of ours\ntheta_deg,phi_deg,frequency_hz,{level}\n", encoding="utf-8")
    says = r"x.csv: holds power without phase, .*nf2ff inspect gives .*: expected a native file or"
    with pytest.raises(ValueError, match=says):
        native.read_samples(path)


@pytest.mark.parametrize("text", NSMA_STARTS)
def test_pattern_files_of_nsma_are_known_and_hold_no_samples(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x"
    path.write_text(text, encoding="utf-8")
    assert native.file_kind(path) == "nsma_pattern"
    says = "x: is an NSMA pattern file, which holds no samples: expected a native file or a CSV"
    with pytest.raises(ValueError, match=says):
        native.read_samples(path)


@pytest.mark.parametrize(
    "text",
    [
        "[[dipole]]\nposition_m = [0, 0, 0]\n",
        "# a budget\n\n[coverage] # how sure\nfactor = 2\n",
        "draws = 30\n",
        '"a-key"="b"',
    ],
)
def test_toml_is_known_as_that(tmp_path: Path, text: str) -> None:
    path = tmp_path / "x"
    path.write_text(text)
    made = r"; of a probe theta_deg,.*e_phi_imag\): nf2ff simulate makes a scan of dipoles$"
    table = r"x: is TOML, expected a native file or a CSV table \(theta_deg,.*,imag"
    with pytest.raises(ValueError, match=table + made):
        native.file_kind(path)
    with pytest.raises(ValueError, match=table + r"\): nf2ff simulate makes a scan of dipoles$"):
        native.read_samples(path)


@pytest.mark.parametrize("text", ["theta_deg;phi_deg\n", "[1, 2]\n", "COLOUR:,red\n", "a b = 1"])
def test_other_text_is_not_called_so(tmp_path: Path, text: str) -> None:
    (tmp_path / "x").write_text(text)
    with pytest.raises(ValueError, match="is neither a native file nor a CSV table"):
        native.file_kind(tmp_path / "x")


# ------------------------------------------------------------------------------- unsound files


def replace(file: Any, name: str, **how: Any) -> None:
    """Another dataset under an old name, with its units."""
    units = file[name].attrs["units"]
    del file[name]
    file.create_dataset(name, **how).attrs["units"] = units


def virtual(file: Any) -> None:
    layout = h5py.VirtualLayout((2, 16), complex)
    layout[:] = h5py.VirtualSource(file.filename, "elsewhere", (2, 16), complex)
    del file["modes/coefficients"]
    file.create_virtual_dataset("modes/coefficients", layout)


def external_storage(file: Any) -> None:
    outside = Path(file.filename).with_name("outside.bin")
    outside.write_bytes(bytes(2 * 16 * 16))
    replace(
        file, "modes/coefficients", shape=(2, 16), dtype=complex, external=[(str(outside), 0, 2 * 16 * 16)]
    )


def set_link(name: str, link: Any) -> Callable[[Any], None]:
    def change(file: Any) -> None:
        if name in file:
            del file[name]
        file[name] = link

    return change


def set_attribute(place: str, name: str, value: Any) -> Callable[[Any], None]:
    def change(file: Any) -> None:
        del file[place].attrs[name]
        if value is not None:
            file[place].attrs[name] = np.bytes_(value.encode()) if isinstance(value, str) else value

    return change


def set_data(name: str, **how: Any) -> Callable[[Any], None]:
    return lambda file: replace(file, name, **how)


def spoil(name: str, value: Any) -> Callable[[Any], None]:
    def change(file: Any) -> None:
        file[name][(0,) * file[name].ndim] = value

    return change


def remove(name: str) -> Callable[[Any], None]:
    def change(file: Any) -> None:
        del file[name]

    return change


def as_group(name: str) -> Callable[[Any], None]:
    """A group in the place of a dataset."""

    def change(file: Any) -> None:
        del file[name]
        file.create_group(name)

    return change


UNFINISHED = {"shape": (2, 16), "dtype": complex, "chunks": (1, 16), "compression": "gzip"}
UNSOUND = [
    (set_link("x", h5py.ExternalLink("other.h5", "/modes")), r"/x is a soft or external link: put"),
    (set_link("modes/s", h5py.SoftLink("/modes/n")), r"/modes/s is a soft or external link: put"),
    (set_link("modes", h5py.ExternalLink("other.h5", "/m")), r"/modes is a soft or external link"),
    (external_storage, r"/modes/coefficients keeps its data in other files: put the data itself"),
    (virtual, r"/modes/coefficients keeps its data in other files: put the data itself there"),
    (set_attribute("/", "version", 2), r"is of version 2, expected 1: use the nf2ff that wrote it"),
    (set_attribute("/", "version", None), r"is of version None, expected 1"),
    (set_attribute("/", "format", "else"), r"is HDF5 of another format: expected the attribute"),
    (set_attribute("/", "format", None), r"is HDF5 of another format"),
    (set_attribute("/", "kind", "song"), r"is of kind 'song', expected one of samples, result"),
    (set_attribute("modes", "reference", "a"), r"attribute reference is 'a', expected one of abso"),
    (set_attribute("modes", "reference", None), r"attribute reference is None, expected one of"),
    (set_attribute("modes/frequency", "units", None), r"/modes/frequency has units None, expected Hz"),
    (set_attribute("modes/frequency", "units", "GHz"), r"has units 'GHz', expected Hz: convert it"),
    (set_attribute("modes/frequency", "units", 3), r"/modes/frequency has units 3, expected Hz"),
    (set_attribute("solution/peak", "units", None), r"/solution/peak has units None, expected a text"),
    (remove("modes"), r"has no group /modes: it is a file of kind result"),
    (remove("modes/coefficients"), r"has no dataset /modes/coefficients"),
    (remove("modes/m"), r"has no dataset /modes/m"),
    (set_data("modes/coefficients", data=np.ones((2, 16))), r"is float64 \(2, 16\), expected complex"),
    (set_data("modes/coefficients", data=random(2, 4, 4)), r"\(2, 4, 4\), expected complex numbers in"),
    (
        set_data("modes/coefficients", data=random(2, 15)),
        r"modes/coefficients has shape \(2, 15\), but 16 of mode",
    ),
    (
        set_data("modes/coefficients", data=random(3, 16)),
        r"has shape \(3, 16\), but 2 of frequency by frequency",
    ),
    (set_data("modes/frequency", data=["1", "2"]), r"/modes/frequency is of variable length"),
    (set_data("modes/frequency", data=np.array([b"1", b"2"])), r"frequency is \|S1 \(2,\), expected real"),
    (set_attribute("/", "format", np.array("nf2ff", h5py.string_dtype())), r"/: attribute format is of va"),
    (as_group("modes/frequency"), r"has no dataset /modes/frequency"),
    (as_group("solution/warnings"), r"/solution has no texts warnings: write it again"),
    (as_group("solution/peak"), r"has no dataset /solution/peak: write it again"),
    (as_group("far_field/theta"), r"has no dataset /far_field/theta: write it again"),
    (set_data("modes/frequency", shape=(0,), dtype=float), r"/modes/frequency holds no number"),
    (set_data("modes/frequency", data=h5py.Empty("f8")), r"/modes/frequency holds no number"),
    (set_data("modes/frequency", shape=(2,), dtype=float), r"0 bytes of 2 numbers: was not written"),
    (set_data("modes/frequency", data=[1.0, 2.0], compression="lzf"), r"compressed in an unusual way"),
    (spoil("modes/coefficients", complex(np.nan, 1)), r"/modes/coefficients is not finite at index \(0, 0"),
    (spoil("modes/frequency", -1.0), r"frequency must be positive"),
    (spoil("modes/n", 2), r"s, m, n are not in the order j = 2"),
    (set_data("modes/n", data=np.ones(4, int)), r"/modes/n has shape \(4,\), but 16 of mode"),
    (spoil("far_field/e_phi", np.inf), r"/far_field/e_phi is not finite at index \(0, 0, 0\): remove"),
    (set_data("far_field/theta", data=[0.0, 1.0]), r"has shape .*, but 2 of theta by theta"),
    (spoil("solution/frequency", 5.0), r"/solution has other frequencies than /modes"),
    (set_data("solution/peak", data=[1.0, 2, 3]), r"/solution has not one value per frequency"),
    (set_data("solution/warnings", data=np.array([b"a"])), r"/solution has not one value per frequency"),
    (set_data("solution/warnings", data=[1.0, 2]), r"/solution has no texts warnings: write it again"),
    (set_data("solution/warnings", data=np.array([[b"a"], [b"b"]])), r"/solution has no texts warnings"),
    (set_data("solution/warnings", data=["a", "b"]), r"/solution/warnings is of variable length"),
    (set_data("modes/coefficients", **UNFINISHED), r"/modes/coefficients has 0 of 2 chunks: was not"),
]


@pytest.mark.slow
@pytest.mark.parametrize(("change", "message"), UNSOUND)
def test_unsound_files_are_refused(tmp_path: Path, change: Callable[[Any], None], message: str) -> None:
    path = tmp_path / "bad.h5"
    write_full(path)
    native.read_result(path)
    with h5py.File(path, "a") as file:
        change(file)
    with pytest.raises(ValueError, match=message) as caught:
        native.read_result(path)
    assert str(caught.value).startswith(f"{path}: ")
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (spoil("samples/theta", np.nan), r"/samples/theta is not finite at index \(0\)"),
        (spoil("samples/theta", 3.5), r"theta is 200.535 deg at sample 1, expected -180 to 180"),
        (spoil("samples/radius", 0.0), r"radius is 0 m at sample 1"),
        (spoil("samples/response", complex(0, np.inf)), r"/samples/response is not finite at index"),
        (set_data("samples/port", data=[1, 2, 70000]), r"/samples/port is 70000, expected whole"),
        (set_data("samples/port", data=[1, 2, 3.0]), r"float64 \(3,\), expected whole numbers"),
        (set_attribute("samples/response", "units", "V"), r"has units 'V', expected V/m or sqrt"),
        (set_data("samples/phi", data=[1.0, 2]), r"phi has shape \(2,\), but 3 of sample by sample"),
    ],
)
def test_unsound_samples_are_refused(tmp_path: Path, change: Callable[[Any], None], message: str) -> None:
    path = tmp_path / "bad.h5"
    native.write_samples(path, some_samples())
    with h5py.File(path, "a") as file:
        change(file)
    with pytest.raises(ValueError, match=message):
        native.read_samples(path)


def test_gzip_is_read(tmp_path: Path) -> None:
    path = tmp_path / "m.h5"
    native.write_modes(path, some_modes())
    with h5py.File(path, "a") as file:
        replace(file, "modes/coefficients", data=random(2, 16), compression="gzip", shuffle=True)
    assert_same(native.read_modes(path), some_modes(), "coefficients")


def test_sizes_are_bounded_before_anything_is_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "m.h5"
    native.write_modes(path, some_modes())
    with h5py.File(path, "a") as file:
        # A terabyte on paper, a few bytes on disk.
        large = file.create_dataset("x", (2**37,), "f8", chunks=(2**17,), compression="gzip")
        large[5:9] = 1
    with pytest.raises(ValueError, match="/x has 1 of 1048576 chunks: was not written to the end"):
        native.read_modes(path)
    native.write_modes(path, some_modes(), overwrite=True)
    with h5py.File(path, "a") as file:
        # What deflate cannot have made: a gigabyte of a few bytes.
        large = file.create_dataset("x", (2**27,), "f8", chunks=(2**27,), compression="gzip")
        large.id.write_direct_chunk((0,), zlib.compress(b"short"))
    with pytest.raises(ValueError, match="/x has a chunk of less than its 1073741824 bytes: was not"):
        native.read_modes(path)
    native.write_modes(path, some_modes(), overwrite=True)
    with h5py.File(path, "a") as file:
        for k in range(40):
            file[f"a{k}"] = file["modes/coefficients"]
    with pytest.raises(ValueError, match=r"ends beyond the [0-9]+ bytes of the file: copy or write"):
        native.read_modes(path)
    native.write_modes(path, some_modes(), overwrite=True)
    with monkeypatch.context() as patch:
        patch.setattr(hdf5_inspect, "MAX_BYTES", 100)
        with pytest.raises(ValueError, match="holds more than 100 bytes of data, the limit: split it"):
            native.read_modes(path)
    monkeypatch.setattr(hdf5_inspect, "MAX_LINKS", 5)
    with pytest.raises(ValueError, match="holds more than 5 links: keep only"):
        native.read_modes(path)


def test_truncated_files(tmp_path: Path) -> None:
    path = tmp_path / "r.h5"
    write_full(path)
    whole = path.read_bytes()
    for size in (0, 7, 8, 100, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:size])
        with pytest.raises(ValueError, match=r"is not HDF5|is truncated|cannot be read") as caught:
            native.read_result(path)
        assert "\n" not in str(caught.value)
    assert "is truncated" in str(caught.value)


def test_a_changed_bit_is_noticed(tmp_path: Path) -> None:
    path = tmp_path / "m.h5"
    native.write_modes(path, some_modes())
    data = bytearray(path.read_bytes())
    at = data.index(some_modes().coefficients[1, 5].tobytes())
    data[at + 3] ^= 1
    path.write_bytes(data)
    with pytest.raises(ValueError, match=r"m\.h5: cannot be read \(.*\): copy or write it again"):
        native.read_modes(path)

    # The header of an object begins with these four bytes; units and shapes are in there.
    native.write_modes(path, some_modes(), overwrite=True)
    data = bytearray(path.read_bytes())
    data[data.index(b"OHDR") + 20] ^= 1
    path.write_bytes(data)
    with pytest.raises(ValueError, match=r"m\.h5: cannot be read \(.*\): copy or write it again"):
        native.read_modes(path)


def test_other_files(tmp_path: Path) -> None:
    path = tmp_path / "x.h5"
    with pytest.raises(ValueError, match=r"x\.h5: no such file: check its name and folder"):
        native.read_modes(path)
    with pytest.raises(ValueError, match="is a folder or a device"):
        native.read_samples(tmp_path)
    path.write_text("theta,phi\n")
    with pytest.raises(ValueError, match="is not HDF5: give a native file"):
        native.read_far_field(path)
    with h5py.File(path, "w") as file:
        file["data"] = [1, 2, 3]
    with pytest.raises(ValueError, match="is HDF5 of another format: expected the attribute form"):
        native.read_samples(path)
    native.write_modes(path, some_modes(), overwrite=True)
    for read, group in ((native.read_samples, "samples"), (native.read_probe, "probe")):
        with pytest.raises(ValueError, match=f"has no group /{group}: it is a file of kind modes"):
            read(path)


# ------------------------------------------------------------------------------------- writing


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"quantities": {"a": ([1.0], "1", "x")}}, r"a is float64 \(1,\), expected real numbers \(2,\)"),
        ({"quantities": {"a": (["x", "y"], "1", "x")}}, r"a is <U1 \(2,\), expected real numbers"),
        (
            {"quantities": {"frequency": ([1.0, 2], "1", "x")}},
            "frequency is taken, and cannot name a quantity",
        ),
        ({"warnings": [[]]}, "warnings are given for 1 of 2 frequencies"),
    ],
)
def test_results_that_do_not_fit(tmp_path: Path, change: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        write_full(tmp_path / "r.h5", **change)
    assert not list(tmp_path.iterdir())


def test_nothing_is_not_written(tmp_path: Path) -> None:
    empty = FarField(FREQUENCY, [], [0.0], np.ones((2, 0, 1)), np.ones((2, 0, 1)), [1.0, 1])
    with pytest.raises(ValueError, match=r"f\.h5: far_field has no theta: nothing to write"):
        native.write_far_field(tmp_path / "f.h5", empty)
    assert not list(tmp_path.iterdir())


def test_existing_files_stay_unless_told(tmp_path: Path) -> None:
    path = tmp_path / "m.h5"
    path.write_text("old")
    with pytest.raises(ValueError, match=r"m\.h5: exists: choose another name or --overwrite"):
        native.write_modes(path, some_modes())
    assert path.read_text() == "old"
    native.write_modes(path, some_modes(), overwrite=True)
    assert_same(native.read_modes(path), some_modes(), "coefficients")


def test_a_failed_write_leaves_the_old_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "m.h5"
    path.write_text("old")
    fill = nf2ff.io.hdf5._fill

    def full(target: Any, group: Any) -> None:
        fill(target, group)
        raise OSError(28, "No space left on device")

    def wrong(target: Any, group: Any) -> None:
        fill(target, group)
        target["coefficients"][0, 0] += 1

    def linked(target: Any, group: Any) -> None:
        fill(target, group)
        target["x"] = h5py.SoftLink("/")

    for fault, message in (
        (full, r"m\.h5: cannot be written \(No space left on device\): free space or"),
        (wrong, r"m\.h5: cannot be written \(.*/modes/coefficients read back differs"),
        (linked, r"m\.h5: cannot be written \(read back fails, .* is a soft or external link"),
    ):
        monkeypatch.setattr(nf2ff.io.hdf5, "_fill", fault)
        with pytest.raises(ValueError, match=message):
            native.write_modes(path, some_modes(), overwrite=True)
        assert path.read_text() == "old"
        assert [x.name for x in tmp_path.iterdir()] == ["m.h5"]

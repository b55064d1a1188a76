"""Bad data: one clear line that says what, where and what to do, exit 1, and no file touched."""

import dataclasses
import shutil

import h5py
import numpy as np
import pytest
from commands import IN_FIELDS, assert_file_refused, assert_refused, put_rows, rows_of, simulated

import nf2ff
from nf2ff.io.native import read_samples, write_probe, write_samples

COARSE = ("--theta-step-deg", 15, "--phi-step-deg", 15)
NAMES = ("theta_deg", "phi_deg", "chi_deg", "radius_m", "frequency_hz", "port", "real", "imag")


@pytest.fixture(scope="module")
def table(tmp_path_factory):
    """A good table: 13 x 24 positions, two polarisations, 3 GHz."""
    return simulated(tmp_path_factory.mktemp("table") / "scan.csv", *COARSE)


@pytest.fixture(scope="module")
def rows(table):
    """Its rows as text cells, in the order of `NAMES`."""
    rows, header = rows_of(table)
    assert header == list(NAMES)
    return rows


@pytest.fixture(scope="module")
def native(table):
    path = table.with_name("native.h5")
    write_samples(path, read_samples(table, response_unit="V/m"))
    return path


@pytest.fixture(autouse=True)
def own_folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)


# --- tables that cannot be read -----------------------------------------------------------------


def cell(row, name, text):
    """Edit of one cell; ``row`` counts from 0, line 2 of the file."""

    def edit(rows):
        new = [list(x) for x in rows]
        new[row][NAMES.index(name)] = text
        return new, NAMES

    return edit


def without(name):
    at = NAMES.index(name)
    return lambda rows: ([x[:at] + x[at + 1 :] for x in rows], NAMES[:at] + NAMES[at + 1 :])


def renamed(name, new):
    return lambda rows: (rows, tuple(new if x == name else x for x in NAMES))


def second_frequency(pick):
    """3.1 GHz in the rows that ``pick`` (index, row) says."""

    def edit(rows):
        new = [list(x) for x in rows]
        for i, row in enumerate(new):
            if pick(i, row):
                row[4] = "3.1e9"
        return new, NAMES

    return edit


UNREADABLE = {
    "column missing": (without("radius_m"), r"line 1: column radius_m is missing: expected"),
    "column misspelt": (
        renamed("theta_deg", "thetta_deg"),
        r"line 1: column theta_deg is missing \(is it 'thetta_deg'",
    ),
    "column unknown": (renamed("port", "beam"), r"line 1: column 'beam' is unknown"),
    "no number": (cell(7, "real", "5x"), r"line 9, column real: is '5x': expected a number"),
    "decimal comma": (cell(7, "real", "0,5"), r"line 9: has 9 fields, the header has 8"),
    "NaN": (cell(5, "real", "nan"), r"line 7, column real: is 'nan': expected a finite number"),
    "infinity": (cell(5, "imag", "-inf"), r"line 7, column imag: is '-inf': expected a finite"),
    "half a response": (cell(5, "imag", ""), r"line 7, column imag: is empty: .* real empty too"),
    "radius zero": (cell(3, "radius_m", "0"), r"line 5, column radius_m: is 0: .*positive"),
    "radius negative": (cell(3, "radius_m", "-0.4"), r"line 5, column radius_m: is -0.4: .*posit"),
    "theta out of range": (cell(3, "theta_deg", "181"), r"line 5, column theta_deg: is 181: .*180"),
    "frequency zero": (cell(3, "frequency_hz", "0"), r"line 5, column frequency_hz: is 0: .*posit"),
    "port zero": (cell(3, "port", "0"), r"line 5, column port: is 0: expected a whole number"),
    "no rows": (lambda _: ([], NAMES), r"has no row below its header"),
    "one row of another frequency": (
        second_frequency(lambda i, _: i == 7),
        r"line 9, column frequency_hz: 3100000000 Hz has rows at 1 of 624 positions: two freq",
    ),
    "frequencies by theta": (
        second_frequency(lambda _, row: float(row[0]) > 90),
        r"column frequency_hz: 3100000000 Hz has rows at 288 of 624 .*two frequencies mixed",
    ),
    "frequencies by phi": (
        second_frequency(lambda _, row: float(row[1]) >= 180),
        r"column frequency_hz: 3000000000 Hz has rows at 312 of 624 .*two frequencies mixed",
    ),
    "frequencies at random": (
        second_frequency(lambda i, _: i * 7919 % 13 < 6),
        r"column frequency_hz: .* Hz has rows at \d+ of 624 .*two frequencies mixed",
    ),
}


@pytest.mark.parametrize(("edit", "says"), UNREADABLE.values(), ids=UNREADABLE)
@pytest.mark.parametrize("command", ["import", "transform"])
def test_table_that_cannot_be_read(rows, tmp_path, command, edit, says):
    assert_file_refused(tmp_path, command, put_rows(tmp_path / "scan.csv", *edit(rows)), says=says)


@pytest.mark.parametrize("command", ["import", "inspect", "transform"])
def test_file_that_is_no_table(tmp_path, command):
    (tmp_path / "empty.csv").write_bytes(b"")
    (tmp_path / "latin.csv").write_bytes(",".join(NAMES).encode() + b"\n\xb0,\n")
    (tmp_path / "notes.txt").write_text("Dear all,\n")
    output = [] if command == "inspect" else ["-o", tmp_path / "out.h5"]
    for name in ("absent.csv", "empty.csv", "notes.txt"):
        says = "no such file: check its name" if name == "absent.csv" else ": .*expected"
        assert_refused(tmp_path, command, name, *output, says=rf"nf2ff: {name}.*{says}")
    assert_refused(tmp_path, command, "latin.csv", *output, says=r"latin.csv, line 2: is not text")


# --- samples that are not fit -------------------------------------------------------------------

UNFIT = {
    "radius in the reactive zone": (
        lambda rows: ([[*x[:3], "0.015", *x[4:]] for x in rows], NAMES),
        [],
        r"radius is 0.015 m, within the reactive zone .*0.0159045 m at 3 GHz\): check the unit",
    ),
    "two polarisations at two frequencies": (
        second_frequency(lambda i, _: i < 312),
        [],
        r"all samples at 3 GHz have chi = 90 deg \(two frequencies mixed in one grid\?\)",
    ),
    "every other position at another frequency": (
        second_frequency(lambda i, _: i % 2),
        [],
        r"too coarse for this antenna at 3 GHz.* use finer steps",
    ),
    "one chi": (
        lambda rows: ([x for x in rows if float(x[2]) == 0], NAMES),
        [],
        r"all samples at 3 GHz have chi = 0 deg: a second polarisation, chi 90 deg from it",
    ),
    "chi half a turn apart": (
        lambda rows: (
            [[*x[:2], str(180 * (i % 2)), *x[3:]] for i, x in enumerate(rows) if float(x[2]) == 0],
            NAMES,
        ),
        ["--degree", 3],
        r"all samples at 3 GHz have chi = 0 deg: a second",
    ),
    "fewer samples than unknowns": (
        lambda rows: ([rows[0], rows[100], rows[400], rows[620]], NAMES),
        [],
        r"4 samples are fewer than the 6 unknowns of degree 1",
    ),
    "fewer samples than the unknowns of a degree": (
        lambda rows: (rows[::16], NAMES),
        ["--degree", 8],
        r"the 39 samples determine degree 3 at most, not 8, which needs at least 160 samples",
    ),
    "degree larger than the grid supports": (
        lambda rows: (rows, NAMES),
        ["--degree", 13],
        r"the 624 samples determine degree 12 at most, not 13, which needs at least 390 samples",
    ),
    "degree zero": (lambda rows: (rows, NAMES), ["--degree", 0], r"degree is 0, expected at leas"),
    "degree negative": (lambda rows: (rows, NAMES), ["--degree", -3], r"degree is -3, expected at"),
    "all responses zero": (
        lambda rows: ([[*x[:6], "0", "0"] for x in rows], NAMES),
        [],
        r"all responses are zero at 3 GHz",
    ),
    "all responses missing": (
        lambda rows: ([[*x[:6], "", ""] for x in rows], NAMES),
        [],
        r"there is no sample at 3 GHz: leave that frequency out",
    ),
    "no full grid for a quadrature": (
        lambda rows: (rows[:150] + rows[151:], NAMES),
        ["--method", "quadrature"],
        r"not a full regular grid: 1 of 312 positions lack",
    ),
    "inside the minimum sphere": (
        lambda rows: (rows, NAMES),
        ["--minimum-radius-m", 0.4],
        r"radius is 0.4 m, inside the antenna's minimum sphere of 0.4 m",
    ),
    "minimum sphere too large for the grid": (
        lambda rows: (rows, NAMES),
        ["--minimum-radius-m", 0.3],
        r"determine degree 11, .* minimum sphere 0.3 m .* steps of at most [\d.]+ deg",
    ),
    "far field too large": (
        lambda rows: (rows, NAMES),
        ["--phi-step-deg", 1e-4],
        r"would have 37 x 3600000 directions times 1 .*: use coarser steps",
    ),
    "unit of another probe": (
        lambda rows: (rows, NAMES),
        ["--response-unit", "sqrt(W)"],
        r"responses are in sqrt\(W\), the probe answers in V/m: state the unit",
    ),
}


@pytest.mark.parametrize(("edit", "options", "says"), UNFIT.values(), ids=UNFIT)
def test_samples_that_are_not_fit(rows, tmp_path, edit, options, says):
    file = put_rows(tmp_path / "scan.csv", *edit(rows))
    assert_file_refused(tmp_path, "transform", file, *options, says=says)


def test_grid_too_coarse_for_the_antenna(tmp_path):
    # k r0 = 25, while steps of 15 deg determine degree 11.
    antenna = "".join(
        f"[[dipole]]\nposition_m = [{x}, {y}, 0]\nelectric_a_m = [1e-3, 0, 0]\n"
        for x, y in ((0.4, 0), (-0.4, 0), (0, 0.4))
    )
    scan = simulated(tmp_path / "scan.h5", *COARSE, "--radius-m", 0.6, antenna=antenna)
    says = r"the sampling is too coarse for this antenna at 3 GHz: .*use finer steps"
    assert_file_refused(tmp_path, "transform", scan, "--json", says=says)


def test_modes_that_explain_nothing(table, tmp_path, monkeypatch):
    solution = nf2ff.solve(nf2ff.read_samples(table), nf2ff.field_probe())
    worse = dataclasses.replace(solution, residual=np.array([1.5]))
    monkeypatch.setattr("nf2ff.metrics.transformation.solve", lambda *_, **__: worse)
    says = r"scan.csv: the modes found do not explain the responses at 3 GHz \(residual 1.5\): give"
    assert_refused(tmp_path, "transform", table, "-o", "out.h5", says=says)


@pytest.mark.parametrize(
    ("probe", "says"),
    [
        (
            lambda r: nf2ff.Probe([4e9], r, "V/m"),
            r"scan.csv: the probe: 3 GHz is not among or between the known frequencies \(4 GHz\)",
        ),
        (lambda r: nf2ff.Probe(None, r, "sqrt(W)"), r"in V/m, the probe answers in sqrt\(W\)"),
    ],
    ids=["frequency", "unit"],
)
def test_probe_that_does_not_fit(table, tmp_path, probe, says):
    write_probe(tmp_path / "probe.h5", probe(nf2ff.field_probe().coefficients))
    words = ("transform", table, "-o", "out.h5", "--probe", "probe.h5", *IN_FIELDS)
    assert_refused(tmp_path, *words, says=says)


def test_probe_that_is_none(table, native, tmp_path):
    for probe, says in (
        ("absent.h5", "absent.h5: no such file"),
        (table, "scan.csv: holds samples: expected a probe, a pattern, a far field or modes"),
        (native, "native.h5: holds samples: expected a probe, a pattern, a far field or modes"),
    ):
        words = ("transform", native, "-o", "out.h5", "--probe", probe)
        if probe == native:
            words = ("transform", table, *words[2:])
        assert_refused(tmp_path, *words, says=says)


# --- native files -------------------------------------------------------------------------------


def damage(name):
    def truncate(path, share):
        data = path.read_bytes()
        path.write_bytes(data[: int(share * len(data))])

    def change(path, what):
        with h5py.File(path, "r+") as file:
            what(file)

    def replace_response(file, make):
        values = file["samples/response"][()]
        del file["samples/response"]
        make(file["samples"], values)

    def elsewhere(file, link):
        replace_response(file, lambda group, _: group.__setitem__("response", link))

    def external(file):
        def make(group, values):
            group.create_dataset("response", values.shape, "c16", external=[("raw", 0, 2**20)])

        replace_response(file, make)

    def virtual(file):
        def make(group, values):
            layout = h5py.VirtualLayout(values.shape, "c16")
            layout[:] = h5py.VirtualSource("other.h5", "response", values.shape)
            group.create_virtual_dataset("response", layout)

        replace_response(file, make)

    def infinite(file):
        file["samples/response"][0, 5] = np.inf

    return {
        "nearly whole": lambda path: truncate(path, 0.99),
        "half": lambda path: truncate(path, 0.5),
        "only its head": lambda path: path.write_bytes(path.read_bytes()[:100]),
        "version": lambda path: change(path, lambda f: f.attrs.modify("version", 99)),
        "kind": lambda path: change(path, lambda f: f.attrs.modify("kind", "poem")),
        "foreign": lambda path: h5py.File(path, "w").close(),
        "external link": lambda path: change(
            path, lambda f: elsewhere(f, h5py.ExternalLink("other.h5", "/response"))
        ),
        "soft link": lambda path: change(path, lambda f: elsewhere(f, h5py.SoftLink("/samples/theta"))),
        "external storage": lambda path: change(path, external),
        "virtual dataset": lambda path: change(path, virtual),
        "unit": lambda path: change(path, lambda f: f["samples/radius"].attrs.update(units=np.bytes_(b"mm"))),
        "not finite": lambda path: change(path, infinite),
    }[name]


@pytest.mark.parametrize(
    ("name", "says"),
    [
        ("nearly whole", "is truncated .*: copy or write it again"),
        ("half", "is truncated .*: copy or write it again"),
        ("only its head", "cannot be read|is truncated"),
        ("version", "is of version 99, expected 1: use the nf2ff that wrote it"),
        ("kind", "is of kind 'poem', expected one of samples"),
        ("foreign", "is HDF5 of another format"),
        ("external link", "/samples/response is a soft or external link: put the data itself"),
        ("soft link", "/samples/response is a soft or external link: put the data itself"),
        ("external storage", "/samples/response keeps its data in other files"),
        ("virtual dataset", "/samples/response keeps its data in other files"),
        ("unit", "/samples/radius has units 'mm', expected m: convert it"),
        ("not finite", r"/samples/response is not finite at index \(0, 5\)"),
    ],
)
def test_native_file_that_is_refused(native, tmp_path, name, says):
    file = tmp_path / "scan.h5"
    shutil.copy(native, file)
    damage(name)(file)
    assert_file_refused(tmp_path, "transform", file, says=says)
    assert_refused(tmp_path, "inspect", file, "--json", says=says)


def test_native_file_of_another_kind(tmp_path):
    write_probe("probe.h5", nf2ff.field_probe())
    says = "has no group /samples: it is a file of kind probe"
    assert_refused(tmp_path, "transform", "probe.h5", "-o", "out.h5", says=says)


@pytest.mark.parametrize("option", [("--response-unit", "relative"), ("--time-convention", "exp(-iwt)")])
def test_native_file_states_its_own_conventions(native, tmp_path, option):
    says = r"native.h5: is native: exp\(\+jwt\), responses in V/m: leave those options out"
    assert_refused(tmp_path, "transform", native, "-o", "out.h5", *option, says=says)

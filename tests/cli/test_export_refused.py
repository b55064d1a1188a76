"""What `nf2ff export` refuses: one clear line, and no file touched."""

import click
import commands
import h5py
import numpy as np
import pytest
from commands import ANTENNA
from export_cases import FIELDS, NSMA, assert_refused, run, succeed
from patterns import HUYGENS

from nf2ff.antenna.far_field import far_field
from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import Modes
from nf2ff.cli import export as cli_export
from nf2ff.cli.export import export
from nf2ff.io import native, tables
from nf2ff.io.levels import write_cuts, write_levels
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.report.describe import describe


@pytest.mark.parametrize("name", ["a.csv", "a.h5", "a.nsma"])
def test_no_file_is_overwritten(small, tmp_path, name):
    options = NSMA if name == "a.nsma" else ()
    old = tmp_path / name
    old.write_bytes(b"precious")
    words = (small.path, "-o", old, *options)
    assert_refused(tmp_path, *words, says=f"{old}: exists: choose another name or give --overwri")
    succeed(*words, "--overwrite")
    assert old.read_bytes() != b"precious"
    input_ = tmp_path / "copy.h5"
    input_.write_bytes(small.path.read_bytes())
    words = (input_, "-o", input_, "--overwrite", "--what", "levels")
    assert_refused(tmp_path, *words, says="is an input of this command: choose another name for the")
    words = (small.path, "-o", tmp_path / "no" / name, *options)
    assert_refused(tmp_path, *words, says="there is no folder")


def test_a_failure_leaves_the_old_file(small, tmp_path):
    old = tmp_path / "a.nsma"
    old.write_bytes(b"precious")
    words = (small.path, "-o", old, "--overwrite", *NSMA, "--field", "CONTYP=" + "x" * 80)
    assert_refused(tmp_path, *words, says=f"nf2ff: {old}: CONTYP is ")


USAGE = {
    "no kind": (("a.txt",), "--what is needed: a.txt ends in none of .h5, .csv, .nsma"),
    "strange option": (("a.csv", "--gain-dbi", 3), "--gain-dbi belongs to nsma, not to cuts"),
    "another": (
        ("a.csv", "--what", "levels", "--step-deg", 3),
        "--step-deg belongs to cuts and nsma, not to levels: leave it out",
    ),
    "default value": (("a.h5", "--basis", "theta-phi"), "--basis belongs to levels and cuts, not to field"),
    "flag": (("a.csv", "--with-phase"), "--with-phase belongs to nsma, not to cuts"),
    "cut": (("a.nsma", *NSMA, "--phi-deg", 0), "--phi-deg belongs to cuts, not to nsma"),
    "angle": (
        ("a.csv", "--reference-angle-deg", 3),
        "--reference-angle-deg belongs to ludwig-3 and linear, not to theta-phi: leave it out",
    ),
    "through": (
        ("a.csv", "--through", 190, 0),
        "--through is 190 0, expected theta from 0 to 180 deg, phi within 360",
    ),
    "text under a name of HDF5": (
        ("a.h5", "--what", "cuts"),
        "cuts is written as text, a.h5 is a name of HDF5: choose anot",
    ),
    "levels under a name of HDF5": (
        ("a.H5", "--what", "levels"),
        "levels is written as text, a.H5 is a name of HDF5",
    ),
    "plane": (("a.csv", "--plane-deg", "inf"), "--plane-deg is inf, expected an angle in degrees"),
    "azimuth": (("a.csv", "--phi-deg", 0, "--phi-deg", "nan"), "--phi-deg is nan, expected an ang"),
    "cone": (("a.csv", "--theta-deg", "-inf"), "--theta-deg is -inf, expected an angle in degrees"),
    "no slant": (
        ("a.csv", "--basis", "linear", "--reference-angle-deg", "nan"),
        "--reference-angle-deg is nan, expected an angle in degrees",
    ),
    "through nowhere": (("a.csv", "--through", 90, "nan"), "--through is 90 nan, expected theta"),
    "nothing for nsma": (
        ("a.nsma",),
        "a pattern file also needs --field ANTMAN=MANUFACTURER, --field MODNUM=MODEL, --field "
        "ELTILT=NOMINAL,TOLERANCE, --up AXIS",
    ),
    "no mounting": (("a.nsma", *FIELDS), "a pattern file also needs --up AXIS"),
    "no value": (("a.nsma", *NSMA, "--field", "CONTYP"), "--field is 'CONTYP', expected TAG=VALUE"),
    "no tag": (("a.nsma", *NSMA, "--field", "COLOUR=red"), "--field is 'COLOUR=red', expected TAG"),
    "gain as field": (("a.nsma", *NSMA, "--field", "MDGAIN=3"), "--field is 'MDGAIN=3', expected"),
    "derived": (("a.nsma", *NSMA, "--field", "NOFREQ=3"), "--field is 'NOFREQ=3', expected TAG=VA"),
    "twice": (("a.nsma", *NSMA, "--field", "MODNUM=2"), "each tag once, of COMNT1, COMNT2, ANTMAN"),
}


@pytest.mark.parametrize(("words", "says"), USAGE.values(), ids=USAGE)
def test_wrong_use(small, tmp_path, words, says):
    output, *options = words
    assert_refused(tmp_path, small.path, "-o", tmp_path / output, *options, says=says, code=2)


STEPS = {
    "levels": (("--what", "levels"), "--theta-step-deg", 180),
    "field": (("--what", "field"), "--phi-step-deg", 360),
    "cuts": ((), "--step-deg", 360),
}


@pytest.mark.parametrize("value", [7, 0, -5, "nan", "inf"])
@pytest.mark.parametrize("what", STEPS)
def test_steps_that_do_not_divide(small, tmp_path, what, value):
    options, name, whole = STEPS[what]
    says = f"{name} is {float(value):g}, expected a step that divides {whole} deg evenly"
    assert_refused(tmp_path, small.path, "-o", tmp_path / "a.csv", *options, name, value, says=says)


@pytest.mark.parametrize(
    ("name", "options"),
    [
        ("a.csv", ("--what", "levels", "--theta-step-deg", 0.01)),
        ("a.h5", ("--phi-step-deg", 0.01)),
        ("a.csv", ("--step-deg", 0.00001)),
        ("a.csv", ("--step-deg", 1e-12)),
        ("a.h5", ("--phi-step-deg", 1e-12)),
        ("a.nsma", (*NSMA, "--step-deg", 0.0001)),
    ],
)
def test_too_many_rows(small, tmp_path, name, options):
    words = (small.path, "-o", tmp_path / name, *options)
    assert_refused(tmp_path, *words, says=": use coarser steps or fewer frequencies (--freq")


def test_a_stored_grid_too_large_for_text(small, tmp_path, monkeypatch):
    monkeypatch.setattr(cli_export, "MAX_TABLE", 1000)
    for what in ("levels", "field"):
        words = (small.path, "-o", tmp_path / "a.csv", "--what", what)
        assert_refused(tmp_path, *words, says="1368 directions times frequencies, more than 1000: u")
    succeed(small.path, "-o", tmp_path / "a.h5")


def test_files_that_hold_something_else(small, tmp_path):
    antenna = small.antenna
    samples = simulate_grid(antenna, frequency=[3e9], grid=equiangular_grid(7, 12), radius=0.4)
    native.write_samples(tmp_path / "s.h5", samples)
    tables.write_table(tmp_path / "s.csv", samples)
    native.write_probe(tmp_path / "p.h5", field_probe())
    tables.write_pattern(tmp_path / "p.csv", native.read_result(small.path).far_field)
    (tmp_path / "t.txt").write_text("nothing")
    (tmp_path / "e.csv").write_text("theta_deg,phi_deg,frequency_hz,eirp_dbm")
    (tmp_path / "p.nsma").write_text("REVNUM:,NSMA WG16.99.050")
    (tmp_path / "a.toml").write_text(ANTENNA)
    write_levels(tmp_path / "l.csv", native.read_result(small.path).far_field)
    (tmp_path / "n.h5").write_bytes(b"\x89HDF\r\n\x1a\n broken")
    for name, holds in (
        ("s.h5", "holds samples, expected a result: give what nf2ff transform writes"),
        ("s.csv", "holds samples, expected a result"),
        ("e.csv", "holds power without phase, expected a result"),
        ("p.h5", "holds a probe, expected a result"),
        ("p.csv", "holds a pattern, expected a result"),
        ("p.nsma", "holds an NSMA pattern, expected a result"),
        ("l.csv", "holds levels that export wrote: give the result that they were made of"),
        ("a.toml", "is TOML, expected a native file or a CSV table (theta_deg,"),
        ("t.txt", "is neither a native file nor a CSV table"),
        ("n.h5", "cannot be read"),
        ("none.h5", "no such file"),
    ):
        words = (tmp_path / name, "-o", tmp_path / "a.csv")
        assert_refused(tmp_path, *words, says=f"nf2ff: {tmp_path / name}: {holds}")


def test_inspect_knows_what_export_wrote(small, tmp_path):
    write_levels(tmp_path / "l.csv", native.read_result(small.path).far_field)
    write_cuts(tmp_path / "c.csv", HUYGENS, angle=[0.0, 1.0], plane=[0.0])
    for name in ("l.csv", "c.csv"):
        for reads in (describe, native.read_samples):
            with pytest.raises(ValueError, match=rf"{name}: holds levels that export wrote: give"):
                reads(tmp_path / name)


def test_dark_frequency(tmp_path):
    native.write_modes(tmp_path / "m.h5", Modes([1e9, 2e9], np.eye(2, 6)[::-1] * [[0], [1]]))
    for name, options in (("a.csv", ()), ("b.csv", ("--what", "levels")), ("c.nsma", NSMA)):
        words = (tmp_path / "m.h5", "-o", tmp_path / name, *options)
        says = f"nf2ff: {tmp_path / 'm.h5'}: radiated power is 0 W at 1e+09 Hz: directivity"
        assert_refused(tmp_path, *words, says=says)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({}, "no cut is asked for: give one of phi, theta, plane"),
        ({"theta": [0.1, 3.2]}, "the cut theta is 183.346 deg, expected a cone from 0 to 180 deg"),
        ({"phi": [0.0], "basis": "slant"}, "basis is 'slant', expected one of theta-phi, ludwig-3"),
        ({"phi": [0.0], "angle": [0.0, 4.0]}, "theta"),
        ({"phi": [np.nan]}, "phi is nan"),
        ({"plane": [0.0], "through": (np.nan, 0.0)}, "through is nan at index"),
        ({"phi": [0.0], "reference_angle": 1.0}, "reference_angle applies to 'ludwig-3'"),
    ],
)
def test_cuts_without_sense(tmp_path, changes, says):
    given = {"angle": [0.0, 1.0], **changes}
    with pytest.raises(ValueError, match=says):
        write_cuts(tmp_path / "a.csv", HUYGENS, **given)
    assert not list(tmp_path.iterdir())


def test_levels_in_no_basis(tmp_path):
    with pytest.raises(ValueError, match="basis is 'slant', expected one of theta-phi, ludwig-3"):
        write_levels(tmp_path / "a.csv", far_field(HUYGENS, theta=[0.0], phi=[0.0]), basis="slant")


def test_help_says_what_gain_is_not():
    done = run("--help")
    assert done.code == 0
    text = " ".join(done.out.split())
    assert "Directivity is not gain: a pattern file needs --gain-dbi or --input-power-w" in text
    assert isinstance(export, click.Command)
    # What an option belongs to stands first in its help, and is what the command refuses it by.
    told = {x: x.help.partition(": ")[0].split(", ") for x in export.params if getattr(x, "help", None)}
    only = {x.name for x, kinds in told.items() if set(kinds) <= cli_export.KINDS}
    assert only == {
        *("theta_step_deg", "phi_step_deg", "step_deg", "through", "phi_deg", "theta_deg", "plane_deg"),
        *("plane", "basis", "reference_angle_deg", "up", "polarisation", "gain_dbi", "input_power_w"),
        *("field", "with_phase"),
    }
    for name in only:
        assert "--" + name.replace("_", "-") in done.out


def test_hdf5_opens_in_other_programs(small, tmp_path):
    succeed(small.path, "-o", tmp_path / "a.h5", "--theta-step-deg", 30)
    with h5py.File(tmp_path / "a.h5") as file:
        assert file["far_field/e_theta"].attrs["units"] == b"V"
        assert [axis[0].name for axis in file["far_field/e_phi"].dims] == [
            "/far_field/frequency",
            "/far_field/theta",
            "/far_field/phi",
        ]


@pytest.mark.parametrize("command", ["transform", "import", "uncertainty", "study"])
def test_no_native_file_under_the_name_of_a_table(tmp_path, command):
    # Before anything is read: the inputs do not exist.
    inputs = ["b.toml"] if command == "uncertainty" else []
    output = tmp_path / "result.csv"
    says = (
        f"{output}: is a name of text, and a native file \\(HDF5\\) is written: choose {tmp_path}/result.h5"
    )
    if command == "transform":
        says += f", and then run nf2ff export {tmp_path}/result.h5 -o {output}$"
    commands.assert_refused(tmp_path, command, tmp_path / "scan.h5", *inputs, "-o", output, says=says)

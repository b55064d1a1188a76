"""What a hostile or an unlucky place gives a command: one line and an exit code, nothing else."""

import errno
import gzip
import lzma
import os
import re
import stat
import subprocess
import sys
import tomllib
import warnings
from pathlib import Path

import h5py
import numpy as np
import pytest
from commands import IN_FIELDS, assert_refused, run, simulated, succeed, transformed
from corpus import NSMA

from nf2ff.io.native import write_samples
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import MOST, in_one_line, visible

STEPS = ("--theta-step-deg", 10, "--phi-step-deg", 10)
ESCAPE = "\x1b[2J"


@pytest.fixture
def scan(tmp_path):
    return simulated(tmp_path / "scan.csv", *STEPS)


@pytest.fixture
def native(tmp_path):
    return simulated(tmp_path / "scan.h5", *STEPS)


def test_tables_by_names_of_compressed_files(scan, tmp_path):
    wanted = transformed(scan, tmp_path / "r.h5")
    for ending in ("xz", "gz"):
        # Plain text is read whatever its name.
        named = tmp_path / f"scan.csv.{ending}"
        named.write_bytes(scan.read_bytes())
        assert transformed(named, tmp_path / "r.h5", "--overwrite", *IN_FIELDS) == wanted
        named.unlink()
    for packed, name in ((gzip.compress, "gzip"), (lzma.compress, "xz")):
        for ending in ("", ".csv", ".gz"):
            hidden = tmp_path / f"packed{ending}"
            hidden.write_bytes(packed(scan.read_bytes()))
            says = rf"{hidden}: is compressed \({name}\): unpack it first"
            for words in (
                ("transform", hidden, "-o", tmp_path / "n.h5"),
                ("inspect", hidden),
                ("trp", hidden),
            ):
                assert_refused(tmp_path, *words, says=says)
    hidden.write_bytes(b"PK\x03\x04 of a spreadsheet")
    assert_refused(tmp_path, "inspect", hidden, says="is a zip archive, or a spreadsheet: unpack it, or save")
    out = tmp_path / "out.csv.gz"
    says = f"{out}: is a name of a compressed file, which is not written: choose {tmp_path / 'out.csv'}"
    assert_refused(tmp_path, "transform", scan, "-o", out, says=says)
    assert_refused(
        tmp_path,
        "simulate",
        tmp_path / "scan.toml",
        "-o",
        out,
        "--frequency-ghz",
        3,
        "--radius-m",
        1,
        says=says,
    )


def test_an_output_that_links_to_itself(native, tmp_path):
    loop = tmp_path / "loop"
    loop.symlink_to(loop)
    says = "loop: is a symbolic link that leads to itself: remove it, or choose another name"
    for more in ((), ("--overwrite",)):
        done = run("transform", native, "-o", loop, *more)
        assert (done.code, done.out) == (1, "")
        assert done.err.endswith(says + "\n")
    assert run("inspect", loop).err.endswith(
        "loop: cannot be read (Too many levels of symbolic links): check its permissions\n"
    )
    assert loop.is_symlink()


def test_overwriting_keeps_the_mode_of_every_kind(native, tmp_path):
    result, table, picture = (tmp_path / x for x in ("r.h5", "t.csv", "p.png"))
    for path in (result, table, picture):
        path.touch()
        path.chmod(0o604)
    succeed("transform", native, "-o", result, "--overwrite")
    succeed("export", result, "-o", table, "--what", "levels", "--overwrite")
    assert run("plot", result, "-o", picture, "--overwrite").code == 0
    assert {stat.S_IMODE(x.stat().st_mode) for x in (result, table, picture)} == {0o604}


@pytest.mark.parametrize("words", [("transform", "--template", "level"), ("--help",)])
def test_a_full_disk_for_what_is_printed(words):
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "nf2ff", *words], stdout=full, stderr=subprocess.PIPE, text=True
        )
    assert (done.returncode, done.stderr) == (
        1,
        "nf2ff: the output cannot be written (No space left on device)\n",
    )


@pytest.mark.skipif(os.name != "posix", reason="what is closed is told to a shell of POSIX")
@pytest.mark.parametrize("closed", ["1>&-", "2>&-", "<&- >&- 2>&-"])
def test_outputs_that_are_closed(native, tmp_path, closed):
    # Neither is needed, and no file takes their numbers, into which what they are told would go.
    out = tmp_path / "r.h5"
    words = [sys.executable, "-m", "nf2ff", "transform", str(native), "-o", str(out), "--degree", "3"]
    done = subprocess.run(["sh", "-c", f'"$@" {closed}', "sh", *words], capture_output=True, check=False)
    assert done.returncode == 0
    succeed("inspect", out)


@pytest.mark.parametrize("ending", ["pdf", "png", "svg"])
def test_a_full_disk_for_a_picture(native, tmp_path, monkeypatch, ending):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    succeed("transform", native, "-o", tmp_path / "r.h5")
    monkeypatch.setattr(Path, "write_bytes", full)
    out = tmp_path / f"p.{ending}"
    says = rf"{out}: cannot be written \(No space left on device\): free space"
    assert_refused(tmp_path, "plot", tmp_path / "r.h5", "-o", out, says=says)


def test_a_name_that_is_too_long(native, tmp_path):
    for words in (("transform", native, "-o", tmp_path / ("x" * 300)), ("inspect", tmp_path / ("x" * 300))):
        done = run(*words)
        assert (done.code, done.out) == (1, "")
        assert re.fullmatch(r"nf2ff: (File name too long: .*x|.*x: cannot be read \(File name.*)\n", done.err)


def test_no_thread_can_be_started(native, tmp_path, monkeypatch):
    def refused(*_, **__):
        raise RuntimeError("can't start new thread")

    succeed("transform", native, "-o", tmp_path / "old.h5")
    module = sys.modules["nf2ff.cli.transform"]
    monkeypatch.setattr(module, "transform_samples", refused)
    assert_refused(
        tmp_path,
        "transform",
        native,
        "-o",
        tmp_path / "r.h5",
        says="no more threads can be started: .*ulimit -u",
    )


def test_no_warning_of_python_reaches_the_terminal(native, monkeypatch):
    def warned(*_, **__):
        for kind in (RuntimeWarning, UserWarning):
            warnings.warn("divide by zero", kind, stacklevel=1)
        raise ValueError("so far")

    succeed("inspect", native)
    monkeypatch.setattr(sys.modules["nf2ff.cli.inspect"], "describe", warned)
    with warnings.catch_warnings(record=True) as seen:
        warnings.resetwarnings()
        assert run("inspect", native) == (1, "", "nf2ff: so far\n")
    assert [x.category for x in seen] == [UserWarning]
    with pytest.raises(RuntimeWarning):  # to which tests are an exception
        run("inspect", native)


@pytest.mark.parametrize("error", [OverflowError("math range error"), np.linalg.LinAlgError("Singular")])
def test_numbers_that_nothing_can_compute_with(native, monkeypatch, error):
    def fails(*_, **__):
        raise error

    succeed("inspect", native)
    monkeypatch.setattr(sys.modules["nf2ff.cli.inspect"], "describe", fails)
    says = f"nf2ff: a number is too large or too small to compute with ({error}): check sizes and units\n"
    assert run("inspect", native) == (1, "", says)


@pytest.mark.parametrize("option", ["--input-power-w", "--accepted-power-w"])
@pytest.mark.parametrize("power", ["1e-320", "1e308", "nan", "0"])
def test_powers_of_no_antenna(native, tmp_path, option, power):
    says = f"{option} is .*, expected watts above 0, 1e-30 to 1e30: dBm are"
    assert_refused(tmp_path, "transform", native, "-o", tmp_path / "r.h5", option, power, says=says)


# --- what files hold -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda g: replaced(g, "theta"), "has no dataset /samples/theta"),
        (lambda g: replaced(g, "response"), "has no dataset /samples/response"),
        (lambda g: replaced(g, "port"), "has no dataset /samples/port"),
    ],
)
def test_a_group_in_place_of_a_dataset(native, tmp_path, change, says):
    with h5py.File(native, "a") as file:
        change(file["samples"])
    assert_refused(tmp_path, "transform", native, "-o", tmp_path / "r.h5", says=says)
    assert_refused(tmp_path, "inspect", native, says=says)


def replaced(group, name):
    del group[name]
    group.create_group(name)


@pytest.mark.parametrize("change", ["two dimensions", "a group", "numbers"])
def test_warnings_that_are_none(native, tmp_path, change):
    result = tmp_path / "r.h5"
    succeed("transform", native, "-o", result)
    with h5py.File(result, "a") as file:
        group = file["solution"]
        if "warnings" in group:
            del group["warnings"]
        if change == "a group":
            group.create_group("warnings")
        else:
            values = np.full((1, 2), b"x") if change == "two dimensions" else np.zeros(1)
            group.create_dataset("warnings", data=values, fletcher32=True, chunks=values.shape)
    for words in (
        ("inspect", result),
        ("export", result, "-o", tmp_path / "x.csv"),
        ("plot", result, "-o", tmp_path / "p.png"),
    ):
        assert_refused(tmp_path, *words, says="r.h5: /solution has no texts warnings: write it again")


def test_texts_of_files_do_not_steer_the_terminal(tmp_path):
    toml = tmp_path / "a.toml"
    toml.write_text('[[dipole]]\nposition_m = [0, 0, 0]\n"\\u001b[2J" = 1\n')
    line = assert_refused(
        tmp_path,
        "simulate",
        toml,
        "-o",
        tmp_path / "n.h5",
        "--frequency-ghz",
        3,
        "--radius-m",
        1,
        says="a.toml",
    )
    assert ESCAPE not in line
    path = tmp_path / "s.h5"
    write_samples(
        path,
        Samples([1e9], [0.1, 2, 3], 0.5, 0, 1.5, [1, 2, 1], np.ones((1, 3)), "V/m"),
        provenance={
            "command": f"nf2ff {ESCAPE}",
            "probe": ESCAPE,
            "level": f"level: {ESCAPE}",
            "inputs": "{}",
        },
    )
    with h5py.File(path, "a") as file:
        kept = dict(file["provenance"].attrs)
        assert not [x for x in kept.values() if b"\x1b" in x]
        file["provenance"].attrs["probe"] = np.bytes_(ESCAPE.encode())
        file["samples/theta"].attrs["units"] = np.bytes_(ESCAPE.encode())
    for words in (("inspect", path), ("transform", path, "-o", tmp_path / "r.h5")):
        done = run(*words)
        assert "\x1b" not in done.out + done.err
        assert re.search(r"\\x1b\[2J", done.err)


@pytest.mark.parametrize("name", [f"a{ESCAPE}.h5", "a\u202e.h5", "a\x9b.h5", os.fsdecode(b"a\xff.h5")])
def test_names_of_files_do_not_either(native, tmp_path, name):
    path = native.rename(tmp_path / name)
    for words in (("inspect", path), ("transform", native, "-o", path)):
        done = run(*words)
        assert (done.code, done.out) == (2, "")
        assert f"{visible(name)} holds a character that no terminal shows: rename the file" in done.err
        assert visible(done.err) == done.err


def test_names_of_columns_are_proposed_visibly(tmp_path):
    column = f"frequency {ESCAPE}\u202e\x9b\x7f"
    for path, write in ((tmp_path / "a.csv", _written), (tmp_path / "a.npz", _packed)):
        write(path, column)
        out = succeed("import", path, "--propose")
        assert visible(out) == out
        text = re.search(r'frequency = \{ column = (".*?"), unit', out)[1]
        assert tomllib.loads(f"name = {text}")["name"] == column


def _written(path, column):
    path.write_text(f"{column},b\n" + "".join(f"{x},1\n" for x in (1e9, 2e9, 3e9)), encoding="utf-8")


def _packed(path, column):
    np.savez(path, **{column: np.array([1e9, 2e9, 3e9]), "b": np.ones(3)})


def test_texts_of_a_pattern_file_do_not_either(tmp_path):
    path = tmp_path / "a.nsma"
    path.write_text(NSMA.replace("Example", f"{ESCAPE}Example").replace("\n", "\r\n"), newline="")
    done = run("inspect", path)
    assert (done.code, "\x1b" in done.out) == (0, False)
    assert r"\x1b[2JExample Antennas" in done.out


def test_visible():
    assert visible("a\tb\nc θ °") == "a\tb\nc θ °"
    assert visible("\x1b[31m\x00\x9b\u202e\x7f\udc80") == r"\x1b[31m\x00\x9b\u202e\x7f\udc80"
    assert in_one_line("a\n  b") == "a b"
    assert in_one_line("x" * MOST) == "x" * MOST
    long = in_one_line("start" + "x" * MOST + "end")
    assert len(long) == MOST
    assert (long[:5], long[-3:]) == ("start", "end")
    assert " ... " in long


def test_long_messages_are_cut(tmp_path):
    done = run("inspect", tmp_path / ("x" * 200) / ("y" * 200) / ("z" * 200))
    assert done.code == 1
    assert len(done.err) == MOST + len("nf2ff: \n")
    assert done.err.endswith("no such file: check its name and folder\n")

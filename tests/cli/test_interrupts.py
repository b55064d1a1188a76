"""Ctrl-C and the like: one line, exit 130 for it, and draws that go on where they were stopped."""

import re
import signal
import subprocess
import sys

import h5py
import numpy as np
import pytest
from commands import ANTENNA, assert_refused, put_rows, rows_of, run, simulated

from nf2ff.uncertainty import draws as uncertainty_draws

#: Two errors; EIRP in a direction has a field behind it.
TERMS = """
[[error]]
kind = "receiver-noise"
rms_db = -40
[[error]]
kind = "probe-gain"
amplitude = 0.01
[figure.eirp]
theta_deg = 120.0
phi_deg = 20.0
"""
STEPS = ("--theta-step-deg", 15, "--phi-step-deg", 15)


@pytest.fixture(scope="module")
def scan(tmp_path_factory):
    """13 x 24 positions."""
    return simulated(tmp_path_factory.mktemp("scan") / "scan.h5", *STEPS)


@pytest.fixture
def budget(tmp_path):
    """A budget of some metrics."""

    def make(*metrics, terms=TERMS):
        listed = ", ".join(f'"{name}"' for name in metrics)
        (tmp_path / "budget.toml").write_text(f"metrics = [{listed}]\n{terms}")
        return tmp_path / "budget.toml"

    return make


@pytest.fixture
def stop_at(monkeypatch):
    """Return a function that lets Ctrl-C come when so many draws are done, at each call of the library."""
    real = uncertainty_draws.monte_carlo
    monkeypatch.setattr("nf2ff.uncertainty.draws.BATCH", 3)

    def stop_at(*counts):
        left = list(counts)

        def interrupted(*args, progress, **more):
            count, seen = left.pop(0) if left else None, []

            if count == 0:
                raise KeyboardInterrupt

            def stop(done):
                seen.append(done)
                progress(done)
                if len(seen) == count:
                    raise KeyboardInterrupt

            return real(*args, progress=stop, **more)

        for caller in ("assess", "growth"):
            monkeypatch.setattr(f"nf2ff.uncertainty.{caller}.monte_carlo", interrupted)

    return stop_at


def contents(path):
    """All datasets of a file by name."""
    found = {}
    with h5py.File(path) as file:
        file.visititems(lambda name, x: found.update({name: x[()]}) if isinstance(x, h5py.Dataset) else None)
    return found


@pytest.mark.parametrize("command", ["transform", "inspect"])
def test_ctrl_c_is_one_line(scan, tmp_path, monkeypatch, command):
    def stopped(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr("nf2ff.io.safe.InputFile.take", stopped)
    words = ("-o", tmp_path / "out.h5") if command == "transform" else ()
    assert run(command, scan, *words) == (130, "", "nf2ff: stopped\n")
    assert not [*tmp_path.iterdir()]


@pytest.mark.parametrize("module", ["click", "nf2ff.cli", "nf2ff.cli.inspect", "numpy"])
def test_so_it_is_while_modules_are_imported(tmp_path, module):
    # Ctrl-C comes where this one is looked for.
    code = f"""import sys
class Stop:
    def find_spec(name, *_):
        if name == {module!r}:
            raise KeyboardInterrupt
sys.meta_path.insert(0, Stop)
sys.argv = ["nf2ff", "inspect", "none.h5"]
from nf2ff.__main__ import main
main()"""
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, check=False)
    assert (done.returncode, done.stdout, done.stderr) == (130, b"", b"nf2ff: stopped\n")


def test_so_it_is_while_words_are_read(monkeypatch):
    def stopped(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("nf2ff.cli.Commands.format_commands", stopped)
    assert run("--help") == (130, "", "nf2ff: stopped\n")


@pytest.mark.slow
def test_stopped_draws_are_resumed_to_the_last_bit(scan, tmp_path, budget, stop_at):
    out, words = tmp_path / "out.h5", ("uncertainty", scan, budget("trp", "eirp"), "--jobs", 1)
    begin = (*words, "--draws", 14, "--seed", 5)
    stop_at()
    assert run(*begin, "-o", tmp_path / "whole.h5").code == 0
    whole = contents(tmp_path / "whole.h5")
    stop_at(2)
    done = run(*begin, "-o", out)
    says = f"stopped after 6 of 14 draws: they are kept, and --resume {out} makes the rest"
    assert (done.code, done.err.splitlines()) == (130, [says])
    # Stopped once more, and then to the end, in place of the file.
    for code in (130, 0):
        stop_at(*([1] if code else []))
        assert run(*words, "--resume", out, "-o", out, "--overwrite").code == code
        assert (contents(out).keys() == whole.keys()) == (code == 0)
    for name, values in contents(out).items():
        np.testing.assert_array_equal(values, whole[name], err_msg=name)


@pytest.mark.parametrize("counts", [(1,), (None, 2), (None, None, 2)])
@pytest.mark.slow
def test_so_are_those_of_each_error_by_itself(tmp_path, budget, stop_at, counts):
    # Half a sphere is solved with damping, where each error has draws of its own.
    rows, header = rows_of(simulated(tmp_path / "all.csv", *STEPS, "--radius-m", 2))
    at = header.index("theta_deg")
    half = put_rows(tmp_path / "half.csv", [x for x in rows if float(x[at]) > 50], header)
    words = ("uncertainty", half, budget("eirp"), "--jobs", 1)
    begin = (*words, "--draws", 7, "--degree", 8, "--response-unit", "V/m")
    stop_at()
    assert run(*begin, "-o", tmp_path / "whole.h5").code == 0
    stop_at(*counts)
    assert run(*begin, "-o", tmp_path / "out.h5").code == 130
    stop_at()
    assert run(*begin, "--resume", tmp_path / "out.h5", "-o", tmp_path / "end.h5").code == 0
    whole, found = (contents(tmp_path / x) for x in ("whole.h5", "end.h5"))
    assert found.keys() == whole.keys()
    for name, values in found.items():
        np.testing.assert_array_equal(values, whole[name], err_msg=name)


#: Noise of three sizes, of the antenna, and of the scan.
STUDY = """draws = 7
metrics = ["eirp", "beamwidth"]
[vary]
of = "size"
values = [1, 10, 100]
[[error]]
kind = "receiver-noise"
rms_db = -60
"""
SIMULATED = 'antenna = "antenna.toml"\nfrequency_ghz = 3.0\nradius_m = 0.4\ndegree = 6\n'


@pytest.fixture
def study(scan, tmp_path):
    """Return a function that writes a study beside its antenna and its scan."""
    (tmp_path / "antenna.toml").write_text(ANTENNA, encoding="utf-8")
    (tmp_path / "scan.h5").write_bytes(scan.read_bytes())
    simulated(tmp_path / "scan.csv", *STEPS)

    def make(head, text=STUDY):
        (tmp_path / "study.toml").write_text(head + text)
        return tmp_path / "study.toml"

    return make


@pytest.mark.parametrize("head", ['scan = "scan.h5"\n', SIMULATED])
# Within the first value and within the second, between two, and within the last.
@pytest.mark.slow
@pytest.mark.parametrize(("counts", "made"), [((1,), [3]), ((None, 1), [7, 3]), ((None, None, 0), [7, 7])])
def test_a_stopped_study_is_resumed_to_the_last_bit(study, tmp_path, stop_at, head, counts, made):
    out, words = tmp_path / "out.h5", ("study", study(head), "--jobs", 1)
    stop_at()
    assert run(*words, "-o", tmp_path / "whole.h5").code == 0
    whole = contents(tmp_path / "whole.h5")
    stop_at(*counts)
    done = run(*words, "-o", out)
    says = f"stopped at value {len(made)} of 3, of which {made[-1]} of 7 draws were made: they are kept, and"
    assert (done.code, done.err) == (130, f"{says} --resume {out} makes the rest\n")
    assert contents(out)["study/draws"].tolist() == made
    # Stopped once more, and then to the end, in place of the file.
    for code in (130, 0):
        stop_at(*([1] if code else []))
        assert run(*words, "--resume", out, "-o", out, "--overwrite").code == code
    found = contents(out)
    assert found.keys() == whole.keys()
    for name, values in found.items():
        np.testing.assert_array_equal(values, whole[name], err_msg=name)


def test_a_study_does_not_go_on_from_another(study, scan, tmp_path, stop_at):
    out, new = tmp_path / "out.h5", tmp_path / "new.h5"
    words = ("study", study('scan = "scan.csv"\n'), "--jobs", 1, "--response-unit", "V/m")
    stop_at(None, None, 0)
    assert run(*words, "-o", out).code == 130
    again = (*words, "--resume", out, "-o", new)
    said = "study.toml: at the size 100: the draws to go on from are of another scan"
    assert_refused(tmp_path, *again, "--time-convention", "exp(-iwt)", says=said)
    # Ctrl-C before the first draw that is new: what there was is kept.
    stop_at(0)
    assert run(*again).code == 130
    for name, values in contents(out).items():
        np.testing.assert_array_equal(values, contents(new)[name], err_msg=name)
    resumed = (*words, "-o", tmp_path / "end.h5", "--resume")
    assert_refused(tmp_path, *resumed, scan, says="was not made of .*study.toml")
    stop_at()
    assert run(*again, "--overwrite").code == 0
    assert_refused(tmp_path, *resumed, new, says="study to go on from is whole: it was not stopped")
    study('scan = "scan.csv"\n', STUDY.replace("-60", "-50"))
    assert_refused(tmp_path, *resumed, out, says="was not made of .*study.toml: what is there now differs")


def test_what_does_not_go_on_is_refused(scan, tmp_path, budget, stop_at):
    text, out, new = budget("trp", "eirp"), tmp_path / "out.h5", tmp_path / "new.h5"
    words = ("uncertainty", scan, text, "--jobs", 1, "--draws", 7)
    stop_at(1)
    assert run(*words, "-o", out).code == 130
    again = (*words, "--resume", out, "-o", new)
    assert_refused(tmp_path, *again, "--seed", 8, says="out.h5: has draws of the seed 0, --seed is 8")
    assert_refused(tmp_path, *again, "--degree", 4, says="the draws to go on from are of another scan")
    assert_refused(tmp_path, *again[:-4], "--draws", 2, *again[-4:], says="3 draws were made already, 2 are")
    assert_refused(tmp_path, *words, "--resume", scan, "-o", new, says="was not made of .*scan.h5")
    done = run(*again, "--linear")
    assert done.code == 2
    budget("trp", "eirp", terms=TERMS.replace("-40", "-41"))
    assert_refused(tmp_path, *again, says="was not made of .*budget.toml: what is there now differs")
    budget("trp", "eirp")
    stop_at()
    assert run(*words, "-o", new).code == 0
    assert_refused(
        tmp_path, *words, "--resume", new, "-o", out, "--overwrite", says="new.h5: keeps no draws to"
    )


@pytest.mark.slow
@pytest.mark.skipif(not hasattr(signal, "SIGHUP"), reason="no such signals")
@pytest.mark.parametrize("everyone", [False, True])
@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM, getattr(signal, "SIGHUP", signal.SIGTERM)])
def test_a_signal_to_processes_keeps_their_draws(scan, tmp_path, budget, number, everyone):
    # As it comes from a terminal that is closed, or from a service: to the command, or to all its processes.
    out = tmp_path / "out.h5"
    words = ("uncertainty", scan, budget("trp", "eirp"), "--jobs", "2", "--draws", "100000", "-o", out)
    code = f"""import os, signal, sys
import nf2ff.uncertainty.assess as assess
real, seen = assess.monte_carlo, []
def signalled(*args, progress, **more):
    def stop(done):
        progress(done)
        if not seen:
            seen.append(os.{"killpg(0" if everyone else "kill(os.getpid()"}, {number:d}))
    return real(*args, progress=stop, **more)
assess.monte_carlo = signalled
if {number:d} == signal.SIGINT:
    signal.signal(signal.SIGINT, signal.default_int_handler)
sys.argv = ["nf2ff", *{[str(x) for x in words]!r}]
from nf2ff.__main__ import main
main()"""
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=False, start_new_session=True
    )
    with h5py.File(out) as file:
        assert "kept" in file
    says = rf"they are kept, and --resume {re.escape(str(out))} makes the rest\n"
    assert re.fullmatch(r"stopped after \d+ of 100000 draws: " + says, done.stderr)
    assert done.returncode == 128 + number

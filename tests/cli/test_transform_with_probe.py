"""Scans with a real probe, as a user transforms them; power and gain against closed forms.

The antenna radiates through no spherical wave, the probe receives its dipoles' reaction: neither
`simulate` knows anything of what `transform` does.
"""

import dataclasses
import json
import re
import tracemalloc

import numpy as np
import pytest
from cli_probe_cases import (
    FIELD,
    FREQUENCY,
    KNOWN,
    PORTS,
    STEPS,
    SWEEP,
    TAKEN,
    field_error,
    level_of,
    take_port,
    write_pattern,
)
from commands import assert_refused, db, run, simulated, succeed, transformed
from scipy.special import spherical_jn, spherical_yn

from nf2ff.antenna.closed_form import radiated_power_of
from nf2ff.antenna.modes import Modes, mode_index, wavenumber
from nf2ff.io import native, tables
from nf2ff.measurement.probe import Probe, at_frequencies, probe_from_modes
from nf2ff.measurement.probe_models import electric_dipole
from nf2ff.measurement.samples import Samples
from nf2ff.metrics.transformation import _extrapolated
from nf2ff.solver.probe_share import _share_beyond, judge_probe

# --- the probe, from its pattern and from a scan of it ------------------------------------------


@pytest.mark.slow
def test_probe_as_imported_from_its_pattern(room, tmp_path):
    facts = transformed(room["scan.h5"], tmp_path / "result.h5", "--probe", room["probe.h5"])
    assert field_error(room, tmp_path / "result.h5") < FIELD
    power = radiated_power_of(room.antenna, frequency=FREQUENCY)
    for fact, watts in zip(facts, power, strict=True):
        assert fact["samples"] == 4 * 19 * 36
        assert fact["radiated_power_w"] == pytest.approx(watts, rel=2 * FIELD)
        top = fact["peak"]
        assert top["eirp_dbm"] == pytest.approx(db(room.true_eirp(fact) / 1e-3), abs=1e-7)
        assert not {"gain_dbi", "realised_gain_dbi"} & top.keys()


@pytest.mark.slow
def test_pattern_itself_as_the_probe(room, tmp_path):
    words = ("--probe", room["pattern.csv"], *TAKEN)
    done = run("transform", room["scan.h5"], "-o", tmp_path / "result.h5", "--json", *words)
    assert done.code == 0
    # What is said of the probe is progress, and goes where the JSON is not.
    level, *ports = done.err.splitlines()
    assert level.startswith("probe: level: that of 1 W into each port, as is assumed of a pattern")
    assert [x.split(":")[1] for x in ports] == [" port 1", " port 2"]
    assert all("expanded to degree" in x for x in ports)
    assert field_error(room, tmp_path / "result.h5") < FIELD
    # It is kept in the result too, and so it is by way of a native probe, silently.
    said = native.read_provenance(tmp_path / "result.h5")["probe"].splitlines()
    assert [f"probe: {x}" for x in said] == done.err.splitlines()
    transformed(room["scan.h5"], tmp_path / "other.h5", "--probe", room["probe.h5"], *TAKEN)
    assert native.read_provenance(tmp_path / "other.h5")["probe"].splitlines() == said


def test_the_probe_that_simulate_writes(room, tmp_path):
    # Of both ports, at its level: the fields of the closed form come back.
    probes = [x for name in PORTS for x in ("--probe", room[f"{name}.toml"])]
    words = ("--probe-output", tmp_path / "probe.h5")
    scan = tmp_path / "scan.h5"
    scan.with_suffix(".toml").write_text(room["scan.toml"].read_text(encoding="utf-8"), encoding="utf-8")
    simulate = ("simulate", scan.with_suffix(".toml"), "-o", scan, "--radius-m", 0.4)
    out = succeed(*simulate, *SWEEP, *STEPS, *probes, *words)
    assert out.splitlines()[1] == f"{tmp_path / 'probe.h5'}: probe of 2 ports"
    transformed(scan, tmp_path / "far.h5", "--probe", tmp_path / "probe.h5")
    assert field_error(room, tmp_path / "far.h5") < FIELD
    about = json.loads(succeed("inspect", tmp_path / "probe.h5", "--json"))
    assert about["response_unit"] == "sqrt(W)"
    assert about["minimum_radius_m"] == max(x.minimum_radius for x in room.ports)
    # Lossless: as much gain as directivity.
    np.testing.assert_allclose(about["port_1_gain_dbi"], about["port_1_directivity_dbi"], atol=1e-9)


def test_a_probe_to_be_written_is_one_that_is_given(room, tmp_path):
    words = ("simulate", room["scan.toml"], "-o", tmp_path / "scan.h5", "--radius-m", 0.4, *SWEEP)
    done = run(*words, "--probe-output", tmp_path / "probe.h5")
    assert done.code == 2
    assert "--probe-output needs --probe: the ideal probe is that of nf2ff transform by itself" in done.err
    probe = ("--probe", room["x.toml"], "--probe-output", tmp_path / "probe.csv")
    done = run(*words, *probe)
    assert done.code == 1
    assert "is a name of text, and a native file (HDF5) is written" in done.err
    assert list(tmp_path.iterdir()) == []


def scan_of_the_probe(room, folder):
    """Results of scans of both ports by the ideal probe, and the power each radiates, (F,)."""
    sweep = [x for f in KNOWN for x in ("--frequency-ghz", f / 1e9)]
    results = []
    for name, text in PORTS.items():
        scan = folder / f"scan_{name}.h5"
        simulated(scan, "--radius-m", 0.3, *sweep, *STEPS, antenna=text)
        results.append(folder / f"result_{name}.h5")
        transformed(scan, results[-1])
    return results, [radiated_power_of(p, frequency=KNOWN) for p in room.ports]


@pytest.mark.slow
def test_a_scan_of_the_probe_itself(room, tmp_path):
    # The moments of the dipoles are the same at all frequencies, the power that they radiate is
    # not: the probe is taken relative, and its level left open.
    results, _ = scan_of_the_probe(room, tmp_path)
    done = run("import", *results, "-o", tmp_path / "probe.h5", "--relative")
    assert done.code == 0
    assert done.out.startswith(f"{tmp_path / 'probe.h5'}: probe of 2 ports, degree 17, azimuthal ")
    lines = done.err.splitlines()
    for number, result in enumerate(results, start=1):
        who = f"port {number}, {result}"
        assert f"{who}: responses in V/m, as the file says" in lines
        assert f"{who}: level unknown, as asked" in lines
    assert native.read_provenance(tmp_path / "probe.h5")["probe"].splitlines() == lines
    words = ("--probe", tmp_path / "probe.h5", *TAKEN)
    # Ports of different power would be unequally loud: each alone has the field but for its level.
    for port in (1, 2):
        part = take_port(room, port, tmp_path / f"port{port}.h5")
        facts = transformed(part, tmp_path / f"far{port}.h5", *words)
        assert field_error(room, tmp_path / f"far{port}.h5", level=False) < FIELD
        assert facts[0]["radiated_power_w"] is None
        assert facts[0]["peak"].keys() == {"seen", "theta_deg", "phi_deg", "directivity_dbi"}
        assert "probe: relative, its gain is not known" in level_of(tmp_path / f"far{port}.h5")


@pytest.mark.slow
def test_a_scan_of_the_probe_with_its_level(room, tmp_path):
    # One port, at one frequency, of which 80 % of the power put in is radiated.
    scan = simulated(tmp_path / "probe_scan.h5", "--radius-m", 0.3, *STEPS, antenna=PORTS["x"])
    transformed(scan, tmp_path / "port.h5")
    watts = radiated_power_of(room.ports[0], frequency=FREQUENCY[:1])[0] / 0.8
    words = ("--input-power-w", watts, "--probe-radius-m", 0.017)
    done = run("import", tmp_path / "port.h5", "-o", tmp_path / "probe.h5", *words)
    assert done.code == 0
    assert "too high" not in done.err
    note = f"port 1, {tmp_path / 'port.h5'}: level that of {watts:.9g} W into the port, as stated"
    assert note in done.err.splitlines()
    about = json.loads(succeed("inspect", tmp_path / "probe.h5", "--json"))
    assert about["minimum_radius_m"] == 0.017
    # The level is that of the ideal probe's scan: 1e-9, twice in power, 4.34 of it in dB.
    loss = about["port_1_gain_dbi"][0] - about["port_1_directivity_dbi"][0]
    assert loss == pytest.approx(db(0.8), abs=1e-8)
    # A probe that gives less for the same field makes the same readings mean more.
    scan = simulated(tmp_path / "scan.h5", *STEPS, "--probe", room["x.toml"])
    (lossy,) = transformed(scan, tmp_path / "far.h5", "--probe", tmp_path / "probe.h5")
    assert field_error(room, tmp_path / "far.h5", level=False) < FIELD
    eirp = db(room.true_eirp(lossy) / 1e-3)
    assert lossy["peak"]["eirp_dbm"] == pytest.approx(eirp - db(0.8), abs=1e-7)


@pytest.mark.slow
def test_a_probe_that_radiates_more_than_it_was_given_is_told(room, tmp_path):
    write_pattern(tmp_path / "loud.csv", room.ports, power=2.0)
    done = run("import", tmp_path / "loud.csv", "-o", tmp_path / "loud.h5")
    assert done.code == 0
    for port in (1, 2):
        assert (
            f"port {port}, 2.9 GHz and 5 more frequencies: the pattern radiates 2 W for 1 W into "
            "the port: its level is too high by 3.01 dB at least, check its calibration"
        ) in done.err
    # And it goes with what is made of it.
    about = json.loads(succeed("inspect", tmp_path / "loud.h5", "--json"))
    assert any("too high by 3.01 dB" in x for x in about["notes_on_the_probe"])
    transformed(room["scan.h5"], tmp_path / "result.h5", "--probe", tmp_path / "loud.h5", *TAKEN)
    assert "too high by 3.01 dB" in native.read_provenance(tmp_path / "result.h5")["probe"]


@pytest.mark.slow
def test_pattern_of_the_other_time_factor(room, tmp_path):
    # The conjugate of everything, scan and pattern, is the same scan of the other convention.
    pattern, samples = (tables.read_pattern(room["pattern.csv"]), native.read_samples(room["scan.h5"]))
    conjugate = dataclasses.replace(pattern, e_theta=pattern.e_theta.conj(), e_phi=pattern.e_phi.conj())
    tables.write_pattern(tmp_path / "pattern.csv", conjugate)
    tables.write_table(tmp_path / "scan.csv", samples, time_convention="exp(-iwt)")
    other = ("--time-convention", "exp(-iwt)")
    run("import", tmp_path / "pattern.csv", "-o", tmp_path / "probe.h5", *other)
    words = ("--probe", tmp_path / "probe.h5", "--response-unit", "sqrt(W)", *other, *TAKEN)
    transformed(tmp_path / "scan.csv", tmp_path / "result.h5", *words)
    assert field_error(room, tmp_path / "result.h5") < FIELD


@pytest.mark.slow
def test_half_a_sphere(room, tmp_path):
    write_pattern(tmp_path / "half.csv", room.ports, theta=np.radians(np.arange(0, 91, 10.0)))
    assert_refused(
        tmp_path,
        "import",
        tmp_path / "half.csv",
        "-o",
        tmp_path / "probe.h5",
        says=r"half.csv: the pattern lacks theta 90 to 180 deg \(50 % of the sphere\): measure "
        r"that part, or ask for it to be taken as zero \(nf2ff import --zero-missing\)$",
    )
    assert_refused(
        tmp_path,
        "transform",
        room["scan.h5"],
        "-o",
        tmp_path / "out.h5",
        "--probe",
        tmp_path / "half.csv",
        says=r"\(nf2ff import --zero-missing\)$",
    )
    done = run("import", tmp_path / "half.csv", "-o", tmp_path / "probe.h5", "--zero-missing", "--degree", 6)
    assert done.code == 0
    assert done.err.count("the part of the sphere taken as zero would hold about") == 2
    assert "port 1: expanded to degree 6 (given)" in done.err
    # The probe sees the antenna in front of it: half a pattern does better than none.
    transformed(room["scan.h5"], tmp_path / "half.h5", "--probe", tmp_path / "probe.h5", "--degree", 14)
    assert 1e-6 < field_error(room, tmp_path / "half.h5", level=False) < 0.2


@pytest.mark.slow
def test_edge_of_a_part_taken_as_zero(room, tmp_path, monkeypatch):
    # Steps of 3 deg determine degree 59, and the edge at 90 deg has waves of all: at k r = 25 they
    # and those of the antenna are beyond all bounds, and the far field would be anything.
    write_pattern(
        tmp_path / "half.csv",
        room.ports[:1],
        KNOWN[1:2],
        numbers=[1],
        theta=np.radians(np.arange(0, 91, 3.0)),
    )
    probe, out = tmp_path / "probe.h5", tmp_path / "far.h5"
    zero = ("import", tmp_path / "half.csv", "-o", probe, "--zero-missing")
    assert_refused(tmp_path, *zero, says="half.csv: a part of the pattern is taken as zero, and")
    assert run(*zero, "--degree", 40).code == 0
    scan = simulated(tmp_path / "scan.h5", *STEPS, "--probe", room["x.toml"])
    words = ("transform", scan, "-o", out, "--probe", probe, "--degree", 14)
    assert_refused(
        tmp_path,
        *words,
        says=r"scan.h5: 3 GHz: 100% of the response at 0\.4 m comes from waves of probe and antenna "
        r"whose degrees add up to more than k r = 25\.2, where their spheres would meet: those of "
        r"the probe, up to 40, may be noise or an edge in its pattern \(import it with a lower "
        r"degree: nf2ff import --degree\), those of the antenna, up to 14, noise of the samples "
        r"\(lower the degree\)$",
    )
    (tmp_path / "budget.toml").write_text(
        'metrics = ["trp"]\n[[error]]\nkind = "probe-gain"\namplitude = 0.01\n', encoding="utf-8"
    )
    more = ("uncertainty", scan, tmp_path / "budget.toml", "--linear", *words[2:])
    assert_refused(tmp_path, *more, says=r"scan.h5: 3 GHz: 100% of the response at 0\.4 m comes from w")
    # Less of it is told of.
    monkeypatch.setattr("nf2ff.solver.probe_share.MAX_BEYOND", 1.1)
    (fact,) = json.loads(run(*words, "--json").out)["frequencies"]
    assert fact["warnings"][0].startswith("100% of the response at 0.4 m comes from waves of probe and")
    # The size of the probe makes it one that is right within the part that was measured.
    monkeypatch.undo()
    assert run(*zero, "--overwrite", "--probe-radius-m", 0.017).code == 0
    facts = transformed(scan, out, *words[4:], "--overwrite")
    assert facts[0]["warnings"] == []
    assert field_error(room, out, level=False) < 0.1


def test_waves_whose_spheres_meet():
    # Two waves s = 1, m = 0 of the antenna, read by a dipole at k r = 6, mean square |R_1n Q|^2
    # each (the printed P_{1,+-1,n} = -j N0 R_1n, N0^2 = (2n+1)/(16 pi), over 2n + 1): 3 + 1 is
    # within reach, 7 + 1 is not.
    k = float(wavenumber(3e9))
    q = np.zeros(2 * 7 * 9, dtype=complex)
    q[mode_index(s=1, m=0, n=3)], q[mode_index(s=1, m=0, n=7)] = 2.0, 0.3j
    h = np.abs(spherical_jn([3, 7], 6.0) - 1j * spherical_yn([3, 7], 6.0)) ** 2 * [4, 0.09]
    dipole = probe_from_modes(electric_dipole([3e9]))
    samples = Samples([3e9], [1.0], [0.0], [0.0], [6 / k], [1], [[1.0]], "sqrt(W)")
    for reach, share in ((6.0, h[1] / h.sum()), (3.5, 1.0), (8.0, 0.0)):
        found = _share_beyond(samples, dipole, Modes([3e9], [q]), 0, reach)
        assert found == pytest.approx(share, rel=1e-12)


@pytest.mark.parametrize(("share", "told"), [(0.029, 0), (0.031, 1), (0.49, 1), (0.51, None)])
def test_how_much_of_such_waves_is_told_of(share, told):
    # As above, the second wave as strong as makes that share: told of from 3 %, refused from 50 %.
    k = float(wavenumber(3e9))
    h3, h7 = np.abs(spherical_jn([3, 7], 6.0) - 1j * spherical_yn([3, 7], 6.0)) ** 2
    q = np.zeros(2 * 7 * 9, dtype=complex)
    q[mode_index(s=1, m=0, n=3)] = 1.0
    q[mode_index(s=1, m=0, n=7)] = np.sqrt(share / (1 - share) * h3 / h7)
    dipole = probe_from_modes(electric_dipole([3e9]))
    samples = Samples([3e9], [1.0], [0.0], [0.0], [6 / k], [1], [[1.0]], "sqrt(W)")
    if told is None:
        with pytest.raises(ValueError, match=r"^3 GHz: 51% of the response .*lower the degree"):
            judge_probe(samples, dipole, Modes([3e9], [q]))
        return
    ((*found,),) = judge_probe(samples, dipole, Modes([3e9], [q]))
    assert len(found) == told
    assert all(x.startswith(f"{share:.0%} of the response at ") for x in found)


def test_memory_of_waves_whose_spheres_meet():
    # Of degree 200 against 11: the translation coefficients for all and for those within reach,
    # with their parts and copies, and Q ten times. Each order's constants by every Q would be 23.
    degree, top = 200, 11
    q = np.ones(2 * degree * (degree + 2), dtype=complex)
    probe = Probe([3e9], np.ones((1, 1, 2 * top * (top + 2))), "sqrt(W)")
    reach = degree + top - 3.0
    k = float(wavenumber(3e9))
    samples = Samples([3e9], [1.0], [0.0], [0.0], [reach / k], [1], [[1.0]], "sqrt(W)")
    modes = Modes([3e9], [q])
    _share_beyond(samples, probe, modes, 0, reach)
    tracemalloc.start()
    _share_beyond(samples, probe, modes, 0, reach)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 10 * q.nbytes + 4 * 16 * top * degree * (top + 1)


# --- orders, frequencies, distances -------------------------------------------------------------


@pytest.mark.slow
def test_first_order_as_a_choice(room, tmp_path):
    part = take_port(room, 1, tmp_path / "port.h5")
    whole = ("--probe", room["probe.h5"], *TAKEN)
    transformed(part, tmp_path / "exact.h5", *whole)
    assert field_error(room, tmp_path / "exact.h5") < FIELD
    for method in ("quadrature", "least-squares"):
        result = tmp_path / f"{method}.h5"
        words = (*whole, "--first-order", "--method", method, "--json")
        done = run("transform", part, "-o", result, *words)
        assert done.code == 0
        facts = json.loads(done.out)["frequencies"]
        levels = []
        for fact in facts:
            (sentence,) = fact["warnings"]
            found = re.fullmatch(
                r"the probe's azimuthal orders other than \+-1 were neglected, as asked: they "
                r"carry (-\d\d\.\d) dB of its response at 0\.4 m",
                sentence,
            )
            levels.append(found[1])
        # Of both frequencies at once, from the weaker to the stronger.
        (line,) = done.err.splitlines()
        assert line.startswith("warning, at 2 of 2 frequencies, 3 to 3.4 GHz: ")
        assert f" {min(levels, key=float)} to {max(levels, key=float)} dB of its response at 0.4 m" in line
        # Tens of dB below: not exact, and not nothing.
        assert 1e-3 < field_error(room, result) < 0.2
        assert "neglected" in native.read_result(result).warnings[0][0]


def test_chi_that_cannot_separate_the_orders(room, tmp_path):
    part = take_port(room, 1, tmp_path / "port.h5")
    assert_refused(
        tmp_path,
        "transform",
        part,
        "-o",
        tmp_path / "out.h5",
        "--probe",
        room["probe.h5"],
        "--method",
        "quadrature",
        says=r"port.h5: the samples are not a full regular grid: \d+ of 684 positions have values "
        r"of chi that cannot separate the probe's azimuthal orders 0, \+-1, \+-2, .* first at "
        r"theta 10 deg, phi 0 deg; use LeastSquares \(--method least-squares\)$",
    )


def test_probe_between_its_frequencies(room, tmp_path):
    probes = ("--probe", room["x.toml"])
    scan = simulated(tmp_path / "scan.h5", "--frequency-ghz", 3.14, *STEPS, *probes)
    found = transformed(scan, tmp_path / "far.h5", "--probe", room["probe.h5"], *TAKEN)
    # 100 MHz is 3 % in frequency, 0.03 in phase k d at 16 mm: its fourth power times 5/384, 1e-8.
    assert field_error(room, tmp_path / "far.h5") < 1e-6
    assert found[0]["warnings"] == []


@pytest.mark.slow
def test_probe_without_the_frequency(room, tmp_path):
    words = ("--frequency-ghz", 3.2, "--frequency-ghz", 3.45, *STEPS, "--probe", room["x.toml"])
    scan = simulated(tmp_path / "scan.h5", *words)
    out = ("transform", scan, "-o", tmp_path / "far.h5", "--probe", room["probe.h5"])
    assert_refused(
        tmp_path,
        *out,
        says=r"scan.h5: the probe: 3.45 GHz is not among or between the known frequencies "
        r"\(2.9, 3, 3.1, 3.2, 3.3, 3.4 GHz\): give data that reach it, or ask for extrapolation "
        r"\(--extrapolate-probe\)$",
    )
    done = run(*out, "--extrapolate-probe", "--json", *TAKEN)
    assert done.code == 0
    inside, outside = json.loads(done.out)["frequencies"]
    assert inside["warnings"] == []
    sentence = "the probe was extrapolated from 3.4 GHz, as asked: its error there is not known"
    assert outside["warnings"] == [sentence]
    assert done.err == f"warning, 3.45 GHz: {sentence}\n"
    # Half a step beyond the last frequency, by the last cubic: (1/2 x 3/2 x 5/2 x 7/2)/4! of the
    # fourth difference 1e-6, some 3e-7; much less than the probe changes, 3 %.
    assert field_error(room, tmp_path / "far.h5") < 1e-5


def test_extrapolation_does_not_silence_interpolation(room, tmp_path):
    # A probe whose data err by 1 % at one frequency: scans next to it are warned of, asked or not
    # asked for others to be extrapolated.
    probe = native.read_probe(room["probe.h5"])
    r = np.array(probe.coefficients)
    r[3] *= 1.01
    native.write_probe(tmp_path / "rough.h5", dataclasses.replace(probe, coefficients=r))
    words = ("--frequency-ghz", 3.25, "--frequency-ghz", 3.45, *STEPS, "--probe", room["x.toml"])
    scan = simulated(tmp_path / "scan.h5", *words)
    out = ("transform", scan, "-o", tmp_path / "far.h5", "--probe", tmp_path / "rough.h5")
    facts = json.loads(run(*out, "--extrapolate-probe", "--json", *TAKEN).out)["frequencies"]
    assert any("was interpolated between its frequencies" in x for x in facts[0]["warnings"])
    assert facts[1]["warnings"][0].startswith("the probe was extrapolated from 3.4 GHz")


def test_far_extrapolation_has_no_part_in_the_error_between(room):
    # At 6 GHz the last cubic gives anything, against which what lies between is small.
    probe = native.read_probe(room["probe.h5"])
    r = np.array(probe.coefficients)
    r[3] *= 1.01
    rough = dataclasses.replace(probe, coefficients=r)
    wanted = np.array([3.25e9, 6e9, 3.0e9])
    alone, error = at_frequencies(rough, wanted[:1])
    told = [[], [], []]
    found = _extrapolated(rough, wanted, told)
    np.testing.assert_array_equal(found.frequency, wanted)
    # Sums of six products each, perhaps in another order: 10 eps of the largest, some 0.5.
    np.testing.assert_allclose(found.coefficients[0], alone.coefficients[0], rtol=0, atol=10 * 2.0**-52)
    np.testing.assert_array_equal(found.coefficients[2], r[1])
    assert [len(x) for x in told] == [1, 1, 0]
    assert f"changes it by {20 * np.log10(error[0]):.0f} dB: measure it in finer" in told[0][0]
    assert told[1][0].startswith("the probe was extrapolated from 3.4 GHz, as asked")
    # With two frequencies nothing is known of the error between them.
    few = dataclasses.replace(probe, frequency=KNOWN[:2], coefficients=r[:2])
    told = [[], []]
    _extrapolated(few, np.array([2.95e9, 3.1e9]), told)
    assert "changes it by an unknown amount" in told[0][0]


@pytest.mark.slow
def test_extrapolation_that_is_not_needed(room, tmp_path):
    words = ("--probe", room["probe.h5"], "--extrapolate-probe", *TAKEN)
    facts = transformed(room["scan.h5"], tmp_path / "far.h5", *words)
    assert [fact["warnings"] for fact in facts] == [[], []]
    assert field_error(room, tmp_path / "far.h5") < FIELD
    # Below the lowest frequency too.
    probes = ("--probe", room["x.toml"])
    scan = simulated(tmp_path / "low.h5", "--frequency-ghz", 2.85, *STEPS, *probes)
    done = run("transform", scan, "-o", tmp_path / "low_far.h5", *words)
    assert "warning, 2.85 GHz: the probe was extrapolated from 2.9 GHz, as asked" in done.err


@pytest.mark.slow
def test_spheres_that_meet(room, tmp_path):
    path = tmp_path / "probe.h5"
    succeed("import", room["probe.h5"], "-o", path, "--probe-radius-m", 0.05)
    out = ("transform", room["scan.h5"], "-o", tmp_path / "far.h5", "--probe", path)
    assert_refused(
        tmp_path,
        *out,
        "--minimum-radius-m",
        0.36,
        says="scan.h5: radius is 0.4 m, but the probe's minimum sphere of 0.05 m and the antenna's "
        "of 0.36 m meet there: measure further away, or correct these radii$",
    )
    facts = transformed(*out[1:2], out[3], *out[4:], "--minimum-radius-m", 0.045)
    assert "minimum sphere of 0.045 m" in facts[0]["degree_reason"]

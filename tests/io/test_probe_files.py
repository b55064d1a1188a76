"""A probe from files of every kind, held against the modes of its dipoles in closed form."""

import dataclasses

import numpy as np
import probe_oracle
import pytest
from sources import X, Y, Z, random_cluster

from nf2ff.antenna.closed_form import far_field_of, radiated_power_of
from nf2ff.antenna.dipoles import DipoleCluster, huygens_source
from nf2ff.antenna.far_field import FarField, far_field
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.antenna.modes import SPEED_OF_LIGHT, WAVE_IMPEDANCE, Modes, mode_index, required_degree, wavenumber
from nf2ff.io import native, tables
from nf2ff.io.probe import load_probe
from nf2ff.measurement.probe import (
    ROUNDING_POWER,
    Probe,
    drop_weak_orders,
    field_probe,
    keep_orders,
    probe_from_modes,
)
from nf2ff.measurement.samples import Samples
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.messages.result import ResultCode
from nf2ff.messages.solution import SolutionCode
from nf2ff.metrics.result import Result
from nf2ff.solver.solve import solve

FREQUENCY = np.array([2.9e9, 3.0e9, 3.2e9])
#: Waves of 0.1 m; the dipoles below are within 16 mm, k r = 1.05 at most.
DEGREE = 12
#: What is left of a pattern expanded until -200 dB of its power is above the degree.
FALLEN = 1e-10
#: Of one that was text: each order that is dropped as rounding of the digits has less.
TEXT = 3.2e-9  # 10^-17 of the power
THETA, PHI = np.radians(np.arange(0, 181, 10.0)), np.radians(np.arange(0, 360, 10.0))


def cluster(polarisation=X, cross=0.1):
    """Two dipole pairs off the axis: orders 0, +-1, +-2 and beyond, both polarisations."""
    other = np.cross(Z, polarisation)
    electric = [polarisation + cross * other, 0.8 * polarisation + 0.2j * Z]
    magnetic = WAVE_IMPEDANCE * np.cross(Z, electric)
    return DipoleCluster([[0.010, 0.004, 0.008], [-0.012, 0.006, 0]], electric, magnetic)


PORTS = (cluster(), cluster(Y, cross=-0.07))


def modes_of(port, power=1.0, frequency=FREQUENCY):
    """Waves at ``power`` watts, by the oracle's reciprocity integral; above degree 12, 1e-14."""
    q = np.array([probe_oracle.cluster_modes(port, k, DEGREE) for k in wavenumber(frequency)])
    scale = np.sqrt(power / radiated_power_of(port, frequency=frequency))
    return Modes(frequency, scale[:, None] * q)


EXACT = probe_from_modes([modes_of(p) for p in PORTS])


def fields(ports=PORTS, power=1.0, theta=THETA, phi=PHI, frequency=FREQUENCY):
    """e_theta, e_phi (F, L, T, P) in closed form."""
    t, p = (x.ravel() for x in np.meshgrid(theta, phi, indexing="ij"))
    result = np.empty((2, frequency.size, len(ports), theta.size, phi.size), dtype=complex)
    for i, port in enumerate(ports):
        level = np.sqrt(power / radiated_power_of(port, frequency=frequency))
        e = np.array(far_field_of(port, frequency=frequency, theta=t, phi=p))
        result[:, :, i] = (level[:, None] * e).reshape(2, -1, theta.size, phi.size)
    return result


def write_pattern(path, ports=PORTS, numbers=None, **more):
    e_theta, e_phi = fields(ports, **more)
    theta, phi = more.get("theta", THETA), more.get("phi", PHI)
    frequency = more.get("frequency", FREQUENCY)
    numbers = numbers or range(1, len(ports) + 1)
    tables.write_pattern(path, tables.Pattern(frequency, theta, phi, list(numbers), e_theta, e_phi))
    return path


def error(probe, exact=EXACT):
    """Largest error of the coefficients relative to the norm of those of a port, any frequency."""
    degree = max(probe.degree, exact.degree)
    both = np.zeros((2, *exact.coefficients.shape[:2], 2 * degree * (degree + 2)), dtype=complex)
    for total, one in zip(both, (probe, exact), strict=True):
        total[..., : one.coefficients.shape[2]] = one.coefficients
    norm = np.linalg.norm(both[1], axis=2)
    return (np.abs(both[0] - both[1]).max(axis=2) / norm).max()


def said(notes, text):
    """Whether one of the notes says so."""
    return any(text in note for note in notes)


# --- files of each kind -------------------------------------------------------------------------


def test_pattern_at_one_watt(tmp_path):
    path = write_pattern(tmp_path / "probe.csv")
    probe, notes = load_probe(path)
    assert (probe.ports, probe.response_unit, probe.minimum_radius) == (2, "sqrt(W)", None)
    np.testing.assert_array_equal(probe.frequency, FREQUENCY)
    assert error(probe) < TEXT
    assert notes[0] == (
        "level: that of 1 W into each port, as is assumed of a pattern unless another is stated"
    )
    for note, port in zip(notes[1:], (1, 2), strict=True):
        assert note.startswith(f"port {port}: expanded to degree {probe.degree} (spectrum: at most")
        assert note.endswith("dB of the pattern")


def test_pattern_at_another_power(tmp_path):
    path = write_pattern(tmp_path / "probe.csv", power=0.025)
    probe, notes = load_probe(path, input_power=0.025, minimum_radius=0.02)
    assert error(probe) < TEXT
    assert probe.minimum_radius == 0.02
    assert notes[0] == "level: that of 0.025 W into each port, as stated"
    assert not said(notes, "too high")
    # A lossy probe: less is radiated than put in, and its gain is that much lower.
    lossy, _ = load_probe(path)
    np.testing.assert_allclose(lossy.coefficients, probe.coefficients * np.sqrt(0.025), rtol=1e-12)


def test_relative_pattern(tmp_path):
    path = write_pattern(tmp_path / "probe.csv", power=7.0)
    probe, notes = load_probe(path, relative=True)
    assert probe.response_unit == "relative"
    assert error(dataclasses.replace(probe, coefficients=probe.coefficients / np.sqrt(7))) < TEXT
    assert notes[0] == "level: unknown, as asked"
    assert not said(notes, "too high")


def test_pattern_of_the_other_time_factor(tmp_path):
    e_theta, e_phi = fields()
    pattern = tables.Pattern(FREQUENCY, THETA, PHI, [1, 2], e_theta.conj(), e_phi.conj())
    tables.write_pattern(tmp_path / "probe.csv", pattern)
    probe, _ = load_probe(tmp_path / "probe.csv", time_convention="exp(-iwt)")
    assert error(probe) < TEXT
    wrong, _ = load_probe(tmp_path / "probe.csv")
    assert error(wrong) > 0.1


def test_degree_of_a_pattern_as_asked(tmp_path):
    path = write_pattern(tmp_path / "probe.csv")
    probe, notes = load_probe(path, degree=4)
    assert probe.degree == 4
    assert said(notes, "port 1: expanded to degree 4 (given)")
    want = EXACT.coefficients[:, :, : probe.coefficients.shape[2]]
    # Degrees above are not folded into these: the rings determine degree 17.
    assert np.abs(probe.coefficients - want).max() < TEXT


def port_files(folder, write, ports=PORTS):
    """One file for each port, written by ``write(path, port)``."""
    paths = [folder / f"port{i}.h5" for i in range(1, len(ports) + 1)]
    for path, port in zip(paths, ports, strict=True):
        write(path, port)
    return paths


def test_far_fields(tmp_path):
    def write(path, port):
        e_theta, e_phi = fields([port], power=0.5)[:, :, 0]
        power = np.full(3, 0.5)
        native.write_far_field(path, FarField(FREQUENCY, THETA, PHI, e_theta, e_phi, power))

    paths = port_files(tmp_path, write)
    probe, notes = load_probe(paths, input_power=0.5)
    assert error(probe) < FALLEN
    for number, path in enumerate(paths, start=1):
        assert said(notes, f"port {number}, {path}: level that of 0.5 W into the port, as stated")
        assert said(notes, f"port {number}, {path}: expanded to degree")


def test_modes(tmp_path):
    paths = port_files(tmp_path, lambda path, port: native.write_modes(path, modes_of(port, 0.5)))
    probe, notes = load_probe(paths, input_power=0.5)
    assert error(probe) < 1e-14
    assert notes == tuple(
        f"port {i}, {path}: level that of 0.5 W into the port, as stated"
        for i, path in enumerate(paths, start=1)
    )
    short, _ = load_probe(paths, input_power=0.5, degree=3)
    assert short.degree == 3
    np.testing.assert_array_equal(short.coefficients, probe.coefficients[:, :, :30])
    # A path alone, as a string.
    one, _ = load_probe(str(paths[0]), input_power=0.5)
    np.testing.assert_array_equal(one.coefficients[:, 0], probe.coefficients[:, 0])


def test_relative_modes(tmp_path):
    def write(path, port):
        native.write_modes(path, dataclasses.replace(modes_of(port), reference="relative"))

    paths = port_files(tmp_path, write)
    for options in ({}, {"relative": True}):
        probe, notes = load_probe(paths, **options)
        assert probe.response_unit == "relative"
        assert error(probe) < 1e-14
        assert said(notes, f"port 2, {paths[1]}: level unknown, as the file says")
    native.write_modes(tmp_path / "absolute.h5", modes_of(PORTS[0]))
    probe, notes = load_probe(tmp_path / "absolute.h5", relative=True)
    assert probe.response_unit == "relative"
    assert said(notes, "level unknown, as asked")


def test_a_scan_of_the_probe(tmp_path):
    def noisy(gain_db):
        return ResultCode.NOISE_AMPLIFIED(gain_db=gain_db, degree=9)

    def steep(tail_db):
        return SolutionCode.TRUNCATED(degree=9, tail_db=tail_db)

    # Through the program itself: samples of each port by the ideal field probe, solved, written.
    def write(path, port):
        grid = grid_for_degree(DEGREE + 2)
        samples = simulate_grid(port, frequency=FREQUENCY, grid=grid, radius=0.25)
        solution = solve(samples, field_probe(), degree=DEGREE)
        native.write_result(
            path,
            Result(
                solution.modes,
                warnings=[[noisy(3)], [steep(-20)], [noisy(4), steep(-21), "another matter"]],
                provenance={"level": "level: responses in V/m, as the file says\nprobe: reads the field"},
            ),
        )

    paths = port_files(tmp_path, write)
    power = radiated_power_of(PORTS[0], frequency=FREQUENCY)
    # The dipoles' moments are the same at all frequencies, the power is not: one statement of it
    # makes the probe lossless at one frequency only.
    probe, notes = load_probe(paths[0], input_power=power[2])
    scale = np.sqrt(power / power[2])[:, None]
    wanted = probe_from_modes(Modes(FREQUENCY, scale * modes_of(PORTS[0]).coefficients), minimum_radius=None)
    # Degrees above 12 that the rings fold down, and the Hankel functions' share: 1e-12.
    assert error(probe, wanted) < 1e-11
    who = f"port 1, {paths[0]}"
    assert notes == (
        f"{who}: responses in V/m, as the file says",
        f"{who}: probe: reads the field",
        f"{who}, 2.9 GHz and 1 more frequencies: {noisy(3)}",
        f"{who}, 3 GHz and 1 more frequencies: {steep(-20)}",
        f"{who}, 3.2 GHz: another matter",
        f"{who}: level that of {power[2]:.9g} W into the port, as stated",
    )


def test_finished_probe(tmp_path):
    path = tmp_path / "probe.h5"
    provenance = {"probe": "port 1: one thing\nport 1: another"}
    native.write_probe(path, dataclasses.replace(EXACT, minimum_radius=0.03), provenance=provenance)
    probe, notes = load_probe(path)
    np.testing.assert_array_equal(probe.coefficients, EXACT.coefficients)
    assert probe.minimum_radius == 0.03
    assert notes == ("port 1: one thing", "port 1: another")
    assert load_probe(path, minimum_radius=0.05)[0].minimum_radius == 0.05
    native.write_probe(path, field_probe(), overwrite=True)
    assert load_probe(path)[1] == ()


# --- what is missing, what is too much ----------------------------------------------------------


def half(path, **more):
    return write_pattern(path, theta=THETA[:10], **more)


def test_half_a_sphere(tmp_path):
    path = half(tmp_path / "probe.csv")
    with pytest.raises(ValueError, match=r"probe.csv: .*lacks theta 90 to 180 deg \(50 % of") as e:
        load_probe(path)
    with pytest.raises(
        ValueError,
        match=r"^\S*probe.csv: a part of the pattern is taken as zero, and its edge has "
        r"waves that no probe has: give the probe's radius \(nf2ff import --probe-radius-m\), or "
        r"the degree \(--degree\)$",
    ):
        load_probe(path, missing="zero")
    assert load_probe(path, missing="zero", minimum_radius=0.018)[0].degree < 8
    assert "as zero (nf2ff import --zero-missing)" in str(e.value)
    probe, notes = load_probe(path, missing="zero", degree=8)
    # In front it is the probe, behind there is next to nothing; -20 dB is what degree 8 makes of
    # the step at the edge.
    for modes, exact in zip(probe.transmit_modes(), EXACT.transmit_modes(), strict=True):
        got, want = (far_field(m, theta=np.radians([0, 180]), phi=[0.0]) for m in (modes, exact))
        assert abs(got.e_theta[0, 0, 0] - want.e_theta[0, 0, 0]) < 0.1 * abs(want.e_theta[0, 0, 0])
        assert abs(got.e_theta[0, 1, 0]) < 0.1 * abs(want.e_theta[0, 0, 0])
    for port in (1, 2):
        (note,) = [x for x in notes if x.startswith(f"port {port}, ") and "taken as zero would" in x]
        assert note.startswith(f"port {port}, 2.9 GHz and 2 more frequencies: the part of the sph")


def test_half_a_sphere_of_a_far_field(tmp_path):
    e_theta, e_phi = fields(PORTS[:1], theta=THETA[:10])[:, :, 0]
    native.write_far_field(
        tmp_path / "port.h5", FarField(FREQUENCY, THETA[:10], PHI, e_theta, e_phi, np.ones(3))
    )
    with pytest.raises(ValueError, match=r"port.h5: the pattern lacks theta 90 to 180 deg"):
        load_probe(tmp_path / "port.h5", input_power=1.0)
    # Without a degree or a size there would be all the edge's waves.
    size = {"input_power": 1.0, "missing": "zero"}
    with pytest.raises(ValueError, match=r"port.h5: a part of the pattern is taken as zero, .*-m\)"):
        load_probe(tmp_path / "port.h5", **size)
    probe, notes = load_probe(tmp_path / "port.h5", **size, minimum_radius=0.018)
    assert probe.ports == 1
    # The degree above which a dipole on the rim, k r = 1.2, has -60 dB of its power.
    assert probe.degree == required_degree(2 * np.pi * 3.2e9 / SPEED_OF_LIGHT * 0.018) < 17
    assert said(notes, f"expanded to degree {probe.degree} (size: a sphere of 0.018 m)")
    # A probe so large that the steps do not determine its degrees has those that they do.
    large, notes = load_probe(tmp_path / "port.h5", **size, minimum_radius=0.5)
    assert large.degree == 17
    assert said(notes, "expanded to degree 17 (steps in theta)")
    with pytest.raises(ValueError, match=r"minimum_radius is -1\.0 m, expected a number"):
        load_probe(tmp_path / "port.h5", **size, minimum_radius=-1.0)
    # A pattern of which nothing is missing needs neither.
    path = write_pattern(tmp_path / "whole.csv")
    assert error(load_probe(path, missing="zero")[0]) < TEXT


def too_much(power):
    return f"too high by {10 * np.log10(power):.3g} dB at least, check its calibration"


def test_a_pattern_of_more_than_it_was_given(tmp_path):
    path = write_pattern(tmp_path / "probe.csv", power=2.0)
    _, notes = load_probe(path)
    for port in (1, 2):
        start = f"port {port}, 2.9 GHz and 2 more frequencies: the pattern radiates 2 W for 1 W "
        assert said([x for x in notes if x.startswith(start)], too_much(2))
    _, notes = load_probe(path, input_power=0.5)
    assert said(notes, "the pattern radiates 2 W for 0.5 W into the port: its level is")
    assert said(notes, too_much(4))
    # To the last digit of a lossless probe there is nothing to warn of.
    assert not said(load_probe(path, input_power=2.0)[1], "too high")


@pytest.mark.parametrize("kind", ["modes", "result", "far_field"])
def test_a_port_of_more_than_it_was_given(kind, tmp_path):
    path, modes = tmp_path / "port.h5", modes_of(PORTS[0], 3.0)
    if kind == "modes":
        native.write_modes(path, modes)
    elif kind == "result":
        native.write_result(path, Result(modes))
    else:
        native.write_far_field(path, far_field(modes, theta=THETA, phi=PHI))
    _, notes = load_probe(path, input_power=1.5)
    assert said(notes, f"port 1, {path}, 2.9 GHz and 2 more frequencies: the p")
    assert said(notes, "radiates 3 W for 1.5 W into the port: its level is")
    assert said(notes, too_much(2))
    assert not said(load_probe(path, input_power=3.0)[1], "too high")
    # Degrees left out are no loss.
    if kind != "far_field":
        assert said(load_probe(path, input_power=2.9, degree=1)[1], "radiates 3 W for 2.9 W")


# --- orders that are rounding -------------------------------------------------------------------


def with_orders(level, port=0, degree=4):
    """Modes of two ports with +-1, and in one of them an order 3 of that amplitude."""
    modes = []
    for i in range(2):
        q = np.zeros((2, 2 * degree * (degree + 2)), dtype=complex)
        q[:, mode_index(s=2, m=1, n=1)] = 1
        q[:, mode_index(s=1, m=-1, n=2)] = -1j
        if i == port:
            q[1, mode_index(s=1, m=-3, n=3)] = level  # at one of two frequencies
        modes.append(Modes([1e9, 2e9], q))
    return modes


def test_orders_of_rounding_are_left_out():
    # 1e-26 of the power, of 2 in all: an amplitude of 1.414e-13.
    assert ROUNDING_POWER == 1e-26
    for port in (0, 1):
        kept = probe_from_modes(with_orders(1.5e-13, port))
        assert kept.orders(port) == [-3, -1, 1]
        assert kept.orders(1 - port) == [-1, 1]
        gone = probe_from_modes(with_orders(1.4e-13, port))
        assert gone.orders() == [-1, 1]
        assert gone.mu_max == 1
        np.testing.assert_array_equal(gone.coefficients, keep_orders(kept, orders=(-1, 1)).coefficients)


def test_order_is_weak_only_if_it_is_at_every_frequency():
    probe = Probe([1e9, 2e9], probe_from_modes(with_orders(1e-3)).coefficients)
    assert drop_weak_orders(probe, power=4e-7).orders(0) == [-3, -1, 1]
    assert drop_weak_orders(probe, power=6e-7).orders(0) == [-1, 1]
    # Both signs count together, and stay together.
    r = np.array(probe.coefficients)
    r[0, 0, mode_index(s=2, m=3, n=4)] = 1e-9
    probe = dataclasses.replace(probe, coefficients=r)
    assert drop_weak_orders(probe, power=4e-7).orders(0) == [-3, -1, 1, 3]
    # Order 0 is one like the others, and nothing is an order of a silent port.
    r = np.zeros_like(r)
    r[:, 0, mode_index(s=2, m=1, n=1)] = r[:, 0, mode_index(s=2, m=-1, n=1)] = 1
    r[:, 0, mode_index(s=2, m=0, n=1)] = 1e-5
    probe = dataclasses.replace(probe, coefficients=r)
    assert drop_weak_orders(probe, power=1e-9).orders() == [-1, 1]
    assert drop_weak_orders(probe, power=1e-11).orders() == [-1, 0, 1]


def test_rounding_of_dipoles_on_the_axis():
    # Their orders are 0 and +-1 (closed form); the reciprocity integral leaves some 1e-17 of
    # others, or none.
    q = modes_of(DipoleCluster([[0, 0, 0.01]], [X + 0.2 * Z]))
    assert probe_from_modes(q).orders() == [-1, 0, 1]
    assert probe_from_modes(modes_of(huygens_source(direction=Z, polarisation=X))).orders() == [-1, 1]


@pytest.mark.parametrize("digits", [9, 17])
def test_digits_of_text_are_no_orders(digits, tmp_path):
    # Orders 0 and +-1 only. Nine digits are good to 5e-10 of each number, 3e-10 rms, 1e-19 of the
    # power at most; the 17 orders of degree 8 share it, far below what is dropped.
    axial = DipoleCluster([[0, 0, 0.01], [0, 0, -0.008]], [X + 0.2 * Z, 0.7 * X])
    e_theta, e_phi = (
        np.array([complex(f"{z.real:.{digits - 1}e}{z.imag:+.{digits - 1}e}j") for z in e.ravel()]).reshape(
            e.shape
        )
        for e in fields([axial])
    )
    tables.write_pattern(tmp_path / "probe.csv", tables.Pattern(FREQUENCY, THETA, PHI, [1], e_theta, e_phi))
    probe, _ = load_probe(tmp_path / "probe.csv", degree=8)
    assert probe.orders() == [-1, 0, 1]
    exact = probe_from_modes(modes_of(axial))
    # Degree 9 of an antenna within 10 mm (k r = 0.67): (k r)^9 / 17!! = 8e-10, times some waves.
    assert error(probe, exact) < 1e-8


# --- what is refused ----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """Files of every kind, by name."""
    tmp_path = tmp_path_factory.mktemp("files")
    one = modes_of(PORTS[0])
    relative = dataclasses.replace(one, reference="relative")
    native.write_modes(tmp_path / "modes.h5", one)
    native.write_modes(tmp_path / "relative.h5", relative)
    native.write_modes(tmp_path / "other.h5", modes_of(PORTS[1], frequency=FREQUENCY[:2]))
    native.write_result(tmp_path / "result.h5", Result(one))
    native.write_probe(tmp_path / "probe.h5", EXACT)
    native.write_far_field(tmp_path / "far.h5", far_field(one, theta=THETA, phi=PHI))
    write_pattern(tmp_path / "pattern.csv")
    write_pattern(tmp_path / "gap.csv", numbers=[1, 3])
    write_pattern(tmp_path / "second.csv", PORTS[:1], numbers=[2])
    samples = Samples(FREQUENCY, [0.1], [0.0], [0.0], [1.0], [1], np.ones((3, 1)))
    native.write_samples(tmp_path / "samples.h5", samples)
    tables.write_table(tmp_path / "samples.csv", samples)
    (tmp_path / "notes.txt").write_text("Dear all,\n")
    (tmp_path / "cuts.csv").write_text("# invented\ncut_deg,theta_deg,phi_deg,level_db\n0,1,2,3\n")
    return lambda *names: [tmp_path / name for name in names]


FINISHED = "probe.h5: is a finished probe: leave level, degree, missing parts and time convention"
REFUSED = [
    (["pattern.csv"], {"input_power": 0.0}, "^input_power is 0.0 W, expected a number above 0$"),
    (["pattern.csv"], {"input_power": np.inf}, "^input_power is inf W, expected a number above 0$"),
    (
        ["pattern.csv"],
        {"input_power": 1.0, "relative": True},
        "^the level is to be relative, but an input power is stated: give one of them$",
    ),
    (["pattern.csv", "modes.h5"], {}, "pattern.csv: holds all ports of a probe: give it alone$"),
    (["modes.h5", "probe.h5"], {}, "probe.h5: holds all ports of a probe: give it alone$"),
    (["probe.h5"], {"relative": True}, FINISHED),
    (["probe.h5"], {"input_power": 1.0}, FINISHED),
    (["probe.h5"], {"degree": 3}, FINISHED),
    (["probe.h5"], {"time_convention": "exp(+jwt)"}, FINISHED),
    (["probe.h5"], {"missing": "zero"}, FINISHED),
    (["gap.csv"], {}, "gap.csv: port is 1, 3: expected all numbers from 1 on, without a gap$"),
    (["second.csv"], {}, "second.csv: port is 2: expected all numbers from 1 on, without a gap$"),
    (
        ["modes.h5"],
        {},
        r"modes.h5: is absolute: state the power that went into the probe's port, .*"
        r"\(nf2ff import --input-power-w or --relative\)$",
    ),
    (["result.h5"], {}, "result.h5: is absolute: state the power"),
    (["far.h5"], {}, "far.h5: is absolute: state the power"),
    (
        ["relative.h5"],
        {"input_power": 1.0},
        "relative.h5: is relative: an input power gives it no level, leave it out$",
    ),
    (
        ["modes.h5"],
        {"time_convention": "exp(-iwt)"},
        r"modes.h5: is native, in exp\(\+jwt\): leave the time convention out$",
    ),
    (
        ["modes.h5"],
        {"missing": "zero"},
        "modes.h5: holds modes, which cover the whole sphere: do not ask for missing parts to be",
    ),
    (["result.h5"], {"missing": "zero"}, "result.h5: holds modes, which cover the whole sphere"),
    (["modes.h5"], {"input_power": 1.0, "degree": 13}, "modes.h5: degree 13 is not within 1 ... 12"),
    (["pattern.csv"], {"degree": 40}, "pattern.csv: degree is 40, but steps of 10 deg in theta"),
    (["samples.csv"], {}, "samples.csv: holds samples: expected a probe, a pattern, a far field or"),
    (["samples.h5"], {}, "samples.h5: holds samples: expected a probe, a pattern, a far field or"),
    (
        ["cuts.csv"],
        {},
        "cuts.csv: is not the pattern of a probe: expected columns theta_deg,phi_deg,frequency_hz,port,"
        "e_theta_real,e_theta_imag,e_phi_real,e_phi_imag$",
    ),
    (["notes.txt"], {}, "notes.txt: is neither a native file nor a CSV table"),
    (["absent.h5"], {}, "absent.h5: no such file: check its name and folder$"),
    (["modes.h5", "other.h5"], {"input_power": 1.0}, "^port 2 of the probe has other frequencies"),
    (["relative.h5", "modes.h5"], {}, "modes.h5: is absolute: state the power"),
    (["pattern.csv"], {"minimum_radius": -1.0}, "minimum_radius is -1.0 m, expected a number >= 0"),
    (["probe.h5"], {"minimum_radius": np.inf}, "minimum_radius is inf m, expected a number >= 0"),
]


@pytest.mark.parametrize(("names", "options", "message"), REFUSED)
def test_files_that_are_no_probe(files, names, options, message):
    with pytest.raises(ValueError, match=message) as error:
        load_probe(files(*names), **options)
    assert "\n" not in str(error.value)


def test_ports_of_different_kinds_of_level(files):
    native.write_modes(files("two.h5")[0], dataclasses.replace(modes_of(PORTS[1]), reference="relative"))
    # Both relative if asked; the one known and the other not is refused.
    probe, _ = load_probe(files("modes.h5", "two.h5"), relative=True)
    assert probe.response_unit == "relative"
    with pytest.raises(ValueError, match=r"two.h5: is relative: an input power gives it no level"):
        load_probe(files("modes.h5", "two.h5"), input_power=1.0)


def test_probe_of_any_antenna():
    # The oracle's modes here are those of any cluster: powers agree.
    antenna = random_cluster(size=0.02)
    power = modes_of(antenna, 2.5).radiated_power()
    np.testing.assert_allclose(power, 2.5, rtol=1e-12)

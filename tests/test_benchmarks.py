"""The benchmarks run, and the errors they print are those of a solution that works."""

import importlib
import re
import sys
from pathlib import Path

import numpy as np
import pytest

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


@pytest.fixture
def benchmark(monkeypatch):
    """Function name -> module of a benchmark."""
    monkeypatch.syspath_prepend(str(BENCHMARKS))
    yield importlib.import_module
    names = ("measure", "grid_solve", "any_points", "metrics", "probe_orders", "uncertainty")
    for name in (*names, "interval_coverage", "erroneous_scans", "alignment", "misaligned_scans"):
        sys.modules.pop(name, None)


def test_grid_solve(benchmark, capsys):
    benchmark("grid_solve").main([20], frequencies=11, repeats=2)
    lines = capsys.readouterr().out.splitlines()
    errors = [float(line.split()[2]) for line in lines[1:4]]
    # Rounding: a few hundred additions of doubles.
    assert len(errors) == 3
    assert max(errors) < 1e-12
    assert re.fullmatch(r"11 frequencies at degree 30: error \d\.\de-1[3-6], .*", lines[4])


def test_any_points(benchmark, capsys):
    benchmark("any_points").main([20], [10, 20], dense=8)
    lines = capsys.readouterr().out.splitlines()
    for line in lines[1:3]:
        degree, _, positions, steps, error = line.split()[:5]
        assert int(degree) == 20
        assert int(positions) >= 1.5 * 20 * 22
        assert int(steps) <= 14
        # The iteration stops at 1e-9 of the gradient.
        assert float(error) < 1e-8
    assert "exponent" in lines[-3]
    assert float(lines[-1].split()[-1]) < 1e-8


def test_probe_orders(benchmark, capsys):
    benchmark("probe_orders").main([20])
    lines = capsys.readouterr().out.splitlines()
    rows = [line.split() for line in lines]
    assert [row[2] for row in rows[1:3]] == ["forward", "adjoint"]
    # Two ways to one product, each to what is asked, 1e-10.
    assert max(float(row[-1]) for row in rows[1:3]) < 2e-10
    assert [row[1] for row in rows[4:]] == ["forward", "adjoint"]


def test_metrics(benchmark, capsys):
    benchmark("metrics").main(3, 8, 6.0)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "3 frequencies, degree 8, 31 x 60 directions"
    rows = {line[:20].strip(): line[20:].split() for line in lines[2:]}
    assert len(rows) == len(lines) - 2 >= 29
    errors = {name: float(row[1]) for name, row in rows.items() if len(row) == 2}
    # Identities that hold but for rounding: integrals of the directivity and over complementary
    # regions, components against the whole, and no direction above the peak (transforms at points
    # are asked for 1e-12).
    wanted = {"directivity", "partial directivity", "peak", "upper hemisphere", "cone"}
    assert set(errors) == wanted
    assert max(errors.values()) < 3e-12


@pytest.mark.slow
def test_uncertainty(benchmark, capsys):
    benchmark("uncertainty").main(8, 40, 1)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == "degree 8, 120 positions, 240 samples, 7 figures"
    assert len(lines) == 6
    for line in lines[2:5]:
        *_, draws, wall, processor, ratio = line.split()
        assert int(draws) == 40
        assert float(wall) > 0
        assert float(processor) > 0
        # Draws against derivatives: four times the scatter of forty normal draws.
        assert float(ratio) == pytest.approx(1, abs=4 / 80**0.5)
    assert lines[5].startswith("derivatives of 10 errors: ")


@pytest.mark.slow
def test_interval_coverage(benchmark, capsys):
    benchmark("interval_coverage").main(12, 40, ["noise -30"])
    lines = capsys.readouterr().out.splitlines()
    names = lines[1].split()
    assert len(lines) == 4
    for line in lines[2:]:
        held = dict(zip(names, map(int, line.split()[-len(names) :]), strict=True))
        # Intervals of 90 % hold fewer than 7 of 12 in 1 of 2,000 (binomial distribution). About a
        # TRP with its bias, which is four times the uncertainty, none holds.
        assert min(held.values()) >= 7, held


@pytest.mark.slow
def test_the_simulator_of_errors_is_right_about_what_is_known(benchmark):
    scans = benchmark("erroneous_scans")
    # A dipole of moment p radiates Z0 k^2 |p|^2 / (12 pi), a magnetic one of moment m = Z0 p as
    # much, and both across each other the sum, with a directivity of 3 (closed forms).
    one = scans.Dipoles(*(np.array([x]) for x in ([0, 0, 0], [2.0, 0, 0], [0, 2.0 * scans.Z0, 0])))
    true = scans.truth(one, points=20)
    assert true.trp == pytest.approx(2 * scans.Z0 * scans.K**2 * 4 / (12 * np.pi), rel=1e-12)
    assert true.directivity == pytest.approx(3, rel=1e-10)
    np.testing.assert_allclose(true.peak, [0, 0, 1], atol=1e-9)
    # Far away the near field is the far field's wave, but for 1/(k r).
    array = scans.array(0.3, 0.2)
    n = scans.direction(np.array([0.4, 2.0]), np.array([0.1, 5.0]))
    r = 1e5
    wave = array.near(r * n) * r * np.exp(1j * scans.K * r)
    size = np.sqrt(2 * scans.Z0 * scans.truth(array).eirp / (4 * np.pi))
    assert np.abs(wave - array.far(n)).max() < 1e-4 * size
    # Rz(phi) Ry(theta) Rz(chi) turns z^ to r^ and x^ to the probe's axis: chi 0 reads E_theta.
    theta, phi, chi = (np.array(x) for x in ([0.7, 0.7], [1.1, 1.1], [0.0, np.pi / 2]))
    field = array.near(5 * scans.direction(theta, phi))[0]
    read = scans.received(array, theta, phi, chi, 5.0)
    along = [np.cos(0.7) * np.cos(1.1), np.cos(0.7) * np.sin(1.1), -np.sin(0.7)]
    assert read[0] == pytest.approx(field @ along, rel=1e-12)
    assert read[1] == pytest.approx(field @ [-np.sin(1.1), np.cos(1.1), 0], rel=1e-12)


def test_alignment(benchmark, capsys):
    benchmark("alignment").main(["equal-area + 2", "equal-area"], degree=8, repetitions=1, small_probe=True)
    tied, bare = (line[20:].split() for line in capsys.readouterr().out.splitlines()[1:])
    recorded, aligned, known = map(float, tied[:3])
    # One draw of twelve parameters: within twice what noise alone does where the scan sees them.
    assert aligned < min(recorded - 10, known + 6)
    assert int(tied[8]) <= 60
    # Bare, it is not made worse.
    assert float(bare[1]) < float(bare[0]) + 0.1

"""The benchmarks run, and the errors they print are those of a solution that works."""

import importlib
import re
import sys
from pathlib import Path

import pytest

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"


@pytest.fixture
def benchmark(monkeypatch):
    """Function name -> module of a benchmark."""
    monkeypatch.syspath_prepend(str(BENCHMARKS))
    yield importlib.import_module
    for name in ("measure", "grid_solve", "any_points", "metrics", "probe_orders", "uncertainty"):
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

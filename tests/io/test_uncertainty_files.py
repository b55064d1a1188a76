"""Uncertainty in native files: there and back, open to others, refused where it is damaged."""

import math
import re
import shutil
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
import xarray
from sources import random_cluster

from nf2ff.antenna.grids import equiangular_grid
from nf2ff.antenna.modes import SPEED_OF_LIGHT
from nf2ff.io import native, safe
from nf2ff.io.uncertainty import read_uncertainty, write_uncertainty
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.report.budget import budget_dict
from nf2ff.report.uncertainty import uncertainty_dict, uncertainty_lines
from nf2ff.solver.solve import solve
from nf2ff.uncertainty.assess import assess
from nf2ff.uncertainty.budget.budget import Budget, Curvature, correlations
from nf2ff.uncertainty.budget.budget_term import Term, direct_term
from nf2ff.uncertainty.budget.combine import combine
from nf2ff.uncertainty.budget.metric import METRICS
from nf2ff.uncertainty.errors.catalogue import make_term
from nf2ff.uncertainty.figure import Figure
from nf2ff.uncertainty.request import FIGURES, Assessment, Cut, ModelledError

DRAWS = 5


@pytest.fixture(scope="module")
def scan():
    """Random dipoles in half a wavelength, two frequencies."""
    grid = equiangular_grid(9, 14)
    frequency = SPEED_OF_LIGHT * np.array([1, 1.1])
    return simulate_grid(random_cluster(size=0.4), frequency=frequency, grid=grid, radius=2.0)


@pytest.fixture(scope="module")
def assessment():
    metrics = ("eirp", "gain", "trp", "pointing", "pattern")
    terms = [
        Term("room"),
        direct_term("cable", {"eirp": 0.01, "gain": 0.01}, distribution="rectangular", note="A, B"),
        Term("leak", 1e-3, "error signal", "arcsine", {"eirp": 1.0}, note="thermal\ndrift"),
        direct_term(
            "meter",
            {"eirp": 0.02},
            coverage_factor=2,
            degrees_of_freedom=9,
            evaluation="A",
            bias={"eirp": 0.003},
        ),
        Term("noise"),
        Term("phase"),
    ]
    budget = Budget(
        terms,
        [METRICS[m] for m in metrics],
        correlations(terms, {("cable", "meter"): 0.5}),
        confidence=0.9,
        scale="power",
    )
    errors = [
        ModelledError("noise", make_term("receiver-noise", {"rms_db": -40}), degrees_of_freedom=12),
        ModelledError("phase", make_term("phase-noise", {"rms_deg": 20})),
    ]
    figures = {m: tuple(map(Figure, FIGURES[m])) for m in metrics}
    figures["pattern"] = (Figure("directivity-towards", theta=0.4, phi=0.3),)
    return Assessment(budget, errors, figures, ("gain",))


def found_in(scan, assessment, **how):
    return assess(solve(scan, field_probe(), degree=6), assessment, rng=1, jobs=1, **how)


@pytest.fixture(scope="module")
def found(scan, assessment):
    cut = Cut(0.5, 0.2, [0.0, 1.0, 2.0], np.linspace(-2, 2, 7))
    return found_in(scan, assessment, draws=DRAWS, cut=cut)


@pytest.fixture(scope="module")
def original(found, tmp_path_factory):
    path = tmp_path_factory.mktemp("uncertainty") / "original.h5"
    write_uncertainty(path, found, provenance=safe.provenance(command="there", seed=3))
    return path


@pytest.fixture
def written(original, tmp_path):
    """The file, for one test alone."""
    return Path(shutil.copy(original, tmp_path / "uncertainty.h5"))


def assert_same(one, two):
    np.testing.assert_array_equal(one.modes.coefficients, two.modes.coefficients)
    np.testing.assert_array_equal(one.modes.frequency, two.modes.frequency)
    assert one.modes.reference == two.modes.reference
    assert [budget_dict(x) for x in one.budgets] == [budget_dict(x) for x in two.budgets]
    assert uncertainty_dict(one) == uncertainty_dict(two)
    assert uncertainty_lines(one) == uncertainty_lines(two)
    assert (one.asked, one.made) == (two.asked, two.made)
    np.testing.assert_array_equal(one.error_level, two.error_level)
    assert one.results.keys() == two.results.keys()
    for name, result in one.results.items():
        other = two.results[name]
        assert (other.quantity, other.planes) == (result.quantity, result.planes)
        for field in ("value", "draws", "field", "field_covariance"):
            np.testing.assert_array_equal(getattr(other, field), getattr(result, field))
        assert (other.compared is None) == (result.compared is None)
        if result.compared is not None:
            assert other.compared.both_drawn == result.compared.both_drawn
            for field in ("first_order", "drawn", "shift", "used", "floor"):
                a, b = (getattr(x.compared, field) for x in (result, other))
                np.testing.assert_array_equal(a, b)
    assert (one.pattern is None) == (two.pattern is None)
    if one.pattern is not None:
        for field in ("intensity", "error_signal"):
            np.testing.assert_array_equal(getattr(one.pattern, field), getattr(two.pattern, field))
        for field in ("theta", "phi", "plane", "angle"):
            a, b = (getattr(x.pattern.cut, field) for x in (one, two))
            np.testing.assert_array_equal(a, b)
        assert one.pattern.cut.names == two.pattern.cut.names


@pytest.mark.slow
def test_there_and_back(found, original):
    back = read_uncertainty(original)
    assert_same(found, back)
    for one, two in zip(found.budgets, back.budgets, strict=True):
        for a, b in zip(one.terms, two.terms, strict=True):
            for field in Term.__dataclass_fields__:
                x, y = getattr(a, field), getattr(b, field)
                same = dict(x) == dict(y) if field in ("sensitivity", "bias") else x == y
                assert same, (a.name, field)
    assert native.read_provenance(original)["rng_seed"] == "3"


@pytest.mark.slow
def test_without_draws_and_without_errors(scan, assessment, tmp_path):
    linear = found_in(scan, assessment)
    stated = found_in(scan, Assessment(assessment.budget, (), assessment.figures))
    each = found_in(scan, assessment, draws=3, derivatives=False)
    for i, one in enumerate((linear, stated, each)):
        write_uncertainty(tmp_path / f"{i}.h5", one)
        assert_same(one, read_uncertainty(tmp_path / f"{i}.h5"))
    assert each.results["eirp"].compared.both_drawn
    assert all(x.size is None for x in stated.budgets[0].terms if x.name in ("noise", "phase"))


@pytest.mark.slow
def test_others_read_it(found, original):
    """What the groups say by themselves, without the program."""
    with xarray.open_dataset(original, group="metrics/eirp", engine="h5netcdf") as data:
        data.load()
    budget = found.budgets[1]
    at = data.isel(frequency=1)
    assert at.term.values.tolist() == budget.names
    assert at.value.attrs["units"] == "W"
    assert data.attrs == {"label": "peak EIRP", "unit": "amplitude", "quantity": "power"}
    sums = combine(budget, "eirp")
    np.testing.assert_array_equal(at.contribution, sums.contributions)
    assert math.isnan(at.contribution.sel(term="room"))
    for name, value in (
        ("standard_uncertainty", sums.standard_uncertainty),
        ("effective_degrees_of_freedom", sums.degrees_of_freedom),
        ("combined_coverage_factor", sums.coverage_factor),
        ("expanded_uncertainty", sums.expanded),
        ("known_bias", sums.bias),
        ("plus_db", sums.decibels[0]),
        ("minus_db", sums.decibels[1]),
    ):
        assert float(at[name]) == value, name
    assert data.draws.dims == ("draw", "frequency")
    assert data.draws.shape == (DRAWS, 2)
    with xarray.open_dataset(original, group="metrics/pointing", engine="h5netcdf") as data:
        assert data.standard_uncertainty.attrs["units"] == "rad"
        assert "plus_db" not in data
        assert data.value.attrs["units"] == "rad"
    with xarray.open_dataset(original, group="pattern", engine="h5netcdf") as data:
        theta, phi = found.pattern.cut.directions()
        np.testing.assert_array_equal(data.theta.values.ravel(), theta)
        np.testing.assert_array_equal(data.phi.values.ravel(), phi)
        assert data.intensity_mean.dims == ("frequency", "plane", "angle")
        np.testing.assert_array_equal(data.intensity_mean, found.pattern.intensity[1])
        assert data.intensity.attrs["units"] == "W/sr"
    with xarray.open_dataset(original, group="uncertainty", engine="h5netcdf") as data:
        assert data.metric.values.tolist() == ["eirp", "gain", "trp", "pointing", "pattern"]
        assert data.correlation.sel(term="cable", other_term="meter") == 0.5
        assert data.attrs["confidence"] == "0.9"
    np.testing.assert_array_equal(native.read_modes(original).coefficients, found.modes.coefficients)


@pytest.mark.slow
def test_planes_have_names(found, tmp_path):
    results = dict(found.results)
    results["eirp"] = replace(results["eirp"], planes=("phi = 0 deg", "across phi = 5 deg"))
    cut = replace(found.pattern.cut, names=("phi = 0 deg", "phi = 90 deg", "E plane (phi = 3 deg)"))
    named = replace(found, results=results, pattern=replace(found.pattern, cut=cut))
    path = tmp_path / "a.h5"
    write_uncertainty(path, named)
    assert_same(named, read_uncertainty(path))
    with xarray.open_dataset(path, group="metrics/eirp", engine="h5netcdf") as data:
        assert data["plane"].values.tolist() == list(results["eirp"].planes)
    with xarray.open_dataset(path, group="pattern", engine="h5netcdf") as data:
        assert data["plane_name"].values.tolist() == list(cut.names)
    assert "peak EIRP: across phi = 5 deg" in uncertainty_lines(named)
    with h5py.File(path, "r+") as file:
        retext(file["metrics/eirp"], "plane", ["phi = 0 deg"])
    with pytest.raises(ValueError, match=r"eirp/plane has shape \(1,\), but 2 of frequency by frequency"):
        read_uncertainty(path)


def test_an_old_file_stays(found, written):
    before = written.read_bytes()
    with pytest.raises(ValueError, match="exists: choose another name"):
        write_uncertainty(written, found)
    assert written.read_bytes() == before
    write_uncertainty(written, found, overwrite=True)


def test_curvatures_have_no_place(found, tmp_path):
    terms = [direct_term("a", {"eirp": 0.1})]
    bent = Budget(terms, found.budgets[0].metrics, curvatures=[Curvature("a", "a", {"eirp": 1.0})])
    path = tmp_path / "a.h5"
    with pytest.raises(
        ValueError,
        match=r"a\.h5: the file has no place for a budget with curvatures: leave them out",
    ):
        write_uncertainty(path, replace(found, budgets=(bent, bent)))
    assert not path.exists()


def cut_off(group, name, *, at):
    """Replace a dataset by a part of it."""
    values, attributes = group[name][()], dict(group[name].attrs)
    del group[name]
    data = group.create_dataset(name, data=values[at])
    data.attrs["units"] = attributes["units"]


def drop_terms(group):
    """Leave two terms in all that a metric has of them."""
    for name in ("sensitivity", "bias", "contribution"):
        cut_off(group, name, at=np.s_[:, :2])


def cut_all(group):
    """Leave one frequency in all that a pattern has of them."""
    for name in ("frequency", "intensity", "intensity_mean", "intensity_standard_deviation", "error_signal"):
        cut_off(group, name, at=np.s_[:1])


def retext(group, name, values):
    del group[name]
    group.create_dataset(name, data=np.array([x.encode() for x in values]))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("damage", "says"),
    [
        (lambda f: f.pop("uncertainty"), "has no group /uncertainty"),
        (lambda f: f.pop("metrics/trp"), "has no group /metrics/trp"),
        (lambda f: f["uncertainty"].pop("metric"), "/uncertainty has no texts metric: write it"),
        (
            lambda f: f["uncertainty"].attrs.update(confidence=np.bytes_(b"high")),
            "/uncertainty: attribute confidence is 'high', expected a number",
        ),
        (
            lambda f: f["uncertainty"].attrs.update(made=np.bytes_(b"-3")),
            "/uncertainty: attribute made is '-3', expected a whole number",
        ),
        (
            lambda f: f["uncertainty"].attrs.update(scale=np.bytes_(b"dB")),
            "attribute scale is 'dB', expected",
        ),
        (
            lambda f: f["uncertainty"].attrs.update(first_order=np.bytes_(b"x")),
            "first_order is 'x', expected",
        ),
        (lambda f: f["uncertainty"].attrs.pop("made"), "/uncertainty has no attribute made"),
        (
            lambda f: f["metrics/trp"].attrs.update(quantity=np.bytes_(b"size")),
            "quantity is 'size', expected",
        ),
        (lambda f: f["metrics/trp"].attrs.pop("label"), "/metrics/trp has no attribute label"),
        (lambda f: f["metrics/trp/value"].attrs.update(units=np.bytes_(b"dBm")), "units 'dBm', expected W"),
        (
            lambda f: cut_off(f["metrics/trp"], "sensitivity", at=np.s_[:, :2]),
            r"/metrics/trp/sensitivity has shape \(2, 2\), but 7 of term by term: write it again",
        ),
        (lambda f: cut_off(f["metrics/trp"], "bias", at=np.s_[:1]), r"trp/bias has shape \(1, 7\), but 2 of"),
        (lambda f: cut_off(f["uncertainty"], "size", at=np.s_[:2]), r"size has shape \(2,\), but 7 of term"),
        (lambda f: retext(f["uncertainty"], "note", ["a"]), r"note has shape \(1,\), but 7 of term"),
        (
            lambda f: retext(f["uncertainty"], "distribution", ["flat"] * 7),
            "the distribution of 'room' is 'flat', expected one of",
        ),
        (lambda f: f["pattern"].attrs.update(through_phi=np.bytes_(b"east")), "through_phi is 'east', exp"),
        (lambda f: cut_off(f["pattern"], "error_signal", at=np.s_[:, :, :3]), "error_signal has"),
        (
            lambda f: cut_off(f["pattern"], "error_signal", at=np.s_[:1]),
            r"/pattern/error_signal has shape \(1, 3, 7\), but 2 of frequency by frequency: write it again",
        ),
        (lambda f: cut_off(f["uncertainty"], "error_level", at=np.s_[:1]), "/uncertainty/error_l"),
        (lambda f: (f["metrics/trp"].pop("term"), drop_terms(f["metrics/trp"])), "differ in their terms or"),
        (lambda f: cut_all(f["pattern"]), "/pattern/intensity has 1 frequencies, the modes have 2: write it"),
        (lambda f: cut_off(f["metrics/eirp"], "draws", at=np.s_[:, :1]), "/metrics/eirp/draws has"),
        (lambda f: cut_off(f["metrics/eirp"], "floor", at=np.s_[:1]), r"/eirp/floor has shape \(1,\), but"),
    ],
)
def test_damage_is_seen(written, damage, says):
    with h5py.File(written, "r+") as file:
        damage(file)
    with pytest.raises(ValueError, match=says) as caught:
        read_uncertainty(written)
    assert re.match(rf"{re.escape(str(written))}: [^\n]+\Z", str(caught.value))

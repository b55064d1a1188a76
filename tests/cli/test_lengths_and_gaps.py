"""Lengths in millimetres by mistake, frequencies without a reading, phases that jump."""

import numpy as np
import pytest
from commands import assert_refused, run, simulated

from nf2ff.io import native
from nf2ff.measurement.samples import Samples

STEPS = ("--theta-step-deg", 10, "--phi-step-deg", 10)
COLUMNS = ("frequency", "theta", "phi", "chi", "radius", "port")


@pytest.fixture
def scan(tmp_path):
    return simulated(tmp_path / "scan.h5", *STEPS, "--frequency-ghz", 3, "--frequency-ghz", 3.1)


def changed(path, response):
    samples = native.read_samples(path)
    columns = {x: getattr(samples, x) for x in COLUMNS}
    native.write_samples(
        path, Samples(**columns, response=response(samples), response_unit="V/m"), overwrite=True
    )
    return path


def test_an_origin_outside_the_scan_is_refused_at_once(scan, tmp_path):
    words = ("transform", scan, "-o", tmp_path / "r.h5", "--origin", "3,0,10")
    assert_refused(tmp_path, *words, says=r"--origin is 10\.44 m .* whose radius is 0\.4 m: .* in metres")


def test_a_sphere_beyond_the_scan_is_refused(scan, tmp_path):
    result = tmp_path / "r.h5"
    assert run("transform", scan, "-o", result).code == 0
    words = ("filter-modes", result, "-o", tmp_path / "f.h5", "--radius-m", 26)
    assert_refused(tmp_path, *words, says=r"--radius-m is 26: .* nothing is taken out: .* in metres")


def test_a_frequency_without_a_reading_is_left_out(scan, tmp_path):
    """As if it were not in the file: the other is the same to the last bit."""
    whole, part = tmp_path / "whole.h5", tmp_path / "part.h5"
    assert run("transform", scan, "-o", whole).code == 0
    changed(scan, lambda s: np.where(np.arange(2)[:, None] == 1, np.nan, s.response))
    done = run("transform", scan, "-o", part)
    assert done.code == 0
    assert "warning: nothing was read at 3.1 GHz: left out" in done.err
    one, two = (native.read_modes(x) for x in (whole, part))
    assert two.frequency.tolist() == [3e9]
    np.testing.assert_array_equal(two.at(0).coefficients, one.at(0).coefficients)


def test_places_in_a_box_of_half_a_sphere_are_told_as_such(scan, tmp_path):
    changed(scan, lambda s: np.where(s.theta > np.pi / 2 + 0.01, np.nan, s.response))
    result = tmp_path / "r.h5"
    assert run("transform", scan, "-o", result).code == 0
    assert "a part of the sphere was not measured: places" in run("locate", result).err

"""Planes of cuts in what the commands print, planes that are none, and azimuths that round to a turn."""

import json

import numpy as np
import pytest
from commands import IN_FIELDS, run, simulated, succeed

from nf2ff.io.levels import _texts
from nf2ff.report.result import shown_azimuth


@pytest.fixture(scope="module")
def scan(tmp_path_factory):
    steps = ("--theta-step-deg", 15, "--phi-step-deg", 15)
    path = tmp_path_factory.mktemp("planes") / "scan.csv"
    return simulated(path, "--frequency-ghz", 1, "--frequency-ghz", 1.1, "--radius-m", 0.4, *steps)


@pytest.mark.slow
def test_transform_and_inspect_name_the_planes(scan, tmp_path):
    words = ("transform", scan, "-o", tmp_path / "r.h5", *IN_FIELDS)
    facts = json.loads(succeed(*words, "--json"))["frequencies"]
    planes = {name: [fact[name] for fact in facts] for name in ("plane_theta", "plane_phi")}
    first = succeed(*words, "--overwrite").splitlines()[0]
    told = f"; cuts through the peak: {planes['plane_theta'][0]} and {planes['plane_phi'][0]}"
    alike = all(len(set(x)) == 1 for x in planes.values())
    assert first.endswith(told if alike else told + " (at 1 GHz, --json tells the others)")
    about = json.loads(succeed("inspect", tmp_path / "r.h5", "--json"))
    assert {name: about[name] for name in planes} == planes
    lines = succeed("inspect", tmp_path / "r.h5").splitlines()
    (line,) = (x for x in lines if x.startswith("plane theta  "))
    assert line.split("  ")[-1].strip() == ", ".join(planes["plane_theta"])


@pytest.mark.parametrize("plane", ["nan", "inf", "flat"])
def test_a_plane_that_is_none(scan, tmp_path, plane):
    done = run("transform", scan, "-o", tmp_path / "r.h5", "--plane", plane, *IN_FIELDS)
    assert done.code == 2
    says = f"Error: --plane is '{plane}', expected an angle [deg] from the plane of phi, phi=DEG, E, H,"
    assert done.err.splitlines()[-1].startswith(says)


def test_a_full_turn_is_shown_as_none():
    # Half a unit of the last digit below 360 deg, and a little more.
    assert [shown_azimuth(x, 4) for x in (359.99995001, 359.99994999, 0.00001)] == [0, 359.9999, 0]
    found = _texts(np.array([359.9999996, 359.9999994, np.nan]), 6, turn=360.0)
    assert found == ["0.000000", "359.999999", ""]

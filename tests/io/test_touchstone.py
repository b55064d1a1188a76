"""Touchstone files, one for each position, by a map; their content is written by hand, in closed form."""

import numpy as np
import pytest

from nf2ff.io.layout import Layout
from nf2ff.io.mapping import read_mapped
from nf2ff.io.proposal import propose
from nf2ff.io.toml import read_toml
from nf2ff.messages.input_error import InputError

MAP = """
radius = { value = 2, unit = "m" }
frequency = { column = "frequency", unit = "Hz" }

[[file]]
pattern = "cut_{theta}_{phi}_H.s2p"
theta = { from_name = true, unit = "deg" }
phi = { from_name = true, unit = "deg" }
chi = { value = 0, unit = "deg" }

[[response]]
complex = { column = "S21" }
"""


@pytest.fixture
def read(tmp_path, monkeypatch):
    """Return a function that reads texts, by their names, with a map."""
    monkeypatch.chdir(tmp_path)

    def of(files, text=MAP):
        for name, content in files.items():
            (tmp_path / name).write_text(content)
        (tmp_path / "map.toml").write_text(text)
        return read_mapped(list(files), read_toml("map.toml", Layout))

    return of


def test_a_file_for_each_position(read):
    head = "! a comment\n# MHz S RI R 50\n"
    found = read(
        {
            "cut_0_-10.5_H.s2p": head + "1000 0 0 1 2 9 9 0 0 ! first\n2000 0 0 3 4 9 9 0 0\n",
            "cut_30_20_H.s2p": head + "1000 0 0 5 6 9 9 0 0\n\n2000 0 0 7 8 9 9 0 0\n",
        }
    )
    np.testing.assert_array_equal(found.frequency, [1e9, 2e9])
    np.testing.assert_array_equal(found.theta, np.radians([0, 30]))
    np.testing.assert_array_equal(found.phi, np.radians([-10.5, 20]))
    np.testing.assert_array_equal(found.response, [[1 + 2j, 5 + 6j], [3 + 4j, 7 + 8j]])


@pytest.mark.parametrize(
    ("option", "numbers", "wanted"),
    [
        ("# GHz S MA R 50", "2 90", 2j),
        ("#GHz S DB R 50", "-20 180", -0.1),
        ("# hz s ri r 75", "0.5 -0.25", 0.5 - 0.25j),
        ("", "2 -90", -2j),  # the defaults: GHz, magnitude and angle
        ("# S DB", "20 0", 10),
    ],
)
def test_formats(read, option, numbers, wanted):
    noise = "0.5 1 2 3 4\n"
    found = read({"cut_1_2_H.s2p": f"{option}\n1 0 0 {numbers} 0 0 7 7\n3 0 0 {numbers} 0 0 7 7\n{noise}"})
    np.testing.assert_allclose(found.response, [[wanted]] * 2, rtol=1e-15, atol=1e-15)
    np.testing.assert_array_equal(found.frequency, np.array([1, 3]) * (1 if "hz" in option else 1e9))


def test_one_port(read):
    text = MAP.replace(".s2p", ".s1p").replace("S21", "S11")
    assert read({"cut_1_2_H.s1p": "# GHz S RI R 50\n1 2 3\n"}, text).response == 2 + 3j


@pytest.mark.parametrize(
    ("content", "says"),
    [
        ("", "has no row of numbers: expected frequency and S-parameters"),
        ("1 2 3\n", "line 1: has 3 numbers: expected 9 of 2 ports"),
        ("1 2 3 4 5\n", "line 1: has 5 numbers: expected 9 of 2 ports"),
        ("1 2 3 4 x 6 7 8 9\n", "line 1: is '1 2 3 4 X 6 7 8 9': expected numbers"),
        ("1 2 3 4 nan 6 7 8 9\n", "line 1: is '1 2 3 4 NAN 6 7 8 9': expected finite numbers"),
        ("1_0 2 3 4 5 6 7 8 9\n", "line 1: is '1_0 2.*': expected numbers"),
        ("# GHz Z MA R 50\n", "line 1: has Z parameters: expected S: save it so"),
        ("! x\n[Version] 2.0\n", r"line 2: has '\[VERSION\]', of version 2: save it as version 1"),
    ],
)
def test_files_that_are_refused(read, content, says):
    with pytest.raises(InputError, match=rf"cut_1_2_H\.s2p.*{says}") as caught:
        read({"cut_1_2_H.s2p": content})
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            '"S21"',
            '"s21"',
            "no column 's21', there are frequency, S11.* Write complex = { column = \"S21\" }",
        ),
        ('"Hz"', '"GHz"', 'frequency is in Hz here, not GHz: write frequency = .*unit = "Hz"'),
        (
            'complex = { column = "S21" }',
            'amplitude = { column = "S21", unit = "dB" }\nphase = { column = "S11", unit = "deg" }',
            'S21 is no amplitude: write complex = { column = "S21" }',
        ),
        ("S21", "frequency", "column 'frequency' is both frequency and complex"),
    ],
)
def test_maps_that_do_not_fit(read, old, new, says):
    with pytest.raises(InputError, match=says):
        read({"cut_1_2_H.s2p": "1 2 3 4 5 6 7 8 9\n"}, MAP.replace(old, new))


def test_more_ports(read):
    with pytest.raises(InputError, match=r"is of 4 ports: expected \.s1p or \.s2p"):
        read({"cut_1_2_H.s4p": ""}, MAP.replace(".s2p", ".s4p"))


def test_a_completed_proposal_reads_the_file(read):
    text = propose("any_1_2.s2p")
    for name, value in (("radius", 1), ("chi", 90)):
        text = text.replace(f"# {name} = {{ value = ...", f"{name} = {{ value = {value}")
    for line in ("[[file]]", "pattern", "theta", "phi"):
        text = text.replace(f"# {line}", line)
    found = read({"any_30_-40.5.s2p": "# GHz S RI\n1 0 0 3 4 0 0 0 0\n"}, text)
    assert found.response == 3 + 4j
    assert (found.theta, found.phi, found.chi) == (np.radians(30), np.radians(-40.5), np.radians(90))

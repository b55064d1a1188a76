"""Layouts with positioners, complex text, and files that differ in polarisation or frequency.

All data are invented; expected values are closed forms.
"""

from pathlib import Path

import numpy as np
import pytest

from nf2ff.io.layout import Layout
from nf2ff.io.mapping import read_mapped
from nf2ff.io.toml import read_toml
from nf2ff.messages.input_error import InputError

PLACE = """
theta = { column = "th", unit = "deg" }
phi = { column = "ph", unit = "deg" }
radius = { value = 1, unit = "m" }
"""
READING = """
[[response]]
real = { column = "re" }
imag = { column = "im" }
"""
FIXED = 'frequency = { value = 3, unit = "GHz" }\nchi = { value = 0, unit = "deg" }\n'
AXES = """
azimuth = { column = "th", unit = "deg" }
elevation = { column = "ph", unit = "deg" }
radius = { value = 1, unit = "m" }
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def layout(text):
    """A description, by way of a file."""
    Path("map.toml").write_text(text, encoding="utf-8")
    return read_toml("map.toml", Layout)


def test_complex_numbers_as_text(folder):
    cells = ["0.5+0.25j", " 1e-3 - 2E+1i", "(3-4J)", "2i", "-1.5", "", "nan"]
    (folder / "a.csv").write_text("th,ph,S\n" + "".join(f"{i},0,{x}\n" for i, x in enumerate(cells)))
    wanted = [0.5 + 0.25j, 1e-3 - 20j, 3 - 4j, 2j, -1.5, np.nan, np.nan]
    reading = '[[response]]\ncomplex = { column = "S" }\n'
    found = read_mapped(["a.csv"], layout(PLACE + FIXED + reading))
    np.testing.assert_array_equal(found.response[0], wanted)
    (folder / "a.csv").write_text("th;ph;S\n0;0;0,5+0,25i\n")
    found = read_mapped(["a.csv"], layout('separator = ";"\ndecimal = ","\n' + PLACE + FIXED + reading))
    assert found.response == 0.5 + 0.25j
    for cell in ("1+2k", "1_0+2j", "inf", "1+infj"):
        (folder / "a.csv").write_text(f"th,ph,S\n0,0,1j\n0,0,{cell}\n")
        with pytest.raises(InputError, match=r"line 3, column S: is .*expected a complex number as 0\.1"):
            read_mapped(["a.csv"], layout(PLACE + FIXED + reading))


@pytest.mark.parametrize(
    ("stack", "direction"),
    [
        # Closed forms of `measurement.positioner`, azimuth 30 deg and elevation 40 deg.
        ("elevation-over-azimuth", lambda a, e: [np.sin(a), np.cos(a) * np.sin(e), np.cos(a) * np.cos(e)]),
        ("azimuth-over-elevation", lambda a, e: [np.cos(e) * np.sin(a), np.sin(e), np.cos(e) * np.cos(a)]),
    ],
)
def test_axes_become_directions(folder, stack, direction):
    (folder / "a.csv").write_text("th,ph,re,im\n30,40,1,2\n")
    text = f'positioner = "{stack}"\n' + AXES + FIXED
    found = read_mapped(["a.csv"], layout(text + READING))
    r = [
        np.sin(found.theta) * np.cos(found.phi),
        np.sin(found.theta) * np.sin(found.phi),
        np.cos(found.theta),
    ]
    wanted = direction(np.radians(30), np.radians(40))
    np.testing.assert_allclose(np.ravel(r), wanted, atol=1e-15)  # some roundings
    rolled = read_mapped(["a.csv"], layout(text + 'roll = { value = 25, unit = "deg" }\n' + READING))
    np.testing.assert_allclose(rolled.phi - found.phi, np.radians(25), atol=1e-15)
    np.testing.assert_allclose(rolled.chi, found.chi, atol=1e-15)


def test_roll_over_azimuth_is_kept_to_the_last_digit(folder):
    (folder / "a.csv").write_text("th,ph,re,im\n-30.1,40.3,1,2\n")
    text = 'positioner = "roll-over-azimuth"\n' + AXES.replace("elevation", "roll") + FIXED
    found = read_mapped(["a.csv"], layout(text + READING))
    assert (found.theta, found.phi, found.chi) == (np.radians(-30.1), np.radians(40.3), 0)


def test_files_of_two_polarisations_and_frequencies(folder):
    for pol in "HV":
        for ghz in ("3", "3.5"):
            shift = (pol == "V") + 10 * (ghz == "3.5")
            (folder / f"scan_{pol}_{ghz}GHz.csv").write_text(
                f"th,ph,re,im\n10,20,{shift},1\n30,40,{shift},2\n"
            )
    text = PLACE
    for pol, chi in (("H", 0), ("V", 90)):
        text += f"""
[[file]]
pattern = "*_{pol}_{{frequency}}GHz.csv"
chi = {{ value = {chi}, unit = "deg" }}
frequency = {{ from_name = true, unit = "GHz" }}
"""
    paths = sorted(folder.glob("*.csv"))
    found = read_mapped(paths, layout(text + READING))
    np.testing.assert_array_equal(found.frequency, [3e9, 3.5e9])
    assert found.response.shape == (2, 4)
    for m in range(4):
        v = np.degrees(found.chi[m]) == 90
        second = found.theta[m] > 0.4
        np.testing.assert_array_equal(found.response[:, m], np.array([0, 10]) + v + 1j * (1 + second))
    (folder / "other.csv").write_text("")
    with pytest.raises(InputError, match=r'fits no pattern, .*write \[\[file\]\] with pattern = "other.csv"'):
        read_mapped([*paths, "other.csv"], layout(text + READING))
    twice = text.replace("*_V_", "*_*_")
    with pytest.raises(InputError, match=r"fits 2 patterns, of .*: make them differ"):
        read_mapped(paths[:1], layout(twice + READING))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            PLACE + FIXED + 'roll = { value = 1, unit = "deg" }' + READING,
            'roll is given, with no positioner: leave it out, or write positioner = "roll-over-azimuth"',
        ),
        (
            'positioner = "roll-over-azimuth"\n' + AXES + FIXED + READING,
            "roll is given neither above nor in response 1: add roll = ",
        ),
        (
            'positioner = "azimuth-over-elevation"\n' + AXES + PLACE[1:40] + "\n" + FIXED + READING,
            "theta is given, with positioner 'azimuth-over-elevation': leave it out: the axes stand for it",
        ),
        ('positioner = "gimbal"\n' + AXES + FIXED + READING, "positioner is 'gimbal', expected one of 'roll"),
        (
            PLACE + FIXED.replace("value = 0", "from_name = true") + READING,
            r"chi is from_name, outside \[\[file\]\]: put it below a pattern",
        ),
        (
            PLACE + FIXED + '[[file]]\npattern = "{run}.csv"\n' + READING,
            r"pattern is '\{run\}.csv': expected in braces one of theta, .*; \* stands for any text",
        ),
        (
            PLACE + FIXED + '[[file]]\npattern = "{chi}.csv"\n' + READING,
            r"pattern is '\{chi\}.csv': write chi = \{ from_name = true, unit = \"...\" \} for \{chi\} in it",
        ),
        (
            PLACE + FIXED + "[[response]]\ncomplex = { value = 1 }\n",
            'complex has no column: write complex = { column = "..." }',
        ),
        (
            PLACE + FIXED + '[[response]]\ncomplex = { column = "th" }\n',
            "column 'th' is both theta and complex: give one of them another column",
        ),
    ],
)
def test_layouts_that_are_refused(folder, text, says):
    (folder / "a.csv").write_text("th,ph,re,im\n")
    with pytest.raises(InputError, match=says) as caught:
        read_mapped(["a.csv"], layout(text))
    assert "\n" not in str(caught.value)

"""Groups of samples that share a phase, in tables, native files and maps of columns."""

import numpy as np
import pytest

from nf2ff.io.layout import Layout
from nf2ff.io.mapping import read_mapped
from nf2ff.io.native import read_samples, write_samples
from nf2ff.io.tables import read_table, write_table
from nf2ff.io.toml import read_toml
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError

HEADER = "theta_deg,phi_deg,chi_deg,radius_m,frequency_hz,real,imag,coherence"


def same_groups(found, expected):
    """Whether two sets of numbers form the same groups."""
    pairs = {(a, b) for a, b in zip(found, expected, strict=True)}
    return len(pairs) == len(set(found)) == len(set(expected))


def put(path, *lines):
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


@pytest.fixture
def samples():
    angles = np.radians([10.0, 20.0, 30.0, 40.0, 50.0])
    response = np.arange(1, 11).reshape(2, 5) + 0.5j
    return Samples([1e9, 2e9], angles, 0.0, 0.0, 2.0, 1, response, coherence=[7, -3, 7, 100, -3])


@pytest.mark.parametrize("write", [write_table, write_samples])
def test_groups_are_kept(write, samples, tmp_path):
    write(tmp_path / "scan", samples)
    found = read_samples(tmp_path / "scan")
    assert same_groups(found.coherence.tolist(), samples.coherence.tolist())
    np.testing.assert_array_equal(found.response, samples.response)


def test_a_row_of_0_stands_alone(tmp_path):
    rows = ["10,0,0,1,1e9,1,0,0", "20,0,0,1,1e9,2,0,0", "30,0,0,1,1e9,3,0,5", "40,0,0,1,1e9,4,0,5"]
    found = read_table(put(tmp_path / "a.csv", HEADER, *rows))
    assert same_groups(found.coherence.tolist(), [1, 2, 3, 3])


def test_numbers_may_differ_from_frequency_to_frequency_if_the_groups_do_not(tmp_path):
    rows = [f"{10 * i},0,0,1,{f}e9,{i},0,{g}" for f, i, g in [(1, 1, 1), (1, 2, 1), (1, 3, 2)]]
    again = [f"{10 * i},0,0,1,{f}e9,{i},0,{g}" for f, i, g in [(2, 1, 8), (2, 2, 8), (2, 3, 9)]]
    found = read_table(put(tmp_path / "a.csv", HEADER, *rows, *again))
    assert same_groups(found.coherence.tolist(), [1, 1, 2])
    for changed in (again[1].replace(",8", ",9"), again[1].replace(",8", ",7")):
        put(tmp_path / "b.csv", HEADER, *rows, again[0], changed, again[2])
        with pytest.raises(InputError, match=r"differ in which samples share a phase.*the same groups"):
            read_table(tmp_path / "b.csv")


def test_a_sample_missing_at_one_frequency_keeps_its_group(tmp_path):
    rows = ["10,0,0,1,1e9,1,0,4", "20,0,0,1,1e9,2,0,4", "30,0,0,1,1e9,3,0,6"]
    rows += ["20,0,0,1,2e9,2,0,4", "30,0,0,1,2e9,3,0,6"]
    found = read_table(put(tmp_path / "a.csv", HEADER, *rows))
    assert same_groups(found.coherence.tolist(), [1, 1, 2])
    assert np.isnan(found.response[1, 0])


def test_a_group_that_is_no_number_is_refused(tmp_path):
    for cell, what in (("", "is empty"), ("-1", "is -1: expected a whole number"), ("1.5", "is 1.5")):
        with pytest.raises(InputError, match=f"line 2, column coherence.*{what}"):
            read_table(put(tmp_path / "a.csv", HEADER, f"10,0,0,1,1e9,1,0,{cell}"))
    with pytest.raises(InputError, match="coherence has shape"):
        Samples([1e9], 0.1, 0.0, 0.0, 1.0, 1, [[1, 2]], coherence=[1])


MAP = """
theta = { column = "T", unit = "deg" }
phi = { value = 0, unit = "deg" }
radius = { value = 2, unit = "m" }
frequency = { value = 1, unit = "GHz" }
"""


class TestMaps:
    def read(self, tmp_path, text, *lines):
        put(tmp_path / "map.toml", MAP + text)
        return read_mapped([put(tmp_path / "a.csv", *lines)], read_toml(tmp_path / "map.toml", Layout))

    def test_amplitudes_without_phase_are_groups_of_one(self, tmp_path):
        text = "".join(
            f'[[response]]\nchi = {{ value = {chi}, unit = "deg" }}\n'
            f'amplitude = {{ column = "{name}", unit = "dB" }}\n'
            for chi, name in ((0, "A"), (90, "B"))
        )
        found = self.read(tmp_path, text, "T,A,B", "10,-20,0", "20,,6.0205999132796239", "30,-40,20")
        assert np.unique(found.coherence).size == found.port.size == 6
        # Closed form: 10^(dB/20); an empty reading is missing.
        order = np.lexsort([found.theta, found.chi])
        np.testing.assert_allclose(found.response[0, order], [0.1, np.nan, 0.01, 1, 2, 10], rtol=1e-12)

    def test_a_column_of_times(self, tmp_path):
        text = 'time = { column = "Clock", unit = "min" }\n[[response]]\nchi = { value = 0, unit = "deg" }\n'
        text += 'real = { column = "R" }\nimag = { column = "I" }\n'
        found = self.read(tmp_path, text, "T,R,I,Clock", "10,1,0,0", "20,0,1,0.5", "30,1,1,2")
        np.testing.assert_allclose(found.time[np.argsort(found.theta)], [0, 30, 120], rtol=1e-15)
        with pytest.raises(InputError, match=r"line 2, column Clock: is '': expected a finite"):
            self.read(tmp_path, text, "T,R,I,Clock", "10,1,0,")
        half = text.replace('time = { column = "Clock", unit = "min" }\n', "")
        half += '[[response]]\nchi = { value = 90, unit = "deg" }\n'
        half += 'real = { column = "A" }\nimag = { column = "B" }\ntime = { column = "Clock", unit = "s" }\n'
        with pytest.raises(InputError, match=r"line 2.*has no time, as others have: give time for all"):
            self.read(tmp_path, half, "T,R,I,A,B,Clock", "10,1,0,1,0,5")

    def test_a_column_of_groups(self, tmp_path):
        text = 'coherence = { column = "Cut" }\n[[response]]\nchi = { value = 0, unit = "deg" }\n'
        text += 'real = { column = "R" }\nimag = { column = "I" }\n'
        found = self.read(tmp_path, text, "T,R,I,Cut", "10,1,0,3", "20,0,1,3", "30,1,1,4", "40,1,1,0")
        assert same_groups(found.coherence.tolist(), [1, 1, 2, 3])
        with pytest.raises(InputError, match=r"coherence is 2.5: expected a whole number.*column = .Cut"):
            self.read(tmp_path, text, "T,R,I,Cut", "10,1,0,2.5")

    def test_what_has_a_reference_is_one_group_beside_amplitudes(self, tmp_path):
        text = '[[response]]\nchi = { value = 0, unit = "deg" }\nreal = { column = "R" }\n'
        text += 'imag = { column = "I" }\n[[response]]\nchi = { value = 90, unit = "deg" }\n'
        text += 'amplitude = { column = "A", unit = "linear" }\n'
        found = self.read(tmp_path, text, "T,R,I,A", "10,1,0,3", "20,0,1,3")
        groups = {round(c): found.coherence[found.chi == c].tolist() for c in np.unique(found.chi)}
        assert len(set(groups[0])) == 1
        assert len({*groups[2], *groups[0]}) == 3

    def test_negative_powers_are_refused(self, tmp_path):
        text = (
            '[[response]]\nchi = { value = 0, unit = "deg" }\namplitude = { column = "A", unit = "linear" }\n'
        )
        with pytest.raises(InputError, match=r"line 3: amplitude is -2: expected 0 or more; is it in dB"):
            self.read(tmp_path, text, "T,A", "10,1", "20,-2")

    def test_without_groups_there_are_none(self, tmp_path):
        text = '[[response]]\nchi = { value = 0, unit = "deg" }\nreal = { column = "R" }\n'
        text += 'imag = { column = "I" }\n'
        assert self.read(tmp_path, text, "T,R,I", "10,1,0").coherence is None

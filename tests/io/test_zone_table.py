"""Tables of field probes."""

import numpy as np
import pytest

from nf2ff.io.zone_table import read_probed_fields

HEADER = "x_m,y_m,z_m,frequency_ghz"


def table(tmp_path, text):
    path = tmp_path / "probe.csv"
    path.write_text(text, encoding="utf-8")
    return path


def test_complex_field_of_two_polarisations_and_frequencies(tmp_path):
    path = table(
        tmp_path,
        "# a comment\n"
        "polarisation,frequency_ghz,real,imag,x_m,y_m,z_m\n"
        "cross,28,0.1,0.2,1,2,3\n"
        "co,28,1,-2,0,2,3\n"
        "\n"
        "Co, 28, 3 ,4,1,2,3\n"
        "co,27,5,6,0,0,0\n",
    )
    low, high = read_probed_fields(path)
    assert (low.frequency, high.frequency) == (27e9, 28e9)
    assert low.cross is None
    assert low.phase
    assert high.position.tolist() == [[0, 2, 3], [1, 2, 3]]
    assert high.co.tolist() == [1 - 2j, 3 + 4j]
    assert np.isnan(high.cross[0])
    assert high.cross[1] == 0.1 + 0.2j
    other = read_probed_fields(path, time_convention="exp(-iwt)")[1]
    assert other.co.tolist() == [1 + 2j, 3 - 4j]


def test_amplitude_with_and_without_phase(tmp_path):
    (both,) = read_probed_fields(table(tmp_path, f"{HEADER},amplitude_db,phase_deg\n0,0,0,28,20,90\n"))
    assert both.co[0] == pytest.approx(10j)
    (other,) = read_probed_fields(tmp_path / "probe.csv", time_convention="exp(-iwt)")
    assert other.co[0] == pytest.approx(-10j)
    (alone,) = read_probed_fields(table(tmp_path, f"{HEADER},amplitude_db\n0,0,0,28,-20\n"))
    assert alone.co[0] == pytest.approx(0.1)
    assert not alone.phase


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "probe.csv: has no header line: expected x_m,"),
        (f"{HEADER},amplitude_db\n", "has no row below its header: add one row"),
        ("x_m,y_m,frequency_ghz,real,imag\n0,0,1,1,1\n", "line 1: column z_m is missing: expected x_m"),
        ("x_m;y_m;z_m;frequency_ghz\n", "line 1: columns are not separated by commas: save as CSV"),
        (f"{HEADER},amplitude_db\n0,0,0,28,\0\n", "probe.csv: (is not a CSV table|line 2)"),
        (f"{HEADER},amplitude_db\n0,0,0,28,{'1' * 140_000}\n", "probe.csv: is not a CSV table .*: save"),
        (f"{HEADER},amplitude\n", r"line 1: column 'amplitude' is unknown \(is it amplitude_db\?\)"),
        (f"{HEADER},real,real\n", "line 1: column real occurs twice: remove one"),
        (f"{HEADER}\n0,0,0,1\n", "line 1: the field has no such column: expected real,imag or"),
        (f"{HEADER},real\n0,0,0,1,1\n", "line 1: the field has real: expected real,imag or"),
        (f"{HEADER},real,imag,amplitude_db\n", "line 1: the field has amplitude_db,imag,real"),
        (f"#\n{HEADER},real,imag\n0,0,0,1\n", "line 3: has 4 fields, the header has 6"),
        (f'{HEADER},real,imag\n0,0,0,1,"1,5",1\n', "line 2, column real: is '1,5': expected a number, '.'"),
        (f"{HEADER},real,imag\n0,0,0,1,1,\n", "line 2, column imag: is empty: expected a number"),
        (f"{HEADER},real,imag\n0,0,nan,1,1,1\n", "line 2, column z_m: is nan, expected a finite number"),
        (f"{HEADER},amplitude_db\n0,0,0,-2,1\n", "line 2, column frequency_ghz: is -2, expected GHz above 0"),
        (f"{HEADER},amplitude_db\n0,0,0,28e9,1\n", "column frequency_ghz: is 2.8e.10, expected GHz"),
        (
            f"{HEADER},amplitude_db,polarisation\n0,0,0,28,1,x\n",
            "column polarisation: is 'x', expected co",
        ),
        (f"{HEADER},amplitude_db,polarisation\n0,0,0,28,1,cross\n", "28 GHz: has no co-polar reading: call"),
        (
            f"{HEADER},amplitude_db,polarisation\n0,0,0,28,1,co\n0,0,0.01,28,1,cross\n",
            "28 GHz: line 3: a cross-polar reading without a co-polar one at its place: the nearest is 0.01",
        ),
        (f"{HEADER},real,imag\n0,0,0,28,0,0\n", r"28 GHz: the co-polar reading at \(0, 0, 0\) m is 0: leave"),
    ],
)
def test_bad_tables_are_refused(tmp_path, text, says):
    with pytest.raises(ValueError, match=says):
        read_probed_fields(table(tmp_path, text))


def test_tables_of_other_programs(tmp_path):
    text = f"\ufeff{HEADER},real,imag\r\n0,0,0,28,1,2\r\n"
    (found,) = read_probed_fields(table(tmp_path, text))
    assert found.co.tolist() == [1 + 2j]


def test_what_is_no_text_is_refused(tmp_path):
    (tmp_path / "probe.csv").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(ValueError, match=r"probe.csv: is not text in UTF-8: save"):
        read_probed_fields(tmp_path / "probe.csv")
    with pytest.raises(ValueError, match="no such file"):
        read_probed_fields(tmp_path / "none.csv")

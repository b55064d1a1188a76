"""Guesses of a table's form and columns, in the spellings that laboratories use; shown, never applied.

All data are invented; what is expected is what a reader of the header would say.
"""

import tomllib

import numpy as np
import pytest

from nf2ff.io.layout import Layout
from nf2ff.io.mapping import read_mapped
from nf2ff.io.proposal import propose
from nf2ff.io.toml import read_toml
from nf2ff.messages.input_error import InputError


@pytest.fixture
def guess(tmp_path):
    """Return a function that writes a table and gives what is proposed, as text and as read."""

    def of(text, encoding="utf-8"):
        (tmp_path / "a.txt").write_bytes(text.encode(encoding))
        proposed = propose(tmp_path / "a.txt")
        return proposed, tomllib.loads(proposed)

    return of


def column(name, unit):
    return {"column": name, "unit": unit}


def test_semicolons_decimal_commas_quotes_and_a_preamble(guess):
    text, found = guess(
        'Range 3;;\nx\n"Theta [deg]";"Phi; deg";Pol;S21 re;S21 im\n0,5;1;0;1,5e-3;-2\n0,5;2;0;1,5e-3;\n'
    )
    assert (found["separator"], found["decimal"], found["preamble_lines"]) == (";", ",", 2)
    assert found["theta"] == column("Theta [deg]", "deg")
    assert found["phi"] == column("Phi; deg", "deg")
    assert found["response"] == [{"real": {"column": "S21 re"}, "imag": {"column": "S21 im"}}]
    assert '# radius = { value = ..., unit = "m" }    # ? not found: state it' in text
    assert "# frequency = " in text
    assert 'chi = { column = "Pol", unit = "deg" }    # ? unit guessed from the values' in text
    assert {"radius", "frequency"}.isdisjoint(found)


@pytest.mark.parametrize(
    ("header", "theta", "phi"),
    [
        ("theta_deg,phi_deg", ("theta_deg", "deg"), ("phi_deg", "deg")),
        ("TH (rad),PH (rad)", ("TH (rad)", "rad"), ("PH (rad)", "rad")),
        ("θ/°,φ/°", ("θ/°", "deg"), ("φ/°", "deg")),
        ("Theta,Phi", ("Theta", "deg"), ("Phi", "deg")),
        ("Polar theta {deg},phi angle [deg]", ("Polar theta {deg}", "deg"), None),
    ],
)
def test_spellings_of_angles(guess, header, theta, phi):
    _, found = guess(f"{header},Re,Im\n10,20,1,2\n30,40,1,2\n")
    assert found["theta"] == column(*theta)
    assert found.get("phi") == (phi and column(*phi))


@pytest.mark.parametrize(
    ("pair", "names"),
    [
        ("S21_dB,S21_deg", ("amplitude", "phase")),
        ("dB(S21),ang(S21)", ("amplitude", "phase")),
        ("Mag [dB],Phase [deg]", ("amplitude", "phase")),
        ("|S21| (dB),arg S21 (rad)", ("amplitude", "phase")),
        ("Amplitude lin,Ph deg", ("amplitude", "phase")),
        ("Re(S21),Im(S21)", ("real", "imag")),
        ("Real,Imaginary", ("real", "imag")),
        ("E_re,E_im", ("real", "imag")),
    ],
)
def test_spellings_of_readings(guess, pair, names):
    _, found = guess(f"az,roll,F [GHz],{pair}\n0,1,28,-1.5,102.5\n0,1,28,-1.5,2.5\n")
    first, second = pair.split(",")
    (response,) = found["response"]
    assert {name: response[name]["column"] for name in names} == dict(
        zip(names, (first, second), strict=True)
    )
    assert found["positioner"] == "roll-over-azimuth"
    assert found["frequency"] == column("F [GHz]", "GHz")
    if names[0] == "amplitude":
        assert response["amplitude"]["unit"] == ("linear" if "lin" in pair else "dB")
        assert response["phase"]["unit"] == ("rad" if "rad" in pair else "deg")


def test_columns_of_frequencies_and_polarisations(guess):
    text, found = guess(
        "Az\tEl\tR [mm]\tS21 H (28 GHz)\tS21 V (28 GHz)\tS21 H (28.5GHz)\tS21 V (028,5GHz)\tstatus\n"
        + "0\t1\t300\t1+2i\t1-3i\t0.5j\t1e-3+2i\tok\n" * 3
    )
    assert found["separator"] == "tab"
    assert found["positioner"] == "elevation-over-azimuth"
    assert 'or "azimuth-over-elevation"' in text
    assert [x["chi"]["value"] for x in found["response"]] == [0, 90, 0, 90]
    assert [x["frequency"]["value"] for x in found["response"]] == [28, 28, 28.5, 28.5]
    assert found["response"][3]["complex"] == {"column": "S21 V (028,5GHz)"}
    assert text.endswith("\n# Not used: 'status'\n")


def test_a_header_that_is_a_comment_and_units_below_the_names(guess):
    text, found = guess("# by hand\n# th ph re im\n0 1 2 3\n0 1 2.5 3\n")
    assert found["separator"] == "blanks"
    assert found["header"] is False
    assert found["phi"] == column(2, "deg")
    assert found["response"] == [{"real": {"column": 3}, "imag": {"column": 4}}]
    text, found = guess("Theta;Phi;R;Mag;Phase\ndeg;deg;mm;dB;deg\n0;1;300;-2,5;3\n")
    assert (found["header"], found["preamble_lines"]) == (False, 2)
    assert found["radius"] == column(3, "mm")
    assert "1 'Theta [deg]'; 2 'Phi [deg]'" in text


def test_a_completed_proposal_reads_the_table(guess, tmp_path):
    text, _ = guess(
        "Theta (deg);Phi (deg);E_theta (dB);E_theta (deg);E_phi (dB);E_phi (deg)\n" + "10,5;20;-20;90;0;180\n"
    )
    assert "# ? as 'e theta' suggests" in text
    (tmp_path / "map.toml").write_text(text)
    with pytest.raises(InputError, match="radius is given neither above nor in response 1"):
        read_toml(tmp_path / "map.toml", Layout)
    stated = text.replace("# radius = { value = ...", "radius = { value = 3")
    stated = stated.replace("# frequency = { value = ...", "frequency = { value = 28")
    (tmp_path / "map.toml").write_text(stated)
    found = read_mapped([tmp_path / "a.txt"], read_toml(tmp_path / "map.toml", Layout))
    assert found.response == pytest.approx(np.array([[0.1j, -1]]), abs=1e-15)


@pytest.mark.parametrize("encoding", ["utf-8-sig", "utf-16", "latin-1"])
def test_encodings(guess, encoding):
    text, found = guess("Gerät 1;;;\nTheta °;Phi °;Re;Im\n1;2;3;4\n", encoding)
    assert found["theta"] == column("Theta °", "deg")
    assert found["preamble_lines"] == 1
    assert ('encoding = "' in text) == (encoding != "utf-8-sig")


def test_names_that_need_care_are_quoted(guess):
    _, found = guess('th"eta \\ x,p\x07hi,Re "1",Im "1"\n1,2,3,4\n')
    assert found["response"] == [{"real": {"column": 'Re "1"'}, "imag": {"column": 'Im "1"'}}]
    assert guess("Re\x7f a,Im\x7f a,th\n1,2,3\n")[1]["response"][0]["real"] == {"column": "Re\x7f a"}


def test_readings_without_partner_and_none(guess):
    text, found = guess("th,ph,Mag dB,Level [dBm] 2\n1,2,3,4\n")
    assert "# ? 'Mag dB': no partner found, such as a phase for an amplitude" in text
    assert "# [[response]]" in text
    assert "response" not in found
    assert "# ? no reading found: state it" in guess("th,ph\n1,2\n")[0]


@pytest.mark.parametrize("data", [b"", b"words\nand more\n", b"1\n2\n", b"\x00\x01\x02"])
def test_files_without_a_table_are_refused(tmp_path, data):
    (tmp_path / "a.bin").write_bytes(data)
    with pytest.raises(InputError, match=r"a\.bin: shows no row of numbers in its first lines: expected"):
        propose(tmp_path / "a.bin")


def test_archives_that_hold_none_are_named(tmp_path):
    (tmp_path / "a.npz").write_bytes(b"PK\x03\x04" + bytes(99))
    with pytest.raises(InputError, match=r"a\.npz: cannot be read as an archive of arrays"):
        propose(tmp_path / "a.npz")


def test_a_number_beyond_all_bounds(guess):
    rows = "".join(f"{t};10;{t};1e{'9' * 30}\n" for t in range(4))
    proposed, _ = guess("Theta;Phi;Amplitude;Frequency\n" + rows)
    assert 'frequency = { column = "Frequency", unit = "Hz" }    # ? unit guessed' in proposed


@pytest.mark.parametrize(
    ("name", "cells", "unit"),
    [
        ("time_s", ("0", "0.5"), "s"),
        ("t/ms", ("0", "500"), "ms"),
        ("Elapsed (min)", ("0", "1.5"), "min"),
        ("Zeit [h]", ("0", "1"), "h"),
        ("Time", ("0", "0.5"), "s?"),
        ("Timestamp", ("1700000000000", "1700000000500"), "ms?"),
    ],
)
def test_spellings_of_time(guess, name, cells, unit):
    text, found = guess(f"{name},Theta,Phi,Re H,Im H\n{cells[0]},10,20,1,2\n{cells[1]},30,40,1,2\n")
    assert found["time"] == column(name, unit.rstrip("?"))
    (line,) = (x for x in text.splitlines() if x.startswith("time = "))
    assert line.endswith("# ? unit guessed from the values") == unit.endswith("?")
    assert found["response"] == [
        {"chi": {"value": 0, "unit": "deg"}, "real": {"column": "Re H"}, "imag": {"column": "Im H"}}
    ]


@pytest.mark.parametrize(("name", "cell"), [("T", "21.5"), ("Time", "12:30:05"), ("Time", "2026-11-30")])
def test_what_is_hardly_a_time_is_left_to_a_person(guess, name, cell):
    # T may be a temperature; of times of day and dates maps read nothing.
    text, found = guess(f"{name},Theta,Phi,Re,Im\n{cell},10,20,1,2\n{cell},30,40,1,2\n")
    assert "time" not in found
    assert f"# Not used: '{name}'" in text
    assert ("# Of a time only numbers are read" in text) == (name == "Time")

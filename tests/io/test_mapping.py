"""Tables in a laboratory's own layout: the same samples from each, and one clear line where it is wrong.

All data are invented; expected values are closed forms, or what the same scan is in the package's own table.
"""

import codecs

import numpy as np
import pytest

from nf2ff.io import mapping, text_columns
from nf2ff.io.layout import Layout
from nf2ff.io.mapping import read_mapped
from nf2ff.io.tables import read_table, write_table
from nf2ff.io.toml import read_toml
from nf2ff.measurement.samples import Samples
from nf2ff.messages.input_error import InputError

#: A power, a sine, a product, and up to 12 digits of text: rounding of some 1e-15, printed digits 1e-12.
RTOL = 1e-11

RNG = np.random.default_rng(1)
THETA = np.tile([0.0, 40.5, 90.0], 2)
PHI = np.tile([10.0, 200.0, 330.25], 2)
CHI = np.repeat([0.0, 90.0], 3)
VALUE = RNG.normal(size=(2, 6)) + 1j * RNG.normal(size=(2, 6))
SCAN = Samples(
    np.array([1e9, 2.5e9]),
    np.radians(THETA),
    np.radians(PHI),
    np.radians(CHI),
    np.full(6, 3.2),
    np.ones(6, dtype=int),
    VALUE,
    "relative",
)

PLACE = """
theta = { column = "Elevation", unit = "deg" }
phi = { column = "Azimuth", unit = "deg" }
radius = { value = 3200, unit = "mm" }
"""
COMPLEX = """
[[response]]
chi = { column = "Roll", unit = "deg" }
frequency = { column = "F", unit = "GHz" }
real = { column = "Re" }
imag = { column = "Im" }
"""


@pytest.fixture
def layout(tmp_path):
    """Return a function that reads a description."""

    def read(text):
        (tmp_path / "layout.toml").write_text(text, encoding="utf-8")
        return read_toml(tmp_path / "layout.toml", Layout)

    return read


def assert_same(found, wanted=SCAN):
    """The same samples, whatever their order."""
    assert found.response_unit == wanted.response_unit
    np.testing.assert_allclose(found.frequency, wanted.frequency, rtol=RTOL)

    def ordered(samples):
        columns = (samples.theta, samples.phi, samples.chi, samples.radius, samples.port)
        order = np.lexsort([np.round(np.broadcast_to(x, samples.response.shape[1:]), 9) for x in columns])
        return [x[order] for x in columns], samples.response[:, order]

    for got, want in zip(ordered(found)[0], ordered(wanted)[0], strict=True):
        np.testing.assert_allclose(got, want, rtol=RTOL, atol=RTOL)
    np.testing.assert_allclose(ordered(found)[1], ordered(wanted)[1], rtol=RTOL)


def rows(*columns, separator=",", decimal="."):
    """Lines of a table."""
    texts = [
        separator.join(f"{x:.15g}".replace(".", decimal) for x in row) for row in zip(*columns, strict=True)
    ]
    return "".join(f"{text}\n" for text in texts)


def long_table(**how):
    """One row for each reading."""
    both = [np.tile(x, 2) for x in (THETA, PHI, CHI)]
    ghz = np.repeat([1, 2.5], 6)
    return rows(*both, ghz, VALUE.ravel().real, VALUE.ravel().imag, **how)


HEADER = "Elevation,Azimuth,Roll,F,Re,Im\n"


@pytest.mark.parametrize(
    ("keys", "separator", "decimal"),
    [
        ("", ",", "."),
        ('separator = ";"\ndecimal = ","', ";", ","),
        ('separator = ";"', ";", "."),
        ('separator = "tab"\ndecimal = ","', "\t", ","),
        ('separator = "blanks"', "   ", "."),
    ],
)
def test_separators_and_decimals(layout, tmp_path, keys, separator, decimal):
    header = HEADER.replace(",", separator)
    (tmp_path / "a.txt").write_text(header + long_table(separator=separator, decimal=decimal))
    assert_same(read_mapped([tmp_path / "a.txt"], layout(keys + PLACE + COMPLEX)))


def test_a_mapped_table_is_the_same_as_that_of_the_package(layout, tmp_path):
    write_table(tmp_path / "own.csv", SCAN)
    (tmp_path / "a.txt").write_text(HEADER + long_table())
    assert_same(read_mapped([tmp_path / "a.txt"], layout(PLACE + COMPLEX)), read_table(tmp_path / "own.csv"))


@pytest.mark.parametrize(
    ("encode", "key"),
    [
        (lambda x: x.encode("utf-8-sig"), ""),
        (lambda x: x.encode("utf-16"), ""),
        (lambda x: codecs.BOM_UTF16_BE + x.encode("utf-16-be"), ""),
        (lambda x: x.encode("latin-1"), 'encoding = "latin-1"\n'),
        (lambda x: x.replace("\n", "\r\n").encode(), ""),
    ],
)
def test_encodings_preamble_quotes_and_comments(layout, tmp_path, encode, key):
    header = '"Elevation" , "Azimuth","Roll","F, Größe","Re","Im"\n'
    text = f"Test range 3;;\n\nOperator,,,,,,,\n{header}! a pause\n{long_table()}\n"
    (tmp_path / "a.txt").write_bytes(encode(text))
    keys = key + 'preamble_lines = 3\ncomment = "!"\n' + PLACE + COMPLEX.replace('"F"', '"F, Größe"')
    assert_same(read_mapped([tmp_path / "a.txt"], layout(keys)))


def test_columns_by_number_without_header(layout, tmp_path):
    keys = "header = false\n" + PLACE + COMPLEX
    for number, name in enumerate(HEADER.strip().split(","), start=1):
        keys = keys.replace(f'column = "{name}"', f"column = {number}")
    (tmp_path / "a.txt").write_text(long_table())
    assert_same(read_mapped([tmp_path / "a.txt"], layout(keys)))


def test_columns_of_each_frequency_and_polarisation_with_amplitude_and_phase(layout, tmp_path):
    keys = """
theta = { column = "th", unit = "rad", sign = -1, offset = 1.5707963267948966 }
phi = { column = "ph", unit = "rad" }
radius = { value = 320, unit = "cm" }
"""
    columns, names = [np.pi / 2 - np.radians(THETA[:3]), np.radians(PHI[:3])], ["th", "ph"]
    for i, megahertz in enumerate((1000, 2500)):
        for j, chi in enumerate((0, 90)):
            part = VALUE[i, 3 * j : 3 * j + 3]
            decibels = (i + j) % 2 == 0
            columns += [20 * np.log10(np.abs(part)) if decibels else np.abs(part)]
            columns += [np.degrees(np.angle(part)) if decibels else np.angle(part)]
            names += [f"A{i}{j}", f"P{i}{j}"]
            keys += f"""
[[response]]
chi = {{ value = {chi}, unit = "deg" }}
frequency = {{ value = {megahertz}, unit = "MHz" }}
amplitude = {{ column = "A{i}{j}", unit = "{"dB" if decibels else "linear"}" }}
phase = {{ column = "P{i}{j}", unit = "{"deg" if decibels else "rad"}" }}
"""
    (tmp_path / "a.txt").write_text(",".join(names) + "\n" + rows(*columns))
    assert_same(read_mapped([tmp_path / "a.txt"], layout(keys)))


def test_a_file_for_each_frequency(layout, tmp_path):
    lines = long_table().splitlines(keepends=True)
    paths = [tmp_path / "1.txt", tmp_path / "2.txt"]
    for path, some in zip(paths, (lines[:6], lines[6:]), strict=True):
        path.write_text(HEADER + "".join(some))
    assert_same(read_mapped(paths, layout(PLACE + COMPLEX)))


def test_the_time_convention_and_missing_readings(layout, tmp_path):
    lines = long_table().splitlines()
    lines[7] = lines[7].rsplit(",", 2)[0] + ",,"
    (tmp_path / "a.txt").write_text(HEADER + "\n".join(lines))
    keys = 'time_convention = "exp(-iwt)"\nresponse_unit = "V/m"\n'
    found = read_mapped([tmp_path / "a.txt"], layout(keys + PLACE + COMPLEX))
    wanted = VALUE.conj()
    wanted[1, 1] = np.nan
    assert found.response_unit == "V/m"
    np.testing.assert_allclose(found.response, wanted, rtol=RTOL)


def test_the_example_of_the_documentation(layout, tmp_path):
    example = mapping.__doc__.split("::\n")[1].split("\nWhat a response")[0]
    (tmp_path / "a.txt").write_text(
        "1\n2\n3\nElevation;Azimuth;Co [dB];Co [deg];Cross, real;Cross, imaginary\n90;45;-20;90;0,5;-0,25\n"
    )
    found = read_mapped([tmp_path / "a.txt"], layout("\n".join(x[4:] for x in example.splitlines())))
    np.testing.assert_allclose(found.response, [[0.1j, 0.5 - 0.25j]], rtol=RTOL, atol=1e-17)
    np.testing.assert_allclose(np.degrees(found.chi), [0, 90])
    assert found.frequency == [28e9]


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('unit = "mm"', 'unit = "inch"', "unit of radius is 'inch': expected one of m, cm, mm"),
        (', unit = "GHz"', "", "response 1, unit of frequency is '': expected one of Hz, kHz, MHz, GHz"),
        (
            'column = "Re"',
            'column = "Re", unit = "dB"',
            "response 1, unit of real is 'dB': expected no unit or V, Vrms",
        ),
        ("value = 3200, ", "", "radius, has neither column nor value: give one of them"),
        ("value = 3200", 'value = 1, column = "R"', "radius, has column and value: give one of them"),
        (
            'imag = { column = "Im" }',
            "",
            "response 1, has real: give real and imag, or amplitude .and phase., or complex",
        ),
        (
            "[[response]]",
            'separator = ","\ndecimal = ","\n[[response]]',
            "separator and decimal are both ','",
        ),
        (
            'radius = { value = 3200, unit = "mm" }',
            "",
            'radius is given neither above nor in response 1: add radius = { column = "...", unit = "m" }',
        ),
        (
            "[[response]]",
            "seperator = 3\n[[response]]",
            "key 'seperator' is unknown.*did you mean 'separator'",
        ),
        (
            "[[response]]",
            'separator = "|"\n[[response]]',
            "separator is '|', expected ',', ';', 'tab' or 'blanks'",
        ),
        (
            "[[response]]",
            "preamble_lines = -1\n[[response]]",
            "preamble_lines is -1, expected a whole number",
        ),
        (COMPLEX, "", "key 'response' is missing, expected 1 to 10000 tables"),
        (
            "[[response]]",
            "impedance_ohm = 50\n[[response]]",
            "impedance_ohm is given, and response 1 is not in V: leave it out",
        ),
        (
            'column = "Re"',
            'column = "Re", unit = "V"',
            "response 1, real in V and imag in '': expected one unit",
        ),
        ("[[response]]", "[[answer]]", "key 'answer' is unknown, expected one of theta, .* response: did"),
    ],
)
def test_layouts_that_are_refused(layout, old, new, says):
    with pytest.raises(InputError, match=says.replace("|", r"\|")) as caught:
        layout((PLACE + COMPLEX).replace(old, new, 1))
    assert "\n" not in str(caught.value)
    assert "layout.toml: " in str(caught.value)


ROW = "10,20,0,1,1,2\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (HEADER, "a.txt: has no row of numbers: check preamble_lines and header"),
        ("", "a.txt: has no row of numbers"),
        (HEADER + ROW + "1,2,3\n", "a.txt, line 3: has 3 fields, the first row has 6: check separator"),
        (
            HEADER + ROW + "\n10,x,0,1,1,2\n",
            "a.txt, line 4, column Azimuth: is 'x': expected a finite number",
        ),
        (HEADER + "10,,0,1,1,2\n", "line 2, column Azimuth: is '': expected a finite number"),
        (HEADER + "10,nan,0,1,1,2\n", "line 2, column Azimuth: is 'nan': expected a finite number"),
        (HEADER + "10,20,0,1,inf,2\n", "line 2, column Re: is 'inf': expected a finite number"),
        (
            HEADER + "10,20,0,1,,2\n",
            "line 2: has imag without real: leave both empty where a sample is missing",
        ),
        (HEADER + "10,20,0,1,2, \n", "line 2: has real without imag: leave both empty"),
        (HEADER + "10,2_0,0,1,1,2\n", "line 2, column Azimuth: is '2_0': expected a finite number"),
        (
            HEADER + "190,20,0,1,1,2\n",
            'line 2: theta is 190 deg: expected -180 to 180 .*: check theta = { column = "Elev',
        ),
        (HEADER + "10,20,0,-1,1,2\n", "line 2: frequency is -1000000000 Hz: expected a positive number"),
        (HEADER.replace("Im", "Imag") + ROW, "no column 'Im', there are .*did you mean 'Imag'"),
        (HEADER.replace("Im", "Re") + ROW, "several columns 'Re', there are"),
        (
            HEADER.replace("Roll,F,Re,Im", "Roll,F,Re,x,Im") + ROW,
            "the header has more columns than the rows, 6",
        ),
        (HEADER + ROW + "10,20,0,2,1,2\n" * 2 + "90,20,0,2,1,2\n" * 2, "line 2.*rows at 1 of 4 positions"),
        (HEADER + "10\n", "a.txt: the header has more columns than the rows, 1: check separator"),
        (
            HEADER + ROW + "\0",
            "line 3: is not text in UTF-8: state the encoding, or save",
        ),
        (
            HEADER + ROW + '"10,20,0,1,1,2\n' + ROW,
            "line 3: a quotation mark is not closed: close",
        ),
        ('"' + "x" * 200_000 + '"\n' + ROW, r"line 1: is no row of a table \(field larger"),
    ],
)
def test_tables_that_are_refused(layout, tmp_path, text, says):
    (tmp_path / "a.txt").write_text(text, encoding="utf-8")
    with pytest.raises(InputError, match=says) as caught:
        read_mapped([tmp_path / "a.txt"], layout(PLACE + COMPLEX))
    assert "\n" not in str(caught.value)
    assert "a.txt" in str(caught.value)


def test_other_refusals(layout, tmp_path):
    own = layout(PLACE + COMPLEX)
    with pytest.raises(InputError, match="there is no file to read"):
        read_mapped([], own)
    (tmp_path / "a.txt").write_bytes(HEADER.encode() + b"\xff\n")
    with pytest.raises(InputError, match=r"a\.txt, line 2: is not text in UTF-8: state"):
        read_mapped([tmp_path / "a.txt"], own)
    numbered = layout("header = false\n" + (PLACE + COMPLEX).replace('"Im"', "9"))
    (tmp_path / "a.txt").write_text(ROW)
    with pytest.raises(
        InputError, match="there is no header to look for column 'Elevation': give its number"
    ):
        read_mapped([tmp_path / "a.txt"], numbered)
    (tmp_path / "a.txt").write_text(HEADER + ROW)
    with pytest.raises(InputError, match="there is no column 9: expected 1 to 6"):
        read_mapped([tmp_path / "a.txt"], layout((PLACE + COMPLEX).replace('"Im"', "9")))
    for unit, value, says in (("dB", 2000, "-1000 to 1000 dB"), ("linear", -3, "0 or more; is it in dB")):
        (tmp_path / "a.txt").write_text(f"Elevation,Azimuth,Roll,F,Re,Im\n10,20,0,1,{value},2\n")
        text = COMPLEX.replace(
            'real = { column = "Re" }', f'amplitude = {{ column = "Re", unit = "{unit}" }}'
        )
        text = text.replace('imag = { column = "Im" }', 'phase = { column = "Im", unit = "deg" }')
        with pytest.raises(InputError, match=f"line 2: amplitude is {value}: expected {says}"):
            read_mapped([tmp_path / "a.txt"], layout(PLACE + text))


def test_long_tables_are_read_in_blocks(layout, tmp_path, monkeypatch):
    monkeypatch.setattr(text_columns, "_BLOCK", 5)
    (tmp_path / "a.txt").write_text(HEADER + "# so far\n" + long_table())
    assert_same(read_mapped([tmp_path / "a.txt"], layout(PLACE + COMPLEX)))
    (tmp_path / "a.txt").write_text(HEADER + "# so far\n" + long_table() + "1,2,3,4,5\n")
    with pytest.raises(InputError, match="line 15: has 5 fields, the first row has 6"):
        read_mapped([tmp_path / "a.txt"], layout(PLACE + COMPLEX))


LEVELS = """
theta = { value = 30, unit = "deg" }
phi = { value = 0, unit = "deg" }
chi = { value = 0, unit = "deg" }
radius = { value = 1, unit = "m" }
frequency = { value = 1, unit = "GHz" }
"""


@pytest.mark.parametrize(
    ("keys", "reading", "text", "wave", "unit"),
    [
        # Closed form: 0 dBm is 1 mW, 1/2 |w|^2 of a peak value; -20 dBm a tenth of its amplitude.
        ('response_unit = "sqrt(W)"', "dBm", "-20", 0.1 * np.sqrt(2e-3), "sqrt(W)"),
        # |V|^2 / (2 R) of peak values, |V|^2 / R of effective ones, is the same power.
        ('response_unit = "sqrt(W)"\nimpedance_ohm = 50', "V", "0.5", 0.5 / np.sqrt(50), "sqrt(W)"),
        (
            'response_unit = "sqrt(W)"\nimpedance_ohm = 75',
            "Vrms",
            "0.5",
            0.5 * np.sqrt(2 / 75),
            "sqrt(W)",
        ),
        ("", "V", "0.5", 0.5, "relative"),
    ],
)
def test_powers_and_voltages(layout, tmp_path, keys, reading, text, wave, unit):
    amplitude = (
        f'amplitude = {{ column = "A", unit = "{reading}" }}\nphase = {{ column = "P", unit = "deg" }}'
    )
    (tmp_path / "a.txt").write_text(f"A,P\n{text},90\n")
    found = read_mapped([tmp_path / "a.txt"], layout(f"{keys}\n{LEVELS}\n[[response]]\n{amplitude}\n"))
    np.testing.assert_allclose(found.response, [[1j * wave]], rtol=1e-14, atol=1e-16)
    assert found.response_unit == unit


def test_voltages_by_their_parts(layout, tmp_path):
    (tmp_path / "a.txt").write_text("R,I\n0.3,-0.4\n")
    parts = 'real = { column = "R", unit = "Vrms" }\nimag = { column = "I", unit = "Vrms" }'
    keys = 'response_unit = "sqrt(W)"\nimpedance_ohm = 50'
    found = read_mapped([tmp_path / "a.txt"], layout(f"{keys}\n{LEVELS}\n[[response]]\n{parts}\n"))
    # Closed form: |V|^2 / R = 1/2 |w|^2 = 5 mW.
    assert 0.5 * abs(found.response[0, 0]) ** 2 == pytest.approx(5e-3)


@pytest.mark.parametrize(
    ("keys", "unit", "says"),
    [
        (
            "",
            "dBm",
            r"response 1 is in dBm, a power at the probe's port, with response_unit 'relative': write",
        ),
        ('response_unit = "V/m"', "dBm", "with response_unit 'V/m': write response_unit = \"sqrt(W)\""),
        (
            'response_unit = "sqrt(W)"',
            "V",
            "the impedance that makes it a power is not stated: add impedance_ohm",
        ),
        ("impedance_ohm = 50", "V", "with response_unit 'relative': write"),
        ('response_unit = "V/m"', "V", "response 1 is in V, a voltage, with response_unit 'V/m'"),
        ("impedance_ohm = 0", "V", "impedance_ohm is 0, expected ohms above 0"),
    ],
)
def test_levels_whose_unit_does_not_fit(layout, keys, unit, says):
    reading = f'amplitude = {{ column = "A", unit = "{unit}" }}\nphase = {{ column = "P", unit = "deg" }}'
    with pytest.raises(InputError, match=says.replace("(", r"\(").replace(")", r"\)")):
        layout(f"{keys}\n{LEVELS}\n[[response]]\n{reading}\n")

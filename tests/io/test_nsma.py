"""Pattern files of NSMA WG16.99.050, written strictly and read leniently.

What is expected of the fields (names, order, limits, rules) is the copy of the
recommendation's table 1 that `nf2ff.io.nsma` speaks of; all data here are invented.
"""

import dataclasses
import json
import re

import numpy as np
import pytest
from commands import run, succeed

from nf2ff.io import nsma, nsma_reader
from nf2ff.io.nsma import FIELDS, HEADER, SETTABLE, NsmaCut, NsmaPattern, write_nsma
from nf2ff.io.nsma_reader import read_nsma

#: A whole small file.
GOOD = """\
REVNUM:,NSMA WG16.99.050
REVDAT:,19990520
COMNT1:,an invented antenna
ANTMAN:,Example Antennas
MODNUM:,P-24
LOWFRQ:,23500
HGHFRQ:,24500
GUNITS:,DBI/DBR
MDGAIN:,22.1
AZWIDT:,11.5
ELTILT:,8,0.5
PATTYP:,typical
NOFREQ:,2
PATFRE:,23500
NUMCUT:,1
PATCUT:,H
POLARI:,V/V
NUPOIN:,4
FSTLST:,-180,90
-180,-30.25,
-90,-20,
0,0,
90,-21.125,
PATFRE:,24500.000001
NUMCUT:,2
PATCUT:,H
POLARI:,SLR/SLL
NUPOIN:,3
FSTLST:,-1.5,1.5
XORIEN:,to the right
-1.5,-3,-12.25,
0,0,0,
1.5,-3.5,17.125,
PATCUT:,45
POLARI:,RCP/LCP
NUPOIN:,2
FSTLST:,0,359.9999
0,-40.001,
359.9999,-41,
ENDFIL:,EOF
"""
FIELDS_GIVEN = {
    "COMNT1": "an invented antenna",
    "ANTMAN": "Example Antennas",
    "MODNUM": "P-24",
    "LOWFRQ": "23500",
    "HGHFRQ": "24500",
    "GUNITS": "DBI/DBR",
    "MDGAIN": "22.1",
    "AZWIDT": "11.5",
    "ELTILT": "8,0.5",
    "PATTYP": "typical",
}


def cut(**changes):
    """A cut of three points, some of it changed."""
    given = {"plane": "H", "polarisation": "V/V", "angle_deg": [-1, 0, 1], "level_db": [-3, 0, -3]}
    return NsmaCut(**{**given, **changes})


def pattern(*cuts, frequency=(24e9,), **fields):
    """One frequency with these cuts; fields set to None are left out."""
    given = {k: v for k, v in {**FIELDS_GIVEN, **fields}.items() if v is not None}
    return NsmaPattern(given, frequency, [cuts or (cut(),)] * len(frequency))


def good():
    """What the file above holds."""
    first = NsmaCut("H", "V/V", [-180, -90, 0, 90], [-30.25, -20, 0, -21.125])
    second = NsmaCut(
        "H", "SLR/SLL", [-1.5, 0, 1.5], [-3, 0, -3.5], [-12.25, 0, 17.125], {"XORIEN": "to the right"}
    )
    third = NsmaCut("45", "RCP/LCP", [0, 359.9999], [-40.001, -41])
    return NsmaPattern(FIELDS_GIVEN, [23.5e9, 24500000001], [[first], [second, third]])


def put(path, text):
    """``path``, with these lines ended by CR LF."""
    path.write_bytes(text.replace("\n", "\r\n").encode("latin-1"))
    return path


def assert_same(found, wanted, *, angle=0.0, level=0.0, phase=0.0, hertz=0.0):
    """Equal, numbers up to what is given for each kind."""
    assert dict(found.fields) == dict(wanted.fields)
    np.testing.assert_allclose(found.frequency, wanted.frequency, rtol=0, atol=hertz)
    assert [len(x) for x in found.cuts] == [len(x) for x in wanted.cuts]
    for one, two in zip(sum(found.cuts, ()), sum(wanted.cuts, ()), strict=True):
        assert (one.plane, one.polarisation) == (two.plane, two.polarisation)
        assert dict(one.orientation) == dict(two.orientation)
        np.testing.assert_allclose(one.angle_deg, two.angle_deg, rtol=0, atol=angle)
        np.testing.assert_allclose(one.level_db, two.level_db, rtol=0, atol=level)
        assert (one.phase_deg is None) == (two.phase_deg is None)
        if one.phase_deg is not None:
            np.testing.assert_allclose(one.phase_deg, two.phase_deg, rtol=0, atol=phase)


# --- the table of fields ------------------------------------------------------------------------


def test_fields_are_those_of_the_table():
    # Tag* limit, * required, in the words of the copy.
    table = """
    REVNUM* 42 REVDAT* 16 COMNT1 80 COMNT2 80 ANTMAN* 42 MODNUM* 42 PATNUM 42 FILNUM 13 FEDORN 13
    DESCR1 80 DESCR2 80 DESCR3 80 DESCR4 80 DESCR5 80 DTDATA 16
    LOWFRQ* 21 HGHFRQ* 21 GUNITS* 15 LWGAIN 12 MDGAIN* 16 HGGAIN 12 AZWIDT 16 ELWIDT 16 CONTYP 80
    ATVSWR 13 FRTOBA 10 ELTILT* 16 RADCTR 13 POTOPO 12 MAXPOW 17
    ANTLEN 14 ANTWID 14 ANTDEP 14 ANTWGT 16 FIELD1 80 FIELD2 80 FIELD3 80 FIELD4 80 FIELD5 80
    PATTYP* 16 NOFREQ* 10 PATFRE* 21 NUMCUT* 11 PATCUT* 11 POLARI* 15 NUPOIN* 13 FSTLST* 25
    XORIEN 53 YORIEN 53 ZORIEN 53 ENDFIL* 11
    """
    wanted = [(a, b == "*", int(c)) for a, b, c in re.findall(r"(\w{6})(\*?) (\d+)", table)]
    assert [(x.tag, x.required, x.limit) for x in FIELDS.values()] == wanted


@pytest.mark.parametrize(
    "record", ["REVDAT:,19990520", "ENDFIL:,EOF", "GUNITS:,DBI/DBR", "POLARI:,SLR/SLL", "PATTYP:,envelope"]
)
def test_limits_count_the_whole_record(record):
    # The longest values that the copy names fill their limits to the last character,
    # once tag, colon and comma are counted.
    assert len(record) == FIELDS[record[:6]].limit
    tag, _, value = record.partition(":,")
    assert nsma.fault_of(FIELDS[tag], value) is None


# --- writing ------------------------------------------------------------------------------------


def test_file_is_written_as_it_must_be(tmp_path):
    write_nsma(tmp_path / "a.nsma", good())
    assert (tmp_path / "a.nsma").read_bytes() == GOOD.replace("\n", "\r\n").encode("ascii")
    assert list(tmp_path.iterdir()) == [tmp_path / "a.nsma"]


def test_file_comes_back(tmp_path):
    found = read_nsma(put(tmp_path / "a.nsma", GOOD))
    assert found.warnings == ()
    # 23500 and 24500.000001 MHz times 1e6 in doubles: some 4e-6 Hz.
    assert_same(found, good(), hertz=1e-5)


def test_any_numbers_come_back_within_their_digits(tmp_path, rng):
    frequency = np.sort(rng.uniform(1e8, 1e11, 5))
    cuts = []
    for _ in frequency:
        some = []
        for _ in range(3):
            # Distinct to a thousandth, which the ends have room for.
            angle = np.sort(rng.choice(359_000, 500, replace=False)) / 1000 - 180
            level, phase = rng.uniform(-99, 30, angle.size), rng.uniform(-180, 180, angle.size)
            some.append(NsmaCut("V", "H/V", angle, level, phase if len(some) != 1 else None))
        cuts.append(some)
    wanted = NsmaPattern(FIELDS_GIVEN, frequency, cuts)
    write_nsma(tmp_path / "a.nsma", wanted)
    found = read_nsma(tmp_path / "a.nsma")
    assert found.warnings == ()
    # Half of the last decimal, and the rounding of a double of that size.
    assert_same(found, wanted, angle=1e-12, level=5.01e-4, phase=5.01e-4, hertz=0.50001)
    rounded = (np.round(x.level_db, 3) for x in sum(wanted.cuts, ()))
    for one, level in zip(sum(found.cuts, ()), rounded, strict=True):
        np.testing.assert_allclose(one.level_db, level, rtol=0, atol=1e-12)


def test_numbers_without_idle_digits(tmp_path):
    some = cut(angle_deg=[-0.00001, 0.12344, 100], level_db=[-0.0001, -100, 10])
    write_nsma(tmp_path / "a.nsma", pattern(some, frequency=[100e6]))
    text = (tmp_path / "a.nsma").read_text()
    assert "PATFRE:,100\n" in text
    assert "FSTLST:,0,100\n0,0,\n0.1234,-100,\n100,10,\n" in text


def test_no_file_is_overwritten(tmp_path):
    path = tmp_path / "a.nsma"
    path.write_bytes(b"precious")
    with pytest.raises(ValueError, match=r"a\.nsma: exists: choose another name or --overwrite"):
        write_nsma(path, good())
    with pytest.raises(ValueError, match=r"a\.nsma: MODNUM is missing"):
        write_nsma(path, pattern(MODNUM=None), overwrite=True)
    assert path.read_bytes() == b"precious"
    write_nsma(path, good(), overwrite=True)
    assert path.read_bytes().startswith(b"REVNUM")
    with pytest.raises(ValueError, match="there is no folder"):
        write_nsma(tmp_path / "no" / "a.nsma", good())
    assert list(tmp_path.iterdir()) == [path]


def test_what_reads_back_otherwise_is_not_kept(tmp_path, monkeypatch):
    monkeypatch.setattr("pathlib.Path.read_bytes", lambda _: b"other")
    with pytest.raises(ValueError, match=r"cannot be written \(what was read back differs"):
        write_nsma(tmp_path / "a.nsma", good())
    monkeypatch.undo()
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(("name", "most"), [("MAX_NSMA_BYTES", 500), ("MAX_LINES", 39)])
def test_files_that_would_be_too_large(tmp_path, monkeypatch, name, most):
    monkeypatch.setattr(nsma, name, most)
    says = r"a\.nsma: would have \d+ bytes in 40 lines, the limits are .*: use a coarser step, or"
    with pytest.raises(ValueError, match=says):
        write_nsma(tmp_path / "a.nsma", good())
    assert not list(tmp_path.iterdir())
    monkeypatch.setattr(nsma, name, 40 if most == 39 else 2000)
    write_nsma(tmp_path / "a.nsma", good())


TEXTS = [x for x in HEADER if x.form == "text" and x.tag in SETTABLE]


@pytest.mark.parametrize("each", TEXTS, ids=lambda x: x.tag)
def test_longest_text_of_each_field(tmp_path, each):
    room = each.limit - len(each.tag) - 2
    write_nsma(tmp_path / "a.nsma", pattern(**{each.tag: "x" * room}))
    found = read_nsma(tmp_path / "a.nsma")
    assert found.warnings == ()
    assert found.fields[each.tag] == "x" * room
    says = rf"{each.tag} is 'x+', {room + 1} characters, expected at most {room}: shorten it"
    with pytest.raises(ValueError, match=says):
        write_nsma(tmp_path / "b.nsma", pattern(**{each.tag: "x" * (room + 1)}))
    assert not (tmp_path / "b.nsma").exists()


REQUIRED = [x.tag for x in HEADER if x.required and x.tag in SETTABLE]


@pytest.mark.parametrize("tag", REQUIRED)
@pytest.mark.parametrize("value", [None, ""])
def test_required_fields(tmp_path, tag, value):
    says = rf"a\.nsma: {tag} is missing, which the recommendation requires: give it"
    with pytest.raises(ValueError, match=says):
        write_nsma(tmp_path / "a.nsma", pattern(**{tag: value}))


UNFIT = {
    "letters": ({"ANTMAN": "Beispiel für"}, "ANTMAN is .*, expected printable ASCII: spell it"),
    "new line": ({"COMNT1": "a\r\nb"}, r"COMNT1 is 'a\\r\\nb', expected printable ASCII"),
    "comment": ({"COMNT1": "wow!"}, "COMNT1 is 'wow!', expected text without '!', which starts"),
    "space": ({"MODNUM": " P-24"}, "MODNUM is ' P-24', expected text .*, without spaces around"),
    "empty": ({"COMNT2": ""}, "COMNT2 is '', expected text"),
    "tilt": ({"ELTILT": "8"}, "ELTILT is '8', expected two numbers, 'nominal,tolerance'"),
    "gain": ({"MDGAIN": "22 dBi"}, "MDGAIN is '22 dBi', expected a number"),
    "gain thrice": ({"MDGAIN": "1,2,3"}, "MDGAIN is '1,2,3', expected a number"),
    "band edge": ({"LWGAIN": "22.15"}, "LWGAIN is '22.15', 5 characters, expected at most 4: shorten it"),
    "exponent": ({"LOWFRQ": "2e4"}, "LOWFRQ is '2e4', expected a number"),
    "band": ({"LOWFRQ": "25000"}, "LOWFRQ is 25000, above HGHFRQ, 24500 MHz: exchange them"),
    "units": ({"GUNITS": "dBi/dBr"}, "GUNITS is 'dBi/dBr', expected two units in capitals"),
    "type": ({"PATTYP": "mean"}, "PATTYP is 'mean', expected 'typical' or 'envelope'"),
    "date": ({"DTDATA": "2024-01-31"}, "DTDATA is '2024-01-31', expected a date as yyyymmdd"),
}


@pytest.mark.parametrize(("changes", "says"), UNFIT.values(), ids=UNFIT)
def test_values_that_break_the_form(tmp_path, changes, says):
    with pytest.raises(ValueError, match=says) as error:
        write_nsma(tmp_path / "a.nsma", pattern(**changes))
    assert "\n" not in str(error.value)
    assert str(error.value).startswith(f"{tmp_path / 'a.nsma'}: ")
    assert not list(tmp_path.iterdir())


UNFIT_CUTS = {
    "order": ({"angle_deg": [0, -1, 1]}, "cut H V/V: -1 deg follows 0 deg, expected increasing"),
    "twice": ({"angle_deg": [0, 1, 1.00004]}, "1 deg follows 1 deg, expected increasing angles"),
    "turn": ({"angle_deg": [0, 180, 360]}, "angles run from 0 to 360 deg, expected no direction"),
    "both ends": ({"angle_deg": [-180, 0, 180]}, "run from -180 to 180 deg, .*leave out one end"),
    "nearly": ({"angle_deg": [0, 1, 359.99996]}, "angles run from 0 to 360 deg, expected no"),
    "far": ({"angle_deg": [300, 360, 361]}, "from 300 to 361 deg, .*within one turn"),
    "plane": ({"plane": "HORIZONTAL"}, "PATCUT is 'HORIZONTAL', expected H, V, AZ, EL or a numb"),
    "number": ({"plane": "12.5"}, "PATCUT is '12.5', 4 characters, expected at most 3: shorten it"),
    "polarisation": ({"polarisation": "SLR-SLL"}, "POLARI is 'SLR-SLL', expected two polarisati"),
    "none": ({"polarisation": ""}, "POLARI is missing, which the recommendation requires"),
    "orientation": ({"orientation": {"ZORIEN": "x" * 46}}, "ZORIEN is .*46 char.* at most 45"),
    "long": (
        {"level_db": [0, 1e25, 0]},
        r"the point 0,10{10}\d+, has 29 characters, expected at most 28: bring",
    ),
    "ends": ({"angle_deg": [-179.1234, 0, 179.1234]}, "FSTLST is .*, 18 characters, expected at most 17"),
}


@pytest.mark.parametrize(("changes", "says"), UNFIT_CUTS.values(), ids=UNFIT_CUTS)
def test_cuts_that_break_a_rule(tmp_path, changes, says):
    with pytest.raises(ValueError, match=says):
        write_nsma(tmp_path / "a.nsma", pattern(cut(**changes)))
    assert not list(tmp_path.iterdir())


def test_too_many_or_equal_frequencies(tmp_path):
    says = r"has 100 frequencies, NOFREQ has room for 99: choose fewer \(--frequency-ghz\)"
    with pytest.raises(ValueError, match=says):
        write_nsma(tmp_path / "a.nsma", pattern(frequency=1e9 + 1e6 * np.arange(100)))
    write_nsma(tmp_path / "a.nsma", pattern(frequency=1e9 + 1e6 * np.arange(99)))
    assert read_nsma(tmp_path / "a.nsma").frequency.size == 99
    with pytest.raises(ValueError, match=r"PATFRE holds a frequency twice \(1000, 1000 MHz\): giv"):
        write_nsma(tmp_path / "b.nsma", pattern(frequency=[1e9, 1e9 + 0.2]))
    with pytest.raises(ValueError, match="NUMCUT is '0', expected a whole number from 1"):
        write_nsma(tmp_path / "b.nsma", NsmaPattern(FIELDS_GIVEN, [24e9], [[]]))


# --- the quantities -----------------------------------------------------------------------------


def test_quantities_are_read_only():
    some = good()
    with pytest.raises(ValueError, match="read-only"):
        some.cuts[0][0].level_db[0] = 1
    with pytest.raises(ValueError, match="read-only"):
        some.frequency[0] = 1
    with pytest.raises(TypeError):
        some.fields["ANTMAN"] = "other"
    with pytest.raises(TypeError):
        some.cuts[0][0].orientation["XORIEN"] = "other"
    with pytest.raises(dataclasses.FrozenInstanceError):
        some.warnings = ("nothing",)


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"level_db": [1, 2]}, "level_db has 2 values for 3 points: expected as many"),
        ({"phase_deg": [1, 2]}, "phase_deg has 2 values for 3 points: expected as many"),
        ({"angle_deg": [], "level_db": []}, "angle_deg has 0 values .*at least one"),
        ({"level_db": [0, np.nan, 0]}, "level_db is nan at index"),
        ({"angle_deg": 0.0}, "angle_deg has 0 dimensions, expected 1"),
    ],
)
def test_cuts_without_sense(changes, says):
    with pytest.raises(ValueError, match=says):
        cut(**changes)


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (({"NOFREQ": "1"}, [1e9], [[]]), "'NOFREQ' is no header field to set: choose from COMNT1"),
        (({"PATCUT": "H"}, [1e9], [[]]), "'PATCUT' is no header field to set"),
        (({}, [1e9, 2e9], [[]]), "there are cuts for 1 of 2 frequencies: expected a sequence"),
        (({}, [], []), "there are cuts for 0 of 0 frequencies: .*one frequency or more"),
        (({}, [0.0], [[]]), "frequency is 0 Hz, expected positive values"),
    ],
)
def test_patterns_without_sense(arguments, says):
    with pytest.raises(ValueError, match=says):
        NsmaPattern(*arguments)


# --- reading what breaks the recommendation -----------------------------------------------------


def swap(old, new, count=1):
    """Edit that replaces ``old``, which must be there."""

    def edit(text):
        assert old in text
        return text.replace(old, new, count)

    return edit


#: Edit of the good file, the warning wanted, and an edit of what is read, if that differs.
WILD = {
    "count after the end": (
        swap("ENDFIL:,EOF", "ENDFIL:,EOF,13"),
        "line 40: ENDFIL is 'EOF,13', expected 'EOF': taken as the end",
    ),
    "end without a colon": (
        swap("ENDFIL:,EOF", "ENDFIL,EOF"),
        "line 40: 'ENDFIL,' where 'ENDFIL:,' should be: read as such",
    ),
    "end in small letters": (
        swap("ENDFIL:,EOF", "ENDFIL:,eof"),
        "line 40: ENDFIL is 'eof', expected 'EOF': taken as the end",
    ),
    "polarisation with a dash": (
        swap("SLR/SLL", "SLR-SLL"),
        "line 27: POLARI is 'SLR-SLL': read as 'SLR/SLL'",
    ),
    "polarisation without a stroke": (swap("V/V", "VV"), "line 17: POLARI is 'VV': read as 'V/V'"),
    "tilt without tolerance": (
        swap("ELTILT:,8,0.5", "ELTILT:,8"),
        "line 11: ELTILT is '8', without a tolerance: kept as it is",
    ),
    "both ends": (
        lambda text: swap("NUPOIN:,4\nFSTLST:,-180,90", "NUPOIN:,5\nFSTLST:,-180,180")(
            swap("90,-21.125,\n", "90,-21.125,\n180,-30.75,\n")(text)
        ),
        "line 16: -180 and 180 deg are the same direction, levels up to 0.5 dB apart: the first is kept",
    ),
    "0 and 360": (
        lambda text: swap("NUPOIN:,2\nFSTLST:,0,359.9999", "NUPOIN:,3\nFSTLST:,0,360")(
            swap("359.9999,-41,\n", "359.9999,-41,\n360,-40.001,\n")(text)
        ),
        "line 34: 0 and 360 deg are the same direction, levels up to 0 dB apart: the first is kept",
    ),
    "a point twice": (
        lambda text: swap("NUPOIN:,4", "NUPOIN:,5")(swap("0,0,\n", "0,0,\n0,-1,\n")(text)),
        "line 16: 0 deg occurs twice, levels up to 1 dB apart: the first is kept",
    ),
    "other order": (
        swap("-180,-30.25,\n-90,-20,\n", "-90,-20,\n-180,-30.25,\n"),
        "line 16: the angles of the cut do not increase: they are sorted",
    ),
    "number of points": (
        swap("NUPOIN:,4", "NUPOIN:,361"),
        "line 16: NUPOIN is '361' for 4 points: all are read",
    ),
    "first and last": (
        swap("FSTLST:,-180,90", "FSTLST:,-180,180"),
        "line 16: FSTLST is '-180,180', the points run from -180 to 90 deg: the points are right",
    ),
    "number of cuts": (swap("NUMCUT:,2", "NUMCUT:,4"), "line 25: NUMCUT is '4' for 2 cuts: all"),
    "no number of cuts": (swap("NUMCUT:,2\n", ""), "line 24: no NUMCUT for 2 cuts: all are read"),
    "number of frequencies": (
        swap("NOFREQ:,2", "NOFREQ:,1"),
        "line 1: NOFREQ is '1' for 2 frequencies: all are read",
    ),
    "no commas after points": (
        lambda text: re.sub(r",(?=\n)", "", text),
        r"line 20: a point without a comma at its end: read all the same \(8 more like that\)",
    ),
    "spaces": (swap("-90,-20,", "  -90 , -20 ,  "), None),
    "exponents": (swap("-90,-20,", "-9.0e1,-2E+1,"), None),
    "small letters": (
        swap("PATFRE:,23500", "patfre:,23500"),
        "line 14: 'patfre:,' where 'PATFRE:,' should be: read as such",
    ),
    "no comma": (swap("MODNUM:,", "MODNUM: "), "line 5: 'MODNUM:' where 'MODNUM:,' should be: read as such"),
    "units in small letters": (swap("DBI/DBR", "dBi/dBr"), "line 8: GUNITS is 'dBi/dBr': read in capitals"),
    "plane in small letters": (swap("PATCUT:,H", "PATCUT:,h"), "line 16: PATCUT is 'h': read in"),
    "type in capitals": (swap("typical", "TYPICAL"), None),
    "other revision": (
        swap("WG16.99.050", "WG16.89.003"),
        "line 1: REVNUM is 'NSMA WG16.89.003', expected 'NSMA WG16.99.050': read as if it were",
    ),
    "other date": (swap("19990520", "19990101"), "line 2: REVDAT is '19990101', expected '1999052"),
    "unknown field": (
        swap("MODNUM:,", "COLOUR:,red\nMODNUM:,"),
        "line 5: COLOUR is not a field of the recommendation: left out",
    ),
    "twice the same": (
        swap("MODNUM:,P-24", "MODNUM:,P-24\nMODNUM:,P-25"),
        "line 6: MODNUM occurs twice: the first is kept",
    ),
    "order of fields": (
        swap("ANTMAN:,Example Antennas\nMODNUM:,P-24", "MODNUM:,P-24\nANTMAN:,Example Antennas"),
        "line 5: ANTMAN is not in the order of the recommendation: read as it is",
    ),
    "a header field below": (
        lambda text: swap("NUMCUT:,1", "PATTYP:,typical\nNUMCUT:,1")(swap("PATTYP:,typical\n", "")(text)),
        "line 14: PATTYP is not in the order of the recommendation",
    ),
    "empty": (swap("LOWFRQ", "PATNUM:,\nLOWFRQ"), "line 6: PATNUM is empty: left out"),
    "after the end": (
        swap("ENDFIL:,EOF\n", "ENDFIL:,EOF\nand more\nand more\n"),
        r"line 41: 'and more' stands after ENDFIL: left out \(1 more like that\)",
    ),
    "no end": (swap("ENDFIL:,EOF\n", ""), "line 40: the file ends without ENDFIL: is it whole?"),
    "comments": (swap("NOFREQ:,2\n", "! a comment\n\nNOFREQ:,2  ! two\n   \n"), None),
    "some phases": (swap("0,0,0,", "0,0,"), "line 26: 1 of 3 points have no phase: all phases left out"),
}
#: Edits that change what is read.
CHANGED = {
    "tilt without tolerance": lambda p: dataclasses.replace(p, fields={**p.fields, "ELTILT": "8"}),
    "some phases": lambda p: dataclasses.replace(
        p, cuts=(p.cuts[0], (dataclasses.replace(p.cuts[1][0], phase_deg=None), p.cuts[1][1]))
    ),
}


@pytest.mark.parametrize("name", WILD)
def test_deviation_is_read_with_one_warning(tmp_path, name):
    edit, says = WILD[name]
    found = read_nsma(put(tmp_path / "a.nsma", edit(GOOD)))
    assert len(found.warnings) == (says is not None), found.warnings
    if says is not None:
        pattern = says if "\\(" in says or ".*" in says else re.escape(says)
        assert re.match(pattern, found.warnings[0]), found.warnings[0]
    assert_same(found, CHANGED.get(name, lambda p: p)(good()), hertz=1e-5)


MISSING = [x for x in FIELDS.values() if x.required and x.tag not in ("PATFRE", "NUMCUT", "PATCUT")]


@pytest.mark.parametrize("each", MISSING, ids=lambda x: x.tag)
def test_missing_field_is_one_warning(tmp_path, each):
    edited = re.sub(rf"(?m)^{each.tag}:.*\n", "", GOOD, count=1)
    found = read_nsma(put(tmp_path / "a.nsma", edited))
    says = {"ENDFIL": "the file ends without ENDFIL"}.get(each.tag, f"has no {each.tag}")
    (warning,) = found.warnings
    assert says in warning
    if each.tag in ("POLARI", "NUPOIN", "FSTLST"):
        assert "line 16: the cut" in warning
    with_all = good().fields
    assert dict(found.fields) == {k: v for k, v in with_all.items() if k != each.tag}
    assert found.cuts[0][0].polarisation == ("" if each.tag == "POLARI" else "V/V")


@pytest.mark.parametrize(
    ("tag", "value", "says"),
    [
        ("MDGAIN", "22.1 dBi", "line 9: MDGAIN is '22.1 dBi', expected a number, or 'nominal,tol"),
        ("HGHFRQ", "24.5 GHz", "line 7: HGHFRQ is '24.5 GHz', expected a number, without spaces"),
        ("PATTYP", "average", "line 12: PATTYP is 'average', expected 'typical' or 'envelope'"),
        ("GUNITS", "DBI", "line 8: GUNITS is 'DBI', expected two units in capitals"),
        ("MODNUM", "M" * 50, "line 5: MODNUM has 58 characters, expected at most 42: read in full"),
    ],
)
def test_values_of_other_forms_are_kept(tmp_path, tag, value, says):
    edited = re.sub(rf"(?m)^{tag}:,.*$", f"{tag}:,{value}", GOOD)
    found = read_nsma(put(tmp_path / "a.nsma", edited))
    (warning,) = found.warnings
    assert warning.startswith(says)
    assert found.fields[tag] == value


@pytest.mark.parametrize(("value", "read"), [("AZIMUTH", "AZIMUTH"), ("azimuth", "AZIMUTH"), ("H/V", "H/V")])
def test_planes_of_other_names(tmp_path, value, read):
    found = read_nsma(put(tmp_path / "a.nsma", GOOD.replace("PATCUT:,H", f"PATCUT:,{value}", 1)))
    assert found.cuts[0][0].plane == read
    assert any("PATCUT" in x and "expected H, V, AZ, EL or a number" in x for x in found.warnings)


def test_polarisations_of_other_names(tmp_path):
    found = read_nsma(put(tmp_path / "a.nsma", GOOD.replace("V/V", "X+Y", 1)))
    assert found.cuts[0][0].polarisation == "X+Y"
    (warning,) = found.warnings
    assert warning.startswith("line 17: POLARI is 'X+Y', expected two polarisations")


@pytest.mark.parametrize(("end", "kind"), [("\n", "LF"), ("\r", "CR")])
def test_other_line_ends(tmp_path, end, kind):
    path = tmp_path / f"{kind}.nsma"
    path.write_bytes(GOOD.replace("\n", end).encode())
    found = read_nsma(path)
    lines = GOOD.count("\n")
    wanted = f"line 1: does not end in CR LF: read all the same ({lines - 1} more like that)"
    assert found.warnings == (wanted,)
    assert_same(found, good(), hertz=1e-5)


@pytest.mark.parametrize(
    ("encoding", "says"), [("utf-8", "UTF-8"), ("latin-1", "Latin-1"), ("utf-8-sig", "UTF-8")]
)
def test_other_letters(tmp_path, encoding, says):
    path = tmp_path / "a.nsma"
    path.write_bytes(GOOD.replace("Example", "Exämple").replace("\n", "\r\n").encode(encoding))
    found = read_nsma(path)
    line = 1 if encoding == "utf-8-sig" else 4
    assert found.warnings == (f"line {line}: has letters outside ASCII: read as {says}",)
    assert found.fields["ANTMAN"] == "Exämple Antennas"


def test_long_points_are_read(tmp_path):
    edited = GOOD.replace("-90,-20,", "-90.0000000000000,-20.000000000000,")
    found = read_nsma(put(tmp_path / "a.nsma", edited))
    assert found.warnings == ("line 21: a point of 35 characters, expected at most 28: read in full",)
    assert_same(found, good(), hertz=1e-5)


def test_all_at_once_is_one_warning_each(tmp_path):
    text = GOOD
    names = (
        "count after the end",
        "polarisation with a dash",
        "polarisation without a stroke",
        "tilt without tolerance",
        "both ends",
        "number of cuts",
        "unknown field",
        "no commas after points",
        "units in small letters",
    )
    for name in names:
        text = WILD[name][0](text)
    found = read_nsma(put(tmp_path / "a.nsma", text))
    kinds = ["taken as the end", "POLARI", "ELTILT", "the same direction", "NUMCUT", "COLOUR"]
    kinds += ["a comma", "capitals"]
    assert len(found.warnings) == len(kinds), found.warnings
    for kind in kinds:
        assert sum(kind in x for x in found.warnings) == 1, (kind, found.warnings)


def test_what_was_read_leniently_is_written_strictly(tmp_path):
    names = ("count after the end", "polarisation with a dash", "both ends", "other order")
    text = GOOD
    for name in names:
        text = WILD[name][0](text)
    found = read_nsma(put(tmp_path / "a.nsma", text))
    assert found.warnings
    write_nsma(tmp_path / "b.nsma", found)
    assert (tmp_path / "b.nsma").read_bytes() == GOOD.replace("\n", "\r\n").encode("ascii")


def test_a_tilt_without_tolerance_is_not_written(tmp_path):
    found = read_nsma(put(tmp_path / "a.nsma", WILD["tilt without tolerance"][0](GOOD)))
    with pytest.raises(ValueError, match="ELTILT is '8', expected two numbers, 'nominal,tolera"):
        write_nsma(tmp_path / "b.nsma", found)


# --- what cannot be understood ------------------------------------------------------------------

SENSELESS = {
    "no record": (swap("NUMCUT:,1", "4 cuts"), 15, "'4 cuts' is neither a record 'TAG:,value' nor"),
    "decimal commas": (swap("-90,-20,", "-90,0,-20,0,"), 21, "is neither a record .*nor a point"),
    "semicolons": (swap("-90,-20,", "-90;-20;"), 21, "'-90;-20;' is neither a record"),
    "not a number": (swap("-90,-20,", "-90,nan,"), 21, "'-90,nan,' is neither a record"),
    "no level": (swap("-90,-20,", "-90,,"), 21, "'-90,,' is neither a record"),
    "angle": (swap("-90,-20,", "-900,-20,"), 21, "angle -900, expected -360 to 360 deg: correct"),
    "infinite angle": (swap("-90,-20,", "1e999,-20,"), 21, "angle 1e999, expected -360 to 360"),
    "infinite level": (swap("-90,-20,", "-90,1e999,"), 21, "a value too large for a number"),
    "infinite phase": (swap("0,0,0,", "0,0,-1e999,"), 32, "a value too large for a number"),
    "frequency": (swap("PATFRE:,23500", "PATFRE:,23.5 GHz"), 14, "PATFRE is '23.5 GHz', expected"),
    "no frequency": (swap("PATFRE:,23500", "PATFRE:,0"), 14, "PATFRE is '0', expected a positive"),
    "cut first": (swap("PATFRE:,23500\nNUMCUT:,1\n", ""), 14, "PATCUT before the first PATFRE"),
    "count first": (swap("PATFRE:,23500\n", ""), 14, "NUMCUT is not below a PATFRE: put the freq"),
    "late count": (
        swap("ENDFIL", "NUMCUT:,2\nENDFIL"),
        40,
        "NUMCUT is not below a PATFRE: put the frequency",
    ),
    "point first": (swap("NUMCUT:,1\n", "0,0,\n"), 15, "a point outside a cut: put PATCUT before"),
    "no cut": (swap("PATCUT:,H\n", ""), 16, "POLARI outside the head of a cut: put PATCUT before"),
    "late head": (
        swap("90,-21.125,\n", "90,-21.125,\nPOLARI:,V/H\n"),
        24,
        "POLARI outside the head of a cut",
    ),
    "head twice": (
        swap("POLARI:,V/V", "POLARI:,V/V\nPOLARI:,V/H"),
        18,
        "POLARI stands twice in one cut: put",
    ),
    "no points": (
        swap("-180,-30.25,\n-90,-20,\n0,0,\n90,-21.125,\n", ""),
        16,
        "cut that begins here has no p",
    ),
    "long line": (swap("an invented", "x" * 2000), 3, "has 2016 characters: expected a record"),
    "another format": (lambda _: "Name,Value\n1,2\n", 1, "'Name,Value' is neither a record"),
    "another text": (lambda _: "Dear reader\n", 1, "is neither a record|is no record of NSMA"),
    "other tags": (lambda _: "COLOUR:,red\n", 1, "'COLOUR:,red' is no record of NSMA WG16.99.050"),
    "null": (swap("P-24", "P\0-24"), 5, "is not text: expected a pattern file of NSMA"),
}


@pytest.mark.parametrize(("edit", "line", "says"), SENSELESS.values(), ids=SENSELESS)
def test_what_has_no_plain_meaning_is_refused(tmp_path, edit, line, says):
    path = put(tmp_path / "a.nsma", edit(GOOD))
    with pytest.raises(ValueError, match=says) as error:
        read_nsma(path)
    assert str(error.value).startswith(f"{path}, line {line}: "), error.value
    assert "\n" not in str(error.value)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "is empty: expected a pattern file of NSMA WG16.99.050"),
        (b" \r\n\r\n", "is empty: expected a pattern file of NSMA WG16.99.050"),
        (b"! a comment\r\n", "holds no cut: expected a pattern file of NSMA WG16.99.050"),
        (b"REVNUM:,NSMA WG16.99.050\r\n", "holds no cut: expected a pattern file"),
        (b"PATFRE:,100\r\nNUMCUT:,1\r\nENDFIL:,EOF\r\n", "holds no cut: expected a pattern file"),
    ],
)
def test_files_that_hold_nothing(tmp_path, data, says):
    (tmp_path / "a.nsma").write_bytes(data)
    with pytest.raises(ValueError, match=says) as error:
        read_nsma(tmp_path / "a.nsma")
    assert str(error.value).startswith(f"{tmp_path / 'a.nsma'}: ")


def test_no_file_and_too_large_ones(tmp_path, monkeypatch):
    with pytest.raises(ValueError, match=r"none\.nsma: no such file"):
        read_nsma(tmp_path / "none.nsma")
    path = put(tmp_path / "a.nsma", GOOD)
    monkeypatch.setattr(nsma, "MAX_NSMA_BYTES", 100)
    with pytest.raises(ValueError, match=r"\d+ bytes, the limit is 100: split the file"):
        read_nsma(path)


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n"])
def test_too_many_lines(tmp_path, monkeypatch, end):
    path = tmp_path / "a.nsma"
    path.write_bytes(GOOD.replace("\n", end).encode())
    monkeypatch.setattr(nsma, "MAX_LINES", GOOD.count("\n"))
    assert len(read_nsma(path).cuts) == 2
    path.write_bytes((end + GOOD.replace("\n", end)).encode())
    with pytest.raises(ValueError, match=r"has more than 40 lines, the limit: split the file"):
        read_nsma(path)


@pytest.mark.parametrize("most", [4, 5])
def test_too_many_cuts(tmp_path, monkeypatch, most):
    # The good file has two frequencies and three cuts.
    monkeypatch.setattr(nsma_reader, "MAX_CUTS", most)
    path = put(tmp_path / "a.nsma", GOOD)
    if most == 5:
        assert len(read_nsma(path).cuts) == 2
        return
    with pytest.raises(ValueError, match=r"line 34: more than 4 cuts and frequencies, the limit"):
        read_nsma(path)


def test_endless_frequencies(tmp_path, monkeypatch):
    monkeypatch.setattr(nsma_reader, "MAX_CUTS", 50)
    path = put(tmp_path / "a.nsma", "REVNUM:,NSMA WG16.99.050\n" + "PATFRE:,100\n" * 100)
    with pytest.raises(ValueError, match=r"line 52: more than 50 cuts and frequencies"):
        read_nsma(path)


def test_hostile_text_takes_little_time_and_few_warnings(tmp_path):
    # Long runs of digits, on which a careless expression would take quadratic time, and very many
    # lines that are each worth a warning.
    digits = "1" * 900 + "x"
    head = "".join(f"{tag}:,{digits}\n" for tag in SETTABLE if tag != "ELTILT")
    many = "".join(f"ABC{i:03d}:,\n" for i in range(1000)) * 20
    text = "REVNUM:,NSMA WG16.99.050\n" + head + many + GOOD[GOOD.index("NOFREQ") :]
    found = read_nsma(put(tmp_path / "a.nsma", text))
    assert len(found.warnings) < 3 * len(FIELDS)
    (unknown,) = [x for x in found.warnings if "is not a field" in x]
    assert unknown.endswith("(19999 more like that)")


# --- inspect ------------------------------------------------------------------------------------


def test_inspect_a_pattern_file(tmp_path):
    path = put(tmp_path / "a.nsma", WILD["tilt without tolerance"][0](GOOD))
    about = json.loads(succeed("inspect", path, "--json"))
    header = {**FIELDS_GIVEN, "ELTILT": "8"}
    assert about == {
        "file": str(path),
        "holds": "nsma pattern",
        # 23500 and 24500.000001 MHz.
        "frequencies_ghz": [23.5, pytest.approx(24.500000001, rel=1e-12)],
        "gain_middle_dbi": 22.1,
        "cuts_per_frequency": [1, 2],
        "cuts": [
            "H V/V: 4 points from -180 to 90 deg, no phase, highest level 0 dB, at 1 frequency",
            "H SLR/SLL: 3 points from -1.5 to 1.5 deg, with phase, highest level 0 dB, at 1 frequency",
            "45 RCP/LCP: 2 points from 0 to 360 deg, no phase, highest level -40.001 dB, at 1 frequency",
        ],
        **header,
        "warnings": ["line 11: ELTILT is '8', without a tolerance: kept as it is"],
    }
    lines = succeed("inspect", path).splitlines()
    # What differs from frequency to frequency and what is warned of come last.
    names = [name.split("_")[0] for name in about if name not in ("cuts_per_frequency", "warnings")]
    names += ["GHz", "cuts", "warning:"]
    assert [x.split()[0] for x in lines if x and not x.startswith(" ")] == names
    assert ["ANTMAN", "Example Antennas"] in [re.split(r" {2,}", x) for x in lines]
    assert ["cuts per frequency", "1", "2"] in [re.split(r" {2,}", x) for x in lines]


def test_inspect_cuts_that_are_alike_once(tmp_path):
    # Gains in other units, at the ends of the band, or that are none.
    some = pattern(
        cut(),
        cut(level_db=[-3, 0.5, -3]),
        frequency=(1e9, 2e9),
        GUNITS="DBD/DBR",
        LWGAIN="9.5",
        MDGAIN="10,0.3",
    )
    write_nsma(tmp_path / "a.nsma", some)
    about = json.loads(succeed("inspect", tmp_path / "a.nsma", "--json"))
    assert (about["gain_low_dbd"], about["gain_middle_dbd"]) == (9.5, 10)
    assert about["cuts"] == [
        "H V/V: 3 points from -1 to 1 deg, no phase, highest level 0.5 dB, at 2 frequencies"
    ]
    assert not any("high_dbd" in name or name.endswith("dbi") for name in about)
    for change in (("GUNITS:,DBI/DBR", "GUNITS:,DBW/DBW"), ("MDGAIN:,22.1", "MDGAIN:,much")):
        put(tmp_path / "b.nsma", GOOD.replace(*change))
        about = json.loads(succeed("inspect", tmp_path / "b.nsma", "--json"))
        assert not any("gain" in name for name in about)


def test_inspect_takes_no_statement_on_responses_that_are_not_there(tmp_path):
    path = put(tmp_path / "a.nsma", GOOD)
    for option in (("--time-convention", "exp(-iwt)"), ("--response-unit", "relative")):
        done = run("inspect", path, *option)
        says = "holds nsma pattern, not samples: leave out time convention and unit"
        assert done == (1, "", f"nf2ff: {path}: {says}\n")


def test_inspect_a_pattern_file_that_cannot_be_read(tmp_path):
    path = put(tmp_path / "a.nsma", GOOD.replace("-90,-20,", "-90;-20;"))
    done = run("inspect", path)
    assert (done.code, done.out) == (1, "")
    assert re.fullmatch(rf"nf2ff: {path}, line 21: '-90;-20;' is neither a record .*\n", done.err)


@pytest.mark.parametrize("value", ["nan", "inf", "1e999"])
def test_inspect_a_gain_that_is_no_number(tmp_path, value):
    text = re.sub(r"MDGAIN:,[\d.]+", f"MDGAIN:,{value}", GOOD)
    about = json.loads(succeed("inspect", put(tmp_path / "a.nsma", text), "--json"))
    assert about["MDGAIN"] == value
    assert not any(name.startswith("gain_") for name in about)

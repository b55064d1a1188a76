"""Text tables in any layout: the fast parse reads what the careful one does, and takes no more than it."""

import numpy as np
import pytest

from nf2ff.io import text_columns
from nf2ff.io.layout import Layout
from nf2ff.io.text_columns import read_text
from nf2ff.io.toml import checked
from nf2ff.messages.input_error import InputError

PLACE = {name: {"column": name, "unit": "deg"} for name in ("theta", "phi", "chi")}
PLACE |= {"radius": {"value": 1, "unit": "m"}, "frequency": {"value": 1, "unit": "GHz"}}
NAMES = ["theta", "note", "phi", "chi", "re", "im"]
RNG = np.random.default_rng(7)
NUMBERS = RNG.normal(size=(40, 6)) * 10.0 ** RNG.integers(-300, 300, (40, 6))


def layout(**keys):
    response = [{"real": {"column": "re"}, "imag": {"column": "im"}}]
    return checked(Layout, {**PLACE, "response": response, **keys}, where="map.toml")


@pytest.fixture
def read(tmp_path):
    def of(text, **keys):
        (tmp_path / "a.txt").write_text(text, encoding="utf-8", newline="")
        of_keys = layout(**keys)
        return read_text(tmp_path / "a.txt", of_keys, of_keys.asked(None))

    return of


@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("size", [2**21, 300, 7])
@pytest.mark.parametrize(
    ("separator", "mark", "decimal"),
    [(",", ",", "."), (";", " ; ", ","), ("tab", "\t", "."), ("blanks", "  ", ".")],
)
def test_fast_and_careful_are_the_same(read, monkeypatch, separator, mark, decimal, size, newline):
    monkeypatch.setattr(text_columns, "_BLOCK", size)
    lines = [mark.join(NAMES)]
    for i, row in enumerate(NUMBERS.tolist()):
        lines += [""] if i % 7 == 0 else []
        lines.append(mark.join(repr(x).replace(".", decimal) for x in row))
    text = newline.join(lines)
    fast = read(text, separator=separator, decimal=decimal)
    monkeypatch.setattr(text_columns, "_fast", lambda *_: None)
    careful = read(text, separator=separator, decimal=decimal)
    assert fast.size == careful.size == 40
    np.testing.assert_array_equal(fast.lines, careful.lines)
    assert fast.lines.tolist() == [i for i, line in enumerate(lines, 1) if line][1:]
    for i, name in enumerate(NAMES):
        if name != "note":
            np.testing.assert_array_equal(fast.columns[name][:], NUMBERS[:, i])
            np.testing.assert_array_equal(careful.columns[name][:], NUMBERS[:, i])


def test_clean_blocks_are_parsed_at_once(read, monkeypatch):
    monkeypatch.setattr(text_columns, "_numbers", None)
    assert read("theta,note,phi,chi,re,im\n1,by hand,2,3,4,5\n").columns["im"][:] == [5]


@pytest.mark.parametrize("fast", [True, False])
@pytest.mark.parametrize(
    ("rows", "keys", "says"),
    [
        # Fields that are missing in one row and too many in the next.
        ("1,2,3,4,5,6\n1,2,3,4,5\n1,2,3,4,5,6,7\n", {}, "line 3: has 5 fields, the first row has 6"),
        ("1,2,3,4,5,6\n1,2,3,4,nan,inf\n", {}, "line 3, column im: is 'inf'"),
        ("1,2,3,4,5,6\n1,2,infinity,4,5,6\n", {}, "line 3, column phi: is 'infinity'"),
        ("1,2,3,4,5,6\n1,2,0x1p3,4,5,6\n", {}, "line 3, column phi: is '0x1p3'"),
        ("1,2,3,4,5,6\n1,2,1_0,4,5,6\n", {}, "line 3, column phi: is '1_0'"),
        ("1,2,3,4,5,6\n1,2,1 0,4,5,6\n", {}, "line 3, column phi: is '1 0'"),
        ("1,2,3,4,5,6\n1,2,1d3,4,5,6\n", {}, "line 3, column phi: is '1d3'"),
        ("1,2,3,4,5,6\n1,2,1e999,4,5,6\n", {}, "line 3, column phi: is '1e999'"),
        # A point where the comma is the decimal sign may be one of thousands.
        (
            "1;2;3;4;5;6\n1;2;1.250;4;5;6\n",
            {"separator": ";", "decimal": ","},
            "column phi: is '1.250': expected",
        ),
        ("1;2;3;4;5;6\n1;2;1,250;4;5;6\n", {"separator": ";"}, "is '1,250': expected.*write decimal = \",\""),
        ('1,2,3,4,5,6\n1,2",3,4,5,"\n1,2,3,4,5,6\n', {}, "line 3: a quotation mark is not closed: close"),
        ("1,2,3,4,5,6\n1,2,3,4,5,6 # end\n", {}, "column im: is '6 # end'"),
    ],
)
def test_what_neither_takes_for_a_number(read, monkeypatch, fast, rows, keys, says):
    if not fast:
        monkeypatch.setattr(text_columns, "_fast", lambda *_: None)
    header = (";" if "separator" in keys else ",").join(NAMES)
    with pytest.raises(InputError, match=says):
        read(f"{header}\n{rows}", **keys)


def test_names_must_be_those_of_the_cells_below_them(read):
    # A separator at the end of rows or names is none.
    assert read("theta,note,phi,chi,re,im\n1,2,3,4,5,6,\n").columns["im"][:] == [6]
    assert read("theta,note,phi,chi,re,im,\n1,2,3,4,5,6\n").columns["im"][:] == [6]
    with pytest.raises(
        InputError, match="the header has 6 columns, the first row 7: write header = false and"
    ):
        read("theta,note,phi,chi,re,im\n17,1,2,3,4,5,6\n")
    with pytest.raises(InputError, match="the header has more columns than the rows, 6: check separator"):
        read("theta,note,phi,chi,re,im,more\n1,2,3,4,5,6\n")


@pytest.mark.parametrize(
    ("text", "keys", "says"),
    [
        ("one\ntwo,x\n" + ",".join(NAMES) + "\n1,2,3,4,5,6\n", {}, "write preamble_lines = 2$"),
        (",".join(NAMES) + "\n1,2,3,4,5,6\n", {"separator": ";"}, 'write separator = ","$'),
        (";".join(NAMES) + "\n1;2;3,5;4;5;6\n", {}, 'write separator = ";", decimal = ","$'),
    ],
)
def test_refusals_name_the_lines_that_differ(read, text, keys, says):
    with pytest.raises(InputError, match=says):
        read(text, **keys)


def test_text_that_is_cut_within_a_character_or_in_another_encoding(tmp_path, monkeypatch):
    monkeypatch.setattr(text_columns, "_BLOCK", 3)
    path = tmp_path / "a.txt"
    text = "theta,nöte,phi,chi,re,im\n1,ü,3,4,5,6\n"
    for data, keys in (
        (text.encode(), {}),
        (text.encode("utf-16"), {}),
        (text.encode("utf-16-le"), {"encoding": "utf-16"}),
        (text.encode("latin-1"), {"encoding": "latin-1"}),
        (text.encode("utf-8-sig"), {"encoding": "latin-1"}),
    ):
        path.write_bytes(data)
        assert read_text(path, layout(**keys), layout().asked(None)).columns["im"][:] == [6]
    path.write_bytes(text.encode("latin-1"))
    with pytest.raises(
        InputError, match=r'line 1: is not text in UTF-8: state .*: write encoding = "latin-1"'
    ):
        read_text(path, layout(), layout().asked(None))
    path.write_bytes(text.encode()[:-10])
    with pytest.raises(InputError, match="line 2: is not text in UTF-8: state"):
        read_text(path, layout(), layout().asked(None))

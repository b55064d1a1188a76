"""One schema of a noun, from which a file is written and read."""

from types import SimpleNamespace

import h5py
import numpy as np
import pytest

from nf2ff.io.hdf5 import Attribute, Field, Schema, find, open_native, write

SCHEMA = Schema(
    (
        Field("time", "s", "when", ("time",)),
        Field("row", "1", "number, from 1", ("row",), "i", derived=True),
        Field("level", None, "how much, NaN where unknown", ("time", "row"), least=1, missing=True),
        Field("seen", "1", "1 where seen", ("row",), "b", optional=True),
        Field("word", "1", "in words", ("row",), "O"),
    ),
    (
        Attribute("kind", ("grey", "white")),
        Attribute("count", int),
        Attribute("share_w", float, "share", optional=True),
        Attribute("known", bool),
        Attribute("label"),
    ),
)
NOUN = {
    "time": np.array([0.0, 1.5]),
    "level": np.array([[1.0, np.nan, 3], [4, 5, 6]]),
    "seen": np.array([True, False, True]),
    "word": ["a", "", "θ"],
    "kind": "grey",
    "count": 7,
    "share": 0.1,
    "known": True,
    "label": "x y",
}


def put(path, noun, units="W"):
    group = SCHEMA.group(SimpleNamespace(**noun), row=np.arange(1, 4), units={"level": units})
    write(path, "samples", {"thing": group}, None, True)


def got(path, units="W"):
    with open_native(path) as file:
        return SCHEMA.read(find(file, "thing"), units={"level": units})


@pytest.mark.parametrize("change", [{}, {"seen": None, "share": None}, {"level": np.arange(3.0)}])
def test_what_is_written_is_read(tmp_path, change):
    put(tmp_path / "a.h5", NOUN | change)
    found = got(tmp_path / "a.h5")
    assert found.keys() == NOUN.keys()
    for name, wanted in (NOUN | change).items():
        np.testing.assert_array_equal(found[name], wanted, err_msg=name)
        assert (found[name] is None) == (wanted is None)
    with h5py.File(tmp_path / "a.h5") as file:
        group = file["thing"]
        assert ("seen" in group, "share_w" in group.attrs) == ("seen" not in change,) * 2
        assert dict(group["level"].attrs)["units"] == b"W"
        last = group["level"].dims[group["level"].ndim - 1]
        assert last[0].name == "/thing/row"


def spoil_attribute(name, value):
    def change(file):
        del file["thing"].attrs[name]
        if value is not None:
            file["thing"].attrs[name] = np.bytes_(value.encode())

    return change


def remove(name):
    def change(file):
        del file["thing"][name]

    return change


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (spoil_attribute("label", None), "/thing has no attribute label: write it again"),
        (spoil_attribute("count", "7.5"), "/thing: attribute count is '7.5', expected a whole number"),
        (spoil_attribute("share_w", "much"), "/thing: attribute share_w is 'much', expected a number"),
        (spoil_attribute("known", "perhaps"), "attribute known is 'perhaps', expected one of yes, no"),
        (spoil_attribute("kind", "red"), "attribute kind is 'red', expected one of grey, white"),
        (remove("word"), "/thing has no texts word: write it again"),
        (remove("time"), "has no dataset /thing/time: write it again"),
    ],
)
def test_what_is_not_as_it_should_be_is_refused(tmp_path, change, says):
    put(tmp_path / "a.h5", NOUN)
    with h5py.File(tmp_path / "a.h5", "a") as file:
        change(file)
    with pytest.raises(ValueError, match=says):
        got(tmp_path / "a.h5")


def test_units_that_the_schema_leaves_open(tmp_path):
    put(tmp_path / "a.h5", NOUN)
    with pytest.raises(ValueError, match="/thing/level has units 'W', expected rad"):
        got(tmp_path / "a.h5", "rad")

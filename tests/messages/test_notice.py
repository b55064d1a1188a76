"""Warnings are text to whoever prints them, and know their code and figures."""

import json
import pickle

import pytest

from nf2ff.messages.notice import Code


class OfTest(Code):
    TAIL = "the last degrees hold {tail_db:.1f} dB of the power"
    GAP = "part of the sphere was not measured"


def test_a_notice_is_its_sentence():
    told = OfTest.TAIL(tail_db=-31.234)
    assert told == "the last degrees hold -31.2 dB of the power"
    assert json.dumps([told]) == '["the last degrees hold -31.2 dB of the power"]'


def test_a_notice_knows_its_code_and_figures():
    told = OfTest.TAIL(tail_db=-31.234)
    assert told.code is OfTest.TAIL
    assert told.figures == {"tail_db": -31.234}
    assert OfTest.GAP().figures == {}


def test_figures_are_read_from_a_text():
    class Several(Code):
        THREE = "{{{share:.0%}}} of {name!r} at {level_db:+.1f} dB"

    told = Several.THREE(share=0.123, name="it's", level_db=2)
    assert told == '{12%} of "it\'s" at +2.0 dB'
    assert told.texts() == ["12%", '"it\'s"', "+2.0"] == told.code.figures_in(str(told))
    assert told.code.literals() == ["{", "} of ", " at ", " dB"]
    assert OfTest.GAP.figures_in("part of the sphere was not measured") == []
    assert OfTest.GAP().texts() == []
    assert OfTest.GAP.figures_in("part of the sphere") is None


def test_a_notice_survives_the_way_from_a_worker():
    told = pickle.loads(pickle.dumps(OfTest.TAIL(tail_db=-31.234)))
    assert (told.code, told.figures) == (OfTest.TAIL, {"tail_db": -31.234})


def test_a_sentence_without_its_figure_is_refused():
    with pytest.raises(KeyError, match="tail_db"):
        OfTest.TAIL()


def test_a_code_knows_its_sentence_in_a_text():
    class Other(Code):
        BETWEEN = "{first} and {second} differ"
        LAST = "level {level_db}"

    assert OfTest.TAIL.says(OfTest.TAIL(tail_db=-31.234))
    assert OfTest.GAP.says("part of the sphere was not measured")
    assert Other.BETWEEN.says("a and b and c differ")
    assert Other.LAST.says("level ")
    for code, text in (
        (OfTest.TAIL, "the last degrees hold -31.2 dB of the power, it is said"),
        (OfTest.TAIL, "the last degrees hold of the power"),
        (OfTest.GAP, "part of the sphere was not measured" * 2),
        (OfTest.GAP, "part of the sphere"),
        (Other.BETWEEN, "a and differ"),
        (Other.BETWEEN, "a, b differ"),
        (Other.LAST, "the level 3"),
    ):
        assert not code.says(text)

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


def test_a_notice_survives_the_way_from_a_worker():
    told = pickle.loads(pickle.dumps(OfTest.TAIL(tail_db=-31.234)))
    assert (told.code, told.figures) == (OfTest.TAIL, {"tail_db": -31.234})


def test_a_sentence_without_its_figure_is_refused():
    with pytest.raises(KeyError, match="tail_db"):
        OfTest.TAIL()

"""One error of bad input that says where, what and what to do."""

import pickle

import pytest

from nf2ff.messages.input_error import MOST, InputError, beside, found_in, in_one_line


def test_the_line_names_place_value_and_remedy_in_that_order():
    error = InputError("radius is 0 m, expected > 0", "give it in metres", where="scan.csv")
    assert str(error) == "scan.csv: radius is 0 m, expected > 0: give it in metres"
    assert isinstance(error, ValueError)


def test_places_are_put_in_front_from_within():
    with pytest.raises(InputError) as caught, found_in("scan.csv"), found_in("row 5"):
        raise InputError("theta is 200 deg", "keep it within 0 to 180")
    assert caught.value.where == "scan.csv: row 5"
    assert str(caught.value) == "scan.csv: row 5: theta is 200 deg: keep it within 0 to 180"


def test_the_same_place_is_said_once():
    with pytest.raises(InputError, match=r"^scan.csv: row 5: bad$"), found_in("scan.csv"):
        raise InputError("bad", where="scan.csv: row 5")


def test_an_error_of_a_library_becomes_one_line_with_its_place():
    with pytest.raises(InputError, match=r"^level.toml: one two$") as caught, found_in("level.toml"):
        raise ValueError("one\n  two")
    assert isinstance(caught.value.__cause__, ValueError)


def test_it_survives_the_way_from_a_worker():
    error = InputError("a", "b", where="c")
    again = pickle.loads(pickle.dumps(error))
    assert (str(again), again.where) == (str(error), "c")


def test_the_option_of_a_command_goes_with_the_error_but_is_not_in_its_line():
    with pytest.raises(InputError, match=r"^scan.csv: a: use LeastSquares$") as caught, found_in("scan.csv"):
        raise InputError("a", "use LeastSquares", option="--method least-squares")
    assert caught.value.option == "--method least-squares"
    assert pickle.loads(pickle.dumps(caught.value)).option == "--method least-squares"


def test_a_sentence_beside_an_error_leaves_room_for_it():
    error = InputError("w" * 100, "use finer steps")
    assert beside("short: do it", error) == "short: do it"
    told = f"{beside('a step: ' + 'v' * 400, error)}; {error}"
    assert told == f"a step; {error}"
    assert in_one_line(told) == told
    assert len(told) < MOST

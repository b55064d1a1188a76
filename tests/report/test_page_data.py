"""Arrays of a page come back as they went in, to the step that is stated."""

import base64
import zlib

import numpy as np
import pytest
from report_pages import levels_of

from nf2ff.report.page.data import ArrayPack


def unpacked(pack, name):
    return levels_of(pack.index, zlib.decompress(base64.b64decode(pack.text())), name)


@pytest.mark.parametrize("fine", [False, True])
def test_levels_are_right_to_half_a_step(rng, fine):
    pack = ArrayPack()
    pack.put("odd", np.arange(3, dtype="u1"))  # what follows begins at a multiple of four
    values = rng.uniform(-45, 5, size=(3, 7, 5))
    values[1, 2, 3] = np.nan
    pack.put_levels("it", values, top=[5, 6, 7], depth=60.0, fine=fine)
    step = pack.index["it"]["step"]
    assert step == pytest.approx(60 / (65534 if fine else 254))
    found = unpacked(pack, "it")
    assert np.array_equal(np.isnan(found), np.isnan(values))
    assert np.nanmax(np.abs(found - values)) <= step / 2 * (1 + 1e-9)
    assert pack.index["it"]["at"] % 4 == 0


def test_what_is_beyond_is_drawn_in():
    pack = ArrayPack()
    pack.put_levels("it", np.array([[-100.0, 3.0]]), top=[0.0], depth=50.0, fine=False)
    assert unpacked(pack, "it") == pytest.approx(np.array([[-50.0, 0.0]]))


def test_a_step_may_be_wider_but_not_finer_than_codes_allow():
    for step, found in ((0.5, 0.5), (0.01, 50 / 254)):
        pack = ArrayPack()
        pack.put_levels("it", np.array([[-50.0, -12.3]]), top=[0.0], depth=50.0, fine=False, step=step)
        assert pack.index["it"]["step"] == pytest.approx(found)
        assert unpacked(pack, "it") == pytest.approx(np.array([[-50.0, -12.3]]), abs=found / 2)

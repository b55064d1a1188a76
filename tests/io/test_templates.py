"""Templates of the files that commands take: each is read by its own reader, with its examples, too."""

import re
from pathlib import Path

import numpy as np
import pytest
from commands import run, succeed

from nf2ff.antenna.closed_form import far_field_of
from nf2ff.io import toml
from nf2ff.io.antenna_toml import read_antenna
from nf2ff.io.level_toml import read_gain_transfer, read_level
from nf2ff.messages.input_error import InputError

COMMANDS = {
    "level": ("transform", "--template", "level"),
    "gain-transfer": ("transform", "--template", "gain-transfer"),
    "probe-gain": ("transform", "--template", "probe-gain"),
    "antenna": ("simulate", "--template"),
}
READERS = {
    "level": lambda path: read_level(path)[0],
    "gain-transfer": lambda path: read_gain_transfer(path)[0],
    "probe-gain": lambda path: read_gain_transfer(path)[0],
    "antenna": read_antenna,
}


@pytest.fixture
def filled(tmp_path):
    """Return a function that gives what the reader makes of a template, changed line by line."""

    def read(name, change=lambda line: line):
        path = tmp_path / "a.toml"
        text = "".join(change(line) for line in succeed(*COMMANDS[name]).splitlines(keepends=True))
        path.write_text(text, encoding="utf-8")
        return READERS[name](path)

    return read


def test_every_template_has_a_command():
    folder = Path(toml.__file__).parent / "templates"
    # Tests of these are with their readers.
    others = {
        "alignment",
        "modelled_errors",
        "near_field_terms",
        "study",
        "plan",
        "columns",
        "reflector",
        "report",
        "plane-wave-array",
    }
    assert {x.stem for x in folder.iterdir()} == {*COMMANDS, *others}


def test_level(filled):
    chain = filled("level")
    assert [step.name for step in chain.steps] == ["cable from the probe", "receiver"]
    assert (chain.starts_from, chain.ends_in) == ("relative", "sqrt(W)")
    # The steps in comments are read, too.
    whole = filled("level", lambda x: re.sub(r"^# (\[\[step|\w+ = )", r"\1", x))
    kinds = [getattr(step, "kind", "mismatch") for step in whole.steps]
    assert kinds == ["loss", "receiver-power", "amplifier", "attenuator", "channel", "mismatch"]
    assert [step.ports for step in whole.steps][-2] == (2,)


@pytest.mark.parametrize(("name", "gain"), [("gain-transfer", 15.2), ("probe-gain", 6.7)])
def test_gains(filled, name, gain):
    found = filled(name)
    np.testing.assert_allclose(found.gain_dbi.values, gain)
    assert found.direction is None
    there = filled(name, lambda x: re.sub(r"^# (theta_deg|phi_deg)", r"\1", x))
    assert there.direction == (0, 0)
    with pytest.raises(InputError, match="both of gain_dbi and table: give one of them"):
        filled(name, lambda x: re.sub("^# table", "table", x))


def test_antenna(filled):
    dipoles = filled("antenna")
    assert len(dipoles.position) == 2
    # A Huygens source radiates (1 + cos theta)/2 of its peak (closed form); the scatterer is a tenth of it.
    ahead, behind = (
        np.linalg.norm(far_field_of(dipoles, frequency=[1e9], theta=[theta], phi=[0.0]))
        for theta in (0, np.pi)
    )
    assert behind < 0.15 * ahead


def test_a_template_that_is_none():
    done = run("transform", "--template", "levels")
    assert done.code == 2
    assert "'levels' is not one of 'level', 'gain-transfer', 'probe-gain'" in done.err

"""``nf2ff import --columns``: a laboratory's own tables become native samples."""

import json
import re

import numpy as np
import pytest
from commands import assert_refused, run, succeed

from nf2ff.io import native
from nf2ff.io.layout import FilePart, Layout, Response, Source
from nf2ff.io.toml import read_toml

MAP = """\
separator = ";"
decimal = ","
response_unit = "V/m"
theta = { column = "Theta", unit = "deg" }
phi = { column = "Phi", unit = "deg" }
chi = { column = "Pol", unit = "deg" }
radius = { value = 50, unit = "cm" }
frequency = { value = 3, unit = "GHz" }

[[response]]
real = { column = "Re" }
imag = { column = "Im" }
"""
TABLE = "Theta;Phi;Pol;Re;Im\n0;0;0;0,5;-0,25\n90,5;10;90;1;2\n"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "a.txt").write_text(TABLE)
    (tmp_path / "map.toml").write_text(MAP)
    return tmp_path


def test_samples_are_written_with_their_origin(folder):
    out = succeed("import", "a.txt", "-o", "scan.h5", "--columns", "map.toml")
    assert out == "scan.h5: 2 samples at 1 frequency\n"
    samples = native.read_samples("scan.h5")
    np.testing.assert_array_equal(samples.response, [[0.5 - 0.25j, 1 + 2j]])
    np.testing.assert_array_equal(samples.theta, np.radians([0, 90.5]))
    np.testing.assert_array_equal(samples.radius, [0.5, 0.5])
    assert samples.response_unit == "V/m"
    assert set(json.loads(native.read_provenance("scan.h5")["inputs"])) == {"a.txt", "map.toml"}
    assert_refused(
        folder, "import", "a.txt", "-o", "scan.h5", "--columns", "map.toml", says="scan.h5: exists: choose"
    )


def test_a_unit_that_is_not_stated_is_warned_of(folder):
    (folder / "map.toml").write_text(MAP.replace('response_unit = "V/m"\n', ""))
    done = run("import", "a.txt", "-o", "scan.h5", "--columns", "map.toml")
    assert done.code == 0
    assert 'write response_unit = "V/m" or "sqrt(W)", whichever holds, in map.toml' in done.err


def test_the_template_is_a_description_that_can_be_read(folder):
    text = succeed("import", "--template")
    (folder / "template.toml").write_text(text)
    read_toml(folder / "template.toml", Layout)
    named = set(re.findall(r"\w+", text))
    for model in (Layout, Response, FilePart, Source):
        assert set(model.model_fields) <= named
    # Its last lines are a table that can be put in force.
    start = text.index("# [[file]]")
    last = "\n".join(line.removeprefix("# ") for line in text[start:].splitlines())
    (folder / "template.toml").write_text(text[:start] + last)
    layout = read_toml(folder / "template.toml", Layout)
    assert layout.file[0].numbers("scan_H_28.5GHz.csv") == {"frequency": 28.5}


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"Theta"', '"theta"', """no column 'theta', there are .*Write theta = { column = "Theta", unit"""),
        ('";"', '"tab"', "a.txt: no column 'Theta', there are Theta;Phi;.*: write separator = \";\""),
        ('separator = ";"', 'separator = ";"\npreamble_lines = 1', "no column 'Theta'"),
        ("radius", "# radius", 'map.toml: radius is given neither .*add radius = { column = "...", unit ='),
        (
            'decimal = ","',
            "",
            "line 3, column Theta: is '90,5': expected a finite number, '.' as.*write decimal = \",\"",
        ),
    ],
)
def test_refusals_name_the_line_that_mends_them(folder, old, new, says):
    (folder / "map.toml").write_text(MAP.replace(old, new))
    assert_refused(folder, "import", "a.txt", "-o", "scan.h5", "--columns", "map.toml", says=says)


def test_options_that_do_not_go_with_it(folder):
    for option in (["--relative"], ["--time-convention", "exp(-iwt)"], ["--degree", 3]):
        done = run("import", "a.txt", "-o", "scan.h5", "--columns", "map.toml", *option)
        assert done.code == 2
        assert "--columns describes samples" in done.err
    says = "is an input of this command"
    assert_refused(folder, "import", "a.txt", "-o", "map.toml", "--columns", "map.toml", says=says)


def test_a_proposal_is_shown_and_nothing_is_written(folder):
    before = sorted(folder.iterdir())
    out = succeed("import", "a.txt", "--propose")
    assert 'theta = { column = "Theta", unit = "deg" }' in out
    assert sorted(folder.iterdir()) == before
    done = run("import", "a.txt", "--propose", "-o", "scan.h5")
    assert (done.code, done.out) == (2, "")
    assert "--propose only shows" in done.err
    assert run("import", "a.txt").code == 2


@pytest.mark.parametrize("command", [("import", "-o", "x.h5"), ("inspect",), ("transform", "-o", "x.h5")])
@pytest.mark.parametrize(
    "text", [TABLE, "Theta,Phi,Mag,Phase\n1,2,3,4\n", "theta_deg,phi,real,imag\n1,2,3,4\n"]
)
def test_other_columns_are_told_of_the_proposal(folder, command, text):
    (folder / "a.txt").write_text(text)
    name, *options = command
    says = r"a\.txt.* \(nf2ff import FILE --propose guesses what other columns are\)$"
    assert_refused(folder, name, "a.txt", *options, says=says)

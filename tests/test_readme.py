"""What README.md, the guide and DEVELOPERS.md say, holds: every block of code in them is executed here.

Only what would set up a Python environment is read instead of run: that is what the commands do
to get here.
"""

import fnmatch
import re
import shlex
import tomllib
from pathlib import Path

import click
import numpy as np
import pytest
from commands import run, succeed

import nf2ff
from nf2ff.antenna.closed_form import radiated_power_of
from nf2ff.antenna.dipoles import huygens_source
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.io.antenna_toml import read_antenna
from nf2ff.io.layout import Layout
from nf2ff.io.mapping import read_mapped
from nf2ff.io.native import read_result, write_probe, write_samples
from nf2ff.io.tables import read_table
from nf2ff.io.toml import read_toml
from nf2ff.measurement.simulated import simulate_grid

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
GUIDE = {
    path.name: path.read_text(encoding="utf-8") for path in sorted((ROOT / "notebooks/guide").glob("*.md"))
}
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))

#: Kind and text of each block, in order.
BLOCKS = re.findall(
    r"^```(\S*)\n(.*?)^```$", "\n".join([README, *GUIDE.values()]), flags=re.MULTILINE | re.DOTALL
)

#: The program that must never get longer.
FIVE_LINES = """\
samples = nf2ff.read_samples("scan.h5")
probe = nf2ff.read_probe("probe.h5")
solution = nf2ff.solve(samples, probe, degree=24)
pattern = nf2ff.far_field(solution.modes, theta=theta, phi=phi)
peak = nf2ff.directivity(pattern).max(axis=(1, 2))
"""


def blocks(kind):
    return [text for found, text in BLOCKS if found == kind]


def steps(block):
    """Words of each of the commands that one line joins by &&."""
    (line,) = block.splitlines()
    return [shlex.split(step) for step in line.split(" && ")]


def table_below(text, heading):
    """Rows of the first table after a line, without head and rule; cells without spaces around."""
    after = text[text.index(heading) :].split("\n\n")
    rows = next(part for part in after if part.startswith("|")).splitlines()[2:]
    return [[cell.strip() for cell in row.strip("|").split("|")] for row in rows]


def test_every_kind_of_block_has_a_test():
    assert {kind for kind, _ in BLOCKS} == {"bash", "powershell", "python", "toml", "console", "csv"}
    assert sum(text.count("\n```") for text in (README, *GUIDE.values())) == 2 * len(BLOCKS)


def test_two_commands_come_first_and_set_everything_up():
    assert [kind for kind, _ in BLOCKS].count("bash") == 2
    assert [kind for kind, _ in BLOCKS[:2]] == ["bash", "bash"]
    ignored = (ROOT / ".gitignore").read_text(encoding="utf-8").split()
    for block in blocks("bash"):
        make, install, last = steps(block)
        folder = make[-1]
        assert make == ["python3", "-m", "venv", folder]
        assert install[:2] == [f"{folder}/bin/pip", "install"]
        assert len(install) == 3
        assert re.fullmatch(r"\.(\[\w+\])?", install[2])
        extras = re.findall(r"\w+", install[2])
        assert set(extras) <= set(PROJECT["project"]["optional-dependencies"])
        assert last[0].startswith(f"{folder}/bin/")
        assert any(fnmatch.fnmatch(f"{folder}/", pattern) for pattern in ignored)


@pytest.mark.slow
def test_first_command_runs_the_program(tmp_path, monkeypatch):
    command = steps(blocks("bash")[0])[-1]
    assert Path(command[0]).name == "nf2ff"
    assert PROJECT["project"]["scripts"]["nf2ff"] == "nf2ff.__main__:main"
    monkeypatch.chdir(tmp_path)
    done = run(*command[1:])
    assert done.code == 0, done.err
    assert list(tmp_path.rglob("*.h5"))


def test_second_command_runs_all_tests():
    # What it runs is this run: its words, and the paths of pyproject, decide what is tested.
    command = steps(blocks("bash")[1])[-1]
    assert [Path(command[0]).name, *command[1:]] == ["python", "-m", "pytest", "-n", "auto"]
    assert PROJECT["tool"]["pytest"]["ini_options"]["testpaths"] == ["tests", "nf2ff"]


def test_windows_commands_are_the_same():
    def translated(block):
        words = block.replace("python3 -m venv", "py -m venv").replace(" && ", "; ")
        return re.sub(r"(\.venv\S*)/bin/(\w+)", lambda m: rf"{m[1]}\Scripts\{m[2]}", words.rstrip())

    assert blocks("powershell")[0].splitlines() == [translated(b) for b in blocks("bash")]


def test_python_blocks(tmp_path, monkeypatch):
    # Closed form: a Huygens source has the directivity 3 in its direction, here +z, which is on
    # the grid, wherever it stands. 1e-9 is what the project promises of the far field, twice that
    # its square.
    antenna = huygens_source(direction=[0, 0, 1], polarisation=[1, 0, 0], position=[0.02, 0, 0.01])
    grid = grid_for_degree(24)
    monkeypatch.chdir(tmp_path)
    write_samples("scan.h5", simulate_grid(antenna, frequency=[10e9], grid=grid, radius=0.4))
    write_probe("probe.h5", nf2ff.field_probe())
    assert blocks("python")[0].endswith("\n\n" + FIVE_LINES)
    namespace = {"__name__": "__main__"}
    for block in blocks("python"):
        exec(compile(block, "README.md", "exec"), namespace)
    np.testing.assert_allclose(namespace["peak"], [3.0], rtol=2e-9)


@pytest.mark.slow
def test_toml_and_console_blocks(tmp_path, monkeypatch):
    antenna, _ = blocks("toml")
    (tmp_path / "antenna.toml").write_text(antenna, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    for line in "".join(blocks("console")).splitlines():
        assert line.startswith("$ nf2ff "), line
        assert succeed(*shlex.split(line)[2:])
    # Closed form: power delivered by the dipoles. 1e-9 is what the project promises of the far
    # field; power is its square.
    power = radiated_power_of(read_antenna(tmp_path / "antenna.toml"), frequency=[24e9])
    found = read_result(tmp_path / "result.h5").modes.radiated_power()
    np.testing.assert_allclose(found, power, rtol=2e-9)


def test_map_of_columns(tmp_path):
    _, columns = blocks("toml")
    (tmp_path / "MAP.toml").write_text(columns, encoding="utf-8")
    (tmp_path / "scan_H_28.5GHz.csv").write_text("Az;El;Level;Phase\n90;0;-20;90\n", encoding="utf-8")
    (tmp_path / "scan_V_28.5GHz.csv").write_text("Az;El;Level;Phase\n90,0;0;-6,5;0\n", encoding="utf-8")
    files = sorted(tmp_path.glob("*.csv"))
    found = read_mapped(files, read_toml(tmp_path / "MAP.toml", Layout))
    # Closed form: at azimuth 90 deg the probe is seen along +x, where horizontal is -z^ = theta^ and
    # vertical y^ = phi^; rounding of a sine and a power.
    np.testing.assert_allclose(found.theta, np.radians([90, 90]), atol=1e-15)
    np.testing.assert_allclose(found.phi, [0, 0], atol=1e-15)
    np.testing.assert_allclose(found.chi, np.radians([0, 90]), atol=1e-15)
    np.testing.assert_allclose(found.response, [[0.1j, 10 ** (-6.5 / 20)]], atol=1e-15)
    assert (found.frequency, found.radius[0]) == (28.5e9, 3.2)


def test_csv_blocks(tmp_path):
    path = tmp_path / "table.csv"
    (block,) = blocks("csv")
    path.write_text(block, encoding="utf-8")
    samples = read_table(path)
    assert samples.response.shape == (1, 4)
    assert samples.response[0, 0] == 0.0123 - 0.0045j
    assert np.isnan(samples.response[0, 3])


def test_table_of_commands_is_complete():
    from nf2ff.cli import main

    named = [re.findall(r"`nf2ff ([\w-]+)", row[0])[0] for row in table_below(README, "## Commands")]
    assert sorted(named) == main.list_commands(click.Context(main))


def test_guide_lists_its_pages_and_no_link_is_dead():
    listed = re.findall(r"\]\(notebooks/guide/(\w+\.md)\)", README)
    # The index is the first page of the site, as README is of the folder.
    assert sorted([*listed, "index.md"]) == sorted(GUIDE)
    for folder, text in ((".", README), (".", DEVELOPERS), *(("notebooks/guide", x) for x in GUIDE.values())):
        for target in re.findall(r"\]\((?!https?:)([^)#]+)", text):
            assert (ROOT / folder / target).exists(), target


@pytest.mark.parametrize("text", [README, DEVELOPERS, *GUIDE.values()], ids=["README", "DEVELOPERS", *GUIDE])
def test_files_named_exist(text):
    named = re.findall(r"`([\w./]+(?:\.(?:md|cff|py|ipynb)|/)|\.ci/run|LICENSE)`", text)
    assert named or text in GUIDE.values()
    for name in named:
        assert any((ROOT / folder / name).exists() for folder in ("", "nf2ff", "tests", "notebooks")), name


def test_versions_agree():
    version = PROJECT["project"]["version"]
    assert nf2ff.__version__ == version
    citation = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert f"\nversion: {version}\n" in citation
    assert f"\nlicense: {PROJECT['project']['license']}\n" in citation
    changes = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert re.findall(r"^## (\S+)", changes, flags=re.MULTILINE)[0] == version

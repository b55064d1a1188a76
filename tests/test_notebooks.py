"""Every notebook is stored without outputs and runs from top to bottom; its numbers hold."""

import json
from pathlib import Path

import numpy as np
import pytest

from nf2ff.modes import WAVE_IMPEDANCE, mode_count

FOLDER = Path(__file__).parents[1] / "notebooks"


def read(name):
    """A notebook as it is stored."""
    return json.loads((FOLDER / name).read_text(encoding="utf-8"))


def run(name):
    """Namespace after all code cells ran in one, as in a kernel."""
    namespace = {"__name__": "__main__"}
    for cell in read(name)["cells"]:
        if cell["cell_type"] == "code":
            code = compile("".join(cell["source"]), f"{name}, cell {cell['id']}", "exec")
            exec(code, namespace)
    return namespace


def check_first_scan(found):
    # Closed form against transform: 1e-9 is what the project promises of the far field, amplitude
    # and phase absolute. Powers are quadratic in the field: twice that.
    assert found["error"] <= 1e-9
    assert found["trp"] == pytest.approx(found["true_trp"], rel=2e-9)

    # White noise, closed form. A quadrature weighs a sample by its area w = dtheta dphi sin(theta);
    # a coefficient's error is sum w^2 |Y|^2 noise^2, that of all J together noise^2 dtheta dphi
    # J <sin(theta)>, with the mean pi/4 over the sphere. The field's power over the sphere is
    # 2 Z0 P / r^2. That radial functions are not quite 1/kr at n near kr/2 shifts it by 1 %,
    # chance by 1/(2 sqrt J) = 1 %: 5 % is three times chance and the shift, rounded up.
    grid, noise, degree = found["grid"], found["noise"], found["degree"]
    cell = np.pi / (grid.theta.size - 1) * 2 * np.pi / grid.phi.size
    power = 2 * WAVE_IMPEDANCE * found["true_trp"] / found["radius"] ** 2
    expected = noise * np.sqrt(cell * np.pi / 4 * mode_count(degree) / power)
    errors = found["errors"]
    assert errors["noise"] == pytest.approx(expected, rel=0.05)
    lower = expected * np.sqrt(mode_count(36) / mode_count(degree))
    assert errors["noise, lower degree"] == pytest.approx(lower, rel=0.05)
    # The same noise with a share q = 1/20 of the samples gone, spread evenly, would have 1/(1 - q)
    # times its power; chance makes holes of several. As much as an even 4 q is allowed.
    ratio = errors["noise and holes, lower degree"] / errors["noise, lower degree"]
    assert 1 < ratio < np.sqrt(1 / (1 - 4 / 20))


CHECKS = {"first_scan.ipynb": check_first_scan}


@pytest.fixture
def no_display(monkeypatch, tmp_path):
    """A folder of the test's own, and figures that need no display and are closed at the end."""
    from matplotlib import pyplot as plt

    monkeypatch.chdir(tmp_path)
    before = plt.get_backend()
    plt.switch_backend("agg")
    yield
    plt.close("all")
    plt.switch_backend(before)


def test_every_notebook_is_checked():
    assert sorted(CHECKS) == sorted(path.name for path in FOLDER.glob("*.ipynb"))


@pytest.mark.parametrize("name", CHECKS)
def test_outputs_are_cleared(name):
    notebook = read(name)
    assert (notebook["nbformat"], notebook["nbformat_minor"]) == (4, 5)
    for cell in notebook["cells"]:
        if cell["cell_type"] == "code":
            assert cell["outputs"] == [], f"clear the output of cell {cell['id']}"
            assert cell["execution_count"] is None, f"clear the number of cell {cell['id']}"
    assert len({cell["id"] for cell in notebook["cells"]}) == len(notebook["cells"])


@pytest.mark.parametrize(("name", "check"), CHECKS.items())
@pytest.mark.usefixtures("no_display")
def test_notebook(name, check):
    check(run(name))

"""Every notebook is stored without outputs and runs from top to bottom; its numbers hold."""

import json
from pathlib import Path

import numpy as np
import pytest
from pyshtools.expand import SHExpandDH
from scipy.special import eval_legendre

from nf2ff.grid import equiangular_grid
from nf2ff.metrics import unit_vectors
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


def check_trp_sampling(found):
    # Check values of the project (computed): 18.106 dBi and, of the element's shape, 9.826 dBi.
    assert found["directivity"] == pytest.approx(18.106, abs=0.5e-3)
    assert found["element_directivity"] == pytest.approx(9.826, abs=0.5e-3)

    # Another way to the rms error over all orientations, without any: a random rotation spreads the
    # mean square P_l of each degree evenly over m, so that it is sum_l P_l sum_ij v_i v_j P_l(cos)
    # (closed form; l = 0: the squared bias). P_l by another library, from a grid of 1 deg.
    x = np.pi * np.arange(180) / 180
    directions = unit_vectors(*np.meshgrid(x, np.pi * np.arange(360) / 180, indexing="ij"))[0]
    c = SHExpandDH(found["array"](directions) / found["truth"], sampling=2, lmax_calc=60)
    power = np.sum(c**2, axis=(0, 2))
    assert power[0] == pytest.approx(1, rel=1e-4)  # the grid's error, of a pattern with corners

    def expected(theta, phi, share):
        cos = np.clip(
            np.tensordot(unit_vectors(theta, phi)[0], unit_vectors(theta, phi)[0].T, 1), -1, 1
        )
        alias = [share @ eval_legendre(n, cos) @ share for n in range(1, power.size)]
        return np.sqrt((share.sum() - 1) ** 2 + power[1:] @ alias)

    shares = {}
    for name, rings, azimuths in (("15 deg, 12 x 24", 13, 24), ("12 x 19", 12, 19)):
        grid = equiangular_grid(rings, azimuths)
        shares[name, "quadrature"] = np.repeat(grid.weights, azimuths) / (4 * np.pi)
        sine = np.sin(np.repeat(grid.theta, azimuths))
        shares[name, "sin-theta"] = sine * np.pi / (2 * (rings - 1) * azimuths)
    for name in ("135, golden angle", "135, charges"):
        shares[name, "mean"] = np.full(135, 1 / 135)
    errors, stated = found["errors"], found["stated"]
    for key, share in shares.items():
        error = errors[key]
        square = np.mean(error**2)
        # Chance, of an error that is far from normal: three standard deviations of the mean square.
        chance = 3 * np.std(error**2) / np.sqrt(error.size) / square
        theory = expected(*found["sets"][key[0]][0], share)
        assert np.sqrt(square) == pytest.approx(theory, rel=chance / 2), key
        assert chance < 0.5
    # Sin-theta weights are low by (pi/2n) cot(pi/2n), n = 12 and 11; that of the difference to the
    # quadrature, in the same orientations, is left but for chance.
    for name, n in (("15 deg, 12 x 24", 12), ("12 x 19", 11)):
        difference = errors[name, "sin-theta"] - errors[name, "quadrature"]
        bias = np.pi / (2 * n) / np.tan(np.pi / (2 * n)) - 1
        chance = 3 * difference.std() / np.sqrt(difference.size)
        assert difference.mean() == pytest.approx(bias, abs=chance)

    # What the text says of the numbers.
    ratio = {key: stated[key] / np.sqrt(np.mean(error**2)) for key, error in errors.items()}
    assert all(2 < value < 7.5 for value in ratio.values())
    spread = {key: np.std(10 * np.log10(1 + error)) for key, error in errors.items()}
    assert all(value < 0.25 for key, value in spread.items() if key[0].startswith("15 deg"))
    assert 1.4 < spread["12 x 19", "quadrature"] / 0.25 < 1.6
    assert 1.9 < spread["135, golden angle", "mean"] / 0.25 < 2.1
    assert spread["135, charges", "mean"] < spread["135, golden angle", "mean"]
    variant = found["variant"]
    fewer = variant.pop("12 x 19, both poles, 7 x 2")
    assert all(value > 0.25 for value in variant.values())
    assert max(variant.values()) - min(variant.values()) < min(variant.values()) - fewer
    assert all(np.all(np.diff(values) > 0) for values in found["spread"].values())


CHECKS = {"first_scan.ipynb": check_first_scan, "trp_sampling.ipynb": check_trp_sampling}


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

"""`nf2ff trp`: totals of tables of power against integrals in closed form."""

import csv
import json

import numpy as np
import pytest
from commands import run, succeed

THETA, PHI = (x.ravel() for x in np.meshgrid(np.arange(0, 181, 15), np.arange(0, 360, 30), indexing="ij"))


def power():
    """sin^2 theta + 0.5 + 0.2 cos theta, in milliwatts: mean 2/3 + 0.5."""
    return np.sin(np.radians(THETA)) ** 2 + 0.5 + 0.2 * np.cos(np.radians(THETA))


def write(path, names, *levels):
    lines = [f"theta_deg,phi_deg,frequency_hz,{','.join(names)}"]
    for hertz in (1e9, 2e9):
        for row in zip(THETA, PHI, *levels, strict=True):
            lines.append(f"{row[0]},{row[1]},{hertz}," + ",".join(f"{x:.10g}" for x in row[2:]))
    path.write_text("\n".join(lines) + "\n", encoding="ascii")
    return path


@pytest.fixture
def eirp(tmp_path):
    split = [10 * np.log10(power() * share) for share in (0.3, 0.7)]
    return write(tmp_path / "eirp.csv", ["eirp_theta_dbm", "eirp_phi_dbm"], *split)


def test_total_and_parts_are_the_integrals(eirp):
    facts = json.loads(run("trp", eirp, "--noise-floor-dbm", -200, "--json").out)
    for one in facts["frequencies"]:
        assert one["trp_dbm"] == pytest.approx(10 * np.log10(2 / 3 + 0.5), abs=1e-8)
        # Closed form, x = cos theta from 0 to 1: half of x - x^3/3 + x/2 + x^2/10.
        upper = (1 - 1 / 3 + 0.5 + 0.1) / 2
        assert one["upper_hemisphere_fraction"] == pytest.approx(upper / (2 / 3 + 0.5), abs=1e-8)
        x = np.sin(np.radians(30))
        assert one["near_horizon_30_deg_fraction"] == pytest.approx(
            (x - x**3 / 3 + x / 2) / (2 / 3 + 0.5), abs=1e-8
        )


def test_parts_of_a_coarse_table_have_an_uncertainty_and_few_digits(tmp_path):
    # 3 rings of 4: of a cardioid, whose upper hemisphere holds 7/8 (closed form of ((1 + cos)/2)^2).
    theta, phi = (x.ravel() for x in np.meshgrid([0, 90, 180], np.arange(0, 360, 90), indexing="ij"))
    level = 10 * np.log10(np.cos(np.radians(theta) / 2) ** 4 + 1e-9)
    rows = [f"{a},{b},1e9,{c:.6f}" for a, b, c in zip(theta, phi, level, strict=True)]
    table = tmp_path / "eirp.csv"
    table.write_text("\n".join(["theta_deg,phi_deg,frequency_hz,eirp_dbm", *rows]) + "\n", encoding="ascii")
    (one,) = json.loads(run("trp", table, "--json").out)["frequencies"]
    off = abs(one["upper_hemisphere_fraction"] - 7 / 8)
    assert off < 2 * one["upper_hemisphere_uncertainty"]
    assert 0.01 < one["upper_hemisphere_uncertainty"] < 0.3
    lines = run("trp", table).out.splitlines()
    at = next(i for i, line in enumerate(lines) if line.startswith("upper hemisphere [dBm]"))
    # An uncertainty of percents: no more than two decimals of dBm, none or one of percent.
    assert len(lines[at].split()[-1].partition(".")[2]) <= 2
    assert len(lines[at + 1].split()[-1].partition(".")[2]) <= 1
    assert "sampling and noise, u [%]" in lines[at + 2]


def test_the_weights_of_the_file_add_up_to_the_total(eirp, tmp_path):
    output = tmp_path / "weights.csv"
    text = run("trp", eirp, "-o", output).out
    assert "weights of 156 readings" in text
    with output.open(encoding="ascii") as file:
        rows = list(csv.DictReader(file))
    assert len(rows) == 2 * THETA.size
    first = [row for row in rows if float(row["frequency_hz"]) == 1e9]
    assert sum(float(row["weight_sr"]) for row in first) == pytest.approx(4 * np.pi)
    total = sum(float(row["trp_part_w"]) for row in first)
    assert total == pytest.approx(1e-3 * (2 / 3 + 0.5), rel=1e-7)


def test_the_method_asked_for_is_taken_and_named(eirp):
    text = run("trp", eirp, "--method", "sin-theta").out
    assert text.startswith("weights by sin-theta: ")


def test_sensitivity_is_the_harmonic_mean(tmp_path):
    # 1/EIS of both polarisations add up to the power above, in 1/W.
    levels = [30 - 10 * np.log10(power() * share) for share in (0.4, 0.6)]
    table = write(tmp_path / "eis.csv", ["eis_theta_dbm", "eis_phi_dbm"], *levels)
    facts = json.loads(succeed("trp", table, "--json"))
    for one in facts["frequencies"]:
        assert one["tis_dbm"] == pytest.approx(30 - 10 * np.log10(2 / 3 + 0.5), abs=1e-8)
        assert one["missing"] == 0


def test_a_picture_is_drawn(eirp, tmp_path):
    picture = tmp_path / "eirp.png"
    assert str(picture) in run("trp", eirp, "--plot", picture).out
    assert picture.read_bytes()[:8] == b"\x89PNG\r\n\x1a\n"
    refused = run("trp", eirp, "--plot", picture)
    assert refused.code == 1


def test_weights_that_add_up_to_a_little_more_than_the_sphere_are_drawn(tmp_path):
    # 4 rings of 6: rounding leaves the last sum of weights above 1, whose angle is no number (closed form).
    theta, phi = (x.ravel() for x in np.meshgrid(np.arange(0, 181, 60), np.arange(0, 360, 60), indexing="ij"))
    level = 10 * np.log10(np.cos(np.radians(theta) / 2) ** 4 + 0.05)
    rows = [f"{a},{b},1e9,{c:.4f}" for a, b, c in zip(theta, phi, level, strict=True)]
    table = tmp_path / "eirp.csv"
    table.write_text("\n".join(["theta_deg,phi_deg,frequency_hz,eirp_dbm", *rows]) + "\n", encoding="ascii")
    assert run("trp", table, "--plot", tmp_path / "it.png").code == 0


def test_pole_rows_that_differ_are_warned_of(tmp_path):
    ripple = np.where(THETA == 0, 0.5 * np.sin(np.radians(PHI)), 0)
    table = write(tmp_path / "eirp.csv", ["eirp_dbm"], 10 * np.log10(power()) + ripple)
    done = run("trp", table)
    assert done.code == 0
    said = "readings at theta 0 deg, which is one direction whatever phi, spread over 1 dB"
    assert f"at 2 of 2 frequencies, 1 to 2 GHz: {said}" in done.err


@pytest.mark.parametrize(
    ("options", "code", "message"),
    [
        (
            ("--highest-power-dbm", 3),
            1,
            "--highest-power-dbm is only for a table of sensitivity: leave it out",
        ),
        (("--noise-floor-dbm", "nan"), 2, "nan dBm is no level, expected a finite number"),
        (("--noise-floor-dbm", "1e308"), 2, "1e+308 dBm is no level, expected a finite number below 1000"),
        (("--plot", "x.bmp"), 1, "is not a picture, expected a name that ends in .png"),
    ],
)
def test_bad_options(eirp, options, code, message):
    done = run("trp", eirp, *options)
    assert done.code == code
    assert message in done.err


def test_samples_with_phase_are_shown_the_way(tmp_path):
    (tmp_path / "scan.csv").write_text(
        "theta_deg,phi_deg,chi_deg,radius_m,frequency_hz,real,imag\n0,0,0,1,1e9,1,0\n", encoding="ascii"
    )
    done = run("trp", tmp_path / "scan.csv")
    assert done.code == 1
    assert "holds no powers: give a table with theta_deg" in done.err
    assert done.err.count("\n") == 1

"""Gain by substitution, as a user gets it, against closed forms."""

import json

import numpy as np
import pytest
from cli_probe_cases import INPUT, REFERENCE_LOSS, REFLECTION, TAKEN, WAYS, level_of
from commands import db, eirp_of, run, transformed

from nf2ff.antenna.closed_form import radiated_power_of
from nf2ff.io import native
from nf2ff.io.antenna_toml import read_antenna


def directivity_of(antenna, fact):
    eirp = eirp_of(
        antenna, fact["frequency_hz"], *(np.radians(fact["peak"][x]) for x in ("theta_deg", "phi_deg"))
    )[0]
    return eirp / radiated_power_of(antenna, frequency=[fact["frequency_hz"]])[0]


@pytest.mark.slow
def test_gain_by_substitution(room, substitution, tmp_path):
    result = tmp_path / "result.h5"
    words = ("--probe", room["probe.h5"], *substitution, "--input-power-w", INPUT, *TAKEN)
    facts = transformed(room["relative_scan.h5"], result, *words)
    for fact, efficiency in zip(facts, (0.6, 0.7), strict=True):
        gain = db(efficiency * directivity_of(room.antenna, fact))
        # Both scans by the same probe: 1e-8 each; the twelve digits of the Huygens source.
        assert fact["peak"]["realised_gain_dbi"] == pytest.approx(gain, abs=1e-6)
        assert fact["peak"]["eirp_dbm"] == pytest.approx(gain + db(INPUT / 1e-3), abs=1e-6)
        assert fact["total_efficiency"] == pytest.approx(efficiency, rel=1e-6)
        assert fact["radiated_power_w"] == pytest.approx(efficiency * INPUT, rel=1e-6)
    assert level_of(result) == [
        "level: responses relative, as the file says",
        *(x for x in level_of(result) if x.startswith("probe, port ")),
        "level: gain by substitution, reference antenna small horn",
        *level_of(result)[4:8],
        f"input power: {INPUT:.9g} W incident on the antenna's port, as stated",
    ]
    assert level_of(result)[4].startswith("small horn: gain 4.37121 dBi at 3 to 3.4 GHz")
    # 1 - 0.05 of it is accepted: -0.2228 dB.
    assert "small horn: impedance mismatch factor -0.222764 dB" in level_of(result)[5]
    assert level_of(result)[6].startswith("way to the reference antenna: loss 1.3 dB")
    assert level_of(result)[7].startswith("way to the device: loss 0.6 dB")
    inputs = json.loads(native.read_provenance(result)["inputs"])
    assert {str(room["transfer.toml"]), str(room["reference.h5"])} < set(inputs)
    # With the power that it accepts, its gain as well.
    more = (*words, "--accepted-power-w", 0.8 * INPUT)
    facts = transformed(room["relative_scan.h5"], tmp_path / "gain.h5", *more)
    for fact in facts:
        difference = fact["peak"]["gain_dbi"] - fact["peak"]["realised_gain_dbi"]
        assert difference == pytest.approx(-db(0.8), abs=1e-12)


@pytest.mark.slow
@pytest.mark.usefixtures("substitution")
def test_gain_by_substitution_with_a_relative_probe(room, tmp_path):
    # What the probe's level is does not matter, as long as both are measured with it.
    run("import", room["pattern.csv"], "-o", tmp_path / "probe.h5", "--relative")
    words = ("--probe", tmp_path / "probe.h5", *TAKEN)
    transformed(room["ref.h5"], tmp_path / "reference.h5", *words)
    options = (
        "--gain-transfer",
        room["transfer.toml"],
        "--reference-result",
        tmp_path / "reference.h5",
        "--input-power-w",
        INPUT,
    )
    done = run("transform", room["scan.h5"], "-o", tmp_path / "out.h5", "--json", *words, *options)
    assert done.code == 0
    (first, _) = json.loads(done.out)["frequencies"]
    # The two as simulated: the ratio of their intensities, times the reference's realised gain.
    horn = read_antenna(room["ref.toml"])
    ratio = room.true_eirp(first) / eirp_of(horn, 3e9, [0.0], [0.0])[0]
    gamma = abs(complex(*REFLECTION)) ** 2
    known = 10 * np.log10(3) - REFERENCE_LOSS + db(1 - gamma) - WAYS[0] + WAYS[1]
    assert first["peak"]["realised_gain_dbi"] == pytest.approx(known + db(ratio), abs=1e-6)
    assert "probe: relative, its gain is not known" in level_of(tmp_path / "out.h5")

"""The noise gain of the directions that were seen is that of repeated measurements."""

import numpy as np
import partial_scans as scans
import pytest
from partial_cases import Case, source
from partial_runs import samples_of

import nf2ff
from nf2ff.metrics.transformation import transform_samples


@pytest.mark.slow
@pytest.mark.parametrize(("last", "degree"), [(90, 16), (120, 16), (150, 16), (181, 20)])
def test_noise_gain_of_what_was_seen_is_that_measured(last, degree):
    case = Case("half", "pole", gap=scans.nothing(last + 1, 182), degree=degree)
    result = transform_samples(samples_of(case), nf2ff.field_probe(), degree=degree)
    field = result.far_field
    assert ("noise_gain_seen" in result.quantities) == (last < 180)
    told = {k: x.values[0] for k, x in result.quantities.items() if k.startswith("noise_gain")}
    seen = field.trusted[0] if field.trusted is not None else np.ones((field.theta.size, field.phi.size))
    weight = np.sin(field.theta)[:, None] * seen
    t, p = np.meshgrid(field.theta, field.phi, indexing="ij")
    # Truth by the closed form: noise is the difference of two of the program's answers.
    true = scans.far_field(source("pole"), frequency=10e9, theta=t.ravel(), phi=p.ravel())
    power = sum(np.abs(x.reshape(t.shape)) ** 2 for x in true)
    clean = samples_of(case)
    level = np.abs(clean.response).max() ** 2 * 1e-6 / np.mean(np.abs(clean.response) ** 2)
    found = []
    first = nf2ff.solve(clean, nf2ff.field_probe(), degree=degree)
    base = nf2ff.far_field(first.modes, theta=field.theta, phi=field.phi)
    for seed in range(5):
        again = first.parts[0].prepared.modes(samples_of(case, seed=seed, noise_db=-60.0).response)
        shown = nf2ff.far_field(again, theta=field.theta, phi=field.phi)
        off = sum(
            np.abs(a[0] - b[0]) ** 2 for a, b in ((shown.e_theta, base.e_theta), (shown.e_phi, base.e_phi))
        )
        found.append(np.sum(weight * off) / np.sum(weight * power) / level)
    # Five realisations of hundreds of waves, and as many of the program's: within 1 dB.
    gain = told.get("noise_gain_seen", told["noise_gain"])
    assert 10 * np.log10(gain / np.mean(found)) == pytest.approx(0, abs=1)
    # What was not seen holds most of the noise.
    assert last > 90 or told["noise_gain"] > 10 * gain

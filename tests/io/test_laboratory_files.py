"""Ten files as laboratories write them, of one scan, each read by one map to the last digit printed.

The scan is invented: 14 positions, two polarisations, two frequencies. Each file prints its own digits, and
what is read must be what the printed text means, computed here from that text, number by number.
"""

import math
from pathlib import Path

import numpy as np
import pytest

from nf2ff.io.layout import Layout
from nf2ff.io.mapping import read_mapped
from nf2ff.io.toml import read_toml

#: Rounding of a power of ten, sine and product: a few units in the 16th digit.
RTOL = 2e-15

RNG = np.random.default_rng(11)
THETA = np.repeat([0.0, 22.5, 45.25, 90.0, 120.125, 150.5, 180.0], 2)
PHI = np.tile([0.0, 187.5], 7)
VALUE = RNG.normal(size=(2, 2, 14)) + 1j * RNG.normal(size=(2, 2, 14))  # frequency, polarisation, position
GHZ = (27.5, 28.0)
CHI = (0, 90)

RADIUS = 'radius = { value = 1.25, unit = "m" }\n'


def angles(theta="Theta", phi="Phi", unit="deg"):
    return (
        f'theta = {{ column = "{theta}", unit = "{unit}" }}\nphi = {{ column = "{phi}", unit = "{unit}" }}\n'
    )


@pytest.fixture
def read(tmp_path, monkeypatch):
    """Return a function that writes files and a map, and reads them."""
    monkeypatch.chdir(tmp_path)

    def of(layout, **files):
        for name, data in files.items():
            Path(f"{name}.txt").write_bytes(data if isinstance(data, bytes) else data.encode())
        Path("map.toml").write_text(layout, encoding="utf-8")
        return read_mapped([f"{name}.txt" for name in files], read_toml("map.toml", Layout))

    return of


def comma(x, form):
    return format(x, form).replace(".", ",")


def check(found, value, *, theta=THETA, phi=PHI, radius=1.25, rtol=RTOL):
    """Both polarisations, one after the other, at each frequency; ``value`` (F, 2, M) as it was printed."""
    f, _, m = np.shape(value)
    np.testing.assert_array_equal(found.frequency, [x * 1e9 for x in GHZ[:f]])
    order = np.lexsort((found.phi, found.theta, found.chi))
    wanted = np.lexsort((np.tile(phi, 2), np.tile(theta, 2), np.repeat(CHI, m)))
    for got, want in (
        (found.theta, np.radians(np.tile(theta, 2))),
        (found.phi, np.radians(np.tile(phi, 2))),
        (found.chi, np.radians(np.repeat(CHI, m))),
        (found.radius, np.full(2 * m, radius)),
    ):
        np.testing.assert_allclose(got[order], want[wanted], rtol=1e-15, atol=1e-15)
    np.testing.assert_allclose(found.response[:, order], np.reshape(value, (f, 2 * m))[:, wanted], rtol=rtol)


def printed(value, form=".9e"):
    """Complex values with their parts rounded as they are printed."""
    return np.vectorize(lambda w: complex(float(format(w.real, form)), float(format(w.imag, form))))(value)


def polar(value, decibels, degrees):
    """Texts of level and wrapped phase of each value, and the values that these texts mean."""
    levels = [format(20 * math.log10(abs(w)), decibels) for w in np.ravel(value)]
    phases = [format(math.degrees(np.angle(w)), degrees) for w in np.ravel(value)]
    meant = [
        10 ** (float(a) / 20) * complex(math.cos(math.radians(float(p))), math.sin(math.radians(float(p))))
        for a, p in zip(levels, phases, strict=True)
    ]
    return levels, phases, np.reshape(meant, np.shape(value))


def test_1_semicolons_and_decimal_commas(read):
    lines = ["Theta;Phi;Pol;Freq;Re;Im"]
    for i, ghz in enumerate(GHZ):
        for j, chi in enumerate(CHI):
            for t, p, w in zip(THETA, PHI, VALUE[i, j], strict=True):
                cells = [comma(x, ".4f") for x in (t, p, chi, ghz)]
                lines.append(";".join([*cells, comma(w.real, ".9e"), comma(w.imag, ".9e")]))
    layout = 'separator = ";"\ndecimal = ","\n' + angles() + RADIUS
    layout += 'chi = { column = "Pol", unit = "deg" }\nfrequency = { column = "Freq", unit = "GHz" }\n'
    layout += '[[response]]\nreal = { column = "Re" }\nimag = { column = "Im" }\n'
    check(read(layout, a="\r\n".join(lines)), printed(VALUE))


def test_2_utf_16_with_a_mark_and_tabs(read):
    lines = ["Winkel θ (°)\tWinkel φ (°)\tKopolar Re\tKopolar Im\tKreuzpolar Re\tKreuzpolar Im"]
    for t, p, a, b in zip(THETA, PHI, *VALUE[0], strict=True):
        lines.append("\t".join([f"{t}", f"{p}", *(f"{x:.9e}" for x in (a.real, a.imag, b.real, b.imag))]))
    layout = 'separator = "tab"\n' + angles("Winkel θ (°)", "Winkel φ (°)") + RADIUS
    layout += 'frequency = { value = 27.5, unit = "GHz" }\n'
    for name, chi in (("Kopolar", 0), ("Kreuzpolar", 90)):
        layout += f'[[response]]\nchi = {{ value = {chi}, unit = "deg" }}\n'
        layout += f'real = {{ column = "{name} Re" }}\nimag = {{ column = "{name} Im" }}\n'
    check(read(layout, a="\r\n".join(lines).encode("utf-16")), printed(VALUE[:1]))


def test_3_a_preamble_of_twelve_lines(read):
    head = ["Range 2", "", "Operator: n. n.", "Theta,Phi,Re,Im are columns", "1,2,3,4", *["* * *"] * 7]
    assert len(head) == 12
    lines = [*head, "Theta,Phi,Pol,Re,Im"]
    for j, chi in enumerate(CHI):
        lines += [
            f"{t},{p},{chi},{w.real:.9e},{w.imag:.9e}"
            for t, p, w in zip(THETA, PHI, VALUE[0, j], strict=True)
        ]
    layout = "preamble_lines = 12\n" + angles() + RADIUS + 'frequency = { value = 27.5e9, unit = "Hz" }\n'
    layout += 'chi = { column = "Pol", unit = "deg" }\n'
    layout += '[[response]]\nreal = { column = "Re" }\nimag = { column = "Im" }\n'
    check(read(layout, a="\n".join(lines) + "\n"), printed(VALUE[:1]))


def test_4_a_quoted_header_with_separators_in_its_names(read):
    lines = ['"Theta, deg", "Phi, deg","Pol","S21 ""re""","S21 ""im"""']
    for j, chi in enumerate(CHI):
        lines += [
            f'{t},{p},"{chi}",{w.real!r},{w.imag!r}'
            for t, p, w in zip(THETA, PHI, VALUE[0, j].tolist(), strict=True)
        ]
    layout = angles("Theta, deg", "Phi, deg") + RADIUS + 'frequency = { value = 27500, unit = "MHz" }\n'
    layout += 'chi = { column = "Pol", unit = "deg" }\n[[response]]\n'
    layout += """real = { column = 'S21 "re"' }\nimag = { column = 'S21 "im"' }\n"""
    check(read(layout, a="\n".join(lines)), VALUE[:1])


def test_5_decibels_and_wrapped_degrees(read):
    levels, phases, meant = polar(VALUE, ".4f", ".3f")
    place = [(ghz, chi, t, p) for ghz in GHZ for chi in CHI for t, p in zip(THETA, PHI, strict=True)]
    lines = ["F/GHz,Chi/deg,Theta/deg,Phi/deg,Mag/dB,Arg/deg"]
    lines += [f"{g},{c},{t},{p},{a},{b}" for (g, c, t, p), a, b in zip(place, levels, phases, strict=True)]
    layout = angles("Theta/deg", "Phi/deg") + RADIUS + 'frequency = { column = "F/GHz", unit = "GHz" }\n'
    layout += 'chi = { column = "Chi/deg", unit = "deg" }\n[[response]]\n'
    layout += 'amplitude = { column = "Mag/dB", unit = "dB" }\nphase = { column = "Arg/deg", unit = "deg" }\n'
    check(read(layout, a="\n".join(lines)), meant)


def test_6_columns_for_each_frequency_in_files_for_each_polarisation(read):
    levels, phases, meant = polar(VALUE, ".3f", ".2f")
    levels, phases = np.reshape(levels, VALUE.shape), np.reshape(phases, VALUE.shape)
    files = {}
    for j, name in enumerate(("scan_H", "scan_V")):
        lines = ["Theta,Phi," + ",".join(f"dB @ {g} GHz,deg @ {g} GHz" for g in GHZ)]
        for m in range(14):
            cells = [x for i in range(2) for x in (levels[i, j, m], phases[i, j, m])]
            lines.append(",".join([f"{THETA[m]}", f"{PHI[m]}", *cells]))
        files[name] = "\n".join(lines)
    layout = angles() + RADIUS
    for name, chi in (("H", 0), ("V", 90)):
        layout += f'[[file]]\npattern = "*_{name}.txt"\nchi = {{ value = {chi}, unit = "deg" }}\n'
    for g in GHZ:
        layout += f'[[response]]\nfrequency = {{ value = {g}, unit = "GHz" }}\n'
        layout += f'amplitude = {{ column = "dB @ {g} GHz", unit = "dB" }}\n'
        layout += f'phase = {{ column = "deg @ {g} GHz", unit = "deg" }}\n'
    check(read(layout, **files), meant)


def test_7_azimuth_and_elevation(read):
    az = np.tile([-60.0, -10.5, 0.0, 45.0], 3)
    el = np.repeat([-30.0, 20.25, 70.0], 4)
    lines = ["El;Az;Re H;Im H"]
    w = VALUE[0, 0, :12]
    lines += [f"{e};{a};{x.real!r};{x.imag!r}" for a, e, x in zip(az, el, w.tolist(), strict=True)]
    layout = 'separator = ";"\npositioner = "elevation-over-azimuth"\n' + RADIUS
    layout += 'azimuth = { column = "Az", unit = "deg" }\nelevation = { column = "El", unit = "deg" }\n'
    layout += 'chi = { value = 0, unit = "deg" }\nfrequency = { value = 27.5, unit = "GHz" }\n'
    layout += '[[response]]\nreal = { column = "Re H" }\nimag = { column = "Im H" }\n'
    found = read(layout, a="\n".join(lines))
    a, e = np.radians(az), np.radians(el)
    # Closed form: the direction, and the horizontal unit vector, along which its azimuth grows.
    theta = np.arccos(np.cos(a) * np.cos(e))
    phi = np.arctan2(np.cos(a) * np.sin(e), np.sin(a))
    across = np.array([np.cos(a), -np.sin(a) * np.sin(e), -np.sin(a) * np.cos(e)])
    along_theta = np.array([np.cos(theta) * np.cos(phi), np.cos(theta) * np.sin(phi), -np.sin(theta)])
    along_phi = np.array([-np.sin(phi), np.cos(phi), 0 * phi])
    chi = np.arctan2((across * along_phi).sum(0), (across * along_theta).sum(0))
    # The arc cosine of numbers up to 0.94 here: some roundings over sin(theta) = 0.34.
    for got, want in ((found.theta, theta), (found.phi, phi), (found.chi, chi)):
        np.testing.assert_allclose(np.exp(1j * got), np.exp(1j * want), atol=5e-15)
    np.testing.assert_array_equal(found.response, [w])


def test_8_millimetres_and_gigahertz_that_change_by_row(read):
    radius = np.round(1250 + RNG.uniform(-0.5, 0.5, 14), 3)
    lines = ["Theta,Phi,R,Freq,Pol,S21"]
    for i, ghz in enumerate(GHZ):
        for j, chi in enumerate(CHI):
            lines += [
                f"{t},{p},{r:.3f},{ghz},{chi},{w.real:.9e}{w.imag:+.9e}i"
                for t, p, r, w in zip(THETA, PHI, radius, VALUE[i, j], strict=True)
            ]
    layout = (
        angles() + 'radius = { column = "R", unit = "mm" }\nfrequency = { column = "Freq", unit = "GHz" }\n'
    )
    layout += 'chi = { column = "Pol", unit = "deg" }\n[[response]]\ncomplex = { column = "S21" }\n'
    found = read(layout, a="\n".join(lines))
    np.testing.assert_allclose(found.radius, np.tile(radius, 2) / 1000, rtol=1e-15)
    np.testing.assert_array_equal(found.response, printed(VALUE).reshape(2, 28))


def test_9_blanks_without_header_and_lines_between_sweeps(read):
    lines = ["% by the range's own program"]
    for j, chi in enumerate(CHI):
        for m in range(14):
            lines += [""] if m % 2 == 0 else []
            w = VALUE[0, j, m]
            lines.append(f"  {THETA[m]:8.3f}   {PHI[m]:8.3f} {chi:3d} {w.real: .9e} {w.imag: .9e}")
    layout = 'separator = "blanks"\nheader = false\ncomment = "%"\ntheta = { column = 1, unit = "deg" }\n'
    layout += 'phi = { column = 2, unit = "deg" }\nchi = { column = 3, unit = "deg" }\n' + RADIUS
    layout += 'frequency = { value = 27.5, unit = "GHz" }\n[[response]]\n'
    layout += "real = { column = 4 }\nimag = { column = 5 }\n"
    check(read(layout, a="\n".join(lines)), printed(VALUE[:1]))


def test_10_radians_linear_amplitude_and_the_other_time_factor(read):
    lines = ["# angles in rad", "theta_rad,phi_rad,amp_H,arg_H,amp_V,arg_V,note"]
    texts = [[(repr(abs(w)), repr(float(np.angle(w.conjugate())))) for w in row] for row in VALUE[0].tolist()]
    for m in range(14):
        cells = [repr(math.radians(THETA[m])), repr(math.radians(PHI[m])), *texts[0][m], *texts[1][m]]
        lines.append(",".join([*cells, "ok" if m else "start"]))
    layout = 'time_convention = "exp(-iwt)"\n' + angles("theta_rad", "phi_rad", "rad") + RADIUS
    layout += 'frequency = { value = 27.5, unit = "GHz" }\n'
    for name, chi in (("H", 0), ("V", 90)):
        layout += f'[[response]]\nchi = {{ value = {chi}, unit = "deg" }}\n'
        layout += f'amplitude = {{ column = "amp_{name}", unit = "linear" }}\n'
        layout += f'phase = {{ column = "arg_{name}", unit = "rad" }}\n'
    check(read(layout, a="\n".join(lines)), VALUE[:1])

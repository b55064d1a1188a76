"""Seconds to write a report, its size, and seconds until a browser shows it.

Run as ``python benchmarks/report_page.py [--degree N] [--frequencies F]``. The pattern is random up to its
degree, with noise 50 dB below: nothing in it compresses well. A browser is asked where chromium, chromedriver
and selenium are installed; the first opening is cold.
"""

from __future__ import annotations

import argparse
import shutil
import tempfile
import time
from pathlib import Path

import numpy as np

from nf2ff.antenna.modes import Modes, mode_count, mode_numbers
from nf2ff.metrics.beam import peak
from nf2ff.metrics.result import Result
from nf2ff.metrics.summary import summarise
from nf2ff.metrics.transformation import beam_figures
from nf2ff.report.page.assemble import report_page
from nf2ff.report.page.inputs import ReportInput

SWITCHES = ("headless=new", "no-sandbox", "disable-gpu", "disable-background-networking", "disable-sync")


def noisy(degree: int, frequencies: int) -> Modes:
    """Waves of all orders up to eight tenths of the degree that add up towards +z, and noise."""
    rng = np.random.default_rng(1)
    s, m, n = mode_numbers(degree)
    # A wave of order +-1 adds to the field on the axis in proportion to sqrt(2n + 1) (closed form).
    wave = np.where((np.abs(m) == 1) & (n <= 0.8 * degree), np.sqrt(2 * n + 1) * np.where(s == 1, -1, m), 0)
    noise = rng.normal(size=(2, frequencies, mode_count(degree)))
    size = np.linalg.norm(wave) * 10 ** (-50 / 20) / np.sqrt(2 * mode_count(degree))
    return Modes(np.linspace(26e9, 30e9, frequencies), wave + size * (noise[0] + 1j * noise[1]))


def seconds_to_open(page: Path, profile: str) -> list[float]:
    """Until tables and controls respond, and until the first figure is drawn; thrice."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium")
    for switch in (*SWITCHES, "enable-unsafe-swiftshader", f"user-data-dir={profile}"):
        options.add_argument(f"--{switch}")
    driver = webdriver.Chrome(options=options, service=Service(shutil.which("chromedriver")))
    found = []
    try:
        for _ in range(3):
            start = time.perf_counter()
            driver.get(page.as_uri())
            while driver.execute_script("return document.documentElement.dataset.ready") != "yes":
                time.sleep(0.01)
            found.append(time.perf_counter() - start)
            driver.execute_script("document.getElementById('cuts').scrollIntoView()")
            while not driver.execute_script("return (document.getElementById('cuts').data || []).length"):
                time.sleep(0.01)
            found.append(time.perf_counter() - start)
    finally:
        driver.quit()
    return found


def main(degree: int, frequencies: int) -> None:
    """Print one row, and one more where there is a browser."""
    modes = noisy(degree, frequencies)
    top = peak(modes)
    result = Result(modes, None, beam_figures(modes, top) | summarise(modes, top))
    start = time.perf_counter()
    page = report_page(ReportInput(result, "result.h5"))
    seconds = time.perf_counter() - start
    size = len(page.encode()) / 1e6
    print(f"degree {degree}, {frequencies} frequencies: {seconds:.1f} s, {size:.1f} MB")
    if shutil.which("chromium") is None or shutil.which("chromedriver") is None:
        return
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "report.html"
        path.write_text(page, encoding="utf-8")
        times = seconds_to_open(path, str(Path(folder) / "profile"))
    words = ", ".join(
        f"{ready:.2f} ({drawn:.2f})" for ready, drawn in zip(times[::2], times[1::2], strict=True)
    )
    print(f"open (first figure drawn) after {words} s")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--degree", type=int, default=88)
    parser.add_argument("--frequencies", type=int, default=101)
    given = parser.parse_args()
    main(given.degree, given.frequencies)

"""Pages in a real browser: without a network or an error, what is touched responds, and paper is sensible."""

import base64
import re
import shutil
import time
from dataclasses import replace

import numpy as np
import pytest
from report_pages import asked_for

from nf2ff.antenna.modes import rotate
from nf2ff.io.report_toml import ReportMeta
from nf2ff.report.page.assemble import report_page
from nf2ff.report.page.figures import with_budget
from nf2ff.uncertainty.budget.budget import Budget
from nf2ff.uncertainty.budget.budget_term import Term
from nf2ff.uncertainty.budget.metric import METRICS

CHROMIUM, DRIVER = (shutil.which(name) for name in ("chromium", "chromedriver"))
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(
        CHROMIUM is None or DRIVER is None, reason="no chromium and chromedriver (Debian: chromium-driver)"
    ),
]
HOSTILE = "<img src=x onerror=window.broken=1><b>x</b></script><script>window.broken=1</script>"
SWITCHES = (
    *("headless=new", "no-sandbox", "disable-gpu", "disable-quic", "no-first-run", "hide-scrollbars"),
    *(
        "disable-background-networking",
        "disable-component-update",
        "disable-sync",
        "enable-unsafe-swiftshader",
    ),
)


@pytest.fixture(scope="module")
def page(tmp_path_factory):
    """A page with all there is, in which names are hostile."""
    asked = asked_for()
    terms = [Term(HOSTILE[:80], 0.02, sensitivity={"eirp": 1.0, "trp": 1.0}), Term("room", None)]
    budget = Budget(tuple(terms), tuple(METRICS[x] for x in ("eirp", "trp")))
    modes = asked.result.modes
    more = {
        "uncertainty": with_budget(asked.result, budget),
        "beams": {HOSTILE: rotate(modes, alpha=1.0, beta=2.0, gamma=0.0)},
        "other": (HOSTILE, replace(modes, coefficients=1.1 * modes.coefficients)),
        "meta": ReportMeta(title=HOSTILE, number="TR-7"),
        "name": HOSTILE,
    }
    path = tmp_path_factory.mktemp("page") / "page.html"
    path.write_text(report_page(replace(asked, **more)), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def driver(tmp_path_factory):
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = CHROMIUM
    for switch in (*SWITCHES, "window-size=1280,900", f"user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(f"--{switch}")
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    found = webdriver.Chrome(options=options, service=Service(DRIVER))
    yield found
    found.quit()


def until(driver, script, seconds=60.0):
    """What a script gives, once that is true."""
    end = time.monotonic() + seconds
    while not (found := driver.execute_script(f"return {script}")):
        assert time.monotonic() < end, script
        time.sleep(0.05)
    return found


def see(driver, name):
    """Bring a figure into view, and wait until it is drawn."""
    driver.execute_script(f"document.getElementById('{name}').scrollIntoView({{block: 'center'}})")
    until(driver, f"(document.getElementById('{name}').data || []).length")


def box(driver, name):
    found = f"document.querySelector('{name}').getBoundingClientRect()"
    return driver.execute_script(f"const b = {found}; return [b.left, b.top, b.width, b.height]")


def mouse(driver, kind, x, y, **more):
    driver.execute_cdp_cmd("Input.dispatchMouseEvent", {"type": kind, "x": x, "y": y, **more})


@pytest.fixture
def opened(driver, page):
    driver.get_log("browser")
    driver.get_log("performance")
    driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen(1280))
    driver.get(page.as_uri())
    until(driver, "document.documentElement.dataset.ready === 'yes'")
    yield driver
    errors = [x for x in driver.get_log("browser") if x["level"] == "SEVERE"]
    assert errors == []
    # Nothing of the hostile texts has run, and they are shown as they are.
    assert driver.execute_script("return window.broken === undefined")
    # Nothing but the file itself was asked for.
    asked = re.findall(r'"url":"(\w+):', "".join(x["message"] for x in driver.get_log("performance")))
    assert set(asked) <= {"file", "data", "blob"}


def screen(width):
    return {"width": width, "height": 900, "deviceScaleFactor": 1, "mobile": width < 600}


FIGURES = ("cuts", "map", "u-v", "balloon", "over-frequency", "spectrum", "orders")
MORE = ("distribution", "best-beam", "near-field", "terms")


@pytest.mark.parametrize(("width", "scheme"), [(1280, "light"), (390, "dark")])
def test_every_figure_is_drawn(opened, width, scheme):
    opened.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen(width))
    media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    opened.execute_cdp_cmd("Emulation.setEmulatedMedia", media)
    opened.refresh()
    until(opened, "document.documentElement.dataset.ready === 'yes'")
    assert opened.execute_script("return document.documentElement.dataset.theme") == scheme
    for name in (*FIGURES, *MORE):
        see(opened, name)
    # Nothing is wider than the screen.
    assert opened.execute_script("return document.documentElement.scrollWidth") <= width
    assert opened.find_element("css selector", "h1").text == HOSTILE


def test_the_slider_moves_figures_and_tables(opened):
    see(opened, "cuts")
    before = opened.execute_script("return document.getElementById('cuts').data[0].y.slice()")
    cards = opened.find_element("css selector", ".card .value").text
    slider = opened.find_element("id", "frequency-slider")
    slider.send_keys("\ue014")  # arrow to the right
    until(opened, "document.getElementById('frequency-shown').textContent === '1.1 GHz'")
    shown = opened.execute_script("return [...document.querySelectorAll('.shown')].map((x) => x.textContent)")
    assert set(shown) == {"1.1"}
    assert opened.find_element("css selector", ".card .value").text != cards
    until(opened, f"document.getElementById('cuts').data[0].y[100] !== {before[100]}")


def test_the_legend_hides_a_line(opened):
    see(opened, "cuts")
    x, y, w, h = box(opened, "#cuts .legendtoggle")
    for kind in ("mousePressed", "mouseReleased"):
        mouse(opened, kind, x + w / 2, y + h / 2, button="left", clickCount=1)
    until(opened, "document.getElementById('cuts').data.some((x) => x.visible === 'legendonly')")


def test_a_value_is_shown_where_the_mouse_is(opened):
    see(opened, "map")
    x, y, w, h = box(opened, "#map .nsewdrag")
    for part in (0.4, 0.5):
        mouse(opened, "mouseMoved", x + part * w, y + 0.5 * h)
    text = until(opened, "(document.querySelector('#map .hoverlayer') || {}).textContent")
    assert re.search(r"phi 1\d\d°, theta [89]\d°: -?\d+\.\d dBi", text)


def eye(driver):
    camera = "document.getElementById('balloon')._fullLayout.scene._scene.getCamera().eye"
    return np.array(driver.execute_script(f"const e = {camera}; return [e.x, e.y, e.z]"))


def still(driver, before=None):
    """Where the eye of the balloon stands, once it has moved from a place and moves no more."""
    end, last = time.monotonic() + 60, eye(driver)
    while time.monotonic() < end:
        time.sleep(0.3)
        now = eye(driver)
        if np.allclose(now, last) and (before is None or np.linalg.norm(now - before) > 0.02):
            return now
        last = now
    raise AssertionError(f"the eye is at {last}, and was at {before}")


def test_the_balloon_turns(opened):
    from selenium.webdriver.common.action_chains import ActionChains

    see(opened, "balloon")
    until(opened, "!!document.getElementById('balloon')._fullLayout.scene._scene.glplot")
    before = still(opened)
    x, y, w, h = box(opened, "#balloon")
    mouse(opened, "mouseMoved", x + w / 2, y + h / 2)
    mouse(opened, "mousePressed", x + w / 2, y + h / 2, button="left", buttons=1, clickCount=1)
    for step in range(1, 6):
        mouse(opened, "mouseMoved", x + w / 2 + 20 * step, y + h / 2, button="left", buttons=1)
        time.sleep(0.05)
    mouse(opened, "mouseReleased", x + w / 2 + 100, y + h / 2, button="left", clickCount=1)
    dragged = still(opened, before)
    # And by the keyboard: ten degrees about z for each arrow, as near for a plus.
    opened.execute_script("document.getElementById('balloon').focus()")
    ActionChains(opened).send_keys("\ue014").perform()
    turned = still(opened, dragged)
    angle = np.degrees(np.angle(complex(*turned[:2]) / complex(*dragged[:2])))
    assert angle == pytest.approx(10, abs=0.5)
    ActionChains(opened).send_keys("+").perform()
    assert np.linalg.norm(still(opened, turned)) == pytest.approx(0.87 * np.linalg.norm(turned), rel=0.01)


def test_choices_change_what_is_shown(opened):
    see(opened, "near-field")
    choose = "const b = document.getElementById('{}'); b.value = '{}'; b.dispatchEvent(new Event('change'))"
    for name, value, shown in (
        (
            "scan-kind",
            "residual",
            "document.getElementById('near-field').data[0].colorbar.title.text.includes('reading')",
        ),
        ("scan-view", "sphere", "document.getElementById('near-field').data[0].type === 'surface'"),
        ("scan-view", "map", "document.getElementById('near-field').data[0].type === 'heatmap'"),
    ):
        opened.execute_script(choose.format(name, value))
        until(opened, shown)
    see(opened, "u-v")
    opened.execute_script(choose.format("half", "-x"))
    until(opened, "document.getElementById('u-v').layout.xaxis.title.text.endsWith('to y')")
    see(opened, "terms")
    until(opened, "document.getElementById('terms').layout.xaxis.title.text === 'standard uncertainty [dB]'")
    opened.execute_script(choose.format("metric", "trp"))
    until(opened, "document.querySelector('.budget.chosen').dataset.metric === 'trp'")


def test_what_hangs_on_near_field_that_was_not_measured_is_grey(driver, tmp_path):
    asked = asked_for()
    field = asked.result.far_field
    one = field.at(np.arange(field.frequency.size))
    # Nothing farther than 60 deg from +z is trusted: the rim of the half space from a direction cosine of
    # sin 60 deg on.
    trusted = np.broadcast_to((one.theta < np.radians(60.5))[:, None], one.e_theta.shape)
    result = replace(asked.result, far_field=replace(one, trusted=trusted))
    path = tmp_path / "partial.html"
    path.write_text(report_page(replace(asked, result=result)), encoding="utf-8")
    driver.get(path.as_uri())
    until(driver, "document.documentElement.dataset.ready === 'yes'")
    for name in ("map", "u-v"):
        see(driver, name)
    choose = "const b = document.getElementById('half'); b.value = '{}'; b.dispatchEvent(new Event('change'))"
    step = 2 / 300
    for half, least in (("+z", np.sin(np.radians(60))), ("-z", 0.0)):
        driver.execute_script(choose.format(half))
        hidden = "(x) => (x.hovertemplate || '').startsWith('hangs')"
        grey = f"(document.getElementById('u-v').data.find({hidden}) || {{}}).z"
        until(driver, f"{grey} && {grey}[150][150] === {'1' if half == '-z' else 'null'}")
        row = np.array(driver.execute_script(f"return {grey}[150]"), dtype=float)
        across = np.abs(np.arange(-1, 1 + step / 2, step)[~np.isnan(row)])
        assert across.max() > 0.99
        assert across.min() == pytest.approx(least, abs=0.02)
    assert "hangs on near field" in driver.find_element("id", "figure-u-v").text


def test_the_theme_changes(opened):
    before = opened.execute_script("return document.documentElement.dataset.theme")
    opened.find_element("id", "theme").click()
    assert opened.execute_script("return document.documentElement.dataset.theme") != before
    see(opened, "cuts")


def test_paper_is_a4_and_has_a_picture_of_every_figure(opened):
    found = opened.execute_cdp_cmd("Page.printToPDF", {"printBackground": True, "preferCSSPageSize": True})
    pdf = base64.b64decode(found["data"])
    sizes = re.findall(rb"/MediaBox ?\[0 0 ([\d.]+) ([\d.]+)\]", pdf)
    # A4 is 210 mm by 297 mm, in points of 1/72 inch.
    assert sizes
    assert all(abs(float(w) - 595.28) < 1 and abs(float(h) - 841.89) < 1 for w, h in sizes)
    assert 5 <= len(re.findall(rb"/Type ?/Page\b", pdf)) <= 30
    assert len(re.findall(rb"/Subtype ?/Image", pdf)) >= len((*FIGURES, *MORE))
    opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": "print"})
    hidden = "[...document.querySelectorAll('.live')].every((x) => getComputedStyle(x).display === 'none')"
    shown = "[...document.querySelectorAll('.still')].every((x) => x.getBoundingClientRect().height > 20)"
    try:
        assert opened.execute_script(f"return {hidden} && {shown}")
        # What repeats on every page identifies the report.
        assert "TR-7" in opened.execute_script("return document.querySelector('.running').textContent")
    finally:
        opened.execute_cdp_cmd("Emulation.setEmulatedMedia", {"media": ""})


def test_without_script_pictures_stand_in(opened, page):
    opened.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": True})
    try:
        opened.get(page.as_uri())
        assert all(x.is_displayed() for x in opened.find_elements("css selector", "img.still"))
        assert not any(x.is_displayed() for x in opened.find_elements("css selector", ".plot"))
    finally:
        opened.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": False})

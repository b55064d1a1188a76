"""Pages of reports, and what the tests of them read from a page."""

import base64
import json
import re
import zlib
from html.parser import HTMLParser

import numpy as np
from patterns import HUYGENS

from nf2ff.antenna.dipoles import huygens_source
from nf2ff.antenna.grids import grid_for_degree
from nf2ff.antenna.modes import Modes, rotate
from nf2ff.io.report_toml import ReportMeta
from nf2ff.measurement.probe import field_probe
from nf2ff.measurement.simulated import simulate_grid
from nf2ff.metrics.transformation import transform_samples
from nf2ff.report.page.inputs import ReportInput

#: A picture of one point, in the place of those that take long.
POINT = (
    "data:image/png;base64,iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGNgAAAAAgABSK+kcQAAAABJ"
    "RU5ErkJggg=="
)
#: Frequencies of `asked_for` [Hz].
FREQUENCY = (1e9, 1.1e9, 1.2e9)


def tilted(frequency=FREQUENCY, reference="absolute"):
    """A Huygens source towards theta 60, phi 30 deg: directivity 3 (1 + cos a)^2 / 4 at the angle a."""
    one = rotate(HUYGENS, alpha=np.radians(30), beta=np.radians(60), gamma=0.3)
    level = 1 + np.arange(len(frequency))[:, None]
    return Modes(frequency, level * one.coefficients, reference)


def scan_of(noise=0.0):
    """Readings of a Huygens source beside the origin, with noise of the largest."""
    antenna = huygens_source(direction=[0, 0.6, 0.8], polarisation=[1, 0, 0], position=[0.02, 0, 0.01])
    samples = simulate_grid(antenna, frequency=FREQUENCY, grid=grid_for_degree(10), radius=2.0)
    rng = np.random.default_rng(1)
    pair = rng.normal(size=(2, *samples.response.shape))
    more = noise * np.abs(samples.response).max() * (pair[0] + 1j * pair[1])
    return type(samples)(
        *(getattr(samples, x) for x in ("frequency", "theta", "phi", "chi", "radius", "port")),
        samples.response + more,
    )


def asked_for(noise=1e-3, **more):
    """What a report of such a scan is made of."""
    samples = scan_of(noise)
    result = transform_samples(samples, field_probe(), degree=10)
    given = {
        "result": result,
        "name": "result.h5",
        "files": {"result.h5": "ab" * 32},
        "meta": ReportMeta(),
        "samples": samples,
        "probe": field_probe(),
    }
    return ReportInput(**given | more)


def packed(page, name):
    """What a page holds under a name."""
    (text,) = re.findall(rf'<script type="text/plain" id="{name}">([^<]*)</script>', page)
    return zlib.decompress(base64.b64decode(text))


def facts_of(page):
    """What the script of a page is told."""
    return json.loads(packed(page, "facts"))


def levels_of(index, data, name):
    """Levels of an array, as the script of a page finds them; NaN where there is nothing."""
    about = index[name]
    kind = {"Uint8Array": "u1", "Uint16Array": "<u2", "Float32Array": "<f4"}[about["kind"]]
    codes = np.frombuffer(data, kind, int(np.prod(about["shape"])), about["at"]).reshape(about["shape"])
    if "top" not in about:
        return codes
    top = np.reshape(about["top"], (-1, *[1] * (codes.ndim - 1)))
    return np.where(codes == 0, np.nan, top - (about["most"] - codes.astype(float)) * about["step"])


class Markup(HTMLParser):
    """Elements of a page with their attributes, and the text outside scripts and style."""

    def __init__(self, page):
        super().__init__()
        self.elements, self.text, self._inside = [], [], ""
        self.feed(page)

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self._inside = tag if tag in ("script", "style") else ""

    def handle_endtag(self, tag):
        del tag
        self._inside = ""

    def handle_data(self, data):
        if not self._inside:
            self.text.append(data)

"""The report of a result: one page that holds all it shows, and needs nothing else.

jinja2 and plotly (the extra ``report``) are imported only when a report is asked for.
"""

from __future__ import annotations

import base64
import functools
import hashlib
import importlib.resources
import json
from typing import Any

from nf2ff.messages.input_error import InputError
from nf2ff.report.budget import BUDGET_HEADER, NOT_SUPPLIED
from nf2ff.report.page.content import (
    CAUTIONS,
    PARTIAL_COMPARISON,
    PARTIAL_FIGURES,
    POWER_CAUTION,
    PageContent,
)
from nf2ff.report.page.data import packed_text
from nf2ff.report.page.drawn import Drawn
from nf2ff.report.page.inputs import ReportInput
from nf2ff.report.result import azimuth_text

#: What to install where a library lacks.
INSTALL = "install them: pip install 'nf2ff[report]', or pip install '.[report]' in the program's folder"
#: Parts of the script, in order.
SCRIPT = ("unpack.js", "figures.js", "page.js")
#: Alternative texts of pictures; of each the figures follow.
ALTERNATIVES = {
    "cuts": "Two cuts through the peak, co- and cross-polar, directivity over the angle from the peak",
    "bands": "Level along the cuts with error bands",
    "map": "Map of directivity over theta and phi",
    "u-v": "Map of directivity over direction cosines of the half space of the peak",
    "balloon": "Directivity as a surface about the antenna",
    "frequency": "Main figures over frequency",
    "near-field": "Amplitude and phase of the readings over theta and phi",
    "residual": "What the modes leave of the readings, over theta and phi",
    "spectrum": "Power of the modes in each degree",
    "orders": "Power of the modes in each degree and order",
    "best-beam": "Map of the beam that is the strongest in each direction",
    "distribution": "Part of the sphere in which the strongest beam stays below a level",
}


def require_libraries() -> None:
    """Raise where the libraries of reports are not installed.

    Raises
    ------
    ValueError
        One line that says what to install.
    """
    try:
        import jinja2  # noqa: F401
        import plotly.offline  # noqa: F401
    except ImportError as error:
        raise InputError(f"reports need jinja2 and plotly ({error.name} is not installed)", INSTALL) from None


def report_page(asked: ReportInput) -> str:
    """The report of a result as one page.

    Parameters
    ----------
    asked : ReportInput
        What it is made of.

    Returns
    -------
    str
        HTML that holds all it needs. Texts of files and users stand in it escaped, or packed where no
        browser takes them for markup; a policy in its head forbids scripts other than its own, and any
        connection.

    Raises
    ------
    ValueError
        If a library lacks, the scan or a beam has other frequencies, or a limit is of no known figure.
    """
    require_libraries()
    import jinja2
    from markupsafe import Markup

    content = PageContent(asked)
    drawn = Drawn(asked, content.levels())
    facts = drawn.facts | {
        "tables": content.tables(drawn.shown),
        "curves": content.curves(),
        "all_ghz": asked.ghz,
    }
    if facts["beams"]:
        facts["tables"]["percentiles"] = [[row] for row in facts["beams"]["table"]]
    script, (library, packed_library) = _script(), _library()
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_file),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    whole = environment.get_template("page.html.j2")
    return whole.render(
        policy=_policy(script, library),
        style=Markup(_file("page.css")),
        script=Markup(script),
        library=packed_library,
        arrays=drawn.pack.text(),
        facts_text=packed_text(json.dumps(facts, allow_nan=False).encode("utf-8")),
        **_words(asked, drawn, content, facts),
    )


def _words(asked: ReportInput, drawn: Drawn, content: PageContent, facts: dict[str, Any]) -> dict[str, Any]:
    """What the template is filled with."""
    first, f = drawn.first, asked.frequency_index
    top = drawn.facts["peak"]
    peak = (
        f"peak {top['directivity'][first]:z.2f} dBi at theta {top['theta'][first]:z.2f}, "
        f"phi {azimuth_text(top['theta'][first], top['phi'][first], 2)} deg"
    )
    ghz = asked.ghz[f]
    pictures = {}
    for name, address in drawn.pictures.items():
        words = ALTERNATIVES.get(name, "Standard uncertainty by term")
        pictures[name] = {"address": address, "words": f"{words}, at {ghz} GHz; {peak}."}
    uncertain = asked.uncertainty is not None
    return {
        "asked": asked,
        "meta": asked.meta,
        "title": asked.meta.title.strip() or f"Report on {asked.name}",
        "identification": content.identification(),
        "missing": NOT_SUPPLIED,
        "ghz": ghz,
        "count": len(drawn.shown),
        "total": len(asked.ghz),
        "first": first,
        "cards": content.cards(f),
        "tables": {name: rows[first] for name, rows in facts["tables"].items()},
        "metrics": content.budgets[0].metrics if uncertain else (),
        "percent": f"{100 * content.budgets[0].confidence:.6g} %" if uncertain else "",
        "budget_header": BUDGET_HEADER,
        "particulars": content.particulars(),
        "decisions": content.decisions(),
        "warnings": [*content.warnings(), *drawn.notices],
        "trusted": content.trusted(),
        "over_frequency": content.over_frequency(),
        "uncertainty_over_frequency": content.uncertainty_over_frequency() if uncertain else None,
        "plan": content.plan(),
        "origin": content.origin(),
        "pictures": pictures,
        "facts": facts,
        "partial": PARTIAL_FIGURES if content.partial else "",
        "partial_comparison": PARTIAL_COMPARISON if content.partial_comparison else "",
        "cautions": CAUTIONS,
        "power_caution": POWER_CAUTION,
    }


def _file(name: str) -> str:
    """A file of the page."""
    source = importlib.resources.files("nf2ff.report").joinpath("templates", name)
    return source.read_text(encoding="utf-8")


def _script() -> str:
    """The script of the page, of its parts."""
    return "\n".join(['"use strict";', "(() => {", *map(_file, SCRIPT), "})();"])


@functools.cache
def _library() -> tuple[str, str]:
    """The library that draws, as it is and packed."""
    from plotly.offline import get_plotlyjs

    text = get_plotlyjs()
    return text, packed_text(text.encode("utf-8"))


def _policy(*scripts: str) -> str:
    """What the page may do: run these scripts, show what it holds, connect to nothing."""
    digests = (hashlib.sha256(x.encode("utf-8")).digest() for x in scripts)
    own = " ".join(f"'sha256-{base64.b64encode(x).decode('ascii')}'" for x in digests)
    return (
        f"default-src 'none'; script-src {own}; style-src 'unsafe-inline'; img-src data: blob:; "
        "base-uri 'none'; form-action 'none'"
    )

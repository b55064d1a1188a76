"""The words and tables of a page, as plain text: the template alone makes markup of them."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.io.safe import provenance
from nf2ff.metrics.comparison import Freedom, compare
from nf2ff.report.budget import NOT_SUPPLIED, budget_rows
from nf2ff.report.comparison import comparison_rows
from nf2ff.report.over_frequency import Row, row_text, told_once
from nf2ff.report.page.figures import (
    OF_METRIC,
    PARTIAL,
    FigureRow,
    decisions,
    figure_rows,
    metric_tables,
    shown_interval,
)
from nf2ff.report.page.inputs import ReportInput, indices_of
from nf2ff.report.plan import CAUTIONS as PLAN_CAUTIONS
from nf2ff.report.plan import plan_lines
from nf2ff.report.result import azimuth_text
from nf2ff.report.uncertainty import note_lines, uncertainty_warnings
from nf2ff.uncertainty.budget.combine import combine

Cells = list[str]
#: Figures at the top of the page, by the quantities that they are of.
CARDS = ("peak_directivity", "peak_gain", "peak_realised_gain", "peak_eirp", "radiated_power")
#: Figures of the table over frequency.
OVER_FREQUENCY = (
    *CARDS,
    *("peak_theta", "peak_phi", "half_power_beamwidth_theta", "half_power_beamwidth_phi"),
    *("highest_sidelobe_theta", "highest_sidelobe_phi", "axial_ratio", "residual"),
)
#: Figures that are drawn over frequency.
CURVES = (*CARDS, "half_power_beamwidth_theta", "half_power_beamwidth_phi", "axial_ratio")
#: Beginnings of the figures of a comparison that are of the whole sphere.
_WHOLE = ("error over the sphere", "equivalent stray signal", "highest sidelobe", "peak directivity")
PARTIAL_FIGURES = (
    "Partial: a part of the sphere was not measured; what is radiated there is not known, and the figure "
    "leaves it out or rests on what was computed there."
)
PARTIAL_COMPARISON = (
    "Partial: a part of the sphere was not measured; what is said of all of it counts what was computed "
    "there, too."
)
POWER_CAUTION = (
    "EIRP, TRP and gain are as good as the absolute level of the readings: verify the calibration before a "
    "number from this report is used for a statement on compliance."
)
CAUTIONS = (
    "No number in this report is a safety assessment. In the beam of a directive antenna, exposure limits "
    "can be exceeded far away and at low power: keep people out of the chamber and of the beam while it "
    "radiates, by interlock. Outside a shielded chamber transmitting needs a licence.",
    "Local rules, the chamber's own procedures, and licensed or qualified people come first.",
)


class PageContent:
    """Words and tables of a report.

    Parameters
    ----------
    asked : ReportInput
        What it is made of.

    Attributes
    ----------
    rows : list of FigureRow
        Figures of the result.
    """

    def __init__(self, asked: ReportInput) -> None:
        self.asked = asked
        self.rows: list[FigureRow] = figure_rows(asked.result)
        self.by_name = {row.name: row for row in self.rows}
        self.budgets = [] if asked.uncertainty is None else list(asked.uncertainty.budgets)
        self.partial = any(row.mark(f) for row in self.rows for f in range(len(row.texts)))
        self.partial_comparison = False
        self.metrics: list[list[tuple[str, ...]]] = []
        if asked.uncertainty is not None:
            everywhere = range(asked.result.modes.frequency.size)
            self.metrics = metric_tables(asked.uncertainty, everywhere)

    # --- the table of each frequency -----------------------------------------------------------------

    def tables(self, shown: Sequence[int]) -> dict[str, list[list[Cells]]]:
        """Rows of each table at each frequency that is shown."""
        figures = [row for row in self.rows if not row.quality]
        quality = [row for row in self.rows if row.quality]
        found = {
            "cards": [[list(x[1:]) for x in self.cards(f)] for f in shown],
            "figures": [[[row.label, row.shown(f)] for row in figures] for f in shown],
            "quality": [[[row.label, row.texts[f]] for row in quality] for f in shown],
        }
        if self.metrics:
            found["metrics"] = [
                [[x[0], x[1] + self._metric_mark(i, f), *x[2:]] for i, x in enumerate(self.metrics[f])]
                for f in shown
            ]
            found["notes"] = [[[x] for x in self.notes(f)] for f in shown]
            for metric in self.budgets[0].metrics:
                found[f"terms-{metric.name}"] = [
                    [list(row) for row in budget_rows(self.budgets[f], metric.name)[1:]] for f in shown
                ]
        if self.asked.other is not None:
            found["comparison"] = self._comparison(shown)
        return found

    def cards(self, f: int) -> list[tuple[str, str, str]]:
        """Label, value and uncertainty of the chief figures at a frequency."""
        found = []
        for name in CARDS:
            if (row := self.by_name.get(name)) is not None:
                found.append((row.label, row.shown(f), self.uncertainty_text(name, f)))
        if (theta := self.by_name.get("peak_theta")) and (phi := self.by_name.get("peak_phi")):
            where = f"{theta.values[f]:z.2f}°, {azimuth_text(theta.values[f], phi.values[f], 2, '°')}"
            found.append(("theta, phi of the peak", where, self._of_metric("pointing", f)))
        return found

    def uncertainty_text(self, quantity: str, f: int) -> str:
        """Expanded uncertainty of a quantity, as it is shown."""
        return self._of_metric(self._metric_of(quantity), f)

    def _metric_of(self, quantity: str) -> str:
        """The metric of a budget that is of a quantity, none if there is no such."""
        known = [m.name for m in self.budgets[0].metrics] if self.budgets else []
        names = [name for name in known if name in OF_METRIC]
        return next((x for x in names if self._quantity_of(x) == quantity), "")

    def _quantity_of(self, metric: str) -> str:
        return next((x for x in OF_METRIC[metric][1] if x in self.by_name), "")

    def _metric_mark(self, index: int, f: int) -> str:
        """What stands behind a metric of the budget."""
        name = self.budgets[f].metrics[index].name
        row = self.by_name.get(self._quantity_of(name)) if name in OF_METRIC else None
        return "" if row is None else row.mark(f)

    def _of_metric(self, metric: str, f: int) -> str:
        for i, one in enumerate(self.budgets[f].metrics if self.budgets else ()):
            if one.name == metric:
                text, k = self.metrics[f][i][2:4]
                if text == NOT_SUPPLIED:
                    break
                sign = "" if text.startswith("+") else "± "
                percent = f"{100 * self.budgets[f].confidence:.6g} %"
                return f"{sign}{text} ({percent}, k = {k})"
        return f"uncertainty {NOT_SUPPLIED}"

    def notes(self, f: int) -> list[str]:
        """What is to be known of the uncertainties at a frequency."""
        assert self.asked.uncertainty is not None
        budget = self.budgets[f]
        return note_lines(self.asked.uncertainty, [combine(budget, m.name) for m in budget.metrics], f)

    def _comparison(self, shown: Sequence[int]) -> list[list[Cells]]:
        assert self.asked.other is not None
        modes, (_, other) = self.asked.result.modes, self.asked.other
        rows = indices_of(other.frequency, modes.frequency)
        kept = [f for f, i in enumerate(rows) if i is not None]
        matched = other.at([i for i in rows if i is not None])
        # One level is not known: it is fitted, with the phase, which then has no meaning either.
        free: tuple[Freedom, ...] = ("level", "phase") if modes.reference != other.reference else ()
        seen = [
            None if x is None else x.at(picks)
            for x, picks in (
                (self.asked.result.far_field, kept),
                (self.asked.other_seen, [i for i in rows if i is not None]),
            )
        ]
        one = compare(modes.at(kept), matched, free=free, seen=seen)
        lacking = [False] * len(kept) if one.seen is None else (one.seen < 1).tolist()
        self.partial_comparison = any(lacking)
        found = comparison_rows(one)
        names, head = [], ""
        for row in found:
            # Rows that go on with the one above them are indented.
            head = head if row.name.startswith(" ") else row.name.partition(" [")[0].removesuffix(", first")
            words = row.name.strip().replace("and phi", "largest at phi")
            names.append(f"{head}: {words}" if row.name.startswith(" ") else row.name)

        def cell(name: str, row: Row, f: int) -> str:
            if f not in kept:
                return "-"
            text = row_text(row, i := kept.index(f))
            return text + PARTIAL if lacking[i] and text != "-" and name.startswith(_WHOLE) else text

        return [[[x, cell(x, row, f)] for x, row in zip(names, found, strict=True)] for f in shown]

    # --- the tables of all frequencies ---------------------------------------------------------------

    def over_frequency(self) -> tuple[Cells, list[Cells]]:
        """Head and rows, one for each frequency, of the chief figures."""
        rows = [self.by_name[name] for name in OVER_FREQUENCY if name in self.by_name]
        head = ["GHz", *(f"{row.label} [{row.unit}]" if row.unit else row.label for row in rows)]
        lines = []
        for f, ghz in enumerate(self.asked.ghz):
            lines.append([ghz, *(row.texts[f].removesuffix(row.unit).strip() + row.mark(f) for row in rows)])
        return head, lines

    def uncertainty_over_frequency(self) -> tuple[Cells, list[Cells]]:
        """Head and rows, one for each frequency, of the metrics with their uncertainties."""
        head = ["GHz", *(metric.label for metric in self.budgets[0].metrics)]
        lines = []
        for f, (ghz, cells) in enumerate(zip(self.asked.ghz, self.metrics, strict=True)):
            lines.append([ghz, *(f"{x[1]}, {x[2]}{self._metric_mark(i, f)}" for i, x in enumerate(cells))])
        return head, lines

    def levels(self) -> dict[str, NDArray[np.float64]]:
        """Chief figures over frequency, for the picture."""
        rows = [self.by_name[name] for name in CARDS if name in self.by_name]
        return {f"{row.label} [{row.unit}]": row.values for row in rows if np.isfinite(row.values).any()}

    def curves(self) -> list[dict[str, Any]]:
        """Figures over frequency, with both ends of their intervals where they are known."""
        found = []
        for name in CURVES:
            if (row := self.by_name.get(name)) is not None and np.isfinite(row.values).any():
                values = [x if math.isfinite(x) else None for x in row.values.tolist()]
                found.append({"label": row.label, "unit": row.unit, "values": values, **self._ends(name)})
        return found

    def _ends(self, quantity: str) -> dict[str, list[float | None]]:
        """Ends of the intervals of a quantity, where its uncertainty is known."""
        metric, uncertainty = self._metric_of(quantity), self.asked.uncertainty
        if uncertainty is None or metric not in uncertainty.results:
            return {}
        ends = [shown_interval(uncertainty, metric, f)[1:] for f in range(len(self.asked.ghz))]
        return {"low": [low for low, _ in ends], "high": [high for _, high in ends]}

    def decisions(self) -> list[dict[str, Any]]:
        """Limits, each with its rule and verdicts."""
        asked = self.asked
        return decisions(asked.meta.limit, asked.result, self.rows, asked.uncertainty)

    # --- words -------------------------------------------------------------------------------------

    def warnings(self) -> list[str]:
        """What to beware of."""
        asked = self.asked
        told = [*asked.notices, *told_once(asked.result.modes.frequency, asked.result.warnings)]
        if asked.uncertainty is not None:
            told += told_once(asked.result.modes.frequency, uncertainty_warnings(asked.uncertainty))
        return told

    def trusted(self) -> str:
        """Which directions were seen."""
        share = self.by_name.get("trusted_fraction")
        if share is None:
            return "Which directions were seen is not known: the file says nothing about the scan."
        least = float(np.nanmin(share.values))
        if least >= 100:
            return "The near field of all directions was measured: the whole pattern is trusted."
        return (
            f"{'At each frequency at least ' if share.values.size > 1 else ''}{least:z.1f} % of the "
            "directions were seen. The figures mark what hangs on near field that was not measured: do not "
            "trust the far field there."
        )

    def identification(self) -> str:
        """What identifies the report, on every page."""
        meta, digest = self.asked.meta, self.asked.files.get(self.asked.name, "")
        parts = [f"Report {meta.number or f'number {NOT_SUPPLIED}'}"]
        if digest:
            parts.append(f"result {digest[:12]}")
        return " · ".join(parts)

    def particulars(self) -> list[tuple[str, list[tuple[str, str]]]]:
        """Items of ISO/IEC 17025:2017, 7.8.2, in groups: label, and text or that it is not supplied."""
        meta = self.asked.meta
        lab, item, done = meta.laboratory, meta.item, meta.measurement
        groups: list[tuple[str, list[tuple[str, str]]]] = [
            (
                "Laboratory and client",
                [
                    ("laboratory", lab.name),
                    ("address", lab.address),
                    ("place of the measurement", lab.place),
                    ("accreditation", lab.accreditation),
                    ("client", meta.client.name),
                    ("contact of the client", meta.client.contact),
                ],
            ),
            (
                "Item",
                [
                    ("description", item.description),
                    ("identification", item.identification),
                    ("condition", item.condition),
                    ("received", item.received),
                ],
            ),
            (
                "Measurement",
                [
                    ("method", done.method),
                    ("measured from", done.started),
                    ("measured to", done.ended),
                    ("environment", done.environment),
                    ("equipment", "; ".join(done.equipment)),
                    ("sampling", done.sampling),
                    ("deviations from the method", done.deviations),
                    ("results from others", done.from_others),
                    ("stated by the client", done.from_client),
                ],
            ),
            (
                "Report",
                [
                    ("number", meta.number),
                    ("issued", meta.issued),
                    (
                        "authorised by",
                        ", ".join(x for x in (meta.authorised.name, meta.authorised.function) if x),
                    ),
                    ("opinions and interpretations", meta.opinions),
                ],
            ),
        ]
        return [
            (name, [(label, text.strip() or NOT_SUPPLIED) for label, text in some]) for name, some in groups
        ]

    def plan(self) -> dict[str, Any] | None:
        """What was planned beside what was done, and the plan itself."""
        plan = self.asked.plan
        if plan is None:
            return None
        f = self.asked.frequency_index
        degree, count = self.by_name.get("degree"), self.by_name.get("samples")
        samples = self.asked.samples
        radius = NOT_SUPPLIED
        if samples is not None:
            low, high = float(samples.radius.min()), float(samples.radius.max())
            radius = f"{low:.6g} m" if high - low < 1e-6 * high else f"{low:.6g} to {high:.6g} m"
        ghz = plan.request.frequency / 1e9
        rows = [
            ["frequencies", _span(ghz), _span(self.asked.result.modes.frequency / 1e9)],
            ["degree", str(plan.degree), NOT_SUPPLIED if degree is None else degree.texts[f]],
            ["distance", f"{plan.request.distance:.6g} m", radius],
            ["readings", str(plan.scan.time.size), NOT_SUPPLIED if count is None else count.texts[f]],
        ]
        lines = [line for line in plan_lines(plan) if line not in PLAN_CAUTIONS]
        return {"rows": rows, "lines": "\n".join(lines).strip(), "warnings": list(plan.warnings)}

    def origin(self) -> dict[str, Any]:
        """Where the result comes from, and what this report was made by and of."""
        found = dict(self.asked.result.provenance)
        own = provenance(command=self.asked.command)
        inputs = [tuple(map(str, x)) for x in _object(found.get("inputs", "")).items()]
        words = [
            ("program", found.get("program", "")),
            ("command", found.get("command", "")),
            ("libraries", _listed(found.get("libraries", ""))),
            ("how it was solved", self.asked.result.notes.get("status", "")),
            ("degree", self.asked.result.notes.get("degree_reason", "")),
            *(_labelled(line, "level") for line in found.get("level", "").splitlines()),
            *(_labelled(line, "probe") for line in found.get("probe", "").splitlines()),
        ]
        report = [
            ("program", own["program"]),
            ("command", own["command"]),
            ("libraries", _listed(own["libraries"])),
        ]
        return {
            "result": [(label, text or NOT_SUPPLIED) for label, text in words],
            "inputs": inputs,
            "report": [(label, text or NOT_SUPPLIED) for label, text in report],
            "files": list(self.asked.files.items()),
        }


def _span(ghz: Any) -> str:
    """Frequencies in a few words."""
    if len(ghz) == 1:
        return f"{ghz[0]:.9g} GHz"
    return f"{len(ghz)} from {min(ghz):.9g} to {max(ghz):.9g} GHz"


def _object(text: str) -> dict[str, Any]:
    """A JSON object, empty if it is none."""
    try:
        found = json.loads(text)
    except ValueError:
        return {}
    return found if isinstance(found, dict) else {}


def _listed(text: str) -> str:
    return ", ".join(f"{name} {version}" for name, version in _object(text).items())


def _labelled(line: str, label: str) -> tuple[str, str]:
    """A line by the short words before its colon, if it has such."""
    head, colon, rest = line.partition(": ")
    return (head, rest) if colon and len(head) <= 24 else (label, line)

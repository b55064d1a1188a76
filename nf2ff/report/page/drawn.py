"""All that a page draws: arrays for its script, and pictures for paper."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray

from nf2ff.antenna.far_field import FarField
from nf2ff.antenna.modes import Modes
from nf2ff.messages.input_error import InputError, found_in
from nf2ff.metrics.beam import Peak, peak
from nf2ff.metrics.beam_set import Envelope
from nf2ff.report import pattern_plots, plots, scan_plots
from nf2ff.report.page import pattern, pictures
from nf2ff.report.page.beams import (
    MOST_BEAMS,
    beam_quantity,
    envelopes,
    nearest_beams,
    put_beams,
    shown_levels,
)
from nf2ff.report.page.data import ArrayPack
from nf2ff.report.page.inputs import ReportInput, indices_of
from nf2ff.report.page.scan import Left, ScanMaps, left_of
from nf2ff.report.picture import decibels
from nf2ff.report.result import AT_POLE_DEG
from nf2ff.report.uncertainty_plots import cuts_with_bars

Real = NDArray[np.float64]
#: Most frequencies of the slider: of more, as many evenly.
MOST_FREQUENCIES = 201
#: Colours of a scale, from the lowest value to the largest.
COLOURS = 33


class Drawn:
    """What is drawn of a report.

    Attributes
    ----------
    shown : list of int
        Frequencies of the slider.
    first : int
        Which of them is shown first, that of the pictures.
    facts : dict
        What the script needs besides the arrays.
    pack : ArrayPack
        The arrays.
    pictures : dict of str to str
        Pictures for paper, by name.
    notices : list of str
        What is to be known of what was drawn.
    """

    def __init__(self, asked: ReportInput, curves: Mapping[str, Real]) -> None:
        self.asked, self.pack = asked, ArrayPack()
        self.pictures: dict[str, str] = {}
        self.notices: list[str] = []
        count = asked.result.modes.frequency.size
        some = np.linspace(0, count - 1, min(count, MOST_FREQUENCIES)).round().astype(int)
        self.shown = np.unique([*some, asked.frequency_index]).tolist()
        self.first = self.shown.index(asked.frequency_index)
        self.modes = asked.result.modes.at(self.shown)
        self.top = self._peak()
        self.step = pattern.map_step(len(self.shown), self.modes.degree)
        self.facts: dict[str, Any] = {
            "ghz": [asked.ghz[f] for f in self.shown],
            "first": self.first,
            "absolute": self.modes.reference == "absolute",
            "level": self._offset(self.modes).tolist(),
            "peak": {
                "theta": np.degrees(self.top.theta).tolist(),
                "phi": np.degrees(self.top.phi).tolist(),
                "directivity": (10 * np.log10(self.top.directivity)).tolist(),
            },
            "pole": AT_POLE_DEG,
            "step": self.step,
            "fine": pattern.is_fine(len(self.shown)),
            "scales": _scales(),
            "scan": None,
            "beams": None,
        }
        self._over_frequency(curves)
        self._patterns()
        self._scan()
        self._beams()
        self._budget()
        self.facts["arrays"] = self.pack.index

    def _peak(self) -> Peak:
        """The peak, as the result has it."""
        rows, found = np.asarray(self.shown), self.asked.result.quantities
        names = ("peak_theta", "peak_phi", "peak_directivity")
        if not all(name in found and np.isfinite(found[name].values[rows]).all() for name in names):
            return peak(self.modes)
        theta, phi, directivity = (np.asarray(found[name].values, dtype=float)[rows] for name in names)
        absolute = self.modes.reference == "absolute"
        return Peak(theta, phi, directivity, directivity * self.modes.radiated_power() if absolute else None)

    def _offset(self, modes: Modes) -> Real:
        """EIRP [dBm] less directivity [dBi]."""
        return np.asarray(decibels(modes.radiated_power() / 1e-3))

    def _picture(self, name: str, draw: Callable[[], Any]) -> None:
        self.pictures[name] = pictures.png_text(draw)

    def _over_frequency(self, curves: Mapping[str, Real]) -> None:
        frequency = self.asked.result.modes.frequency
        if frequency.size > 1 and curves:
            draw = partial(scan_plots.over_frequency, frequency, curves, label="level [dBi, dBm]")
            self._picture("frequency", draw)

    # --- patterns --------------------------------------------------------------------------------

    def _patterns(self) -> None:
        asked, modes, one = self.asked, self.modes, self.modes.at(self.first)
        pattern.put_maps(self.pack, "map", modes, self.top, step=self.step)
        field = asked.result.far_field
        self.facts["trusted"] = pattern.put_trusted(self.pack, field, self.shown, step=self.step)
        self._cuts()
        self.facts["spectrum"] = pattern.put_spectrum(self.pack, modes)
        self._picture("map", partial(pattern_plots.pattern_map, one, seen=self._seen()))
        self._picture("u-v", partial(pattern_plots.pattern_map, one, kind="u-v", seen=self._seen()))
        self._picture("balloon", partial(pattern_plots.balloon, one, seen=self._seen()))
        self._picture("spectrum", partial(plots.power_spectrum, one))
        self._picture("orders", partial(pictures.order_map, one))

    def _seen(self) -> FarField | None:
        """What marks the directions that were not seen, at the frequency of the pictures."""
        field = self.asked.result.far_field
        return None if field is None or field.trusted is None else field.at(self.asked.frequency_index)

    def _cuts(self) -> None:
        """Cuts through the peak, or where draws followed them, with bands; those of the other result."""
        asked, modes = self.asked, self.modes
        count = modes.frequency.size
        drawn = asked.uncertainty and pattern.planes_of_draws(asked.uncertainty, count)
        bands = None
        at: Peak = self.top
        if asked.uncertainty is not None and drawn:
            planes, at = drawn
            bands = pattern.put_bands(self.pack, asked.uncertainty, self.shown)
            drawn_pattern = asked.uncertainty.pattern
            assert drawn_pattern is not None
            names = [list(drawn_pattern.cut.names or [f"cut {i + 1}" for i in range(len(planes))])] * count
        else:
            quantities = {
                name: quantity._replace(values=np.asarray(quantity.values)[self.shown])
                for name, quantity in asked.result.quantities.items()
            }
            planes = list(pattern.planes_of(quantities, modes, self.top))
            names = [[plane[f].name for plane in planes] for f in range(count)]
        angle = pattern.cut_angles(count, modes.degree)
        levels = pattern.cut_levels(modes, at, planes, angle)
        look: dict[str, Any] = {"depth": pattern.CUT_DEPTH, "step": pattern.CUT_STEP, "fine": True}
        look["top"] = 10 * np.log10(self.top.directivity)
        self.pack.put_levels("cuts", levels, **look)
        self.facts["cuts"] = {
            "angles": angle.size,
            "names": names,
            "bands": bands,
            "through": [np.degrees(at.theta).tolist(), np.degrees(at.phi).tolist()],
        }
        field = asked.result.far_field
        if field is not None and field.trusted is not None:
            pattern.put_trusted_cuts(self.pack, field, self.shown, at, planes, angle)
        if asked.other is not None:
            name, other = asked.other
            rows = indices_of(other.frequency, modes.frequency)
            kept = [f for f, i in enumerate(rows) if i is not None]
            more = np.full(levels.shape, np.nan)
            there = Peak(at.theta[kept], at.phi[kept], at.directivity[kept], None)
            matched = other.at([i for i in rows if i is not None])
            ways = [[plane[f] for f in kept] for plane in planes]
            more[kept] = pattern.cut_levels(matched, there, ways, angle)
            self.pack.put_levels("other", more, **look)
            self.facts["cuts"]["other"] = name
        pair = {"": modes.at(self.first)}
        if asked.other is not None and (i := indices_of(other.frequency, pair[""].frequency)[0]) is not None:
            pair = {"this result": pair[""], pictures.plain_text(name): other.at(i)}
        mark = self._seen()
        marks = {} if mark is None else {next(iter(pair)): mark}
        draw = partial(pattern_plots.peak_cuts, pair, plane=planes[0][self.first], seen=marks)
        self._picture("cuts", draw)
        if bands and asked.uncertainty is not None:
            at_first = partial(cuts_with_bars, asked.uncertainty, frequency_index=asked.frequency_index)
            self._picture("bands", at_first)

    # --- scan ------------------------------------------------------------------------------------

    def _scan(self) -> None:
        asked = self.asked
        if asked.samples is None or asked.probe is None:
            return
        rows = indices_of(asked.samples.frequency, self.modes.frequency)
        missing = [f for f, i in enumerate(rows) if i is None]
        if missing:
            raise InputError(
                f"the scan holds no {self.facts['ghz'][missing[0]]} GHz, which the result has",
                "give the scan that the result was made from",
            )
        which = [i for i in rows if i is not None]
        samples = asked.samples.part(which)
        maps = ScanMaps(samples)
        part = maps.part(samples)
        residual = asked.result.quantities.get("residual")
        expected = None if residual is None else np.asarray(residual.values, dtype=float)[self.shown]
        try:
            left: Left | None = left_of(part, asked.probe, self.modes, expected)
        except ValueError as error:
            self.notices.append(f"the residual on the sphere is not shown: {error}")
            left = None
        if left is not None and left.reason:
            self.notices.append(f"the residual on the sphere is not shown: {left.reason}")
        self.facts["scan"] = maps.put(self.pack, part, left)
        if not np.isnan(samples.response[self.first]).all():
            near = partial(scan_plots.near_field, samples, frequency_index=self.first)
            self._picture("near-field", near)
        if left is not None and not left.reason:
            values = maps.on_map(2 * decibels(left.level[self.first : self.first + 1]))[0]
            low = float(np.nanmax(values)) - 60 if np.isfinite(values).any() else -60.0
            words = {
                "label": "residual over the largest reading [dB]",
                "title": f"Residual, {self.facts['ghz'][self.first]} GHz",
            }
            self._picture("residual", partial(pictures.sphere_map, values, step=maps.step, low=low, **words))

    # --- beams -----------------------------------------------------------------------------------

    def _beams(self) -> None:
        asked = self.asked
        if not asked.beams:
            return
        beams = {asked.name: asked.result.modes, **asked.beams}
        if len(beams) > MOST_BEAMS:
            raise InputError(f"there are {len(beams)} beams", f"give up to {MOST_BEAMS}")
        rows: list[list[int]] = []
        for name, modes in beams.items():
            found = indices_of(modes.frequency, self.modes.frequency)
            if None in found:
                raise InputError(
                    f"{name} lacks {self.facts['ghz'][found.index(None)]} GHz",
                    "give beams of the same frequencies",
                )
            rows.append([i for i in found if i is not None])
        with found_in("beams"):
            strongest = envelopes(beams, rows)
        self.facts["beams"] = put_beams(self.pack, strongest, list(beams), step=self.step)
        self._beam_pictures(beams, strongest[self.first])

    def _beam_pictures(self, beams: dict[str, Modes], one: Envelope) -> None:
        title = f"{self.facts['ghz'][self.first]} GHz: beam that is the strongest"
        step = max(self.step, 1.0)
        which, _ = nearest_beams(one, step)
        self._picture("best-beam", partial(pictures.beam_map, which, list(beams), step=step, title=title))
        unit = "EIRP [dBm]" if beam_quantity(beams) == "eirp" else "directivity [dBi]"
        self._picture("distribution", partial(pictures.distribution_chart, one, shown_levels, unit=unit))

    # --- budget ----------------------------------------------------------------------------------

    def _budget(self) -> None:
        found = self.asked.uncertainty
        if found is None:
            return
        budget = found.budgets[self.asked.frequency_index]
        for metric in budget.metrics:
            chart = partial(pictures.term_chart, budget, metric.name, title=metric.label)
            self._picture(f"terms-{metric.name}", chart)


def _scales() -> dict[str, list[str]]:
    """Colours of the scales that the script uses, as matplotlib has them."""
    from matplotlib import colormaps
    from matplotlib.colors import to_hex

    at = np.linspace(0, 1, COLOURS)
    return {name: [to_hex(c) for c in colormaps[name](at)] for name in ("viridis", "cividis", "twilight")}

"""A plan: degree, sets of positions with their times, and ranges, for a device in a chamber."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from nf2ff.antenna.modes import frequencies, mode_count, wavenumber
from nf2ff.kernel.arrays import keep
from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.planning import PlanCode
from nf2ff.planning.axes import Positioner, Receiver
from nf2ff.planning.degree import DegreeChoice, choose_degree, customary_degree, power_above_db
from nf2ff.planning.distance import Link, check_distance, told_of_noise
from nf2ff.planning.enclosure import Part, best_centre, minimum_radius
from nf2ff.planning.scan_time import NAMES, Schedule, schedules
from nf2ff.ranges.compare import PhaseReference, RangeKind, RangeQuestion, RangeVerdict, compare_ranges

Real = NDArray[np.float64]

#: Largest degree of a scan that is laid out: two million positions.
MAX_SCAN_DEGREE = 1000


@dataclass(frozen=True, slots=True, eq=False)
class ScanRequest:
    """What is to be planned.

    Parameters
    ----------
    frequency : (F,) array_like
        Frequencies [Hz].
    device : Part
        The whole device.
    parts : tuple of Part
        Where in it something radiates; empty if that is not known.
    coherent : bool
        Whether the parts radiate together, as one aperture.
    centre : (3,) array_like
        Centre of rotation, in the frame of device and parts [m].
    distance : float
        From the centre of rotation to the probe [m].
    positioner, receiver : Positioner, Receiver
        What moves and what reads.
    room, largest_device : float, optional
        Longest distance from the centre of rotation, and largest diameter of a device about it, that the
        chamber allows [m].
    tail_db : float
        Far-field error that the degree may leave [dB].
    degree, step : int, float, optional
        A degree, or steps of the grid [rad], that are wished; one of them.
    scan : str, optional
        Set of positions that is wished, one of `scan_time.NAMES`; the quickest otherwise.
    time_limit : float, optional
        Longest time of a scan [s].
    link : Link, optional
        Levels.
    wanted : tuple of str
        Some of `ranges.compare.WANTED`.
    reference : str
        As in `RangeQuestion`.
    peak_db, sidelobe_db, sidelobe_level_db : float, optional
        As in `RangeQuestion`.
    modulated, frozen : bool
        Whether the device sends its own modulated signal; whether its beam stays as it is.
    """

    frequency: Real
    device: Part
    parts: tuple[Part, ...]
    coherent: bool
    centre: ArrayLike
    distance: float
    positioner: Positioner
    receiver: Receiver
    room: float | None = None
    largest_device: float | None = None
    tail_db: float = -60.0
    degree: int | None = None
    step: float | None = None
    scan: str | None = None
    time_limit: float | None = None
    link: Link | None = None
    wanted: tuple[str, ...] = ("pattern", "eirp", "trp")
    reference: PhaseReference = "port"
    modulated: bool = False
    frozen: bool = True
    peak_db: float | None = None
    sidelobe_db: float | None = None
    sidelobe_level_db: float = 25.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "frequency", np.sort(frequencies(self.frequency)))
        keep(self, ("frequency",), float, ndim=1)
        keep(self, ("centre",), float, ndim=1)
        for i, part in enumerate(self.parts, start=1):
            if not _holds(self.device, part):
                raise InputError(
                    f"part {i} reaches out of the device", "correct its place, or the device's size"
                )
        if self.degree is not None and self.step is not None:
            raise InputError("a degree and a step are wished", "give one of them")
        if self.scan is not None and self.scan not in NAMES:
            raise InputError(f"scan is {self.scan!r}, expected one of {', '.join(NAMES)}")

    @property
    def radiating(self) -> tuple[Part, ...]:
        """Parts that radiate: the whole device where they are not known."""
        return self.parts or (self.device,)


def _holds(device: Part, part: Part) -> bool:
    """Whether a part lies in the device."""
    at, radius = part.balls()
    away = at - np.asarray(device.centre)
    if device.diameter is not None:
        return bool(np.all(np.linalg.norm(away, axis=1) + radius <= device.diameter / 2 * (1 + 1e-9)))
    half = np.asarray(device.sides) / 2
    return bool(np.all(np.abs(away) + radius[:, None] <= half + 1e-9 * half.max()))


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """What a request comes to.

    Parameters
    ----------
    request : ScanRequest
        The request.
    minimum_radius : float
        Of the sphere about the centre of rotation that holds what radiates [m].
    choices : tuple of DegreeChoice
        One a frequency.
    degree : int
        Degree of the scan, the largest of them or as wished.
    whole : DegreeChoice
        At the highest frequency, were the place of the parts not known.
    centred : DegreeChoice
        At the highest frequency, were the device moved so that the sphere is smallest.
    centre, centred_radius : (3,) ndarray, float
        Where the centre of rotation were then, and the radius of the sphere [m].
    scans : tuple of Schedule
        Sets of positions, in the order of `scan_time.NAMES`.
    chosen : int
        Index of the one to take.
    ranges : tuple of RangeVerdict
        Verdicts on ranges.
    warnings : tuple of Notice
        What to beware of.
    """

    request: ScanRequest
    minimum_radius: float
    choices: tuple[DegreeChoice, ...]
    degree: int
    whole: DegreeChoice
    centred: DegreeChoice
    centre: Real
    centred_radius: float
    scans: tuple[Schedule, ...]
    chosen: int
    ranges: tuple[RangeVerdict, ...]
    warnings: tuple[Notice, ...]

    @property
    def scan(self) -> Schedule:
        """The set of positions to take."""
        return self.scans[self.chosen]

    @property
    def seen_angle(self) -> float:
        """Angle from the probe's axis within which it sees the minimum sphere [rad]."""
        return math.asin(self.minimum_radius / self.request.distance)

    @property
    def noise_margin_db(self) -> float | None:
        """About how far the noise of the pattern lies below its peak [dB]; None where no levels are known."""
        if self.request.link is None:
            return None
        near = next(x for x in self.ranges if x.kind is RangeKind.NEAR_FIELD)
        dynamic = self.request.link.dynamic_range_db(near.loss_db)
        return dynamic + averaging_db(self.degree, self.scan.positions)


def samples_of_grid(degree: int) -> int:
    """Readings of the grid of a degree, both polarisations: 2 (N + 2) (2N + 2)."""
    return 2 * (degree + 2) * (2 * degree + 2)


def averaging_db(degree: int, positions: int) -> float:
    """What the solve takes from noise, for areas that are about equal [dB].

    Noise of mean square s^2 in 2M readings, of mean square p, puts J s^2 / (2M p) of the power into J modes
    (closed form); the peak has 2 D p, so that over its noise it is M/J times what it is in a reading.
    """
    return 10 * math.log10(positions / mode_count(degree))


def make_plan(request: ScanRequest) -> Plan:
    """Plan a scan.

    Parameters
    ----------
    request : ScanRequest
        What is asked for.

    Returns
    -------
    Plan
        The plan.

    Raises
    ------
    ValueError
        If the device does not fit, the distance does not suit, or wishes contradict each other.
    """
    radius = minimum_radius(request.radiating, about=request.centre)
    whole_radius = minimum_radius([request.device], about=request.centre)
    if request.largest_device is not None and 2 * whole_radius > request.largest_device * (1 + 1e-9):
        raise InputError(
            f"the device takes a sphere of {2 * whole_radius:.4g} m about the centre of rotation, but the "
            f"chamber allows {request.largest_device:.4g} m",
            "centre it better, or take a larger chamber",
        )
    low = float(request.frequency[0])
    if whole_radius >= request.distance > radius:
        raise InputError(
            f"distance is {request.distance:.4g} m, but the device turns within {whole_radius:.4g} m",
            "measure farther out, or the probe will be hit",
        )
    warnings = check_distance(request.distance, minimum_radius=radius, frequency=low, room=request.room)
    k = wavenumber(request.frequency)
    choices = tuple(
        choose_degree(float(x) * radius, kr=float(x) * request.distance, tail_db=request.tail_db) for x in k
    )
    needed = max(choice.degree for choice in choices)
    degree = _wished_degree(request, needed)
    if degree > MAX_SCAN_DEGREE:
        raise InputError(
            f"degree {degree} takes {samples_of_grid(degree)} readings: scans are laid out up to degree "
            f"{MAX_SCAN_DEGREE}",
            "declare where the device radiates, measure farther out, or allow a higher tail",
        )
    scans = tuple(schedules(degree, request.positioner, request.receiver))
    chosen = _chosen(request, scans)
    centre, centred_radius = best_centre(request.radiating)
    top = float(k[-1])

    def at_top(r0: float) -> DegreeChoice:
        # What holds a larger sphere may need a larger distance too.
        farther = max(request.distance, r0 + 2 * math.pi / top)
        return choose_degree(top * r0, kr=top * farther, tail_db=request.tail_db)

    verdicts = compare_ranges(_question(request, whole_radius, degree, 2 * scans[chosen].positions))
    warnings += _told(request, choices[-1], top * radius, degree, scans[chosen], verdicts)
    return Plan(
        request,
        radius,
        choices,
        degree,
        at_top(whole_radius),
        at_top(centred_radius),
        centre,
        centred_radius,
        scans,
        chosen,
        verdicts,
        tuple(warnings),
    )


def _wished_degree(request: ScanRequest, needed: int) -> int:
    """The degree of the scan; wishes that do not hold the antenna are refused."""
    degree, said = request.degree, f"degree {request.degree} is wished"
    if request.step is not None:
        # A grid of degree N has steps of pi / (N + 1).
        degree = math.floor(math.pi / request.step * (1 + 1e-12)) - 1
        said = f"a step of {math.degrees(request.step):.4g} deg is wished, which supports degree {degree}"
    if degree is None:
        return needed
    if degree < needed:
        raise InputError(
            f"{said}, but degree {needed} is needed for a tail of {request.tail_db:g} dB "
            f"(steps of at most {180 / (needed + 1):.4g} deg)",
            "leave the wish out, allow a higher tail, or measure farther out",
        )
    return degree


def _chosen(request: ScanRequest, scans: tuple[Schedule, ...]) -> int:
    """Index of the scan that is wished, or of the quickest that the axes can do."""
    if request.scan is not None:
        index = NAMES.index(request.scan)
        if scans[index].impossible:
            raise InputError(
                f"scan is {request.scan!r}, but {scans[index].impossible}", "choose another, or leave it out"
            )
    else:
        able = [i for i, scan in enumerate(scans) if not scan.impossible]
        if not able:
            raise InputError(f"the axes can do none of the scans: {scans[0].impossible}", "allow more travel")
        index = min(able, key=lambda i: scans[i].duration)
    if request.time_limit is not None and scans[index].duration > request.time_limit:
        raise InputError(
            f"a scan may take {request.time_limit / 3600:.3g} h, but {request.scan or 'the quickest'} takes "
            f"{scans[index].duration / 3600:.3g} h",
            "allow more time or a higher tail, or take fewer frequencies or beams",
        )
    return index


def _question(request: ScanRequest, whole_radius: float, degree: int, readings: int) -> RangeQuestion:
    """The same device and chamber, as other ranges see them."""
    apart = request.radiating if not request.coherent else ()
    groups = [[part] for part in apart] or [list(request.radiating)]
    balls = [best_centre(group) for group in groups]
    away = [float(np.linalg.norm(at - np.asarray(request.centre))) for at, _ in balls]
    return RangeQuestion(
        lowest=float(request.frequency[0]),
        highest=float(request.frequency[-1]),
        zone_radius=whole_radius,
        aperture=2 * max(r for _, r in balls),
        place_known=bool(request.parts),
        offset=max(away) if request.parts else 0.0,
        wanted=request.wanted,
        reference=request.reference,
        modulated=request.modulated,
        frozen=request.frozen,
        room=request.room,
        near_distance=request.distance,
        near_degree=degree,
        near_samples=readings,
        peak_db=request.peak_db,
        sidelobe_db=request.sidelobe_db,
        sidelobe_level_db=request.sidelobe_level_db,
    )


def _told(
    request: ScanRequest,
    top: DegreeChoice,
    kr0: float,
    degree: int,
    scan: Schedule,
    verdicts: tuple[RangeVerdict, ...],
) -> list[Notice]:
    """What to beware of."""
    told: list[Notice] = []
    if top.spectrum_degree is not None and top.degree > top.spectrum_degree + 1:
        told.append(PlanCode.BY_DISTANCE(spectrum_degree=top.spectrum_degree, degree=top.degree))
    customary = customary_degree(kr0)
    above = power_above_db(kr0, customary)
    if above > request.tail_db:
        told.append(PlanCode.CUSTOMARY(customary=customary, tail_db=above, wanted_db=request.tail_db))
    if request.link is not None:
        loss = next(x.loss_db for x in verdicts if x.kind is RangeKind.NEAR_FIELD)
        told += told_of_noise(
            request.link.dynamic_range_db(loss), averaging_db(degree, scan.positions), request.tail_db
        )
    if any(scan.overtravel):
        theta, phi = map(math.degrees, scan.overtravel)
        told.append(PlanCode.OVERTRAVEL(theta_deg=theta, phi_deg=phi))
        moved = scan.speed * request.receiver.sweep
        told.append(
            PlanCode.MOVED(moved_deg=math.degrees(moved), error_db=20 * math.log10(max(kr0 * moved, 1e-15)))
        )
    return told

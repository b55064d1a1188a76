"""Which range suits a device: direct far field, near field, compact range, plane-wave array."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import Enum
from typing import Literal

from nf2ff.messages.input_error import InputError
from nf2ff.messages.notice import Notice
from nf2ff.messages.ranges import RangeCode
from nf2ff.ranges import lengths
from nf2ff.ranges.aperture_distance import Aperture, Figure, least_distance
from nf2ff.ranges.typical import typical_array, typical_reflector

#: What a transform gives, from samples with phase.
TRANSFORMED = ("pattern", "directivity", "gain", "eirp", "trp", "spurious")
#: What a receiver is asked for (TS 38.508-1 Table B.1-1 Note 1, TS 38.521-2 K.4, Rel-17, text seen).
SENSITIVITY = ("eis", "tis")
#: What no transform gives (TS 38.508-1 Table B.1-1 Note 1, Rel-17, text seen).
OF_THE_SIGNAL = (
    "evm",
    "frequency-error",
    "carrier-leakage",
    "in-band-emission",
    "spectral-flatness",
    "occupied-bandwidth",
)
WANTED = (*TRANSFORMED, *SENSITIVITY, *OF_THE_SIGNAL, "aclr")

#: Side of a plane-wave array, and its distance, over the zone's diameter: a published array of 1.7 m for
#: 0.8 m (EuMC 2021, abstract) is consistent with 2.5 to 3 m.
ARRAY_TO_ZONE, DISTANCE_TO_ZONE = 2.0, 3.0
#: Half width of a band, relative, that fixed weights of an array serve: 0.3 dB and 1.4 deg more (prototype).
ARRAY_BAND = 0.05

#: Error of a level by an antenna off the centre from which a direct range suits in part only (our choice).
OFFSET_LIMIT_DB = 0.5

PhaseReference = Literal["port", "bins", "carrier", "none"]


class RangeKind(Enum):
    """Ranges, each with its name in words."""

    DIRECT = "direct far field"
    NEAR_FIELD = "near field with transform"
    COMPACT = "compact range"
    ARRAY = "plane-wave array"


class Fit(Enum):
    """How a range suits."""

    YES = "yes"
    PARTLY = "in part"
    NO = "no"


@dataclass(frozen=True, slots=True)
class RangeQuestion:
    """What is to be measured, and in which room.

    Parameters
    ----------
    lowest, highest : float
        Frequencies [Hz].
    zone_radius : float
        Radius of the sphere about the centre of rotation that holds the device [m].
    aperture : float
        Diameter D of the smallest sphere round the radiating parts [m].
    place_known : bool
        Whether it is known where in the device they are.
    offset : float
        How far the middle of the radiating parts may be from the centre [m].
    wanted : tuple of str
        Some of `WANTED`.
    reference : {"port", "bins", "carrier", "none"}
        Phase reference: a port of the device, one for each bin of a modulated signal, a carrier, or none.
    modulated : bool
        Whether the device sends its own modulated signal.
    frozen : bool
        Whether its beam stays as it is for the whole scan.
    room : float, optional
        Longest distance that the chamber offers from the device's centre to probe, feed or array [m].
    near_distance, near_degree, near_samples : float, int, int
        Near-field scan as planned [m].
    peak_db, sidelobe_db : float, optional
        Errors by a direct range's distance that are allowed, of the peak and of a sidelobe [dB].
    sidelobe_level_db : float
        Level of that sidelobe below the peak [dB].
    """

    lowest: float
    highest: float
    zone_radius: float
    aperture: float
    place_known: bool
    offset: float
    wanted: tuple[str, ...]
    reference: PhaseReference
    modulated: bool
    frozen: bool
    room: float | None
    near_distance: float
    near_degree: int
    near_samples: int
    peak_db: float | None = None
    sidelobe_db: float | None = None
    sidelobe_level_db: float = 25.0

    def __post_init__(self) -> None:
        unknown = [x for x in self.wanted if x not in WANTED]
        if unknown or not self.wanted:
            said = repr(unknown[0]) if unknown else "empty"
            raise InputError(f"wanted is {said}, expected some of {', '.join(WANTED)}")


@dataclass(frozen=True, slots=True)
class RangeVerdict:
    """How one range suits, why, and its figures.

    Parameters
    ----------
    kind : RangeKind
        Which.
    fit : Fit
        Verdict.
    reasons : tuple of Notice
        Why: what rules it out first.
    length : float
        Length of the range [m].
    loss_db : float
        Free-space path loss over it at the highest frequency; of an array, where it is computed, by a
        lossless network [dB].
    """

    kind: RangeKind
    fit: Fit
    reasons: tuple[Notice, ...]
    length: float
    loss_db: float


def compare_ranges(question: RangeQuestion) -> tuple[RangeVerdict, ...]:
    """Verdicts on all ranges, in the order of `RangeKind`.

    The figures are those of geometry: local codes and the accredited procedure decide in the end.

    Parameters
    ----------
    question : RangeQuestion
        The device and what is asked of it.

    Returns
    -------
    tuple of RangeVerdict
        One for each range.
    """
    return _direct(question), _near_field(question), _compact(question), _array(question)


def _verdict(
    kind: RangeKind,
    against: list[Notice],
    limits: list[Notice],
    other: list[Notice],
    length: float,
    loss: float,
) -> RangeVerdict:
    fit = Fit.NO if against else Fit.PARTLY if limits else Fit.YES
    return RangeVerdict(kind, fit, (*against, *limits, *other), length, loss)


def _direct(q: RangeQuestion) -> RangeVerdict:
    length = float(lengths.direct_length(q.zone_radius, q.aperture, q.highest))
    loss = float(lengths.free_space_loss_db(length, q.highest))
    cm, ghz = 100 * q.aperture, q.highest / 1e9
    against: list[Notice] = []
    limits: list[Notice] = []
    other: list[Notice] = [] if q.place_known else [RangeCode.WHOLE_DEVICE(aperture_cm=cm)]
    size = RangeCode.DIRECT_LENGTH(length_m=length, aperture_cm=cm, frequency_ghz=ghz, loss_db=loss)
    if q.room is not None and q.room < length:
        against.append(RangeCode.DIRECT_TOO_LONG(room_m=q.room, length_m=length))
    wishes: tuple[tuple[Figure, float | None, RangeCode], ...] = (
        ("peak", q.peak_db, RangeCode.DIRECT_PEAK),
        ("sidelobe", q.sidelobe_db, RangeCode.DIRECT_SIDELOBE),
    )
    for figure, wanted, code in wishes:
        if wanted is not None:
            told = _figure_needs(q, figure, wanted, code)
            short = q.room is not None and q.room < told.figures["length_m"]
            (limits if short else other).append(told)
    # The room's whole length is taken: the farther away, the less an offset does.
    at = length if q.room is None else q.room
    if 0 < q.offset < at:
        near, far = lengths.offset_errors_db(q.offset, at)
        aside = math.degrees(lengths.parallax(q.offset, at))
        (limits if near > OFFSET_LIMIT_DB else other).append(
            RangeCode.DIRECT_OFFSET(
                offset_cm=100 * q.offset, near_db=near, far_db=far, parallax_deg=aside, length_m=at
            )
        )
    return _verdict(RangeKind.DIRECT, against, limits, [*other, size], length, loss)


def _figure_needs(q: RangeQuestion, figure: Figure, wanted: float, code: RangeCode) -> Notice:
    """Length from which on a disc in the place of the antenna shows a figure right enough."""
    aperture = Aperture("disc", None if figure == "peak" else q.sidelobe_level_db)
    ratio = least_distance(aperture, figure, wanted)
    length = q.zone_radius - q.aperture / 2 + ratio * q.aperture**2 / float(lengths.wavelength(q.highest))
    return code(ratio=ratio, length_m=length, error_db=wanted, level_db=-q.sidelobe_level_db)


def _near_field(q: RangeQuestion) -> RangeVerdict:
    loss = float(lengths.free_space_loss_db(q.near_distance, q.highest))
    against, limits = [], []
    if q.reference == "none":
        limits.append(RangeCode.NO_PHASE())
    if q.modulated and (q.reference == "carrier" or not q.frozen):
        lacking = [
            *(["a carrier is not enough"] if q.reference == "carrier" else []),
            *([] if q.frozen else ["the beam is not frozen"]),
        ]
        against.append(RangeCode.MODULATED(lacking=", and ".join(lacking)))
    if asked := [x for x in q.wanted if x in SENSITIVITY]:
        limits.append(RangeCode.SENSITIVITY(names=", ".join(asked)))
    if asked := [x for x in q.wanted if x in OF_THE_SIGNAL]:
        limits.append(RangeCode.NOT_TRANSFORMED(names=", ".join(asked)))
    if "aclr" in q.wanted:
        limits.append(RangeCode.ACLR())
    if not any(x in TRANSFORMED for x in q.wanted) and "aclr" not in q.wanted:
        against, limits = [*against, *limits], []
    other = [
        RangeCode.NEAR_SIZE(
            distance_m=q.near_distance, degree=q.near_degree, samples=q.near_samples, loss_db=loss
        )
    ]
    if q.modulated and not against:
        other.append(RangeCode.MODULATED_HELD())
    return _verdict(RangeKind.NEAR_FIELD, against, limits, other, q.near_distance, loss)


def _compact(q: RangeQuestion) -> RangeVerdict:
    zone = 2 * q.zone_radius
    focal = lengths.focal_length(zone)
    loss = float(lengths.free_space_loss_db(focal, q.highest))
    reflector = lengths.reflector_diameter(zone)
    other = [RangeCode.COMPACT_SIZE(reflector_m=reflector, zone_m=zone, focal_m=focal, loss_db=loss)]
    if not q.place_known:
        other.append(RangeCode.NO_DECLARATION())
    too_long = q.room is not None and q.room < focal
    against = [RangeCode.COMPACT_TOO_LONG(room_m=q.room, focal_m=focal)] if too_long else []
    found = typical_reflector(q.zone_radius, diameter=reflector, focal_length=focal, frequency=q.lowest)
    if found is not None and found.phase is not None:
        other.append(
            RangeCode.COMPACT_COMPUTED(
                taper_db=found.amplitude_db.taper,
                ripple_db=found.amplitude_db.ripple,
                phase_deg=math.degrees(found.phase.total),
                frequency_ghz=q.lowest / 1e9,
            )
        )
    return _verdict(RangeKind.COMPACT, against, [], other, focal, loss)


def _array(q: RangeQuestion) -> RangeVerdict:
    zone = 2 * q.zone_radius
    side, distance = ARRAY_TO_ZONE * zone, DISTANCE_TO_ZONE * zone
    elements = lengths.array_elements(
        side**2, math.pi * q.zone_radius**2, distance=distance, frequency=q.highest
    )
    size = RangeCode.ARRAY_SIZE(
        array_m=side,
        distance_m=distance,
        elements=elements,
        margin=lengths.element_margin(elements),
        frequency_ghz=q.highest / 1e9,
    )
    against, limits = [], []
    if q.room is not None and q.room < distance:
        against.append(RangeCode.ARRAY_TOO_LONG(room_m=q.room, length_m=distance))
    if q.highest - q.lowest > 2 * ARRAY_BAND * (q.highest + q.lowest) / 2:
        limits.append(RangeCode.ARRAY_BAND(low_ghz=q.lowest / 1e9, high_ghz=q.highest / 1e9))
    loss = float(lengths.free_space_loss_db(distance, q.highest))
    other = [size]
    margin = lengths.element_margin(elements)
    found = typical_array(q.zone_radius, side=side, distance=distance, elements=margin, frequency=q.highest)
    if found is not None:
        worst = found.with_errors
        other.append(
            RangeCode.ARRAY_COMPUTED(
                elements=found.weights.size,
                amplitude_db=worst.amplitude_db,
                phase_deg=math.degrees(worst.phase),
                loss_db=-found.link_gain_db,
                frequency_ghz=q.highest / 1e9,
            )
        )
    return _verdict(RangeKind.ARRAY, against, limits, other, distance, loss)

"""What the notebook of four ranges finds, against sums over the elements of its device in closed form."""

import numpy as np
import pytest

from nf2ff.antenna.closed_form import near_field
from nf2ff.ranges.physical_optics import radiated_field


def level_at(wave, centre, taper):
    """EIRP shown over EIRP [dB] of elements that hear a wave (P,): the sum of what each hears."""
    return 20 * np.log10(abs(np.sum(taper * wave) / (centre * taper.sum())))


def check_four_ranges(found):
    rows, taper, wavelength = found["found"], found["taper"], found["wavelength"]
    # Directly: the field at 1.5 m in closed form, on a raster of 0.05 deg about the beam.
    angle = np.radians(np.arange(-4, 4.001, 0.05))
    place = {"theta": np.abs(angle), "phi": np.where(angle < 0, np.pi, 0.0)}

    def apparent(radius):
        _, *across = near_field(found["device"], frequency=[found["frequency"]], radius=radius, **place)
        return radius**2 * sum(np.abs(x[0]) ** 2 for x in across)

    near, far = apparent(1.5), apparent(1e5)
    assert rows["direct, 1.5 m"][0] == pytest.approx(10 * np.log10(near.max() / far.max()), abs=2e-3)
    # It looks at the part from atan(3 cm / 1.5 m) aside, and no more than the wave is curved.
    assert np.degrees(angle[near.argmax()]) == pytest.approx(np.degrees(np.arctan(0.02)), abs=0.1)
    # Near field: noise of -45 dB of the largest reading, and 0.3 mm that are a phase but for 1/r.
    assert abs(rows["near field, 0.3 m"][0]) < 0.05
    assert rows["near field, 0.3 m"][4] < -30
    # The other two: what the elements hear of the wave as the device looks at the source. Its own peak
    # is higher where the wave is tilted; elements hear H as well, which is E but for the ripple.
    for name, incident in (("compact range", found["in_compact"]), ("plane-wave array", found["in_array"])):
        at = found["places"] @ incident.frame.T
        if name == "compact range":
            field = found["collimated"]
            currents, zone = field.currents, field.zone
            wave, centre = (radiated_field(currents, x + zone.centre)[:, 0] for x in (at, np.zeros((1, 3))))
        else:
            array, ball = found["task"].array, found["ball"]
            wave, centre = (
                array.fields(x + ball.centre, frequency=found["frequency"]) @ found["built"]
                for x in (at, np.zeros((1, 3)))
            )
        expected = level_at(wave, centre[0], taper)
        assert rows[name][0] == pytest.approx(expected, abs=0.08)
        # The ripple of the zone at the parts, of +-1 dB, is in the sidelobes too.
        assert abs(rows[name][3]) < 1.5
    assert found["quiet"].amplitude_db.ripple < 0.5
    assert found["worst"].amplitude_db < 1.2
    # Free-space loss over 1.5 m (closed form), the least of the four being the shortest.
    loss = 20 * np.log10(4 * np.pi * 1.5 / wavelength)
    assert found["losses"]["direct, 1.5 m"] == pytest.approx(loss, abs=1e-9)

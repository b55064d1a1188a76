"""Figures and warnings of many frequencies in few lines."""

import numpy as np

from nf2ff.messages.scan import ReadingCode, UnitCode
from nf2ff.messages.solution import SolutionCode
from nf2ff.report.over_frequency import Row, frequency_table, told_once

FREQUENCY = 1e9 * np.arange(1, 12)


def test_many_frequencies_are_summarised():
    values = np.array([3.0, 1, 2, 5, 4, 6, 7, 8, 9, np.nan, -0.001])
    lines = frequency_table(FREQUENCY, [Row("gain [dBi]", values, 1)])
    assert lines[0] == "11 frequencies from 1 to 11 GHz"
    # Least and largest of the ten that are there, the median between 4 and 5 (closed form).
    assert lines[2].split() == ["gain", "[dBi]", "0.0", "11", "4.5", "9.0", "9"]
    assert len(frequency_table(FREQUENCY, [Row("gain [dBi]", values, 1)], every=True)) == 12


def test_significant_digits_and_what_doubles_cannot_tell():
    rows = [
        Row("residual", np.array([2.349e-5, 1.0]), digits=2),
        Row("tail [dB]", np.array([-320.8, -270.04]), 1, least=-280),
    ]
    assert [x.split() for x in frequency_table(FREQUENCY[:2], rows)][1:] == [
        ["residual", "2.3e-05", "1.0"],
        ["tail", "[dB]", "<", "-280", "-270.0"],
    ]


def test_warnings_equal_but_for_their_figures_are_told_once():
    tail = [[SolutionCode.TRUNCATED(degree=20 + f, tail_db=-30.0 - f)] if f < 3 else [] for f in range(11)]
    tail[7] = [SolutionCode.NOISY(degree=20, rms_db=-40)]
    first, other = told_once(FREQUENCY, tail)
    assert first == (
        "at 3 of 11 frequencies, 1 to 3 GHz: the mode spectrum has not fallen off at degree 20 to 22 "
        "(last degrees -32.0 to -30.0 dB of the power): it is truncated, or the data are noisy; raise "
        "the degree or use finer steps"
    )
    assert other.startswith("8 GHz: the data are noisy (-40 dB of the largest response): above degree 20")
    # As they stand in a file, without their codes.
    assert told_once(FREQUENCY, [[str(x) for x in some] for some in tail]) == [first, other]


def test_warnings_of_other_words_stay_apart():
    words = [["see 1.5 deg"], ["see 1.5 deg"], ["mind 1.5 deg"]]
    assert told_once([1e9, 2e9, 3e9], words) == [
        "at 2 of 3 frequencies, 1 to 2 GHz: see 1.5 deg",
        "3 GHz: mind 1.5 deg",
    ]


def test_figures_that_are_words_are_no_range():
    # "sample 3 to 9 stands above its neighbours" would say that all of them do.
    spikes = [
        [ReadingCode.SPIKE(where=f"sample {i}", height=f"{h} dB")] for i, h in ((3, 20), (9, 25), (3, 20))
    ]
    lines = told_once(FREQUENCY[:3], spikes)
    assert [x.split(" stands ")[0] for x in lines] == [
        "at 2 of 3 frequencies, 1 to 3 GHz: sample 3",
        "2 GHz: sample 9",
    ]
    share = [[UnitCode.FINE_WAVES(share=s, degree=7, kr=1.5)] for s in (0.12, 0.5)]
    assert told_once(FREQUENCY[:2], share)[0].startswith(
        "at 2 of 2 frequencies, 1 to 2 GHz: 12% to 50% of the resp"
    )
    # A text of no known code stands as it is.
    assert told_once(FREQUENCY[:2], [["5 dB off"], ["6 dB off"]]) == ["1 GHz: 5 dB off", "2 GHz: 6 dB off"]

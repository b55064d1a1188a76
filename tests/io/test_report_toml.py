"""What a report says besides its figures: the template reads, and each fault is one line."""

import re

import pytest

from nf2ff.io.report_toml import read_report_meta, report_template


@pytest.fixture
def read(tmp_path):
    def reader(text):
        path = tmp_path / "meta.toml"
        path.write_text(text, encoding="utf-8")
        return read_report_meta(path)

    return reader


def test_the_template_reads(read):
    found = read(report_template())
    assert (found.number, found.limit, found.issued) == ("TR-0001", [], "")
    # With the limit in comments as well.
    whole = read(re.sub(r"^# (\[\[limit|\w+ = )", r"\1", report_template(), flags=re.MULTILINE))
    assert (whole.limit[0].figure, whole.limit[0].most, whole.limit[0].guard) == ("eirp", 43.0, 1.0)


def test_nothing_is_needed(read):
    assert read("").title == ""


def test_dates_may_be_dates(read):
    found = read(
        'issued = 2026-01-31\n[measurement]\nstarted = 2026-01-02T03:04:05\n[item]\nreceived = "May"'
    )
    assert (found.issued, found.measurement.started) == ("2026-01-31", "2026-01-02T03:04:05")
    assert found.item.received == "May"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("titel = 'x'", "key 'titel' is unknown.*did you mean 'title'"),
        ("number = 3", "number is 3, expected a text of at most 100 characters"),
        ("[client]\nname = ['x']", "client, name is .'x'., expected a text"),
        ("[measurement]\nequipment = 'x'", "measurement, equipment is 'x', expected a list"),
        ("[[limit]]\nfigure = 'eirp'", "limit 1, has neither most nor least, or both: give one"),
        ("[[limit]]\nfigure = 'eirp'\nmost = 1\nleast = 0", "limit 1, has neither most nor least, or both"),
        ("[[limit]]\nmost = 1", "limit 1, key 'figure' is missing"),
        (
            "[[limit]]\nfigure = 'a'\nmost = 1\nguard = -1",
            "limit 1, guard is -1, expected a factor from 0 to 10",
        ),
        (
            "[[limit]]\nfigure = 'a'\nmost = 1\nguard = 1\nguard_band = 1",
            "has guard and guard_band: give one",
        ),
        ("[[limit]]\nfigure = 'a'\nmost = inf", "most is inf, expected a number"),
    ],
)
def test_faults(read, text, says):
    with pytest.raises(ValueError, match=says):
        read(text)

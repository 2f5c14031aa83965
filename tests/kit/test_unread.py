"""The kit refuses a description that leaves a part of a number, a state or a sign unread, and passes the right one."""

import pytest

from daq.descriptions.load import check_description
from daq.testing import check_driver
from tests.support.planted.bad_lines import MISREAD, VALUES, Misread

COUNTED = Misread("counter", "", [b"%d 09:15:%02d M %.2f" % (i, i, v) for i, v in enumerate(VALUES)], "")


def report_of(misread, own):
    return check_driver(check_description(misread.tables(own)).driver, capture=misread.capture)


@pytest.mark.parametrize("misread", MISREAD, ids=lambda m: m.name)
def test_a_description_that_leaves_something_unread_is_refused(misread):
    report = report_of(misread, misread.wrong)
    assert misread.check in [f.name for f in report.failed], report.text()
    assert report.finding(misread.check).do


@pytest.mark.parametrize("misread", [m for m in MISREAD if m.right], ids=lambda m: m.name)
def test_the_right_description_of_the_same_lines_passes(misread):
    report = report_of(misread, misread.right)
    assert report.passed, report.text()
    assert report.finding(misread.check).outcome == "passed", report.text()


def test_a_counter_and_a_time_of_day_are_named_in_a_note():
    finding = report_of(COUNTED, "{:whole} {:word} M {mass:number}").finding("unread")
    assert finding.outcome == "note"
    assert "'09:15:00'" in finding.message
    assert "{:whole} of line.value" in finding.message


def test_a_number_that_may_mean_a_fault_is_named_in_a_note():
    marked = Misread("mark", "", [*(b"M %.2f" % v for v in VALUES), b"M 9999.99"], "", channel=("mass", "g", -1e4, 1e4))
    finding = report_of(marked, "M {mass:number}").finding("unread")
    assert finding.outcome == "note"
    assert "9999.99" in finding.message
    fault = 'M {mass:number}\nfields.mass.special = { "9999.99" = "over_range" }'
    assert report_of(marked, fault).finding("unread").outcome == "passed"


def test_ignored_lines_are_named_in_a_note():
    lines = [line for v in VALUES for line in (b"M %.2f" % v, b"E 05 OVERLOAD")]
    own = 'M {mass:number}\n[line.error]\nsays = "ignored"\npattern = "E {:text}"'
    finding = report_of(Misread("error", "", lines, ""), own).finding("unread")
    assert finding.outcome == "note"
    assert "E 05 OVERLOAD" in finding.message

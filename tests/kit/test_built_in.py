"""Every built-in driver passes the kit against its simulator, which was written from the dialect's text alone."""

import pytest

from daq.app.setup.driver_choice import chosen_driver
from daq.app.setup.drivers import Drivers
from daq.testing import assert_conforms
from tests.support.instruments.driver_cases import CASES, NAMES, instrument


@pytest.mark.parametrize(("name", "options", "kind", "given"), CASES, ids=NAMES)
def test_a_built_in_driver_conforms_to_its_simulator(name, options, kind, given):
    report = assert_conforms(chosen_driver(name, options), simulator=lambda: instrument(kind, given))
    assert report.finding("clean line").outcome == "passed"


def test_no_built_in_driver_is_left_out():
    assert {c[0] for c in CASES} == set(Drivers.find().names)

"""Verification with a certified fluid.  The band is common practice, no source."""

import math
from decimal import Decimal

import pytest

from daq.core.errors import SettingError
from daq.quality.verification import acceptance_band, certified_viscosity, normalised_error
from tests.support.reference.fluids import water_viscosity


def test_band_is_part_of_full_scale_and_of_the_certificate():
    # 1 % of 2000 and 1 % of 1000: 970 to 1030, both included.
    band = acceptance_band("1000", "2000", certified_uncertainty_percent="1")
    assert (band.low, band.high) == (Decimal(970), Decimal(1030))
    assert band.accepts(970.0)
    assert band.accepts("1030")
    assert not band.accepts(math.nextafter(1030.0, math.inf))
    assert not band.accepts(math.nextafter(970.0, 0.0))
    assert band.deviation_percent(1015.0) == pytest.approx(1.5)


@pytest.mark.parametrize(
    ("certified", "full", "u", "top"), [("0.1", "0.2", "0", "0.102"), ("4.7", "10", "0.3", "4.8141")]
)
def test_ends_that_binary_arithmetic_would_miss(certified, full, u, top):
    band = acceptance_band(certified, full, certified_uncertainty_percent=u)
    assert band.high == Decimal(top)
    assert band.accepts(float(top))
    assert acceptance_band(float(certified), float(full), certified_uncertainty_percent=float(u)) == band


def test_value_of_the_certificate_between_its_temperatures():
    table = [(40.0, water_viscosity(40.0)), (20.0, water_viscosity(20.0)), (25.0, water_viscosity(25.0))]
    assert certified_viscosity(25.0, table) == water_viscosity(25.0)
    assert certified_viscosity(22.0, table) == pytest.approx(water_viscosity(22.0), rel=1e-3)  # over 5 K
    assert certified_viscosity(20.0, table[1:2]) == water_viscosity(20.0)
    for t in (19.9, 40.1):
        with pytest.raises(SettingError, match="outside the certificate"):
            certified_viscosity(t, table)


def test_normalised_error():
    assert normalised_error(1010.0, 6.0, 1000.0, 8.0) == pytest.approx(1.0)
    assert normalised_error(990.0, 6.0, 1000.0, 8.0) == pytest.approx(-1.0)


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: acceptance_band("0", "1"),
        lambda: acceptance_band("1", "-1"),
        lambda: acceptance_band("1", "1", full_scale_percent="-1"),
        lambda: acceptance_band("one", "1"),
        lambda: acceptance_band("1", "1").accepts(math.nan),
        lambda: certified_viscosity(20.0, []),
        lambda: certified_viscosity(20.0, [(20.0, 1.0), (20.0, 2.0)]),
        lambda: certified_viscosity(20.0, [(20.0, 0.0)]),
        lambda: normalised_error(1.0, 0.0, 1.0, 0.0),
    ],
)
def test_numbers_that_make_no_sense_are_refused(wrong):
    with pytest.raises(SettingError):
        wrong()

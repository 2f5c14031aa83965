"""Checksums of random bytes, compared with the public package `crc`."""

import pytest
from crc import Calculator, Configuration, Crc8, Crc16, Crc32
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.checksums import CHECKSUMS

PUBLIC = {
    "crc-8": Crc8.CCITT,
    "crc-16/modbus": Crc16.MODBUS,
    "crc-16/kermit": Crc16.KERMIT,
    "crc-16/xmodem": Crc16.XMODEM,
    "crc-16/ccitt-false": Crc16.IBM_3740,
    "crc-32": Crc32.CRC32,
    # Parameters of the public CRC catalogue for those the package does not name.
    "crc-16/arc": Configuration(16, 0x8005, 0, 0, reverse_input=True, reverse_output=True),
    "crc-32c": Configuration(32, 0x1EDC6F41, 0xFFFFFFFF, 0xFFFFFFFF, reverse_input=True, reverse_output=True),
}


@pytest.mark.parametrize("name", PUBLIC)
@settings(max_examples=50, derandomize=True, deadline=None)
@given(data=st.binary(max_size=80))
def test_agrees_with_the_public_package(name, data):
    assert CHECKSUMS[name].of(data) == Calculator(PUBLIC[name]).checksum(data)


@pytest.mark.parametrize("name", CHECKSUMS)
@settings(max_examples=50, derandomize=True)
@given(data=st.binary(min_size=1, max_size=40), bit=st.integers(0, 10_000))
def test_fits_its_size_and_sees_a_wrong_bit(name, data, bit):
    kind = CHECKSUMS[name]
    assert 0 <= kind.of(data) < 1 << 8 * kind.size
    broken = bytearray(data)
    broken[bit % (8 * len(data)) // 8] ^= 1 << bit % 8
    assert kind.of(bytes(broken)) != kind.of(data)


def test_all_are_checked():
    assert set(PUBLIC) | {"xor", "sum", "lrc"} == set(CHECKSUMS)

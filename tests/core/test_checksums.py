"""Checksums: check values of the public catalogue; random bytes, compared with the public package `crc` and the standard library."""

import binascii
import zlib

import pytest
from crc import Calculator, Configuration, Crc8, Crc16, Crc32
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.core.checksums import CHECKSUMS, crc, sum_of_bytes

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


#: Width, polynomial, initial, reflected in, reflected out, final, check value of "123456789": public CRC catalogue
#: (G. Cook, "Catalogue of parametrised CRC algorithms").
CATALOGUE = {
    "CRC-8/SMBUS": (8, 0x07, 0x00, False, False, 0x00, 0xF4),
    "CRC-8/I-432-1": (8, 0x07, 0x00, False, False, 0x55, 0xA1),
    "CRC-8/ROHC": (8, 0x07, 0xFF, True, True, 0x00, 0xD0),
    "CRC-8/MAXIM-DOW": (8, 0x31, 0x00, True, True, 0x00, 0xA1),
    "CRC-8/DARC": (8, 0x39, 0x00, True, True, 0x00, 0x15),
    "CRC-8/CDMA2000": (8, 0x9B, 0xFF, False, False, 0x00, 0xDA),
    "CRC-8/AUTOSAR": (8, 0x2F, 0xFF, False, False, 0xFF, 0xDF),
    "CRC-8/SAE-J1850": (8, 0x1D, 0xFF, False, False, 0xFF, 0x4B),
    "CRC-12/UMTS": (12, 0x80F, 0x000, False, True, 0x000, 0xDAF),
    "CRC-16/ARC": (16, 0x8005, 0x0000, True, True, 0x0000, 0xBB3D),
    "CRC-16/MODBUS": (16, 0x8005, 0xFFFF, True, True, 0x0000, 0x4B37),
    "CRC-16/USB": (16, 0x8005, 0xFFFF, True, True, 0xFFFF, 0xB4C8),
    "CRC-16/XMODEM": (16, 0x1021, 0x0000, False, False, 0x0000, 0x31C3),
    "CRC-16/IBM-3740": (16, 0x1021, 0xFFFF, False, False, 0x0000, 0x29B1),
    "CRC-16/GENIBUS": (16, 0x1021, 0xFFFF, False, False, 0xFFFF, 0xD64E),
    "CRC-16/SPI-FUJITSU": (16, 0x1021, 0x1D0F, False, False, 0x0000, 0xE5CC),
    "CRC-16/KERMIT": (16, 0x1021, 0x0000, True, True, 0x0000, 0x2189),
    "CRC-16/MCRF4XX": (16, 0x1021, 0xFFFF, True, True, 0x0000, 0x6F91),
    "CRC-16/IBM-SDLC": (16, 0x1021, 0xFFFF, True, True, 0xFFFF, 0x906E),
    "CRC-16/RIELLO": (16, 0x1021, 0xB2AA, True, True, 0x0000, 0x63D0),
    "CRC-16/DNP": (16, 0x3D65, 0x0000, True, True, 0xFFFF, 0xEA82),
    "CRC-16/EN-13757": (16, 0x3D65, 0x0000, False, False, 0xFFFF, 0xC2B7),
    "CRC-16/T10-DIF": (16, 0x8BB7, 0x0000, False, False, 0x0000, 0xD0DB),
    "CRC-16/TELEDISK": (16, 0xA097, 0x0000, False, False, 0x0000, 0x0FB3),
    "CRC-24/OPENPGP": (24, 0x864CFB, 0xB704CE, False, False, 0x000000, 0x21CF02),
    "CRC-32/ISO-HDLC": (32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF, 0xCBF43926),
    "CRC-32/BZIP2": (32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0xFFFFFFFF, 0xFC891918),
    "CRC-32/MPEG-2": (32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0x00000000, 0x0376E6E7),
    "CRC-32/CKSUM": (32, 0x04C11DB7, 0x00000000, False, False, 0xFFFFFFFF, 0x765E7680),
    "CRC-32/JAMCRC": (32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0x00000000, 0x340BC6D9),
    "CRC-32/ISCSI": (32, 0x1EDC6F41, 0xFFFFFFFF, True, True, 0xFFFFFFFF, 0xE3069283),
    "CRC-32/XFER": (32, 0x000000AF, 0x00000000, False, False, 0x00000000, 0xBD0BE338),
    "CRC-64/ECMA-182": (64, 0x42F0E1EBA9EA3693, 0, False, False, 0, 0x6C40DF5F0B497347),
    "CRC-64/XZ": (64, 0x42F0E1EBA9EA3693, 2**64 - 1, True, True, 2**64 - 1, 0x995DC9BBDF1939FA),
}


@pytest.mark.parametrize("name", CATALOGUE)
def test_a_crc_of_any_parameters_has_the_check_value_of_the_catalogue(name):
    width, polynomial, initial, reflected, out, final, check = CATALOGUE[name]
    made = crc(width, polynomial, initial=initial, reflected=reflected, reflected_out=out, final=final)
    assert made.of(b"123456789") == check
    assert made.size == -(-width // 8)


@settings(max_examples=60, derandomize=True, deadline=None)
@given(
    data=st.binary(max_size=60), width=st.sampled_from([8, 16, 32]), polynomial=st.integers(0, 2**31),
    initial=st.integers(0, 2**32), final=st.integers(0, 2**32), ways=st.tuples(st.booleans(), st.booleans()),
)  # fmt: skip
def test_a_crc_of_any_parameters_agrees_with_the_public_package(data, width, polynomial, initial, final, ways):
    mask = (1 << width) - 1
    polynomial, initial, final = polynomial & mask | 1, initial & mask, final & mask
    reflected, out = ways
    made = crc(width, polynomial, initial=initial, reflected=reflected, reflected_out=out, final=final)
    public = Configuration(width, polynomial, initial, final, reverse_input=reflected, reverse_output=out)
    if reflected:  # the package takes the initial value as it is in the register
        assert crc(width, polynomial, reflected=True, reflected_out=out, final=final).of(data) == Calculator(
            Configuration(width, polynomial, 0, final, reverse_input=True, reverse_output=out)
        ).checksum(data)
    else:
        assert made.of(data) == Calculator(public).checksum(data)


@settings(max_examples=60, derandomize=True, deadline=None)
@given(data=st.binary(max_size=60), initial=st.integers(0, 0xFFFF))
def test_the_standard_library_gives_the_same_crc(data, initial):
    assert crc(16, 0x1021, initial=initial).of(data) == binascii.crc_hqx(data, initial)
    assert CHECKSUMS["crc-32"].of(data) == zlib.crc32(data) == binascii.crc32(data)


@pytest.mark.parametrize(
    ("made", "value"),
    [
        # 0x31 + ... + 0x39 = 477, by hand.
        (sum_of_bytes(256), 221), (sum_of_bytes(256, complement="twos"), 35), (sum_of_bytes(256, complement="ones"), 34),
        (sum_of_bytes(100), 77), (sum_of_bytes(100, complement="twos"), 23), (sum_of_bytes(65_536), 477),
        (sum_of_bytes(64, plus=32), 61), (sum_of_bytes(256, initial=50), 15),
    ],
)  # fmt: skip
def test_sums_of_any_modulus(made, value):
    assert made.of(b"123456789") == value

"""Tables of checksums in a description: the kind of checksum, its place in the line, and the part that it covers."""

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from daq.core.checksums import CHECKSUMS, Checksum, crc, sum_of_bytes
from daq.descriptions.entries import ChecksumName
from daq.methods.files.fields import KeyedError, Model

Number64 = Annotated[int, Field(ge=0, le=2**63 - 1)]


class CrcTable(Model):
    """Parameters of a CRC, as the public catalogue gives them."""

    width: Annotated[int, Field(ge=8, le=64)] = Field(description="number of bits")
    polynomial: Annotated[int, Field(ge=1, le=2**63 - 1)] = Field(description="without its highest term: 0x1021")
    initial: Number64 = Field(default=0, description="register before the first byte")
    reflected: bool = Field(default=False, description="each byte goes in with its lowest bit first (refin)")
    reflected_out: bool | None = Field(default=None, description="as refout; left out: as `reflected`")
    final: Number64 = Field(default=0, description="exclusive or at the end (xorout)")

    @model_validator(mode="after")
    def _fits(self) -> Self:
        for key in ("polynomial", "initial", "final"):
            if getattr(self, key) >> self.width:
                raise KeyedError(key, f"does not fit in {self.width} bits")
        return self


class SumTable(Model):
    """Parameters of a sum of all bytes."""

    modulus: Annotated[int, Field(ge=2, le=2**32)] = Field(default=256, description="256: one byte; 100: two decimals")
    initial: Annotated[int, Field(ge=0, le=2**32)] = Field(default=0, description="the bytes are added to this")
    complement: Literal["none", "ones", "twos"] = Field(
        default="none", description="ones: modulus - 1 - sum; twos: -sum; both modulo the modulus"
    )
    plus: Annotated[int, Field(ge=0, le=255)] = Field(default=0, description="added to the result")


class ChecksumTable(Model):
    """The checksum at the end of a line: one of `name`, `crc` and `sum`."""

    name: ChecksumName | None = Field(default=None, description="one of " + ", ".join(CHECKSUMS))
    crc: CrcTable | None = Field(default=None, description="or a CRC by its parameters")
    sum: SumTable | None = Field(default=None, description="or a sum by its parameters")
    written: Literal["hex", "decimal", "big_endian", "little_endian"] = Field(
        default="hex", description="as digits, or as bytes with the most or the least significant first"
    )
    letters: Literal["upper", "lower", "either"] = Field(default="upper", description="case of hexadecimal digits")
    low_first: bool = Field(default=False, description="hexadecimal digits of the least significant byte come first")
    digits: Annotated[int, Field(ge=1, le=20)] | None = Field(
        default=None, description="number of digits; left out: as many as its greatest value has"
    )
    mark: str = Field(default="", description="text between the line and its checksum, for example '*' or ETX")
    behind: str = Field(default="", description="text behind the checksum, before the end of the line")
    covers_mark: bool = Field(default=False, description="the checksum covers the mark too")
    covers_begin: bool = Field(default=False, description="the checksum covers framing.begin too")
    skip: Annotated[int, Field(ge=0, le=64)] = Field(
        default=0, description="bytes at the beginning that the checksum does not cover"
    )
    after: str = Field(default="", description="the checksum covers what follows the first such text in the line")
    covers_after: bool = Field(default=False, description="and this text too")
    before: str = Field(default="", description="the checksum covers what is before the last such text in the line")
    covers_before: bool = Field(default=False, description="and this text too")
    requests: bool = Field(default=False, description="requests have the checksum too")

    @property
    def kind(self) -> Checksum:
        """The function of the checksum and its size."""
        if self.crc is not None:
            own = self.crc
            return crc(
                own.width, own.polynomial, initial=own.initial, reflected=own.reflected,
                reflected_out=own.reflected_out, final=own.final,
            )  # fmt: skip
        if self.sum is not None:
            own_sum = self.sum
            return sum_of_bytes(
                own_sum.modulus, initial=own_sum.initial, complement=own_sum.complement, plus=own_sum.plus
            )
        return CHECKSUMS[self.name or ""]

    @property
    def is_digits(self) -> bool:
        """True where the checksum is written as digits, not as bytes."""
        return self.written in ("hex", "decimal")

    @property
    def least_digits(self) -> int:
        """Number of digits of the greatest value of the checksum."""
        size = self.kind.size
        if self.written == "hex":
            return 2 * size
        return len(str(self.sum.modulus - 1 + self.sum.plus if self.sum is not None else 256**size - 1))

    @property
    def texts(self) -> dict[str, str]:
        """Texts of the table by their keys."""
        return {key: getattr(self, key) for key in ("mark", "behind", "after", "before")}

    @model_validator(mode="after")
    def _one_kind(self) -> Self:
        given = [key for key in ("name", "crc", "sum") if getattr(self, key) is not None]
        if len(given) != 1:
            raise KeyedError(given[1] if given else "name", "give one of name, crc and sum")
        if self.is_digits and self.digits is not None and self.digits < self.least_digits:
            raise KeyedError("digits", f"{self.name or given[0]} needs {self.least_digits} digits")
        if self.low_first and (self.written != "hex" or self.digits not in (None, self.least_digits)):
            raise KeyedError("low_first", "is for hexadecimal digits, two of each byte")
        for key in ("after", "before"):
            if getattr(self, f"covers_{key}") and not getattr(self, key):
                raise KeyedError(f"covers_{key}", f"needs the text `{key}`")
        if self.covers_mark and self.before:
            raise KeyedError("before", "contradicts covers_mark; leave one of them out")
        if self.covers_mark and not self.mark:
            raise KeyedError("covers_mark", "needs the text `mark`")
        if self.after and (self.skip or self.covers_begin):
            raise KeyedError("after", "gives the beginning; leave out skip and covers_begin")
        return self


OwnChecksum = ChecksumTable | Literal["none"] | None
"""Checksum of one kind of line or one request: a table of its own, `none`, or that of the description."""

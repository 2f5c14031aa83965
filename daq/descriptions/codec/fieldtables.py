"""Tables of the fields of lines: format of a number, meaning of a state, place in a reading or an identity."""

from collections.abc import Iterable
from typing import Annotated, Literal

from pydantic import Field

from daq.descriptions.entries import (
    ChannelName,
    FaultInstead,
    Faults,
    HexBytes,
    Offset,
    Others,
    PlainName,
    Scale,
    SignedBits,
    Strings,
    Unit,
    UnitOfText,
    Weight,
)
from daq.descriptions.numbers import size_of
from daq.methods.files.fields import Model, Name, Text


class FieldTable(Model):
    """Format of a field of a line."""

    decimals: Annotated[int, Field(ge=0, le=9)] | None = Field(default=None, description="exact number of decimals")
    digits: Annotated[int, Field(ge=1, le=15)] | None = Field(
        default=None, description="greatest number of digits before the decimal mark"
    )
    decimal: Literal["point", "comma"] | None = Field(
        default=None, description="decimal mark of this field; left out: that of the description"
    )
    signed_bits: SignedBits | None = Field(
        default=None,
        description="of a field of the type `hex`: it has this many bits, four in each digit, in two's complement",
    )

    bytes_as: HexBytes | None = Field(
        default=None,
        description="of a field of the type `hex`: its digits are the bytes, in their order in the line, of a number "
        "of this type of frames of bytes (`f32be`, `i32belw`, `s16be`, ...)",
    )

    @property
    def constant_bits(self) -> int:
        """Number of bits of a field of the type `hex` that has a constant number of them; otherwise 0."""
        return self.signed_bits or (8 * size_of(self.bytes_as, 0) if self.bytes_as else 0)

    @property
    def instead(self) -> Iterable[str]:
        """Texts that can be in place of a number."""
        return ()

    @property
    def meanings(self) -> Iterable[str]:
        """Texts with a meaning of their own."""
        return ()


class StateField(FieldTable):
    """A field of a line whose text or number means faults."""

    means: dict[str, Faults] = Field(
        default_factory=dict,
        description="meaning of each text or number: a fault, 'channel: fault', a list, or '' for none",
    )
    each_letter: bool = Field(default=False, description="every letter of the text has its own entry in `means`")
    bits: dict[Weight, Faults] = Field(
        default_factory=dict, description="the number is a sum of weights ('1', '2', '4', ...); meaning of each weight"
    )
    others: Others = Field(
        default="refused", description="a text or number not in `means` and `bits`: 'refused', 'ignored', or a fault"
    )

    @property
    def meanings(self) -> Iterable[str]:
        """Texts with a meaning of their own."""
        return self.means

    @property
    def is_state(self) -> bool:
        """True where the field means faults."""
        return bool(self.means or self.bits)


class ReadingField(StateField):
    """A field of a reading: the number of a channel, or a text or number that means faults."""

    channel: ChannelName | None = Field(
        default=None, description="channel of the number; left out: the channel with the name of the field"
    )
    unit: Unit | None = Field(default=None, description="unit of the number in the line; left out: the channel's")
    units: dict[str, UnitOfText] = Field(
        default_factory=dict,
        description="the field is the unit of a number in the line: UCUM code of each text ('kg'), with a factor where "
        "the unit has none ('453.59237 g'); a line with another text is refused",
    )
    unit_of: Strings = Field(default=(), description="of a field with `units`: the fields whose numbers have this unit")
    scale: Scale = Field(default=1.0, description="factor of the number")
    offset: Offset = Field(default=0.0, description="added after the factor")
    reading: Annotated[int, Field(ge=1, le=64)] | None = Field(
        default=None,
        description="of a line with several readings: the number of the reading that the field belongs to, 1 for the "
        "oldest; left out: it belongs to all of them",
    )
    divide_by: PlainName | None = Field(
        default=None, description="an option (a whole number of at least 1) by which the result is divided"
    )
    special: dict[str, FaultInstead] = Field(
        default_factory=dict,
        description="texts in place of a number ('---', '9.9E37', '') and their fault; '' where another field gives it",
    )

    @property
    def instead(self) -> Iterable[str]:
        """Texts that can be in place of a number."""
        return self.special

    @property
    def meanings(self) -> Iterable[str]:
        """Texts with a meaning of their own."""
        return [*self.means, *self.units]


class IdentityField(FieldTable):
    """A field of an identity: a fact about the instrument."""

    scale: Scale = Field(default=1.0, description="factor of a number")
    offset: Offset = Field(default=0.0, description="added after the factor")
    fact: Text | None = Field(default=None, description="name of the fact; left out: the name of the field")


class CommandField(FieldTable):
    """A field of a confirmation."""

    names: dict[str, Name] = Field(default_factory=dict, description="of the field `command`: the action of each text")

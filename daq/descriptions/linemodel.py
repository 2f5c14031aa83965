"""Models of the lines of a description: one for each value of the key `says`, with its own keys and fields."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, ClassVar, Final, Generic, Literal, TypeVar

from pydantic import Field

from daq.core.errors import SettingError
from daq.descriptions import template
from daq.descriptions.codec.checktable import OwnChecksum
from daq.descriptions.codec.fieldtables import CommandField, FieldTable, IdentityField, ReadingField, StateField
from daq.descriptions.codec.layout import BitRange, bit_range
from daq.descriptions.entries import FrameText, LineText, PlainName, near
from daq.descriptions.numbers import size_of
from daq.descriptions.template import Maybe, Part
from daq.descriptions.types import BINARY, BITS, KINDS, TYPES
from daq.methods.files.fields import LineBytes, Listed, Model, Name

Misfits = Iterator[SettingError]
_PAD: Final = template.Field("", "pad")
_BLANKS: Final = template.Field("", "blanks")
_REST: Final = template.Field("", "rest")
IGNORED: Final = "ignored"
"""Name of the bits in `split` whose value does not matter."""


F = TypeVar("F", bound=FieldTable)


class Layout(Model):
    """Layout of a line of any kind: a pattern, or columns."""

    says: str
    pattern: LineText | None = Field(
        default=None,
        description="the whole line, as in 'T {temperature:number} Cel'; {name:type} is a field, {name:type 8} one of "
        "8 characters, {:type} one that is not kept, {name} the value of an option, [...] may be absent; types: "
        + "; ".join(f"{name} ({kind.about})" for name, kind in TYPES.items()),
    )
    columns: Annotated[tuple[LineText, ...], Listed] | None = Field(
        default=None, description="or its columns, in order; blanks around them are ignored"
    )
    bytes: FrameText | None = Field(
        default=None,
        description="or the bytes of a frame, as in 'AA 55 {mass:i32be} {state:u8}': hexadecimal digits and fields; "
        "types: " + "; ".join(f"{name} ({kind.about})" for name, kind in BINARY.items()),
    )
    checksum: OwnChecksum = Field(
        default=None, description="checksum of this kind of line, or 'none'; left out: that of the description"
    )
    split: dict[PlainName, dict[PlainName, str]] = Field(
        default_factory=dict,
        description="a whole number of the line is split into fields: the bits of each, as in { state = { "
        "overload = '7', range = '6-4', ignored = '3-0' } }; 0 is the lowest bit, and bits that are not named are 0",
    )
    separator: LineBytes = Field(default=",", description="text between two columns; ' ' is any number of blanks")
    more: bool = Field(default=False, description="further columns may follow")

    @property
    def has_one_layout(self) -> bool:
        """True where there is exactly one of pattern, columns and bytes."""
        return sum(given is not None for given in (self.pattern, self.columns, self.bytes)) == 1

    @property
    def layout(self) -> str:
        """Key of the layout."""
        return "bytes" if self.bytes is not None else "columns" if self.pattern is None else "pattern"

    @property
    def texts(self) -> dict[str, str]:
        """Templates by their key."""
        if self.bytes is not None:
            return {"bytes": self.bytes}
        if self.pattern is not None:
            return {"pattern": self.pattern}
        return {f"columns[{i}]": column for i, column in enumerate(self.columns or ())}

    def parts(self) -> tuple[Part, ...]:
        """Return the template of the line, with the columns joined."""
        if self.bytes is not None:
            return template.parse_bytes(self.bytes, line=True)
        if self.pattern is not None:
            return template.parse(self.pattern, line=True)
        blank = self.separator == " "
        between: Part = _BLANKS if blank else self.separator
        parts: list[Part] = [_PAD] if blank else []
        for i, column in enumerate(self.columns or ()):
            own = template.parse(column, line=True)
            if i:
                parts.append(between)
            parts += own if blank else _padded(own)
        if self.more:
            parts.append(Maybe((between, _REST)))
        elif blank:
            parts.append(_PAD)
        return template.filled(tuple(parts), {})

    def places(self) -> list[template.Field]:
        """Return the named fields, in order; the parts of a number that is split are in its place."""
        return self.expanded(template.named_fields(self.parts()))

    def expanded(self, fields: Iterable[template.Field]) -> list[template.Field]:
        """Return the fields with those that are split replaced by their parts."""
        out: list[template.Field] = []
        for field in fields:
            own = self.split.get(field.name)
            out += [field] if own is None else [template.Field(name, BITS) for name in own if name != IGNORED]
        return out

    def bit_ranges(self, name: str) -> dict[str, BitRange]:
        """Return the bits of each part of a number that is split."""
        return {part: bit_range(text) for part, text in self.split[name].items()}

    @property
    def tables(self) -> Mapping[str, FieldTable]:
        """Tables of the fields in the file, by name."""
        return {}

    def table(self, name: str) -> FieldTable:
        """Return the table of a field; the default one where the file has none."""
        del name
        return FieldTable()

    def misfits(self) -> Misfits:
        """Yield the contradictions in this line; keys are relative to its table."""
        wrong = list(self._misfits_of_split())
        if wrong:
            yield from wrong
            return
        places = self.places()
        names = [p.name for p in places]
        for name in {n for n in names if names.count(n) > 1}:
            yield SettingError(
                f"the field {name!r} occurs twice; leave out the name of one: {{:number}}", key=self.layout
            )
        for name in self.tables.keys() - set(names):
            yield SettingError(f"the line has no such field; {near(name, names)}", key=f"fields.{name}")
        for place in places:
            yield from _misfits_of_digits(place, self.table(place.name))
            if KINDS[place.type].gives == "nothing":
                reason = f"{place.type} gives no value: leave out the name, {{:{place.type}}}"
                yield SettingError(reason, key=f"fields.{place.name}")
            else:
                yield from self._misfits_of(place)

    def _misfits_of_split(self) -> Misfits:
        """Yield the faults of numbers that are split."""
        fields = {field.name: field for field in template.named_fields(self.parts())}
        for name, parts in self.split.items():
            field, key = fields.get(name), f"split.{name}"
            if field is None:
                yield SettingError(f"the line has no such field; {near(name, fields)}", key=key)
            elif field.type not in ("whole", "nr1", "hex") and not field.type.startswith("u"):
                yield SettingError("is no whole number without sign: use u8, u16be, ..., hex or whole", key=key)
            used = 0
            for part, text in parts.items():
                try:
                    own = bit_range(text)
                except ValueError as error:
                    yield SettingError(str(error), key=f"{key}.{part}")
                    continue
                mask = (1 << own.count) - 1 << own.low
                if used & mask:
                    yield SettingError("has a bit that is in another part, too", key=f"{key}.{part}")
                if field is not None and field.type.startswith("u") and mask >> 8 * size_of(field.type, 0):
                    yield SettingError(f"is beyond the bits of {field.type}", key=f"{key}.{part}")
                used |= mask

    def _misfits_of(self, place: template.Field) -> Misfits:
        """Yield the faults of one named field."""
        del place
        yield from ()


def _misfits_of_digits(place: template.Field, table: FieldTable) -> Misfits:
    """Yield the faults of keys for hexadecimal digits."""
    for key in ("signed_bits", "bytes_as"):
        if getattr(table, key) and place.type != "hex":
            yield SettingError("is for the type hex", key=f"fields.{place.name}.{key}")
    if table.signed_bits and table.bytes_as:
        yield SettingError("is given by `bytes_as` already", key=f"fields.{place.name}.signed_bits")
    if table.bytes_as and place.width and place.width < table.constant_bits // 4:
        reason = f"the field has {place.width} digits, and {table.bytes_as} has {table.constant_bits // 4}"
        yield SettingError(reason, key=f"fields.{place.name}.bytes_as")


def _padded(column: tuple[Part, ...]) -> list[Part]:
    """Allow blanks around a column; a text or a padded number already includes them."""
    texts = [isinstance(p, template.Field) and p.type in ("text", "rest", "padded") for p in column]
    before = [] if texts[:1] == [True] else [_PAD]
    after = [] if texts[-1:] == [True] and column[-1].type != "padded" else [_PAD]  # type: ignore[union-attr]  # a Field
    return [*before, *column, *after]


def _misfits_of_answer(place: template.Field, kind: str, *names: str) -> Misfits:
    if place.name not in names:
        reason = f"is no field of a {kind}; its fields: {', '.join(names)}; or leave out the name"
        yield SettingError(reason, key=f"fields.{place.name}")


def _misfits_of_state(place: template.Field, table: StateField) -> Misfits:
    if table.bits and KINDS[place.type].gives != "number":
        yield SettingError("bits need a number: use the type whole", key=f"fields.{place.name}.bits")


class WithFields(Layout, Generic[F]):
    """A line with fields that have tables."""

    usual: ClassVar[FieldTable] = FieldTable()

    fields: dict[PlainName, F] = Field(default_factory=dict)

    @property
    def tables(self) -> Mapping[str, F]:
        """Tables of the fields in the file, by name."""
        return self.fields

    def table(self, name: str) -> F:
        """Return the table of a field; the default one where the file has none."""
        return self.fields.get(name, self.usual)  # type: ignore[return-value]  # of the kind of line


class ReadingLine(WithFields[ReadingField]):
    """A line with values of channels."""

    usual = ReadingField()

    says: Literal["reading"]

    def channel(self, name: str) -> str:
        """Return the name of the channel that a field gives."""
        return self.table(name).channel or name

    def _misfits_of(self, place: template.Field) -> Misfits:
        yield from _misfits_of_state(place, self.table(place.name))


class StatusLine(WithFields[StateField]):
    """A line with faults only."""

    usual = StateField()

    says: Literal["status"]

    def _misfits_of(self, place: template.Field) -> Misfits:
        table = self.table(place.name)
        if not table.is_state:
            reason = (
                'has neither `means` nor `bits`, and a status has no channels; write says = "reading" where it has, '
                f"or leave out the name: {{:{place.type}}}"
            )
            yield SettingError(reason, key=f"fields.{place.name}")
        yield from _misfits_of_state(place, table)


class IdentityLine(WithFields[IdentityField]):
    """A line with the identity of the instrument."""

    usual = IdentityField()

    says: Literal["identity"]

    def misfits(self) -> Misfits:
        """Yield the contradictions in this line."""
        yield from super().misfits()
        if "serial" not in {p.name for p in self.places()}:
            yield SettingError(
                "an identity needs a field {serial:word}, which identifies the instrument", key=self.layout
            )


class FactsLine(WithFields[IdentityField]):
    """A line with further facts of the identity, the answer to a second identity request."""

    usual = IdentityField()

    says: Literal["facts"]

    def _misfits_of(self, place: template.Field) -> Misfits:
        if place.name in ("kind", "serial", "firmware"):
            reason = 'belongs to the line with says = "identity"; facts are further data'
            yield SettingError(reason, key=f"fields.{place.name}")


class ConfirmationLine(WithFields[CommandField]):
    """A line that confirms a command."""

    usual = CommandField()

    says: Literal["confirmation"]
    confirms: Name | None = Field(
        default=None, description="the action; left out: that of the request, or of the field `command`"
    )

    def _misfits_of(self, place: template.Field) -> Misfits:
        yield from _misfits_of_answer(place, self.says, "command", "value")


class RefusalLine(WithFields[FieldTable]):
    """A line that refuses a request."""

    says: Literal["refusal"]
    reason: str = Field(default="", description="the reason, where there is no field `reason`")

    def _misfits_of(self, place: template.Field) -> Misfits:
        yield from _misfits_of_answer(place, self.says, "reason")


class IgnoredLine(Layout):
    """A line that is ignored."""

    says: Literal["ignored"]
    reason: str = Field(default="", description="the reason why it is ignored")

    def _misfits_of(self, place: template.Field) -> Misfits:
        reason = f"an ignored line has no named fields: leave out the name, {{:{place.type}}}"
        yield SettingError(reason, key=f"fields.{place.name}")


LineTable = ReadingLine | StatusLine | IdentityLine | FactsLine | ConfirmationLine | RefusalLine | IgnoredLine
AnyLine = Annotated[LineTable, Field(discriminator="says")]

"""Models of the lines of a description: one for each value of the key `says`, with its own keys and fields."""

from collections.abc import Iterable, Iterator, Mapping
from typing import Annotated, ClassVar, Final, Generic, Literal, TypeVar

from pydantic import Field

from daq.core.errors import SettingError
from daq.descriptions import template
from daq.descriptions.entries import (
    ChannelName,
    FaultInstead,
    Faults,
    LineText,
    Offset,
    Others,
    PlainName,
    Scale,
    Strings,
    Unit,
    UnitOfText,
    Weight,
    near,
)
from daq.descriptions.template import Maybe, Part
from daq.descriptions.types import TYPES
from daq.methods.files.fields import LineBytes, Listed, Model, Name, Text

Misfits = Iterator[SettingError]
_PAD: Final = template.Field("", "pad")
_BLANKS: Final = template.Field("", "blanks")
_REST: Final = template.Field("", "rest")


class FieldTable(Model):
    """Format of a field of a line."""

    decimals: Annotated[int, Field(ge=0, le=9)] | None = Field(default=None, description="exact number of decimals")
    digits: Annotated[int, Field(ge=1, le=15)] | None = Field(
        default=None, description="greatest number of digits before the decimal mark"
    )
    decimal: Literal["point", "comma"] | None = Field(
        default=None, description="decimal mark of this field; left out: that of the description"
    )

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
    separator: LineBytes = Field(default=",", description="text between two columns; ' ' is any number of blanks")
    more: bool = Field(default=False, description="further columns may follow")

    @property
    def has_one_layout(self) -> bool:
        """True where there is either a pattern or columns, not both."""
        return (self.pattern is None) != (self.columns is None)

    @property
    def layout(self) -> str:
        """Key of the layout."""
        return "columns" if self.pattern is None else "pattern"

    @property
    def texts(self) -> dict[str, str]:
        """Templates by their key."""
        if self.pattern is not None:
            return {"pattern": self.pattern}
        return {f"columns[{i}]": column for i, column in enumerate(self.columns or ())}

    def parts(self) -> tuple[Part, ...]:
        """Return the template of the line, with the columns joined."""
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
        """Return the named fields, in order."""
        return template.named_fields(self.parts())

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
        places = self.places()
        names = [p.name for p in places]
        for name in {n for n in names if names.count(n) > 1}:
            yield SettingError(
                f"the field {name!r} occurs twice; leave out the name of one: {{:number}}", key=self.layout
            )
        for name in self.tables.keys() - set(names):
            yield SettingError(f"the line has no such field; {near(name, names)}", key=f"fields.{name}")
        for place in places:
            if TYPES[place.type].gives == "nothing":
                reason = f"{place.type} gives no value: leave out the name, {{:{place.type}}}"
                yield SettingError(reason, key=f"fields.{place.name}")
            else:
                yield from self._misfits_of(place)

    def _misfits_of(self, place: template.Field) -> Misfits:
        """Yield the faults of one named field."""
        del place
        yield from ()


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
    if table.bits and TYPES[place.type].gives != "number":
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


LineTable = ReadingLine | StatusLine | IdentityLine | ConfirmationLine | RefusalLine | IgnoredLine
AnyLine = Annotated[LineTable, Field(discriminator="says")]

"""The lines of a description, told apart by what they say: each kind has its own keys and its own fields."""

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
    Unit,
    Weight,
    near,
)
from daq.descriptions.template import Maybe, Part
from daq.descriptions.types import TYPES
from daq.methods.files.fields import Listed, Model, Name, Text

Misfits = Iterator[SettingError]
_PAD: Final = template.Field("", "pad")
_BLANKS: Final = template.Field("", "blanks")
_REST: Final = template.Field("", "rest")


class FieldTable(Model):
    """How a field of a line is written."""

    decimals: Annotated[int, Field(ge=0, le=9)] | None = Field(
        default=None, description="it has exactly so many decimals"
    )
    digits: Annotated[int, Field(ge=1, le=15)] | None = Field(
        default=None, description="most digits before its decimal mark"
    )
    decimal: Literal["point", "comma"] | None = Field(default=None, description="its decimal mark")

    @property
    def instead(self) -> Iterable[str]:
        """Texts that can be there in place of a number."""
        return ()

    @property
    def known(self) -> Iterable[str]:
        """Texts that have a meaning."""
        return ()


class StateField(FieldTable):
    """A field of a line that says faults: its text or number stands for them."""

    means: dict[str, Faults] = Field(
        default_factory=dict,
        description="what its text or number means: a fault, 'channel: fault', a list, or '' for none",
    )
    each_letter: bool = Field(default=False, description="every letter of the text is looked up in `means` by itself")
    bits: dict[Weight, Faults] = Field(
        default_factory=dict, description="the number is a sum of such ('1', '2', '4', ...); what each means"
    )
    others: Others = Field(
        default="refused", description="what `means` and `bits` do not know: 'refused', 'ignored', or a fault"
    )

    @property
    def known(self) -> Iterable[str]:
        """Texts that have a meaning."""
        return self.means

    @property
    def is_state(self) -> bool:
        """Whether it stands for faults."""
        return bool(self.means or self.bits)


class ReadingField(StateField):
    """A field of a reading: the number of a channel, or what stands for faults."""

    channel: ChannelName | None = Field(
        default=None, description="the channel it gives; left out: the one of its own name"
    )
    unit: Unit | None = Field(default=None, description="unit of the number in the line; left out: the channel's")
    scale: Scale = Field(default=1.0, description="the number is multiplied with this")
    offset: Offset = Field(default=0.0, description="then this is added")
    divide_by: PlainName | None = Field(
        default=None, description="an option (a whole number of at least 1) by which the result is divided"
    )
    special: dict[str, FaultInstead] = Field(
        default_factory=dict,
        description="what stands for a number ('---', '9.9E37', ''), and its fault; '' where another field says it",
    )

    @property
    def instead(self) -> Iterable[str]:
        """Texts that can be there in place of a number."""
        return self.special


class IdentityField(FieldTable):
    """A field of an identity: a fact about the instrument."""

    scale: Scale = Field(default=1.0, description="a number is multiplied with this")
    offset: Offset = Field(default=0.0, description="then this is added")
    fact: Text | None = Field(default=None, description="the name of the fact; left out: its own name")


class CommandField(FieldTable):
    """A field of a confirmation."""

    names: dict[str, Name] = Field(
        default_factory=dict, description="for the field `command`: the action each text stands for"
    )


F = TypeVar("F", bound=FieldTable)


class Layout(Model):
    """How a line is made up, whatever it says: a pattern, or columns."""

    says: str
    pattern: LineText | None = Field(
        default=None,
        description="the whole line, as in 'T {temperature:number} Cel'; {name:type} is a field, {name:type 8} one of "
        "8 characters, {:type} one that is not kept, {name} the value of an option, [...] may be absent; types: "
        + "; ".join(f"{name} ({kind.about})" for name, kind in TYPES.items()),
    )
    columns: Annotated[tuple[LineText, ...], Listed] | None = Field(
        default=None, description="or its columns, in order, blanks around them not counting"
    )
    separator: Text = Field(default=",", description="what stands between two columns; ' ' is any number of blanks")
    more: bool = Field(default=False, description="further columns may follow")

    @property
    def has_one_layout(self) -> bool:
        """Whether it has either a pattern or columns."""
        return (self.pattern is None) != (self.columns is None)

    @property
    def layout(self) -> str:
        """The key of its layout."""
        return "columns" if self.pattern is None else "pattern"

    @property
    def texts(self) -> dict[str, str]:
        """The templates by their key."""
        if self.pattern is not None:
            return {"pattern": self.pattern}
        return {f"columns[{i}]": column for i, column in enumerate(self.columns or ())}

    def parts(self) -> tuple[Part, ...]:
        """Return the template of the line, its columns joined."""
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
        """Return the fields that are kept, in order."""
        return template.named_fields(self.parts())

    @property
    def tables(self) -> Mapping[str, FieldTable]:
        """What the file says of fields, by their names."""
        return {}

    def table(self, name: str) -> FieldTable:
        """Return what the file says of a field; the usual where it says nothing."""
        del name
        return FieldTable()

    def misfits(self) -> Misfits:
        """Yield what does not fit together in this line; keys are those inside its table."""
        places = self.places()
        names = [p.name for p in places]
        for name in {n for n in names if names.count(n) > 1}:
            yield SettingError(
                f"the field {name!r} is there twice; leave the name of one out: {{:number}}", key=self.layout
            )
        for name in self.tables.keys() - set(names):
            yield SettingError(f"the line has no such field; {near(name, names)}", key=f"fields.{name}")
        for place in places:
            if TYPES[place.type].gives == "nothing":
                reason = f"{place.type} is only passed over: leave the name out, {{:{place.type}}}"
                yield SettingError(reason, key=f"fields.{place.name}")
            else:
                yield from self._misfits_of(place)

    def _misfits_of(self, place: template.Field) -> Misfits:
        """Yield what is wrong with one field that is kept."""
        del place
        yield from ()


def _padded(column: tuple[Part, ...]) -> list[Part]:
    """A column that may have blanks around it; a text takes those around it itself."""
    texts = [isinstance(p, template.Field) and p.type in ("text", "rest", "padded") for p in column]
    before = [] if texts[:1] == [True] else [_PAD]
    after = [] if texts[-1:] == [True] and column[-1].type != "padded" else [_PAD]  # type: ignore[union-attr]  # a Field
    return [*before, *column, *after]


def _misfits_of_answer(place: template.Field, kind: str, *names: str) -> Misfits:
    if place.name not in names:
        reason = f"is no field of a {kind}; its fields: {', '.join(names)}; or leave the name out"
        yield SettingError(reason, key=f"fields.{place.name}")


def _misfits_of_state(place: template.Field, table: StateField) -> Misfits:
    if table.bits and TYPES[place.type].gives != "number":
        yield SettingError("bits are of a number: use the type whole", key=f"fields.{place.name}.bits")


class WithFields(Layout, Generic[F]):
    """A line with fields that mean something."""

    usual: ClassVar[FieldTable] = FieldTable()

    fields: dict[PlainName, F] = Field(default_factory=dict)

    @property
    def tables(self) -> Mapping[str, F]:
        """What the file says of fields, by their names."""
        return self.fields

    def table(self, name: str) -> F:
        """Return what the file says of a field; the usual where it says nothing."""
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
                "has neither `means` nor `bits`, and a status has no channels; say 'reading' where it has, or leave "
                f"the name out: {{:{place.type}}}"
            )
            yield SettingError(reason, key=f"fields.{place.name}")
        yield from _misfits_of_state(place, table)


class IdentityLine(WithFields[IdentityField]):
    """A line that says which instrument it is."""

    usual = IdentityField()

    says: Literal["identity"]

    def misfits(self) -> Misfits:
        """Yield what does not fit together in this line."""
        yield from super().misfits()
        if "serial" not in {p.name for p in self.places()}:
            yield SettingError(
                "an identity needs a field {serial:word}: it tells one instrument from another", key=self.layout
            )


class ConfirmationLine(WithFields[CommandField]):
    """A line that says yes to a command."""

    usual = CommandField()

    says: Literal["confirmation"]
    confirms: Name | None = Field(
        default=None, description="the action; left out: what was asked, or the field `command`"
    )

    def _misfits_of(self, place: template.Field) -> Misfits:
        yield from _misfits_of_answer(place, self.says, "command", "value")


class RefusalLine(WithFields[FieldTable]):
    """A line that says no."""

    says: Literal["refusal"]
    reason: str = Field(default="", description="why, where no field `reason` says it")

    def _misfits_of(self, place: template.Field) -> Misfits:
        yield from _misfits_of_answer(place, self.says, "reason")


class IgnoredLine(Layout):
    """A line of no interest."""

    says: Literal["ignored"]
    reason: str = Field(default="", description="why it is ignored")

    def _misfits_of(self, place: template.Field) -> Misfits:
        reason = f"an ignored line keeps nothing: leave the name out, {{:{place.type}}}"
        yield SettingError(reason, key=f"fields.{place.name}")


LineTable = ReadingLine | StatusLine | IdentityLine | ConfirmationLine | RefusalLine | IgnoredLine
AnyLine = Annotated[LineTable, Field(discriminator="says")]

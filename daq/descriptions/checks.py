"""Find all contradictions between the tables of a description."""

import math
from collections.abc import Iterable, Iterator
from typing import Final

from daq.core.errors import SettingError
from daq.core.units import UNITS
from daq.descriptions import template
from daq.descriptions.codec.fieldtables import ReadingField, StateField
from daq.descriptions.entries import near
from daq.descriptions.linechecks import checksums, line_faults
from daq.descriptions.linemodel import ConfirmationLine, IdentityLine, LineTable, ReadingLine
from daq.descriptions.model import CommandTable, DescriptionTables, OptionTable, RequestTable
from daq.descriptions.patterns import Writing, is_number, touching
from daq.descriptions.rangechecks import range_faults
from daq.descriptions.reading.lines import ACTION_UNITS
from daq.descriptions.reading.slots import faults_of
from daq.descriptions.template import Field, Setting
from daq.descriptions.types import KINDS
from daq.descriptions.unitwords import unit_text, unit_word, written_unit

Faults = Iterator[SettingError]
UNIT_ROUNDING: Final = 1e-4
"""Relative difference that rounding may make: ``7.0616 mN.m`` is an ounce-force inch, a wrong prefix is far beyond."""


def faults(tables: DescriptionTables) -> Faults:
    """Yield all contradictions."""
    yield from _text(tables)
    yield from _framing(tables)
    yield from _channels(tables)
    for name, option in tables.options.items():
        yield from _option(tables, name, f"options.{name}", option)
    yield from _ways(tables)
    yield from _moves(tables)
    for name, request in tables.request.items():
        yield from _request(tables, f"request.{name}", request)
    for action, command in tables.command.items():
        yield from _command(tables, f"command.{action}", action, command)
    for name, line in tables.line.items():
        yield from _line(tables, f"line.{name}", line)
    yield from _given(tables)
    yield from line_faults(tables)
    yield from range_faults(tables)


def _text(tables: DescriptionTables) -> Faults:
    """Yield characters that the encoding cannot write as one byte."""
    if tables.framing.encoding == "utf-8":
        return
    texts: dict[str, str] = {
        "framing.begin": tables.framing.begin,
        "framing.sends_begin": tables.framing.sends_begin or "",
        "framing.sends_end": tables.framing.sends_end or "",
        **{f"{key}.{k}": text for key, table in checksums(tables).items() for k, text in table.texts.items()},
        **{f"ignore[{i}]": text for i, text in enumerate(tables.ignore)},
        "port.wake": tables.port.wake,
        **{f"framing.ends[{i}]": end for i, end in enumerate(tables.framing.ends)},
        **{f"request.{name}.send": r.send or "" for name, r in tables.request.items()},
        **{f"command.{name}.send": c.send or "" for name, c in tables.command.items()},
        **{f"options.{name}": f"{o.default}{''.join(map(str, o.choices))}" for name, o in tables.options.items()},
    }
    for name, line in tables.line.items():
        texts |= {f"line.{name}.{key}": text for key, text in line.texts.items()}
        texts[f"line.{name}.separator"] = line.separator
        for field, table in line.tables.items():
            for key, named in (("special", table.instead), ("means", table.meanings)):
                texts |= {f"line.{name}.fields.{field}.{key}.{text}": text for text in named}
    for key, text in texts.items():
        beyond = next((c for c in text if ord(c) > 0xFF), "")
        if beyond:
            reason = (
                f"{beyond!r} is more than one byte; write what the instrument sends, or set framing.encoding = 'utf-8'"
            )
            yield SettingError(reason, key=key)


def _framing(tables: DescriptionTables) -> Faults:
    framing = tables.framing
    if framing.length and framing.silence:
        yield SettingError("a line ends by its length or by silence, not both; leave one out", key="framing.silence")
    if framing.length > framing.longest:
        yield SettingError(f"is more than framing.longest ({framing.longest})", key="framing.length")
    if framing.begin and framing.silence:
        yield SettingError("lines that end by silence have no `begin`; put it into the patterns", key="framing.begin")
    ends = [end.encode(framing.encoding, "replace") for end in framing.ends]
    for i, end in enumerate(ends):
        inside = next((other for j, other in enumerate(ends) if j != i and end in other), None)
        if inside is not None:
            reason = f"{framing.ends[i]!r} is contained in another end; give the single characters instead"
            yield SettingError(reason, key=f"framing.ends[{i}]")
    if framing.begin and not framing.length and any(framing.begin in e or e in framing.begin for e in framing.ends):
        yield SettingError("begin and ends must not contain each other", key="framing.begin")


def _channels(tables: DescriptionTables) -> Faults:
    names = [c.name for c in tables.channel]
    for i, name in enumerate(names):
        if name in names[:i]:
            yield SettingError(f"{name!r} occurs twice; give each channel its own name", key=f"channel[{i}].name")


def _option(tables: DescriptionTables, name: str, key: str, option: OptionTable) -> Faults:
    """Yield faults of the options with a fixed meaning: interval_ms, mode, direction."""
    if name == "interval_ms" and (not isinstance(option.default, int) or (option.low or 0) < 1 or option.high is None):
        yield SettingError(
            "is the time between readings in milliseconds: give a whole number with low (at least 1) and high", key=key
        )
    if name == "mode" and set(option.choices) != {"poll", "stream"}:
        yield SettingError("must have choices = ['poll', 'stream']", key=key)
    if name == "mode" and (tables.poll is None or tables.stream is None):
        yield SettingError("needs both [poll] and [stream]", key=key)
    if name == "direction" and set(option.choices) != {"forward", "backward"}:
        yield SettingError("must have choices = ['forward', 'backward']", key=key)
    if name == "direction" and not any(c.turns for c in tables.channel):
        yield SettingError("no channel has turns = true, so it changes nothing", key=key)


def _ways(tables: DescriptionTables) -> Faults:
    """Yield faults of [poll], [stream] and `identify`, and requests that are not used."""
    if tables.poll is None and tables.stream is None:
        yield SettingError(
            "is missing: give the requests for a reading in [poll], or [stream] where readings come unasked", key="poll"
        )
    if tables.poll is not None and tables.stream is not None and "mode" not in tables.options:
        reason = "beside [poll] it needs the option `mode` with choices = ['poll', 'stream']"
        yield SettingError(reason, key="stream")
    named: list[tuple[str, str]] = []
    if tables.poll is not None:
        named += [(f"poll.requests[{i}]", name) for i, name in enumerate(tables.poll.requests)]
    if tables.stream is not None and tables.stream.start is not None:
        named.append(("stream.start", tables.stream.start))
    many = len(tables.identify) > 1
    named += [(f"identify[{i}]" if many else "identify", name) for i, name in enumerate(tables.identify)]
    for key, name in named:
        if name not in tables.request:
            yield SettingError(f"there is no [request.{name}]; {near(name, tables.request)}", key=key)
    for name in tables.request.keys() - {name for _, name in named}:
        yield SettingError(
            "is not used: name it in poll.requests, stream.start or identify, or remove it", key=f"request.{name}"
        )
    if tables.identify and not any(isinstance(line, IdentityLine) for line in tables.line.values()):
        yield SettingError("no line has says = 'identity'; describe the answer", key="identify")


def _moves(tables: DescriptionTables) -> Faults:
    """Yield missing keys of an instrument that turns or can be zeroed."""
    moves = {"speed", "turn", "halt"} & set(tables.command)
    if moves and tables.on_link_loss in (None, "no_motor"):
        yield SettingError(
            "is missing: give the behaviour of the motor when the cable is pulled ('unknown' is allowed)",
            key="on_link_loss",
        )
    if moves & {"speed", "turn"} and "halt" not in tables.command:
        yield SettingError("is missing: an instrument that turns needs a command to stop it", key="command.halt")
    if "zero" in tables.command and not tables.zero_condition:
        yield SettingError("is missing: give the condition for zeroing", key="zero_condition")
    if moves and "speed" not in {c.name for c in tables.channel}:
        yield SettingError("there is no channel 'speed', so standstill could not be verified", key="channel")


def _settings(key: str, parts: tuple[template.Part, ...], names: Iterable[str], *, line: bool) -> Faults:
    for part in template.walk(parts):
        if isinstance(part, Setting) and part.name not in names:
            reason = f"{{{part.name}}} is no option; {near(part.name, names)}"
            if line:
                reason += f" (a field is written {{{part.name}:number}} or with another type)"
            yield SettingError(reason, key=key)


def _request(tables: DescriptionTables, key: str, request: RequestTable) -> Faults:
    names = [*tables.options, "value"] if isinstance(request, CommandTable) else [*tables.options]
    yield from _settings(f"{key}.{request.key}", request.parts(), names, line=False)
    for i, name in enumerate(request.answers):
        if name not in tables.line:
            yield SettingError(f"there is no [line.{name}]; {near(name, tables.line)}", key=f"{key}.answers[{i}]")


def _command(tables: DescriptionTables, key: str, action: str, command: CommandTable) -> Faults:
    yield from _request(tables, key, command)
    has_value = any(part.name == "value" for part in command.settings)
    if action in ACTION_UNITS and not has_value:
        yield SettingError(f"{action} has a value: write {{value}} in its place", key=f"{key}.{command.key}")
    if action not in ACTION_UNITS and has_value:
        yield SettingError(f"{action} has no value: remove {{value}}", key=f"{key}.{command.key}")
    if command.unit and action in ACTION_UNITS:
        wanted = UNITS[ACTION_UNITS[action]].dimension
        if UNITS[command.unit].dimension != wanted:
            yield SettingError(f"must be a unit of {wanted}", key=f"{key}.unit")
    lines = [tables.line[n] for n in command.answers if n in tables.line] or list(tables.line.values())
    if not any(isinstance(line, ConfirmationLine) and line.confirms in (None, action) for line in lines):
        yield SettingError(
            "no line confirms it: describe the answer as a line with says = 'confirmation'", key=f"{key}.answers"
        )


def _line(tables: DescriptionTables, key: str, line: LineTable) -> Faults:
    if not line.has_one_layout:
        yield SettingError("needs either a pattern or columns, or bytes", key=key)
        return
    parsed = {
        k: template.parse_bytes(t, line=True) if k == "bytes" else template.parse(t, line=True)
        for k, t in line.texts.items()
    }
    unknown = [e for k, parts in parsed.items() for e in _settings(f"{key}.{k}", parts, tables.options, line=True)]
    unknown = unknown or list(_unfitting(tables, f"{key}.{line.layout}", line))
    if unknown:
        yield from unknown
        return
    writing = Writing(tables.framing.encoding, tables.decimal == "comma")
    try:
        if line.bytes is None:
            yield from _touching(tables, f"{key}.{line.layout}", line, writing)
    except UnicodeEncodeError:
        return  # `_text` has reported it
    for misfit in line.misfits():
        yield SettingError(misfit.reason, key=f"{key}.{misfit.key}")
    for place in line.places():
        table = line.table(place.name)
        if isinstance(table, StateField) and table.is_state:
            yield from _state(f"{key}.fields.{place.name}", table, [c.name for c in tables.channel])
        elif isinstance(table, ReadingField) and isinstance(line, ReadingLine) and (table.units or table.unit_of):
            yield from _units(tables, f"{key}.fields.{place.name}", line, table)
        elif isinstance(line, ReadingLine) and KINDS[place.type].gives != "nothing":
            yield from _number(tables, f"{key}.fields.{place.name}", line, place, writing)
    if isinstance(line, ConfirmationLine) and line.confirms is not None:
        actions = [*tables.command, *([tables.stream.start] if tables.stream and tables.stream.start else [])]
        if line.confirms not in actions:
            yield SettingError(
                f"there is no action {line.confirms!r}; {near(line.confirms, actions)}", key=f"{key}.confirms"
            )


def _unfitting(tables: DescriptionTables, where: str, line: LineTable) -> Faults:
    """Yield an option whose default cannot be written in the type of its place."""
    settings = {name: option.written(option.default) for name, option in tables.options.items()}
    try:
        template.filled(line.parts(), settings)
    except ValueError as error:
        yield SettingError(str(error), key=where)


def _touching(tables: DescriptionTables, where: str, line: LineTable, writing: Writing) -> Faults:
    settings = {name: option.written(option.default) for name, option in tables.options.items()}
    for field, after in touching(template.filled(line.parts(), settings), line.tables, writing):
        shown = repr(after) if isinstance(after, str) else f"the field {after.name or after.type!r}"
        yield SettingError(
            f"the end of {{{field.name}:{field.type}}} is ambiguous, because {shown} follows; "
            f"put a text between them, or give it a width as in {{{field.name}:{field.type} 8}}",
            key=where,
        )


def _number(tables: DescriptionTables, key: str, line: ReadingLine, place: Field, writing: Writing) -> Faults:
    """Yield faults of a field with the number of a channel."""
    table, name = line.table(place.name), line.channel(place.name)
    channel = next((c for c in tables.channel if c.name == name), None)
    if channel is None:
        reason = f"is no channel; {near(name, [c.name for c in tables.channel])}. "
        reason += f"A field that is not used has no name: {{:{place.type}}}"
        yield SettingError(reason, key=f"{key}.channel" if table.channel else key)
        return
    if KINDS[place.type].gives != "number":
        yield SettingError(f"the channel {name} is a number; {place.type} is text", key=key)
        return
    if table.unit is not None and UNITS[table.unit].dimension != UNITS[channel.unit].dimension:
        yield SettingError(
            f"{table.unit} cannot be expressed in {channel.unit}, the channel's unit; use scale", key=f"{key}.unit"
        )
    yield from _divisor(tables, key, table)
    for text in table.special:
        if text and not is_number(text, place, table, writing) and text[0] in "0123456789":
            yield SettingError("begins like a number but is none", key=f"{key}.special.{text}")


def _units(tables: DescriptionTables, key: str, line: ReadingLine, table: ReadingField) -> Faults:
    """Yield faults of a field with the unit of numbers."""
    if not table.units or not table.unit_of:
        missing, given = ("unit_of", "units") if table.units else ("units", "unit_of")
        reason = f"is missing beside {given}: "
        reason += "name the fields of the numbers" if table.units else "give the UCUM code of each text, as in g = 'g'"
        yield SettingError(reason, key=f"{key}.{missing}")
        return
    names = [place.name for place in line.places()]
    others = [n for p in line.places() if (own := line.table(p.name)) is not table for n in own.unit_of]
    for i, name in enumerate(table.unit_of):
        number = line.table(name)
        channel = next((c for c in tables.channel if c.name == line.channel(name)), None)
        if name not in names or channel is None or number.is_state or number.units:
            reason = f"{name!r} is no field of this line with the number of a channel; fields: {', '.join(names)}"
            yield SettingError(reason, key=f"{key}.unit_of[{i}]")
        elif number.unit is not None:
            yield SettingError(f"{name} has a unit of its own; remove `unit` there", key=f"{key}.unit_of[{i}]")
        elif name in others or table.unit_of.count(name) > 1:
            yield SettingError(f"another unit is given for {name}, too; leave one out", key=f"{key}.unit_of[{i}]")
        else:
            for text, written in table.units.items():
                code = written_unit(written)[0]
                if UNITS[code].dimension != UNITS[channel.unit].dimension:
                    reason = f"{code} cannot be expressed in {channel.unit}, the unit of the channel {channel.name}"
                    yield SettingError(reason, key=f"{key}.units.{text}")
                    continue
                word, factor = unit_word(text)
                # A word of another quantity may be a prefix or a name: `m` for milliohm.
                if word and UNITS[word].dimension == UNITS[code].dimension and not _same_unit((word, factor), written):
                    reason = f"the word {text!r} is the unit {unit_text(word, factor)}, and is given as {written}"
                    yield SettingError(reason, key=f"{key}.units.{text}")


def _same_unit(one: tuple[str, float], written: str) -> bool:
    """Return True where a unit with its factor is the one in a description, within the digits that a person writes."""
    (a, factor), (b, times) = one, written_unit(written)
    is_same = math.isclose(factor * UNITS[a].factor, times * UNITS[b].factor, rel_tol=UNIT_ROUNDING)
    return is_same and UNITS[a].offset == UNITS[b].offset


def _divisor(tables: DescriptionTables, key: str, table: ReadingField) -> Faults:
    if table.divide_by is None:
        return
    option = tables.options.get(table.divide_by)
    if option is None:
        reason = f"there is no option {table.divide_by!r}; {near(table.divide_by, tables.options)}"
        yield SettingError(reason, key=f"{key}.divide_by")
    elif not isinstance(option.default, int) or option.low is None or option.low < 1:
        yield SettingError("the option must be a whole number with low = 1 or more", key=f"{key}.divide_by")


def _state(key: str, table: StateField, channels: list[str]) -> Faults:
    for name, entries in (("means", table.means), ("bits", table.bits)):
        for text, values in entries.items():
            for channel, _ in faults_of(values):
                if channel and channel not in channels:
                    yield SettingError(
                        f"there is no channel {channel!r}; {near(channel, channels)}", key=f"{key}.{name}.{text}"
                    )


def _given(tables: DescriptionTables) -> Faults:
    """Yield channels that are in no line."""
    readings = [line for line in tables.line.values() if isinstance(line, ReadingLine) and line.has_one_layout]
    given = {line.channel(place.name) for line in readings for place in line.places()}
    for i, channel in enumerate(tables.channel):
        if channel.name not in given:
            yield SettingError(
                f"no reading has a field {channel.name!r}; write {{{channel.name}:number}} in its line",
                key=f"channel[{i}].name",
            )

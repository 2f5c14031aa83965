"""What does not fit together in a description, all of it in one go."""

import difflib
from collections.abc import Iterable, Iterator

from daq.core.checksums import CHECKSUMS
from daq.core.errors import SettingError
from daq.core.faults import FAULTS
from daq.core.units import UNITS
from daq.descriptions import template
from daq.descriptions.lines import ACTION_UNITS
from daq.descriptions.model import CommandTable, DescriptionTables, FieldTable, LineTable, OptionTable, RequestTable
from daq.descriptions.options import fault_of, written
from daq.descriptions.patterns import Writing, is_number, named_fields, parts_of, touching
from daq.descriptions.seal import least_digits
from daq.descriptions.slots import faults_of
from daq.descriptions.template import Field, Setting
from daq.descriptions.types import TYPES

Faults = Iterator[SettingError]
MOST_SCALE = 1e30
"""With this and its inverse no number that a line can hold becomes infinite."""
SPEAKING = {"identity": ("kind", "serial", "firmware"), "confirmation": ("command", "value"), "refusal": ("reason",)}


def faults(tables: DescriptionTables) -> Faults:
    """Everything that does not fit together."""
    yield from _text(tables)
    yield from _framing(tables)
    yield from _checksum(tables)
    yield from _channels(tables)
    yield from _options(tables)
    yield from _ways(tables)
    for name, request in tables.request.items():
        yield from _request(tables, f"request.{name}", request)
    for action, command in tables.command.items():
        yield from _command(tables, f"command.{action}", action, command)
    for name, line in tables.line.items():
        yield from _line(tables, f"line.{name}", line)
    yield from _given(tables)


def _near(name: str, known: Iterable[str]) -> str:
    known = list(known)
    near = difflib.get_close_matches(name, known, 1)
    return f"did you mean {near[0]!r}?" if near else f"there are: {', '.join(known) or 'none'}"


def _text(tables: DescriptionTables) -> Faults:
    """Characters that have no byte."""
    if tables.framing.encoding == "utf-8":
        return
    checksum_mark = tables.checksum.mark if tables.checksum else ""
    texts: dict[str, str] = {
        "framing.begin": tables.framing.begin,
        "framing.sends_begin": tables.framing.sends_begin or "",
        "framing.sends_end": tables.framing.sends_end or "",
        "checksum.mark": checksum_mark,
        "port.wake": tables.port.wake,
        **{f"framing.ends[{i}]": end for i, end in enumerate(tables.framing.ends)},
        **{f"request.{name}.send": r.send for name, r in tables.request.items()},
        **{f"command.{name}.send": c.send for name, c in tables.command.items()},
        **{f"line.{name}.pattern": line.pattern or "" for name, line in tables.line.items()},
    }
    for name, line in tables.line.items():
        texts |= {f"line.{name}.columns[{i}]": text for i, text in enumerate(line.columns or ())}
        texts[f"line.{name}.separator"] = line.separator
        for field, table in line.fields.items():
            for key in ("special", "means"):
                texts |= {f"line.{name}.fields.{field}.{key}.{text}": text for text in getattr(table, key)}
    for name, option in tables.options.items():
        texts |= {f"options.{name}": f"{option.default}{''.join(map(str, option.choices))}"}
    for key, text in texts.items():
        beyond = next((c for c in text if ord(c) > 0xFF), "")
        if beyond:
            reason = (
                f"{beyond!r} is more than one byte; write what the instrument sends, or set framing.encoding = 'utf-8'"
            )
            yield SettingError(reason, key=key)


def _framing(tables: DescriptionTables) -> Faults:
    framing = tables.framing
    if framing.length and framing.gap:
        yield SettingError("a line ends by its length or by a gap, not both; leave one out", key="framing.gap")
    if framing.length > framing.longest:
        yield SettingError(f"is more than framing.longest ({framing.longest})", key="framing.length")
    if framing.begin and framing.gap:
        yield SettingError("lines that end by a gap have no `begin`; put it into the patterns", key="framing.begin")
    ends = [end.encode(framing.encoding, "replace") for end in framing.ends]
    for i, end in enumerate(ends):
        inside = next((other for j, other in enumerate(ends) if j != i and end in other), None)
        if inside is not None:
            reason = f"{framing.ends[i]!r} stands inside another end; give the single characters instead"
            yield SettingError(reason, key=f"framing.ends[{i}]")
    if framing.begin and not framing.length and any(framing.begin in e or e in framing.begin for e in framing.ends):
        yield SettingError("begin and ends must not hold each other", key="framing.begin")


def _checksum(tables: DescriptionTables) -> Faults:
    checksum = tables.checksum
    if checksum is None:
        return
    if checksum.name not in CHECKSUMS:
        yield SettingError(
            f"unknown checksum {checksum.name!r}; {_near(checksum.name, CHECKSUMS)}", key="checksum.name"
        )
        return
    digital = checksum.written in ("hex", "decimal")
    if digital and checksum.digits is not None and checksum.digits < least_digits(checksum):
        reason = f"{checksum.name} needs {least_digits(checksum)} digits"
        yield SettingError(reason, key="checksum.digits")
    if not digital and not tables.framing.length and not tables.framing.gap:
        reason = (
            "a checksum of bytes may hold the end of the line; such lines end by framing.length or framing.gap, and "
            "where more follows the checksum, they need a driver in Python (`daq driver new NAME --python FOLDER`)"
        )
        yield SettingError(reason, key="checksum.written")


def _channels(tables: DescriptionTables) -> Faults:
    seen: set[str] = set()
    for i, channel in enumerate(tables.channel):
        if channel.name in seen:
            yield SettingError(
                f"{channel.name!r} is there twice; give each channel its own name", key=f"channel[{i}].name"
            )
        seen.add(channel.name)
        if channel.low >= channel.high:
            yield SettingError(f"must be below high ({channel.high:g})", key=f"channel[{i}].low")


def _options(tables: DescriptionTables) -> Faults:
    for name, option in tables.options.items():
        key = f"options.{name}"
        if name in ("value", "description", "probes"):
            yield SettingError("is a name with a meaning of its own; choose another", key=key)
            continue
        wrong = fault_of(name, option, option.default)
        if wrong:
            yield SettingError(f"{wrong}; here {option.default!r}", key=f"{key}.default")
        if not isinstance(option.default, int) and (option.low is not None or option.high is not None):
            yield SettingError("low and high are for whole numbers; use choices", key=key)
        yield from _reserved(tables, name, key, option)


def _reserved(tables: DescriptionTables, name: str, key: str, option: OptionTable) -> Faults:
    if name == "interval_ms" and (not isinstance(option.default, int) or (option.low or 0) < 1 or option.high is None):
        yield SettingError(
            "is the time between readings in milliseconds: a whole number with low (at least 1) and high", key=key
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
    """How readings come, and who asks for what."""
    if tables.poll is None and tables.stream is None:
        yield SettingError(
            "is missing: say in [poll] what to ask for a reading, or in [stream] that it comes unasked", key="poll"
        )
    if tables.poll is not None and tables.stream is not None and "mode" not in tables.options:
        reason = "beside [poll] it needs the option `mode` with choices = ['poll', 'stream']"
        yield SettingError(reason, key="stream")
    named: list[tuple[str, str]] = []
    if tables.poll is not None:
        named += [(f"poll.requests[{i}]", name) for i, name in enumerate(tables.poll.requests)]
    if tables.stream is not None and tables.stream.start is not None:
        named.append(("stream.start", tables.stream.start))
    if tables.identify is not None:
        named.append(("identify", tables.identify))
    for key, name in named:
        if name not in tables.request:
            yield SettingError(f"there is no [request.{name}]; {_near(name, tables.request)}", key=key)
    for name in tables.request.keys() - {name for _, name in named}:
        yield SettingError(
            "is used nowhere: name it in poll.requests, stream.start or identify, or take it out", key=f"request.{name}"
        )
    for table, key in ((tables.poll, "poll"), (tables.stream, "stream")):
        if table is not None and table.interval < 1_000_000:
            yield SettingError("must be at least '1 ms'", key=f"{key}.interval")
    identities = [name for name, line in tables.line.items() if line.says == "identity"]
    if tables.identify is not None and not identities:
        yield SettingError("no line says 'identity'; describe the answer", key="identify")
    moves = {"speed", "turn", "halt"} & set(tables.command)
    if moves and tables.on_link_loss in (None, "has no motor"):
        yield SettingError(
            "is missing: it can turn, so say what its motor does when the cable is pulled ('unknown' is an answer)",
            key="on_link_loss",
        )
    if moves & {"speed", "turn"} and "halt" not in tables.command:
        yield SettingError("is missing: what can turn must be told to stop", key="command.halt")
    if "zero" in tables.command and not tables.zero_condition:
        yield SettingError("is missing: say what must hold when it is zeroed", key="zero_condition")
    if moves and "speed" not in {c.name for c in tables.channel}:
        yield SettingError("there is no channel 'speed', so nobody could see whether it turns", key="channel")


def _settings(tables: DescriptionTables, key: str, text: str, known: Iterable[str], *, line: bool) -> Faults:
    for part in template.walk(template.parse(text, line=line)):
        if isinstance(part, Setting) and part.name not in known:
            reason = f"{{{part.name}}} is no option; {_near(part.name, known)}"
            if line:
                reason += f" (a field is written {{{part.name}:number}} or with another type)"
            yield SettingError(reason, key=key)
    del tables


def _request(tables: DescriptionTables, key: str, request: RequestTable) -> Faults:
    known = [*tables.options, "value"] if isinstance(request, CommandTable) else [*tables.options]
    yield from _settings(tables, f"{key}.send", request.send, known, line=False)
    if request.timeout < 1_000_000:
        yield SettingError("must be at least '1 ms'", key=f"{key}.timeout")
    for i, name in enumerate(request.answers):
        if name not in tables.line:
            yield SettingError(f"there is no [line.{name}]; {_near(name, tables.line)}", key=f"{key}.answers[{i}]")


def _command(tables: DescriptionTables, key: str, action: str, command: CommandTable) -> Faults:
    yield from _request(tables, key, command)
    has_value = "{value}" in command.send
    if action in ACTION_UNITS and not has_value:
        yield SettingError(f"{action} has a value: put {{value}} where it stands", key=f"{key}.send")
    if action not in ACTION_UNITS and has_value:
        yield SettingError(f"{action} has no value: take {{value}} out", key=f"{key}.send")
    if command.unit and action in ACTION_UNITS:
        wanted = UNITS[ACTION_UNITS[action]].dimension
        if UNITS[command.unit].dimension != wanted:
            yield SettingError(f"must be a unit of {wanted}", key=f"{key}.unit")
    if command.low is not None and command.high is not None and command.low >= command.high:
        yield SettingError(f"must be below high ({command.high:g})", key=f"{key}.low")
    lines = [tables.line[n] for n in command.answers if n in tables.line] or list(tables.line.values())
    if not any(line.says == "confirmation" and line.confirms in (None, action) for line in lines):
        yield SettingError(
            "no line confirms it: describe the answer as a line that says 'confirmation'", key=f"{key}.answers"
        )


def _line(tables: DescriptionTables, key: str, line: LineTable) -> Faults:
    if (line.pattern is None) == (line.columns is None):
        yield SettingError("needs either a pattern or columns", key=key)
        return
    where = f"{key}.pattern" if line.pattern is not None else f"{key}.columns"
    broken = False
    for i, text in enumerate([line.pattern] if line.pattern is not None else line.columns or ()):
        here = where if line.pattern is not None else f"{where}[{i}]"
        for error in _settings(tables, here, text or "", list(tables.options), line=True):
            broken = True
            yield error
    if broken:
        return
    settings = {name: written(option, option.default) for name, option in tables.options.items()}
    parts = template.filled(parts_of(line), settings)
    writing = Writing(tables.framing.encoding, tables.decimal == "comma")
    try:
        for field, after in touching(parts, line.fields, writing):
            shown = repr(after) if isinstance(after, str) else f"the field {after.name or after.type!r}"
            yield SettingError(
                f"nobody can tell where {{{field.name}:{field.type}}} ends, because {shown} follows; "
                f"put a text between them, or give it a width as in {{{field.name}:{field.type} 8}}",
                key=where,
            )
    except UnicodeEncodeError:
        return  # already named
    fields = named_fields(parts)
    names = [f.name for f in fields]
    for name in {n for n in names if names.count(n) > 1}:
        yield SettingError(f"the field {name!r} is there twice; leave the name of one out: {{:number}}", key=where)
    for name in line.fields.keys() - set(names):
        yield SettingError(f"the line has no such field; {_near(name, names)}", key=f"{key}.fields.{name}")
    for field in fields:
        yield from _field(tables, f"{key}.fields.{field.name}", line, field, writing)
    if line.says == "identity" and "serial" not in names:
        yield SettingError("an identity needs a field {serial:word}: it tells one instrument from another", key=where)
    if line.says == "confirmation" and line.confirms is not None:
        known = [*tables.command, *([tables.stream.start] if tables.stream and tables.stream.start else [])]
        if line.confirms not in known:
            yield SettingError(
                f"there is no action {line.confirms!r}; {_near(line.confirms, known)}", key=f"{key}.confirms"
            )


def _field(tables: DescriptionTables, key: str, line: LineTable, field: Field, writing: Writing) -> Faults:
    table = line.fields.get(field.name, FieldTable())
    channels = [c.name for c in tables.channel]
    kind = TYPES[field.type]
    if kind.gives == "nothing":
        yield SettingError(f"{field.type} is only passed over: leave the name out, {{:{field.type}}}", key=key)
        return
    if line.says not in ("reading", "status"):
        if line.says in SPEAKING and line.says != "identity" and field.name not in SPEAKING[line.says]:
            reason = (
                f"is no field of a {line.says}; its fields: {', '.join(SPEAKING[line.says])}; or leave the name out"
            )
            yield SettingError(reason, key=key)
        if line.says == "ignored":
            yield SettingError(f"an ignored line keeps nothing: leave the name out, {{:{field.type}}}", key=key)
        return
    channel = table.channel or field.name
    if table.means or table.bits:
        yield from _status(key, table, field, channels)
        return
    if channel not in channels:
        reason = f"is no channel; {_near(channel, channels)}. What is kept for nobody has no name: {{:{field.type}}}"
        yield SettingError(reason, key=f"{key}.channel" if table.channel else key)
        return
    if line.says == "status":
        yield SettingError("a status has no channels; say 'reading'", key=key)
    if kind.gives != "number":
        yield SettingError(f"the channel {channel} is a number; {field.type} is text", key=key)
        return
    unit = next(c.unit for c in tables.channel if c.name == channel)
    if table.unit is not None and UNITS[table.unit].dimension != UNITS[unit].dimension:
        yield SettingError(
            f"{table.unit} cannot be expressed in {unit}, the channel's unit; use scale", key=f"{key}.unit"
        )
    if table.divide_by is not None:
        option = tables.options.get(table.divide_by)
        if option is None:
            reason = f"there is no option {table.divide_by!r}; {_near(table.divide_by, tables.options)}"
            yield SettingError(reason, key=f"{key}.divide_by")
        elif not isinstance(option.default, int) or option.low is None or option.low < 1:
            yield SettingError("the option must be a whole number with low = 1 or more", key=f"{key}.divide_by")
    if table.scale == 0:
        yield SettingError("must not be 0", key=f"{key}.scale")
    elif not 1 / MOST_SCALE <= abs(table.scale) <= MOST_SCALE:
        yield SettingError(f"must be between {1 / MOST_SCALE:g} and {MOST_SCALE:g}", key=f"{key}.scale")
    if abs(table.offset) > MOST_SCALE:
        yield SettingError(f"must be at most {MOST_SCALE:g}", key=f"{key}.offset")
    for text, fault in table.special.items():
        if ":" in fault:
            yield SettingError("is about this channel: give the fault alone", key=f"{key}.special.{text}")
        elif fault and FAULTS[fault].keeps_value:
            yield SettingError(
                f"{fault} is a fault of a number that is there; here none is", key=f"{key}.special.{text}"
            )
        if text and not is_number(text, field, table, writing) and text[0] in "0123456789":
            yield SettingError("begins like a number but is none", key=f"{key}.special.{text}")


def _status(key: str, table: FieldTable, field: Field, channels: list[str]) -> Faults:
    if table.bits and TYPES[field.type].gives != "number":
        yield SettingError("bits are of a number: use the type whole", key=f"{key}.bits")
    for text in table.bits:
        if not text.isdecimal() or int(text).bit_count() != 1:
            yield SettingError("a bit is written as its weight: '1', '2', '4', '8', ...", key=f"{key}.bits.{text}")
    if table.others not in ("refused", "ignored") and table.others not in FAULTS:
        yield SettingError(
            f"must be 'refused', 'ignored' or a fault; {_near(table.others, FAULTS)}", key=f"{key}.others"
        )
    for name, said in (("means", table.means), ("bits", table.bits)):
        for text, values in said.items():
            for channel, _ in faults_of(values):
                if channel and channel not in channels:
                    yield SettingError(
                        f"there is no channel {channel!r}; {_near(channel, channels)}", key=f"{key}.{name}.{text}"
                    )


def _given(tables: DescriptionTables) -> Faults:
    """Every channel must come in some line."""
    given: set[str] = set()
    for line in tables.line.values():
        if line.says == "reading" and (line.pattern is not None or line.columns is not None):
            for field in named_fields(parts_of(line)):
                given.add(line.fields.get(field.name, FieldTable()).channel or field.name)
    for i, channel in enumerate(tables.channel):
        if channel.name not in given:
            yield SettingError(
                f"no reading has a field {channel.name!r}; write {{{channel.name}:number}} in its line",
                key=f"channel[{i}].name",
            )

"""Find contradictions in checksums, frames of bytes, blocks of lines, and fields of requests."""

from collections.abc import Iterator, Mapping, Sequence

from daq.core.errors import SettingError
from daq.descriptions import template
from daq.descriptions.codec.checktable import ChecksumTable
from daq.descriptions.codec.fieldtables import ReadingField
from daq.descriptions.codec.layout import FrameLayout, Length, is_length
from daq.descriptions.codec.seal import seal_of
from daq.descriptions.linemodel import FactsLine, LineTable, ReadingLine
from daq.descriptions.model import CommandTable, DescriptionTables, RequestTable
from daq.descriptions.numbers import size_of
from daq.descriptions.reading.lines import checksum_of
from daq.descriptions.template import Field, Maybe
from daq.descriptions.types import KINDS

Faults = Iterator[SettingError]


def line_faults(tables: DescriptionTables) -> Faults:
    """Yield all contradictions that this module finds."""
    yield from _marks(tables)
    yield from _wake(tables)
    if tables.by_bytes or tables.frame is not None:
        yield from _frames(tables)
    yield from _unprotected(tables)
    yield from _uncovered(tables)
    yield from _left_out(tables)
    for name, line in tables.line.items():
        if line.has_one_layout and isinstance(line, ReadingLine):
            yield from _readings(tables, f"line.{name}", line)
    for name, request in tables.request.items():
        yield from _fields(tables, f"request.{name}", request)
    for action, command in tables.command.items():
        yield from _fields(tables, f"command.{action}", command)
    if len(tables.identify) > 1 and not any(isinstance(line, FactsLine) for line in tables.line.values()):
        yield SettingError("no line has says = 'facts'; describe the answer to the second request", key="identify")


def checksums(tables: DescriptionTables) -> dict[str, ChecksumTable]:
    """Return the tables of all checksums by their keys."""
    found = {"checksum": tables.checksum}
    found |= {f"line.{name}.checksum": line.checksum for name, line in tables.line.items()}  # type: ignore[misc]  # filtered below
    for kind, requests in (("request", tables.request), ("command", tables.command)):
        found |= {f"{kind}.{name}.checksum": request.checksum for name, request in requests.items()}  # type: ignore[misc]  # as above
    return {key: table for key, table in found.items() if isinstance(table, ChecksumTable)}


def _marks(tables: DescriptionTables) -> Faults:
    """Yield marks with which the end of a line cannot be found."""
    framing = tables.framing
    in_lines = {key: table for key, table in checksums(tables).items() if not key.startswith(("request", "command"))}
    if not tables.by_bytes and not framing.length and not framing.silence:
        for key, table in in_lines.items():
            if not table.is_digits and not (table.mark and framing.begin):
                reason = (
                    "a checksum of bytes may contain the line end: give framing.begin and the checksum's mark, for "
                    "example STX and ETX, or use framing.length or framing.silence"
                )
                yield SettingError(reason, key=f"{key}.written")
            if not table.is_digits and any(end in table.mark for end in framing.ends):
                yield SettingError("contains the end of a line", key=f"{key}.mark")
    if tables.measured and not tables.by_bytes:
        if len(framing.ends) > 1:
            yield SettingError("blocks of lines and checksums of bytes need one end", key="framing.ends")
        if framing.drop_first:
            yield SettingError("is not needed: the beginning of a line is recognised", key="framing.drop_first")
    if framing.lines > 1 and (not framing.begin or framing.length or framing.silence or tables.by_bytes):
        yield SettingError(
            "needs framing.begin, the text with which a block begins, and neither length nor silence",
            key="framing.lines",
        )
    elif framing.lines > 1 and not framing.idle:
        reason = (
            "is missing: a block that was cut off would be completed with lines of a later block; give a time that is "
            "longer than the pauses inside a block"
        )
        yield SettingError(reason, key="framing.idle")

    by_end = not framing.length and not framing.silence and not tables.by_bytes
    if framing.longest_pause and (framing.idle or framing.silence or (framing.begin and by_end)):
        reason = "is not needed beside framing.begin, framing.silence or framing.idle; leave it or framing.idle out"
        yield SettingError(reason, key="framing.longest_pause")


def _wake(tables: DescriptionTables) -> Faults:
    port = tables.port
    if not port.wake and (port.wake_after or port.wake_wait):
        yield SettingError("is missing: give the text that wakes the instrument", key="port.wake")
    if port.wake and port.wake_after and port.wake_wait >= port.wake_after:
        yield SettingError(
            "must be below wake_after, or the instrument sleeps again before its request", key="port.wake_wait"
        )


def _frames(tables: DescriptionTables) -> Faults:
    """Yield faults of frames of bytes."""
    framing, length = tables.framing, tables.frame
    for key in ("length", "begin", "drop_first"):
        if getattr(framing, key):
            yield SettingError("is for lines of text; the layout of each frame gives it", key=f"framing.{key}")
    counted = False
    for name, line in tables.line.items():
        key = f"line.{name}.bytes"
        if line.bytes is None:
            yield SettingError("is missing: all lines of an instrument with frames of bytes need it", key=key)
            continue
        parts = line.parts()
        counted |= any(map(is_length, parts))
        yield from _sizes(tables, key, [part for part in parts if isinstance(part, Field)])
        if not isinstance(parts[0], str) and not framing.silence:
            reason = "must begin with fixed bytes, by which its beginning is recognised"
            yield SettingError(reason, key=key)
        layout = FrameLayout(parts, None, 0)
        table = checksum_of(line, tables)
        if layout.size > framing.longest:
            yield SettingError(f"is longer than framing.longest ({framing.longest})", key=key)
        if table is not None and (table.skip >= layout.size or table.covers_begin):
            yield SettingError("the checksum covers no byte of it, or a begin that frames do not have", key=key)
        if len(layout.opening) < 2 and table is None and not framing.silence:
            reason = "without a checksum, fewer than two fixed bytes at the beginning are found anywhere in noise"
            yield SettingError(reason, key=key)
    if length is not None and not counted and not any(_has_length(r) for r in tables.request.values()):
        yield SettingError("is not used: write {:length} in `bytes`", key="frame")
    yield from _lengths(tables)


def _lengths(tables: DescriptionTables) -> Faults:
    """Yield lengths that cannot be written in their field: `adds` is wrong, or the field is too small."""
    if tables.frame is None:
        return
    length = Length(tables.frame.length, tables.frame.adds)
    tabled: dict[str, tuple[Sequence[template.Part], ChecksumTable | None]] = {
        f"line.{name}": (line.parts(), checksum_of(line, tables)) for name, line in tables.line.items() if line.bytes
    }
    for kind, requests in (("request", tables.request), ("command", tables.command)):
        for name, request in requests.items():
            if request.bytes is not None:
                tabled[f"{kind}.{name}"] = (request.parts(), _checksum_of_request(request, tables))
    for key, (parts, table) in tabled.items():
        check = 0 if table is None else seal_of(table, lambda text: text.encode("latin-1", "replace"), b"").length
        size = sum(_size(part) for part in parts if not is_length(part))
        try:
            if any(map(is_length, parts)):
                length.of(size + length.size + check)
        except ValueError as error:
            yield SettingError(f"the length of the frame: {error}; see [frame]", key=f"{key}.bytes")


def _size(part: template.Part) -> int:
    """Return the least number of bytes of a part of a frame."""
    return len(part) if isinstance(part, str) else 0 if isinstance(part, Maybe) else size_of(part.type, part.width)


def _checksum_of_request(request: RequestTable, tables: DescriptionTables) -> ChecksumTable | None:
    if request.checksum is not None:
        return None if request.checksum == "none" else request.checksum
    return tables.checksum if tables.checksum is not None and tables.checksum.requests else None


def _sizes(tables: DescriptionTables, key: str, fields: Sequence[Field]) -> Faults:
    """Yield faults of the length of a frame and of texts without a size."""
    lengths = [f for f in fields if is_length(f)]
    texts = [f for f in fields if f.type == "ascii" and not f.width]
    if lengths and tables.frame is None:
        yield SettingError("{:length} needs the table [frame] with its type", key=key)
    if len(lengths) > 1 or len(texts) > 1:
        yield SettingError("has more than one length or text without a size", key=key)
    if texts and not tables.framing.silence and (not lengths or fields.index(lengths[0]) > fields.index(texts[0])):
        yield SettingError(
            "a text without a size needs {:length} before it, or framing.silence: write {name:ascii 8}", key=key
        )


def _has_length(request: RequestTable) -> bool:
    return any(map(is_length, request.parts()))


def _unprotected(tables: DescriptionTables) -> Faults:
    """Yield readings without checksum that a cut reading with one could be taken for."""
    sealed = {
        n: line for n, line in tables.line.items() if checksum_of(line, tables) is not None and line.has_one_layout
    }
    for name, line in tables.line.items():
        if not isinstance(line, ReadingLine) or name in sealed or not line.has_one_layout:
            continue
        for other in sealed.values():
            if isinstance(other, ReadingLine) and _alike(*(template.opening_of(one.parts()) for one in (line, other))):
                reason = (
                    "a reading without checksum beside one that has it must begin with another text: a cut line of the "
                    "other kind would be taken for this one"
                )
                yield SettingError(reason, key=f"line.{name}.checksum")
                break


def _uncovered(tables: DescriptionTables) -> Faults:
    """Yield checksums that do not cover all numbers of a reading: a damaged number would be accepted."""
    settings = {name: option.written(option.default) for name, option in tables.options.items()}
    for name, line in tables.line.items():
        table = checksum_of(line, tables)
        if table is None or not isinstance(line, ReadingLine) or not line.has_one_layout:
            continue
        try:
            parts = list(template.walk(template.filled(line.parts(), settings)))
        except ValueError:
            continue  # reported with the option that does not fit
        numbers = [
            i for i, part in enumerate(parts)
            if isinstance(part, Field) and part.name and not line.table(part.name).is_state
        ]  # fmt: skip
        if not numbers:
            continue
        head, tail = parts[: numbers[0]], parts[numbers[-1] + 1 :]
        least = sum(_size(part) for part in head if not isinstance(part, template.Setting))
        wrong = {
            "skip": least < table.skip,
            "after": not any(isinstance(part, str) and table.after in part for part in head) and bool(table.after),
            "before": not any(isinstance(part, str) and table.before in part for part in tail) and bool(table.before),
        }
        own = "checksum" if line.checksum is None else f"line.{name}.checksum"
        for key in (key for key, is_wrong in wrong.items() if is_wrong):
            reason = (
                f"with it the checksum does not cover all numbers of [line.{name}], so that a damaged one is accepted"
            )
            yield SettingError(reason, key=f"{own}.{key}")


def _alike(one: str, other: str) -> bool:
    return one.startswith(other) or other.startswith(one)


def _left_out(tables: DescriptionTables) -> Faults:
    """Yield texts of `ignore` with which a described line may begin."""
    for i, text in enumerate(tables.ignore):
        for name, line in tables.line.items():
            if line.has_one_layout and _may_begin(tables, line, text):
                yield SettingError(f"would leave out lines of [line.{name}], which may begin so", key=f"ignore[{i}]")
                break


def _may_begin(tables: DescriptionTables, line: LineTable, text: str) -> bool:
    begin = tables.framing.begin if tables.measured else ""
    for part in line.parts():
        if isinstance(part, str):
            return _alike(text, begin + part)
        if isinstance(part, Field) and not begin and ord(text[0]) <= 0xFF and ord(text[0]) in KINDS[part.type].first:
            return True
        if begin or not (isinstance(part, Field) and part.type in ("pad", "text")):
            break
    return bool(begin) and _alike(text, begin)


def _readings(tables: DescriptionTables, key: str, line: ReadingLine) -> Faults:
    """Yield channels that a line gives twice, and readings that differ in their channels."""
    given: dict[int, list[str]] = {}
    numbers: set[str] = set()
    optional = {f.name for part in line.parts() if isinstance(part, Maybe) for f in template.named_fields((part,))}
    for place in line.places():
        table = line.table(place.name)
        if not isinstance(table, ReadingField) or table.is_state or table.units:
            continue
        name, number = line.channel(place.name), table.reading or 1
        if name in given.get(number, ()) and place.name not in optional:
            reason = (
                f"gives the channel {name} a second time; leave out the name of one, {{:{place.type}}}, or give the "
            )
            reason += "number of its `reading`"
            yield SettingError(reason, key=f"{key}.fields.{place.name}")
        given.setdefault(number, []).append(name)
        numbers.add(place.name)
    if len(given) > 1:
        first = sorted(given.get(1, ()))
        for number in range(1, max(given) + 1):
            if sorted(given.get(number, ())) != first:
                reason = f"reading {number} must have the channels of reading 1: {', '.join(first) or 'none'}"
                yield SettingError(reason, key=f"{key}.fields")
                return
        yield from _whole_readings(tables, key, set(first), optional & numbers)


def _whole_readings(tables: DescriptionTables, key: str, channels: set[str], optional: set[str]) -> Faults:
    """Yield faults of a line with several readings that give `channels`; `optional` numbers may be absent."""
    missing = {channel.name for channel in tables.channel} - channels
    if missing or optional:
        # Where parts are joined, those of two readings cannot be distinguished.
        reason = "each of several readings in a line must have all channels, and none in an optional part: "
        yield SettingError(reason + ", ".join(sorted(missing or optional)), key=f"{key}.fields")
    if tables.poll is not None and len(tables.poll.requests) > 1:
        # A fault in the answer to another request, such as a queue of errors, would mark one of the readings only.
        reason = f"{key} has several readings, so one request must give all that belongs to them: name only one"
        yield SettingError(reason, key="poll.requests")
    if tables.poll is not None and tables.poll.refresh:
        reason = f"{key} has several readings of one time: equal ones would be taken for repeats; leave it out"
        yield SettingError(reason, key="poll.refresh")


def _fields(tables: DescriptionTables, key: str, request: RequestTable) -> Faults:
    """Yield faults of options and values that a request writes as numbers."""
    where = f"{key}.{request.key}"
    if request.bytes is not None and _has_length(request) and tables.frame is None:
        yield SettingError("{:length} needs the table [frame] with its type", key=where)
    settings: Mapping[str, str] = {n: o.written(o.default) for n, o in tables.options.items()}
    for part in request.settings:
        option = tables.options.get(part.name)
        if part.name == "value" and isinstance(request, CommandTable):
            yield from _value(where, request, part)
        elif option is not None and part.type not in ("", "ascii") and not isinstance(option.default, int):
            yield SettingError(f"the option {part.name} is a text: write {{{part.name}}}", key=where)
            return
    for name, option in tables.options.items():
        texts = [option.written(v) for v in (option.default, *option.choices, option.low, option.high) if v is not None]
        for text in texts:
            try:
                template.filled(request.parts(), {**settings, name: text})
            except ValueError as error:
                yield SettingError(str(error), key=where)
                return


def _value(where: str, command: CommandTable, part: template.Setting) -> Faults:
    if not part.type:
        return
    if part.type == "ascii":
        yield SettingError("a value is a number: use another type than ascii", key=where)
        return
    if part.type == "hex" and (command.low is None or command.high is None):
        yield SettingError("a value in hexadecimal needs low and high, because it may have no sign", key=where)
        return
    if part.type == "hex" and command.low is not None and command.low < 0 and not part.width:
        yield SettingError("a negative value needs its number of digits, as in {value as hex 4}", key=where)
        return
    limits = [limit for limit in (command.low, command.high) if limit is not None]
    if command.turns:
        limits += [-limit for limit in limits]
    signed = part.type == "hex" and any(limit < 0 for limit in limits)
    for limit in limits:
        number = limit / command.scale
        try:
            template.filled((part,), {"value": f"{number:.{command.decimals}f}"})
            fits = not signed or number < 16**part.width / 2
        except ValueError:
            fits = False
        if not fits:
            yield SettingError(f"the limit {limit:g} does not fit in {{value as {part.type}}}", key=where)
            return

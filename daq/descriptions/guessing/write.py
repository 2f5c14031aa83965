"""Write the parts of a description file that is made from a capture, each as lines of text."""

import json
import re
from collections.abc import Iterator, Sequence
from typing import Final

from daq.core.checksums import CHECKSUMS
from daq.descriptions.guessing.checksum import FoundChecksum, Tail
from daq.descriptions.guessing.fields import GuessedField, GuessedLine
from daq.descriptions.guessing.identity import literal
from daq.descriptions.guessing.transcript import Lines, interval_of

FILL_IN: Final = "FILL IN:"
"""Start of a remark on a point that only a person can know."""
SECOND: Final = 1_000_000_000
LEAST_TIMEOUT: Final = 300_000_000


def fill_in(what: str) -> str:
    """Return the remark on a point to fill in."""
    return f"# {FILL_IN} {what}"


def open_points(text: str) -> Iterator[tuple[int, str]]:
    """Yield the points of a description file that are still to be filled in: line number and point."""
    for number, line in enumerate(text.splitlines(), 1):
        _, mark, what = line.partition(fill_in(""))
        if mark:
            yield number, what


def head(kind: str, file: str, mark: str, *, identified: bool) -> list[str]:
    """Return the keys before the first table; `mark` is the decimal mark."""
    out = [
        f"# A first description of {kind}, made from {file}.",
        f"# Read it, fill in the remarks that begin with '{FILL_IN}', then: daq driver check",
        "format = 1",
        f"kind = {quoted(kind)}",
        'title = ""                    # name used in the laboratory',
    ]
    if mark == ",":
        out.append('decimal = "comma"             # 12,5 is twelve and a half')
    if identified:
        out.append('identify = "who"              # to detect another instrument on this port')
    else:
        out.append("# identify = ...              # the request for its serial number, where it has one")
    return out


def port(settings: str, *, echo: bool) -> list[str]:
    """Return the table of the serial line; `settings` as in a capture, for example ``9600 baud, 8N1``."""
    found = re.match(r"(\d+) baud, ([5-8])([NEO])([\d.]+)", settings)
    out = ["[port]"]
    if found:
        out.append(f"baud = {found[1]}")
        out += [f"data_bits = {found[2]}"] if found[2] != "8" else []
        out += [f"parity = {quoted(found[3])}"] if found[3] != "N" else []
        out += [f"stop_bits = {found[4]}"] if found[4] not in ("1", "1.5") else []
    else:
        out += ["baud = 9600", fill_in("the baud rate of the instrument")]
    if echo:
        out.append("echo = true                   # it sends every request back before it answers")
    return out


def framing(lines: Lines) -> list[str]:
    """Return the table of the framing."""
    out = ["[framing]"]
    if lines.ends:
        out.append("ends = [" + ", ".join(quoted(e.decode("latin-1")) for e in lines.ends) + "]")
    elif lines.length:
        out.append(f"length = {lines.length}")
    else:
        out.append(f"silence = {time(lines.silence_ns)}")
    longest = max(len(h.text) for h in lines.received)
    out.append(f"longest = {max(20, 2 * longest)}  # the longest in the capture had {longest} bytes")
    sends = lines.sends_end
    if sends is not None and (not lines.ends or sends != lines.ends[0]):
        out.append(f"sends_end = {quoted(sends.decode('latin-1'))}")
    if lines.streams and lines.ends:
        out.append("drop_first = true             # the first line after opening may be incomplete")
    return out


def checksum(found: FoundChecksum | None, *, requests: bool, tail: Tail | None = None) -> list[str]:
    """Return the table of the checksum, for requests too (`requests`); empty where there is none.

    `tail`: the end of the lines that looks like an unknown one.
    """
    if tail is not None:
        what = (
            f"the checksum behind {quoted(tail.mark)}, which is none of {', '.join(CHECKSUMS)}: until it is checked, "
        )
        return [fill_in(what + "a damaged line may be taken for a value; for another one write a driver in Python")]
    if found is None:
        return []
    out = ["[checksum]", f"name = {quoted(found.name)}"]
    if found.written != "hex":
        out.append(f"written = {quoted(found.written)}")
    if found.written == "hex" and found.letters != "upper":
        out.append('letters = "lower"')
    if found.written == "hex" and found.digits != 2 * CHECKSUMS[found.name].size:
        out.append(f"digits = {found.digits}")
    if found.mark:
        out.append(f"mark = {quoted(found.mark)}")
    if found.covers_mark:
        out.append("covers_mark = true")
    if found.skip:
        out.append(f"skip = {found.skip}")
    if requests:
        out.append("requests = true")
    if not found.sure:
        also = f"; these fit as well: {'; '.join(found.rivals[:4])}" if found.rivals else ""
        out.append(fill_in(f"check this checksum in the manual: the capture has few different lines{also}"))
    return out


def channel(found: GuessedField) -> list[str]:
    """Return the table of one measured quantity."""
    measured = [t for t in found.texts if t not in found.special]
    whole = max(len(t.lstrip("+- ").split(".")[0].split(",")[0]) for t in measured)
    width = max(whole, 1) if found.type == "number" else whole + 1
    signed = any(t[0] in "+-" for t in measured)
    high = 10.0**width * found.largest_factor if found.type != "scientific" else 1e9
    seen = f"{min(found.values):g} to {max(found.values):g} in the capture"
    out = ["[[channel]]", f"name = {quoted(found.name)}", f"unit = {quoted(found.unit or '1')}"]
    if not found.unit:
        behind = f", followed by {found.behind!r}" if found.behind else ""
        out.append(fill_in(f"the UCUM unit of {found.name} ({seen}{behind}); '1' is a plain number"))
    out += [f"low = {-high if signed else 0:g}", f"high = {high:g}"]
    out.append(fill_in(f"the range of {found.name} as the maker states it ({seen})"))
    return out


def stream(interval: int) -> list[str]:
    """Return the table for readings that come unasked, every `interval` ns."""
    stale = max(5 * interval, 2 * SECOND)
    return ["[stream]", f"interval = {time(interval)}", f"stale_after = {time(stale)}  # then it counts as silent"]


def poll(names: Sequence[str], slowest: int) -> list[str]:
    """Return the table for polled readings; the answers to the requests took at most `slowest` ns together."""
    wanted = max(interval_of([2 * slowest]) if slowest else 0, 500_000_000)
    every = max(wanted, 2 * slowest // 100_000_000 * 100_000_000)
    return [
        "[poll]",
        f"requests = [{', '.join(map(quoted, names))}]",
        f"interval = {time(every)}  # time between two readings",
        f"stale_after = {time(max(5 * SECOND, 5 * every))}  # time without a reading that counts as silence",
    ]


def request(name: str, text: str, lines: Sequence[str], slowest: int, *, streams: bool) -> list[str]:
    """Return the table of a request; `lines` are accepted only as its answer, the slowest answer took `slowest` ns."""
    timeout = max(LEAST_TIMEOUT, -(-3 * slowest // 100_000_000) * 100_000_000)
    if streams:
        timeout += 1_500_000_000  # the answer is sent between two lines of the stream
    sent = re.sub("[{}]", lambda m: m[0] * 2, text)
    out = [f"[request.{name}]", f"send = {quoted(sent)}"]
    if lines:
        out.append(f"answers = [{', '.join(map(quoted, lines))}]")
    out.append(f"timeout = {time(timeout)}  # the slowest answer took {seconds(slowest)}")
    return out


def tail_pattern(tail: Tail | None) -> str:
    """Return the end of a pattern for lines that end like an unknown checksum."""
    return "" if tail is None else f"{literal(tail.mark)}{{:word {tail.digits}}}"


def ignored_line(name: str, group: GuessedLine, tail: Tail | None = None) -> list[str]:
    """Return the table of a line without a measured value, or of one that is too rare."""
    return [
        f"[line.{name}]",
        'says = "ignored"',
        f"pattern = {quoted(_pattern(group, named=False) + tail_pattern(tail))}",
        fill_in(f"the meaning of {quoted(group.lines[0])}"),
    ]


def reading_line(name: str, group: GuessedLine, tail: Tail | None = None) -> list[str]:
    """Return the table of a line with values."""
    out = [f"# for example {quoted(group.lines[-1])}", f"[line.{name}]", 'says = "reading"']
    if group.by_blanks and tail is None:
        columns = [_field(f) if f.type != "padded" else _field(f, "number") for f in group.fields]
        out += [f"columns = [{', '.join(map(quoted, columns))}]", 'separator = " "']
    else:
        out.append(f"pattern = {quoted(_pattern(group) + tail_pattern(tail))}")
    fixed = group.fixed_numbers
    if fixed:
        one, them = ("", "it") if len(fixed) == 1 else ("s", "them")
        out.append(
            fill_in(
                f"whether {', '.join(fixed)}, the same in every line of the capture, can change; if so write a field "
                f"in the place of the number{one}: {{:number}} ignores {them}"
            )
        )
    for found in group.fields:
        if found.kept:
            out += _field_table(name, found)
    return out


def seconds(ns: int) -> str:
    """Return a time (ns) as text."""
    return f"{ns / 1e9:g} s" if ns >= SECOND else f"{round(ns / 1e6)} ms"


def time(ns: int) -> str:
    """Return a time (ns) as a value of TOML."""
    return f'"{seconds(ns)}"'


def quoted(text: str) -> str:
    """Return a text as a string of TOML."""
    return json.dumps(text, ensure_ascii=True)


def _field_table(line: str, found: GuessedField) -> list[str]:
    out = ["", f"[line.{line}.fields.{found.name}]"]
    if found.units:
        return [*out, *_unit_table(found)]
    if not found.numeric:
        texts = list(dict.fromkeys(found.texts))
        listed = ", ".join(map(quoted, texts))
        out.append("means = { " + ", ".join(f'{quoted(t)} = ""' for t in texts) + " }")
        out.append(fill_in(f'which of {listed} mean a fault, as in: "E" = "probe" or "value: unsteady"'))
        if found.may_be_units:
            out.append(fill_in(f"if {listed} are units, write `units` and `unit_of` in the place of `means`"))
        return out
    own = [] if found.factor == 1.0 else [f"scale = {found.factor:g}  # {found.behind} to {found.unit}"]
    if found.same_as is not None:
        own += [f"channel = {quoted(found.channel)}"] if found.channel != found.name else []
        own += [f"unit = {quoted(found.unit)}"] if found.unit != found.same_as.unit and found.unit_word is None else []
        own.append(fill_in(f"whether this number and {found.channel} of the lines above are the same quantity"))
    if not found.special:
        return [*out, *own] if own else []
    out += own
    listed = ", ".join(map(quoted, found.special))
    out.append("special = { " + ", ".join(f'{quoted(s)} = "not_a_number"' for s in found.special) + " }")
    return [*out, fill_in(f"the fault that {listed} means (probe, over_range, ...)")]


def _unit_table(found: GuessedField) -> list[str]:
    numbers = [number.name for number in found.unit_of]
    known = {text: unit for text, unit in found.units.items() if unit}
    listed = ", ".join(f"{quoted(text)} = {quoted(unit)}" for text, unit in known.items())
    out = [f"units = {{ {listed} }}", f"unit_of = [{', '.join(map(quoted, numbers))}]"]
    unknown = [text for text in found.units if text not in known]
    if unknown:
        texts = ", ".join(map(quoted, unknown))
        out.append(
            fill_in(
                f"the unit that {texts} mean{'s' if len(unknown) == 1 else ''}, as in {quoted(unknown[0])} = "
                '"453.59237 g"; until then a line with it is refused'
            )
        )
    return out


def _pattern(group: GuessedLine, *, named: bool = True) -> str:
    return "".join(literal(p) if isinstance(p, str) else _field(p, named=named) for p in group.pieces)


def _field(found: GuessedField, kind: str = "", *, named: bool = True) -> str:
    width = f" {found.width}" if found.width else ""
    return f"{{{found.name if named and found.kept else ''}:{kind or found.type}{width}}}"

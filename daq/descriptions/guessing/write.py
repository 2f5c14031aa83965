"""Write the parts of a description file that is made from a capture, each as lines of text."""

import re
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

from daq.descriptions.guessing.fieldlines import field_table
from daq.descriptions.guessing.fields import GuessedField, GuessedLine
from daq.descriptions.guessing.finding.blocks import Block
from daq.descriptions.guessing.finding.catalogue import ALGORITHMS
from daq.descriptions.guessing.finding.checksum import FoundChecksum, Tail
from daq.descriptions.guessing.finding.transcript import Lines, interval_of, shape_of
from daq.descriptions.guessing.grouping import has_date
from daq.descriptions.guessing.identity import literal
from daq.descriptions.guessing.questions import LABEL, Answers, one_of, span, yes_or_no
from daq.descriptions.guessing.remarks import FILL_IN, fill_in, quoted, seconds, time

SECOND: Final = 1_000_000_000
LEAST_TIMEOUT: Final = 300_000_000
LEAST_PAUSE: Final = 100_000_000
"""Least `longest_pause` that is written, ns: below half of `LEAST_TIMEOUT`, and above the pauses that adapters and a
loaded computer make inside a line (common practice, no source)."""
PAUSES: Final = 3
"""A `longest_pause` is at least this many times the longest pause inside a line of the capture."""
TYPES: Final = {"hexadecimal": "hex"}
"""Types of the template language, where a guessed field has another one."""


def head(kind: str, file: str, mark: str, *, identified: Sequence[str], ignored: Sequence[str] = ()) -> list[str]:
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
    if ignored:
        out.append(f"ignore = [{', '.join(map(quoted, ignored))}]  # lines that begin so have no values")
    if len(identified) > 1:
        out.append(f"identify = [{', '.join(map(quoted, identified))}]")
    elif identified:
        out.append('identify = "who"              # to detect another instrument on this port')
    else:
        out.append("# identify = ...              # the request for its serial number, where it has one")
    return out


def between(found: Block | None, ask: Answers) -> list[str]:
    """Return the open points of a block: lines that only some blocks have, and lines outside of whole blocks.

    A fault that such a line reports would not be a part of the reading.
    """
    out: list[str] = []
    for head, where in (
        *((head, "only in some of the blocks") for head in (found.ignored if found else ())),
        *((text, "no part of a whole block") for text in dict.fromkeys(found.left_out if found else ())),
    ):
        text = head.decode("latin-1")
        point = f"whether a line such as {quoted(text)}, which is {where}, has no meaning for the values"
        meaning = ask.ask(
            f"between {text}", "What does this line beside the blocks mean?", one_of((LABEL,)), point=point,
            lines=[text], answers="ignored (no meaning for the values; leave it open where it may report a fault)",
        )  # fmt: skip
        out += [] if meaning else [fill_in(point)]
    return out


def dated_line(found: GuessedLine, ask: Answers) -> list[str]:
    """Return the table of the line with the date before each block.

    A time without a date may be a measured one, such as an efflux time: it is a question.
    """
    out = [
        "# the date before each block",
        "[line.date]",
        'says = "ignored"',
        f"pattern = {quoted(_pattern(found, named=False))}",
    ]
    if all(map(has_date, found.lines)):
        return out
    point = f"whether {quoted(found.lines[0])} is the time of day, and not a measured time"
    meaning = ask.ask(
        f"meaning {found.key}", "Is this line the time of day, and not a measured time?", one_of((LABEL,)), point=point,
        lines=found.lines, answers="ignored (it is the time of day; leave it open where it is a measured time)",
    )  # fmt: skip
    return out if meaning else [*out, fill_in(point)]


def port(settings: str, ask: Answers, *, echo: bool) -> list[str]:
    """Return the table of the serial line; `settings` as in a capture, for example ``9600 baud, 8N1``."""
    found = re.match(r"(\d+) baud, ([5-8])([NEO])([\d.]+)", settings)
    out = ["[port]"]
    if found:
        out.append(f"baud = {found[1]}")
        out += [f"data_bits = {found[2]}"] if found[2] != "8" else []
        out += [f"parity = {quoted(found[3])}"] if found[3] != "N" else []
        out += [f"stop_bits = {found[4]}"] if found[4] not in ("1", "1.5") else []
    else:
        point = "the baud rate of the instrument"
        baud = ask.ask("baud", "What is the baud rate of the instrument?", int, point=point, answers="9600, 19200, ...")
        out += ["baud = 9600", fill_in(point)] if baud is None else [f"baud = {baud}"]
    if echo:
        out.append("echo = true                   # it sends every request back before it answers")
    return out


def longest_pause(lines: Lines) -> int:
    """Return the longest pause (ns) inside a line without checksum, after which it counts as cut off; 0 for none.

    A line that was cut off could be completed with the next one: `1` and `12.5 g`, `K` and `G:721 `.
    """
    if not lines.streams:
        return LEAST_PAUSE if PAUSES * lines.inside_ns <= LEAST_PAUSE else 0
    own = [h for h in lines.received if h.asked is None]
    usual = Counter(shape_of(h.text) for h in own).most_common(1)
    return pause_of([h.t for h in own], lines.inside_ns, len(own) // usual[0][1] if usual else 1)


def pause_of(times: Sequence[int], inside_ns: int, kinds: int = 1) -> int:
    """Return half of the time between two lines at `times` (ns), at most 0.5 s; 0 where lines follow too soon for it.

    Args:
        times: when the lines came, ns.
        inside_ns: longest pause inside a line of the capture, ns.
        kinds: number of kinds of lines, which may come one soon after the other in another situation.
    """
    # Where a reading has several lines, at least a quarter of the times between two lines is that inside a reading.
    between = sorted(b - a for a, b in pairwise(times)) or [SECOND]
    half = min(SECOND // 2, between[len(between) // 4] // (2 * kinds) // 1_000_000 * 1_000_000)
    return half if half >= max(LEAST_PAUSE, PAUSES * inside_ns) else 0


def pause_key(pause_ns: int) -> str:
    """Return the key of `longest_pause`, or the remark that none could be written."""
    if pause_ns:
        return f"longest_pause = {time(pause_ns)}     # a line with a longer pause inside it was cut off"
    return "# no longest_pause: lines follow too soon, or have pauses; `daq driver check` shows whether one is needed"


def framing(lines: Lines, block: Block | None = None, *, sealed: bool = False) -> list[str]:
    """Return the table of the framing; `sealed` where lines have a checksum, which shows a line that was cut off."""
    out = ["[framing]"]
    if lines.begin:
        out.append(f"begin = {quoted(lines.begin.decode('latin-1'))}")
    if block is not None:
        idle_ns = max(SECOND // 2, -(-2 * block.longest_ns // 100_000_000) * 100_000_000)
        begin = quoted(block.begin.decode("latin-1"))
        out += [f"begin = {begin}", f"lines = {block.lines}", f"idle = {time(idle_ns)}"]
    elif not sealed and not lines.begin and (lines.ends or (lines.length and lines.streams)):
        out.append(pause_key(longest_pause(lines)))
    if lines.ends:
        out.append("ends = [" + ", ".join(quoted(e.decode("latin-1")) for e in lines.ends) + "]")
    elif lines.length:
        out.append(f"length = {lines.length}")
    else:
        out.append(f"silence = {time(lines.silence_ns)}")
    longest = max(len(h.text) for h in lines.received)
    out.append(f"longest = {max(20, 2 * longest)}  # the longest in the capture had {longest} bytes")
    if (lines.begin or block is not None) and lines.sends_end is not None:
        out.append('sends_begin = ""')
    sends = lines.sends_end
    if sends is not None and (not lines.ends or sends != lines.ends[0]):
        out.append(f"sends_end = {quoted(sends.decode('latin-1'))}")
    if lines.streams and lines.ends and block is None and not lines.begin:
        out.append("drop_first = true             # the first line after opening may be incomplete")
    return out


def checksum(found: FoundChecksum | None, *, requests: bool, tail: Tail | None = None) -> list[str]:
    """Return the table of the checksum, for requests too (`requests`); empty where there is none.

    `tail`: the end of the lines that looks like an unknown one.
    """
    if tail is not None:
        what = f"the checksum behind {quoted(tail.mark)}, none of {len(ALGORITHMS)} known ones: until it is checked, "
        return [fill_in(what + "a damaged line may be taken for a value; for another one write a driver in Python")]
    if found is None:
        return []
    out = ["[checksum]", found.kind.keys]
    if found.written != "hex":
        out.append(f"written = {quoted(found.written)}")
    if found.written == "hex" and found.letters != "upper":
        out.append('letters = "lower"')
    if found.written == "hex" and found.digits != 2 * found.kind.size:
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
        out.append(fill_in(doubt(found)))
    return out


def doubt(found: FoundChecksum) -> str:
    """Return the open point of a checksum that the capture does not prove."""
    also = f"; these fit as well: {'; '.join(found.rivals[:4])}" if found.rivals else ""
    few = f"the capture has few different lines ({found.lines}, and {found.needed} prove it)"
    return f"check this checksum in the manual: {few if not found.rivals else 'the lines do not decide'}{also}"


def channel(found: GuessedField, ask: Answers, lines: Sequence[str]) -> list[str]:
    """Return the table of one measured quantity, which is in `lines`."""
    seen = f"{min(found.values):g} to {max(found.values):g} in the capture"
    unit = found.unit or "1"
    out = ["[[channel]]", f"name = {quoted(found.name)}", f"unit = {quoted(unit)}"]
    if not found.unit:
        behind = f", followed by {found.behind!r}" if found.behind else ""
        out.append(fill_in(f"the UCUM unit of {found.name} ({seen}{behind}); '1' is a plain number"))
    point = f"the range of {found.name} as the maker states it ({seen})"
    own = f" in {unit}" if found.unit not in ("", "1") else ""
    stated = ask.ask(
        f"range {found.key}", f"From which to which value{own} does it measure {found.name} ({seen})?", span(unit),
        point=point, lines=lines, parts=found.texts, answers="LOW to HIGH, as the maker states it, as in: -20 to 150",
    )  # fmt: skip
    if stated is not None:
        return [*out, f"low = {stated[0]:.12g}", f"high = {stated[1]:.12g}"]
    low, high = _range(found)
    return [*out, f"low = {low:.12g}", f"high = {high:.12g}", fill_in(point)]


def unnamed_channel() -> list[str]:
    """Return the table of quantities that a person must name; the file is refused until then."""
    return ["[[channel]]", fill_in("name, UCUM unit and range of each quantity"), 'name = ""', 'unit = ""']


def _range(found: GuessedField) -> tuple[float, float]:
    """Return the range of the numbers that the digits in the capture can give."""
    measured = [t for t in found.texts if t not in found.special]
    if found.type == "hexadecimal":
        top, signed = 16.0 ** max(map(len, measured)), found.signed_bits > 0
        low, high = (-top / 2, top / 2 - 1) if signed else (0.0, top - 1)
        return low * found.largest_factor, high * found.largest_factor
    whole = max(len(t.lstrip("+- ").split(".")[0].split(",")[0]) for t in measured)
    width = max(whole, 1) if found.type == "number" else whole + 1
    high = 10.0**width * found.largest_factor if found.type != "scientific" else 1e9
    return -high if any(t[0] in "+-" for t in measured) else 0, high


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


def ignored_line(name: str, group: GuessedLine, ask: Answers, tail: Tail | None = None) -> list[str]:
    """Return the table of a line without a measured value, or of one that is too rare."""
    point = f"the meaning of {quoted(group.lines[0])}"
    meaning = ask.ask(
        f"meaning {group.key}", "What does this line mean?", one_of(("ignored", "refusal")), point=point,
        lines=group.lines,
        answers="ignored (it has no meaning for the values), refusal (an error in place of an answer)",
    )  # fmt: skip
    out = [
        f"[line.{name}]",
        f"says = {quoted(meaning or 'ignored')}",
        f"pattern = {quoted(_pattern(group, named=False) + tail_pattern(tail))}",
    ]
    return out if meaning else [*out, fill_in(point)]


def reading_line(name: str, group: GuessedLine, ask: Answers, tail: Tail | None = None) -> list[str]:
    """Return the table of a line with values."""
    out = [f"# for example {quoted(group.lines[-1])}", f"[line.{name}]", 'says = "reading"']
    if group.by_blanks and tail is None:
        columns = [_field(f, "number" if f.type == "padded" else f.type) for f in group.fields]
        out += [f"columns = [{', '.join(map(quoted, columns))}]", 'separator = " "']
    else:
        out.append(f"pattern = {quoted(_pattern(group) + tail_pattern(tail))}")
    constant = [
        number for number in group.fixed_numbers
        if ask.ask(
            f"fixed {group.key}/{number}", f"Can the number {number}, the same in all of these lines, change?",
            yes_or_no, lines=group.lines, parts=[number] * len(group.lines), answers="yes, no",
        ) is None
    ]  # fmt: skip
    fixed = constant
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
            out += field_table(name, group, found, ask)
    return out


def _pattern(group: GuessedLine, *, named: bool = True) -> str:
    return "".join(literal(p) if isinstance(p, str) else _field(p, named=named) for p in group.pieces)


def _field(found: GuessedField, kind: str = "", *, named: bool = True) -> str:
    width = f" {found.width}" if found.width else ""
    if found.type == "padded" and not kind and found.special and not any(" " in text for text in found.texts):
        return f"{{:pad}}{_field(found, 'number', named=named)}"  # blanks are before the text, too
    if found.pad and not kind:
        return f"{{:pad}}{_field(found, found.type, named=named)}"
    written = TYPES.get(kind or found.type, kind or found.type)
    return f"{{{found.name if named and found.kept else ''}:{written}{width}}}"

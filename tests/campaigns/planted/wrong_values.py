"""Drivers of the scale whose planted fault is in the values: each function reads a line wrongly.

A function takes the driver's own `read`, the line and the request, and returns what the wrong driver decodes.
"""

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

from daq.core.driver import Decoded, Identity, Reject, Reply, Values
from tests.support.planted.good_drivers import Scale

Read = Callable[[bytes], Decoded]

DAMAGED: Final = "A damaged line without a checksum is a valid line with another value"
UNSEEN: Final = "A line is wrong only for values or states that the transcript does not have"
ALIKE: Final = "neither the lines nor a note of the display name it"
RECOGNISES: Final = "A driver recognises the kit, or behaves otherwise after more lines or days than the kit tries."

LIST: list[tuple[type, str]] = []
"""Driver, and the sentence of `daq/testing/README.md` for one that cannot be found ("" for one that must be)."""


def fault(cannot: str = "", base: type = Scale) -> Callable[[Callable[..., Any]], type]:
    """Make a driver class of a function (read, line, asked) and add it to the list."""

    def keep(function: Callable[..., Any]) -> type:
        def decode(self: Any, line: bytes, asked: Any = None) -> Any:
            return function(lambda other: base.decode(self, other, asked), line, asked)

        made = type(function.__name__, (base,), {"decode": decode, "__module__": function.__module__})
        LIST.append((made, cannot))
        return made

    return keep


def mass(read: Read, line: bytes, change: Callable[[float], float]) -> Any:
    """Return the reading of a line with another mass."""
    found = read(line)
    return (float(change(found[0])),) if isinstance(found, tuple) else found


@fault()
def loses_thousands(read, line, asked):
    return mass(read, line, lambda v: v % 1000 if v > 0 else v)


@fault()
def rounds_to_tenths(read, line, asked):
    return mass(read, line, lambda v: round(v, 1))


@fault()
def cuts_the_fraction(read, line, asked):
    return mass(read, line, int)


@fault()
def negative_is_zero(read, line, asked):
    return mass(read, line, lambda v: max(v, 0.0))


@fault()
def sign_the_other_way_round(read, line, asked):
    return mass(read, line, lambda v: -v)


@fault()
def sign_of_moving_lines_lost(read, line, asked):
    return mass(read, line, lambda v: -v if line.endswith(b"MV") else v)


@fault()
def a_hundredth_more(read, line, asked):
    return mass(read, line, lambda v: v + 0.01)


@fault()
def one_per_mille_more(read, line, asked):
    return mass(read, line, lambda v: v * 1.001)


@fault()
def tenth_for_three_digits(read, line, asked):
    return mass(read, line, lambda v: v / 10 if 100 <= v < 1000 else v)


@fault()
def five_more_for_three_digits(read, line, asked):
    """A value of the transcript that no note names."""
    return mass(read, line, lambda v: v + 5 if 100 <= v < 1000 else v)


@fault()
def square(read, line, asked):
    return mass(read, line, lambda v: v * v)


@fault()
def half_of_moving_lines(read, line, asked):
    return mass(read, line, lambda v: v / 2 if line.endswith(b"MV") else v)


@fault()
def in_kilograms_as_if_in_grams(read, line, asked):
    return read(line.replace(b" kg ", b" g "))


@fault()
def any_word_is_the_unit(read, line, asked):
    return read(re.sub(rb" [A-Za-z]+ (ST|MV)\Z", rb" g \1", line))


@fault()
def ounces_unconverted(read, line, asked):
    return read(line.replace(b" oz ", b" g ").replace(b" lb ", b" g "))


@fault()
def underscores_in_numbers(read, line, asked):
    return read(line.replace(b"_", b""))


@fault()
def letters_for_digits(read, line, asked):
    """An O for a zero and an l for a one, as old displays write them."""
    return read(line.translate(bytes.maketrans(b"Ol", b"01")))


@fault()
def dashes_are_zero(read, line, asked):
    return (0.0,) if re.fullmatch(rb"[+-]? *-+ g (ST|MV)", line) else read(line)


@fault()
def two_dashes_are_zero(read, line, asked):
    return (0.0,) if line in (b"-- g ST", b"+-- g ST", b"+   -- g ST", b"-- g MV") else read(line)


@fault()
def over_range_is_the_greatest(read, line, asked):
    return (4100.0,) if b"OL" in line or b"OVER" in line else read(line)


@fault()
def error_code_is_the_value(read, line, asked):
    found = re.fullmatch(rb"[+-] *[Ee](?:rr)?-?(\d+) g (?:ST|MV)", line)
    return (float(found[1]),) if found else read(line)


@fault()
def nothing_is_zero(read, line, asked):
    return (0.0,) if not line else read(line)


@fault()
def a_star_is_steady(read, line, asked):
    return (0.0,) if re.fullmatch(rb"[+-] *\*+ g (ST|MV)", line) else read(line)


@fault()
def question_marks_are_zero(read, line, asked):
    return read(line.replace(b"?", b"0"))


@fault()
def finds_a_number_anywhere(read, line, asked):
    found = re.search(rb"[+-]?\d+\.\d\d", line)
    own = read(line)
    return (float(found[0]),) if isinstance(own, Reject) and found else own


@fault()
def takes_the_last_of_joined_lines(read, line, asked):
    parts = re.split(rb"(?<=ST|MV)", line)
    return read([p for p in parts if p][-1].strip() if line else line)


@fault(DAMAGED)
def value_without_its_state(read, line, asked):
    return read(line + b" ST") if re.fullmatch(rb"[+-] *\d+\.\d\d g", line) else read(line)


@fault(UNSEEN)
def thousands_separator_is_a_decimal_mark(read, line, asked):
    return read(line.replace(b",", b".")) if re.search(rb"\d,\d\d\d", line) else read(line)


@fault(UNSEEN)
def five_digits_are_tenths(read, line, asked):
    found = re.fullmatch(rb"([+-]) *(\d{5}\.\d\d) g (ST|MV)", line)
    return (float(found[2]) / 10,) if found else read(line)


@fault(UNSEEN)
def overload_mark_is_no_fault(read, line, asked):
    return read(line[:-2] + b"ST") if line.endswith(b"OV") else read(line)


@fault(ALIKE)
def moving_is_no_fault(read, line, asked):
    """Only the manual tells that MV means an unsteady value; the good scale reads it as this one does."""
    return read(line)


@fault()
def value_as_a_text(read, line, asked):
    found = read(line)
    return (str(found[0]),) if isinstance(found, tuple) else found


@fault()
def value_in_a_list(read, line, asked):
    found = read(line)
    return list(found) if isinstance(found, tuple) else found


@fault()
def value_is_true(read, line, asked):
    found = read(line)
    return (True,) if isinstance(found, tuple) else found


@fault()
def one_value_too_many(read, line, asked):
    found = read(line)
    return (*found, 0.0) if isinstance(found, tuple) else found


@fault()
def value_of_an_unknown_channel(read, line, asked):
    found = read(line)
    return Values(found, (("weight", "unsteady"),)) if isinstance(found, tuple) else found


@fault()
def nan_for_a_damaged_line(read, line, asked):
    found = read(line)
    return (float("nan"),) if isinstance(found, Reject) and b"." in line else found


@fault()
def no_reason(read, line, asked):
    found = read(line)
    return Reject("") if isinstance(found, Reject) else found


@fault()
def recursion(read, line, asked):
    return recursion_of(read, line, asked) if b"\0" in line else read(line)


def recursion_of(read, line, asked):
    return recursion_of(read, line, asked)


@fault()
def long_lines_raise(read, line, asked):
    if len(line) > 35:
        raise OverflowError("line")
    return read(line)


@fault()
def utf8_only(read, line, asked):
    return read(line.decode("utf-8").encode("latin-1"))


@fault()
def serial_is_cut(read, line, asked):
    found = read(line)
    if isinstance(found, Reply) and found.identity:
        return replace(found, identity=replace(found.identity, serial=found.identity.serial[-4:]))
    return found


@fault()
def serial_without_its_end(read, line, asked):
    found = read(line)
    if isinstance(found, Reply) and found.identity:
        return replace(found, identity=replace(found.identity, serial=found.identity.serial[:3]))
    return found


@fault()
def serial_is_the_whole_line(read, line, asked):
    if line.startswith(b"NR"):
        return Reply("identity", identity=Identity("scale", line.decode("latin-1")))
    return read(line)


@fault()
def identity_is_a_confirmation(read, line, asked):
    found = read(line)
    return Reply("zero") if isinstance(found, Reply) else found


@fault()
def identity_is_a_reading(read, line, asked):
    found = re.fullmatch(rb"NR (\d+)", line)
    return (float(found[1]),) if found else read(line)


@fault()
def refuses_what_is_not_requested(read, line, asked):
    return read(line) if asked is not None else Reply("refused", refusal="not asked")

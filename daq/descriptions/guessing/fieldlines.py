"""Write the table of one field of a guessed line: states, bits, texts in the place of a number, units in the line."""

from daq.descriptions.guessing.enteredunits import entered_unit
from daq.descriptions.guessing.fields import GuessedField, GuessedLine
from daq.descriptions.guessing.questions import LABEL, Answers, fault, fault_in_place, state_beside, yes_or_no
from daq.descriptions.guessing.remarks import fill_in, quoted
from daq.descriptions.unitwords import unit_text, unit_word

FAULT_ANSWERS = "ok, or a fault: probe, over_range, temperature: probe, keys_used, unsteady, ..."


def field_table(line: str, group: GuessedLine, found: GuessedField, ask: Answers) -> list[str]:
    """Return the table of a field; empty where none is needed."""
    out = ["", f"[line.{line}.fields.{found.name}]"]
    if found.units:
        return [*out, *_units(group, found, ask)]
    if found.type == "hex":
        return [*out, *_bits(group, found, ask)]
    if not found.numeric:
        return [*out, *_state(group, found, ask)]
    own = [] if found.factor == 1.0 else [f"scale = {found.factor:.15g}" + _of(found)]
    own += [f"signed_bits = {found.signed_bits}"] if found.signed_bits else []
    own += [fill_in(found.base_point)] if found.base_point else []
    if found.same_as is not None:
        own += [f"channel = {quoted(found.channel)}"] if found.channel != found.name else []
        own += [f"unit = {quoted(found.unit)}"] if found.unit != found.same_as.unit and found.unit_word is None else []
        point = f"whether this number and {found.channel} of the lines above are the same quantity"
        if same_quantity(group, found, ask) is None:
            own.append(fill_in(point))
    if not found.special:
        return [*out, *own] if own else []
    return [*out, *own, *_special(group, found, ask)]


def _of(found: GuessedField) -> str:
    return f"  # {found.behind} to {found.unit}" if unit_word(found.behind)[0] else ""


def same_quantity(group: GuessedLine, found: GuessedField, ask: Answers) -> bool | None:
    """Return whether a number is the quantity of another line, as a person answers; None where there is no answer."""
    if found.same_as is None:
        return None
    other = found.same_as
    return ask.ask(
        f"same {found.key}",
        f"Is {found.texts[0]} in the first line the same quantity as {other.texts[0]} in the second?",
        yes_or_no, lines=[group.lines[0], other.sample], parts=[found.texts[0], other.texts[0]], answers="yes, no",
    )  # fmt: skip


def _state(group: GuessedLine, found: GuessedField, ask: Answers) -> list[str]:
    texts = list(dict.fromkeys(found.texts))
    if found.base_point:
        # Each text would be a question of its own: what the digits are comes first.
        listed = ", ".join(f'{quoted(text)} = ""' for text in texts)
        return [f"means = {{ {listed} }}", fill_in(found.base_point)]
    means: dict[str, str] = {}
    unknown: list[str] = []
    for text in texts:
        others = {
            one: ask.given[f"state {found.key}/{one}"] for one in means if f"state {found.key}/{one}" in ask.given
        }
        meaning = ask.ask(
            f"state {found.key}/{text}", f"Does {text!r} in these lines mean a fault?", state_beside(others),
            lines=group.lines_with(found, text), parts=[text] * len(group.lines),
            answers=f"{FAULT_ANSWERS}; quantity, where it names the quantity of the number; ignored, where all of them "
            "are labels",
        )  # fmt: skip
        means[text] = "" if meaning in (None, LABEL) else meaning or ""
        unknown += [text] if meaning in (None, LABEL) else []
    out = ["means = { " + ", ".join(f"{quoted(t)} = {quoted(m)}" for t, m in means.items()) + " }"]
    if not unknown:
        return out
    listed = ", ".join(map(quoted, unknown))
    out.append(fill_in(f'which of {listed} mean a fault, as in: "E" = "probe" or "value: unsteady"'))
    if found.may_be_units:
        out.append(fill_in(f"if {listed} are units, write `units` and `unit_of` in the place of `means`"))
    return out


def _bits(group: GuessedLine, found: GuessedField, ask: Answers) -> list[str]:
    """Return the meanings of the bits in the capture; a bit without a meaning refuses the line."""
    seen = 0
    for text in found.texts:
        seen |= int(text, 16)
    bits: dict[int, str] = {}
    unknown: list[str] = []
    for at in range(seen.bit_length()):
        if not seen >> at & 1:
            continue
        lines = [line for line, text in zip(group.lines, found.texts, strict=False) if int(text, 16) >> at & 1]
        meaning = ask.ask(
            f"bit {found.key}/{at}", f"What does bit {at} (hexadecimal {1 << at:X}) mean in these lines?",
            fault, lines=lines, parts=[t for t in found.texts if int(t, 16) >> at & 1], answers=FAULT_ANSWERS,
        )  # fmt: skip
        bits[1 << at] = meaning or ""
        unknown += [f"{1 << at:X}"] if meaning is None else []
    out = ["bits = { " + ", ".join(f'"{weight}" = {quoted(m)}' for weight, m in bits.items()) + " }"]
    if unknown:
        out.append(
            fill_in(f"which of the bits {', '.join(unknown)} (hexadecimal) mean a fault; other bits refuse a line")
        )
    return out


def _special(group: GuessedLine, found: GuessedField, ask: Answers) -> list[str]:
    meanings = {
        text: ask.ask(
            f"special {found.key}/{text}", f"Which fault does {text!r} in place of {found.name} mean?", fault_in_place,
            lines=group.lines_with(found, text),
            parts=[text] * len(group.lines), answers="probe, sensor, over_range, under_range, not_a_number, ...",
        )
        for text in found.special
    }  # fmt: skip
    listed = ", ".join(f"{quoted(text)} = {quoted(meaning or 'not_a_number')}" for text, meaning in meanings.items())
    unknown = ", ".join(quoted(text) for text, meaning in meanings.items() if meaning is None)
    out = [f"special = {{ {listed} }}"]
    return [*out, fill_in(f"the fault that {unknown} means (probe, over_range, ...)")] if unknown else out


def _units(group: GuessedLine, found: GuessedField, ask: Answers) -> list[str]:
    numbers = [number.name for number in found.unit_of]
    units = dict(found.units)
    for text in [text for text, unit in units.items() if not unit]:
        entered = ask.ask(
            f"unit {found.key}/{text}", f"Which unit is {text!r} in these lines?", entered_unit,
            lines=group.lines_with(found, text),
            parts=[text] * len(group.lines), answers="a unit, as in: g/cm3, 0.45359237 kg",
        )  # fmt: skip
        units[text] = "" if entered is None else unit_text(*entered)
    listed = ", ".join(f"{quoted(text)} = {quoted(unit)}" for text, unit in units.items() if unit)
    out = [f"units = {{ {listed} }}", f"unit_of = [{', '.join(map(quoted, numbers))}]"]
    unknown = [text for text, unit in units.items() if not unit]
    if unknown:
        texts = ", ".join(map(quoted, unknown))
        out.append(
            fill_in(
                f"the unit that {texts} mean{'s' if len(unknown) == 1 else ''}, as in {quoted(unknown[0])} = "
                '"453.59237 g"; until then a line with it is refused'
            )
        )
    return out

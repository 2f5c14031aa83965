"""Find the serial number in the identity line of an instrument."""

import re
from typing import Final

SERIAL: Final = re.compile(r"(?i)(?<![a-z])(?:(?:serial|ser|s/?n|nr)(?:[ .]?no)?[ .=:#]{0,3}|no[.:] ?)")
FIRMWARE: Final = re.compile(r"(?i)(?:firmware|fw|ver(?:sion)?|rev|sw|(?<![a-z])[vr](?=\d))[ .=:]{0,2}")


def identity_pattern(text: str, request: str = "") -> tuple[str, bool]:
    """Return the pattern of an identity line, and True where the place of the serial number is sure."""
    found = SERIAL.search(text)
    columns = text.split(",")
    if len(columns) == 4:  # IEEE 488.2, 10.14: maker, model, serial number, firmware
        # With the maker as a field, a cut reading with three commas would be an identity.
        return f"{literal(columns[0]) or '{:text}'},{{kind:text}},{{serial:text}},{{firmware:text}}", True
    if found and (word := re.match(r"[^\s,;*\x00-\x1f]+", text[found.end() :])):
        return _with_firmware(text, found.end(), found.end() + len(word[0])), True
    # The part that repeats the request is not part of the number.
    begin = len(text) - len(text.lstrip("#@$:<>!*"))
    for a, b in zip(text[begin:], request.lstrip("#@$:<>!*?"), strict=False):
        if a != b or not a.isalnum():
            break
        begin += 1
    words = [m for m in re.finditer(r"[A-Za-z0-9/_-]*\d[A-Za-z0-9/_-]*", text) if m.end() > begin]
    if not words:
        return f"{literal(text[:begin])}{{serial:text}}", False
    best = max(words, key=lambda m: sum(c.isdigit() for c in m[0]))
    start = max(begin, best.start())
    return _with_firmware(text, start, best.end(), f" {best.end() - start}"), False


def serial_words(text: str) -> list[str]:
    """Return the parts of an identity line that may be the serial number: words with a digit."""
    return list(dict.fromkeys(re.findall(r"[^\s,;=:*\x00-\x1f]*\d[^\s,;=:*\x00-\x1f]*", text))) or [text]


def with_serial(text: str, serial: str) -> str:
    """Return the pattern of an identity line whose serial number is a part of it."""
    start = text.index(serial)
    glued = text[:start][-1:].isalnum()
    return _with_firmware(text, start, start + len(serial), f" {len(serial)}" if glued else "")


def _with_firmware(text: str, start: int, end: int, width: str = "") -> str:
    head, tail = text[:start], text[end:]
    found = FIRMWARE.search(tail)
    word = re.match(r"(?:[^\s,;\x00-\x1f]|,(?=\d))+", tail[found.end() :]) if found else None
    if found and word:
        at = found.end()
        tail_pattern = literal(tail[:at]) + "{firmware:word}" + literal(tail[at + len(word[0]) :])
    else:
        tail_pattern = literal(tail)
    return f"{literal(head)}{{serial:word{width}}}{tail_pattern}"


def literal(text: str) -> str:
    """Return a text as it is written in the template of a line."""
    return re.sub(r"[{}\[\]]", lambda m: m[0] * 2, text)

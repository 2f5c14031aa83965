"""Errors of the files of the configuration in the language of a page, from the English sentences of the daemon."""

import re
from typing import Any, Final

from daq.page.texts.texts import Texts

LINE: Final = re.compile(r"(?P<file>[^:]+\.toml): (?:(?P<key>[\w.\[\]-]+): )?(?P<reason>.+)", re.DOTALL)
"""An error: file, key where it is about one, and the reason."""
HERE: Final = r"(?:; here (?P<given>.+))?"
"""The wrong value, at the end of a reason."""
REASONS: Final = tuple(
    (re.compile(pattern, re.DOTALL), f"refusal.file.{name}")
    for name, pattern in (
        ("not_toml_line", r"is not valid TOML: .*\(at line (?P<line>\d+), .*"),
        ("not_toml", r"is not valid TOML: .*"),
        ("not_utf8", r"line (?P<line>\d+) is not UTF-8 text; .*"),
        ("absent", r"there is no such file; .*"),
        ("unreadable", r"cannot be read: .*"),
        ("missing", r"is missing(?:[:;] .*)?"),
        ("unknown_key_near", r"is not a known key; did you mean (?P<near>.+)\?"),
        ("unknown_key", r"is not a known key(?:; .*)?"),
        ("no_boolean", r"must be true or false, without quotes"),
        ("no_whole", rf"must be a whole number{HERE}"),
        ("not_finite", rf"must be a finite number{HERE}"),
        ("no_number", rf"must be a number(?: without quotes)?{HERE}"),
        ("no_text", rf"must be text in quotes{HERE}"),
        ("no_list", rf"must be a list in \[brackets\]{HERE}"),
        ("no_table", rf"must be a table of key = value{HERE}"),
        ("empty", r"must not be empty"),
        ("one_of", rf"must be one of (?P<choices>.+?){HERE}"),
        ("greater", rf"must be greater than (?P<limit>\S+?){HERE}"),
        ("at_least", rf"must be at least (?P<limit>\S+?){HERE}"),
        ("less", rf"must be less than (?P<limit>\S+?){HERE}"),
        ("at_most", rf"must be at most (?P<limit>\S+?){HERE}"),
        ("entries_most", r"has the wrong number of entries: .* at most (?P<limit>\d+) .*, not (?P<count>\d+)"),
        ("entries_least", r"has the wrong number of entries: .* at least (?P<limit>\d+) .*, not (?P<count>\d+)"),
        ("entries", r"has the wrong number of entries: .*"),
        ("one_table", r"is one table; write (?P<tables>\S+) instead of \S+"),
        ("unknown_near", r"there is no .+? (?P<name>'.*?'); did you mean (?P<near>.+)\?"),
        ("unknown_name", r"there is no .+? (?P<name>'.*?'); there are: (?P<known>.+)"),
        ("name_used", r"(?P<name>.+?) is already used in (?P<other>.+?); .*"),
        ("other_content", r"method (?P<name>.+?) version (?P<version>.+?) has other content in (?P<other>.+?); .*"),
        ("same_version", r"the content of (?P<name>.+?) has changed under version (?P<version>.+?): .*"),
        ("next_start", r"has changed, which has no effect before the next start of the daemon"),
        ("no_control", r"the method (?P<name>.+?) does not measure a control fluid; .*"),
        ("no_name", r"(?P<given>.+) is not usable as a name: .*"),
        ("no_day", r"(?P<given>.+) is not a day; .*"),
        ("no_quantity", r"(?P<given>.+) is not a number, (?:with or without a unit behind it|nor text like '30 s')"),
        ("no_unit", r"unknown unit (?P<given>.+); write a UCUM code, .*"),
        ("number_in_quotes", r"is a number; write it in quotes, as in (?P<example>.+)"),
        ("no_step", r"a method needs at least one step: .*"),
        ("no_folder", r"there is no folder (?P<name>.+?); .*"),
    )
)
"""Reasons of the files (`daq/methods/files/load.py`, `daq/textfiles`, `daq/app/setup`), and the keys of their texts."""


def file_words(t: Texts, line: str) -> str:
    """Return an error of a file in the language; in English, and where the page does not know it, as it was sent."""
    found = LINE.fullmatch(line)
    if t.language == "en" or found is None:
        return line
    for pattern, key in REASONS:
        given = pattern.fullmatch(found["reason"])
        if given is not None:
            values: dict[str, Any] = given.groupdict()
            here = t("refusal.file.here", given=values.pop("given")) if values.get("given") else ""
            at = ": ".join(part for part in (found["file"], found["key"]) if part)
            return f"{at}: {t(key, **values)}{here}"
    return line

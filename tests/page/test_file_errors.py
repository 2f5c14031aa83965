"""Errors of files on a Korean screen: each reason that the loader makes has its sentence, with file and key."""

import re
import tomllib
from typing import Annotated

import pytest
from pydantic import Field

from daq.adapters.paths import examples_dir
from daq.app.setup.unknown_names import unknown
from daq.core.errors import SettingError, SettingErrors
from daq.methods.files.fields import Listed, Model
from daq.methods.files.load import load_method, load_product, parse
from daq.page.shown.file_errors import REASONS, file_words
from daq.page.texts.texts import Texts

WRONG = (True, 7, -1e9, 1e9, float("inf"), "", "x", "nothing of this", [], {}, [{}] * 40)
"""Values of every kind; each takes the place of each value of an example."""
LOADERS = {"methods": load_method, "products": load_product}


def toml(value):
    """Return a value as TOML."""
    if isinstance(value, dict):
        return "{" + ", ".join(f'"{key}" = {toml(one)}' for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, bool):
        return str(value).lower()
    return repr(value) if isinstance(value, int | float) else f'"{value}"'


def changed(data, key, value):
    return "".join(f'"{name}" = {toml(one)}\n' for name, one in ({**data, key: value}).items())


def errors(kind, tmp_path):
    """Yield the errors of each file of examples with one wrong value, a key too many or too few, or no TOML."""
    for path in sorted((examples_dir() / kind).glob("*.toml"))[:1]:
        data = tomllib.loads(path.read_text("utf-8"))
        texts = [changed(data, key, value) for key in data for value in WRONG]
        texts += [changed({k: v for k, v in data.items() if k != key}, "extra", 1) for key in data]
        texts += ["a = ", "[[x]\n", changed(data, "titel", "x")]
        for text in texts:
            file = tmp_path / "wrong.toml"
            file.write_text(text, "utf-8")
            try:
                LOADERS[kind](file)
            except SettingErrors as found:
                yield from map(str, found.errors)
            except SettingError as found:
                yield str(found)


@pytest.mark.slow
@pytest.mark.parametrize("kind", LOADERS)
def test_an_error_of_a_file_is_korean_and_names_file_and_key(kind, tmp_path):
    t, found = Texts("ko"), set(errors(kind, tmp_path))
    assert len(found) > 100
    assert [line for line in found if file_words(t, line) == line] == []
    for line in found:
        shown = file_words(t, line)
        file, key, *_ = line.split(": ")
        assert shown.startswith(f"{file}: {key}: " if re.fullmatch(r"[\w.\[\]-]+", key) else f"{file}: "), shown
        assert re.search("[가-힣]", shown)
        assert file_words(Texts("en"), line) == line
        # The reason keeps its parts: how many entries there may be, and that a number is finite.
        reason, count = line.split(": ", 2)[-1], re.search(r"at (?:most|least) (\d+) items?.*, not (\d+)", line)
        assert count is None or re.findall(r"\d+", shown.removeprefix(f"{file}: {key}: ")) == [*count.groups()], shown
        assert ("finite number" in reason) == ("유한한 수" in shown)


def test_errors_between_files_are_korean(tmp_path):
    t = Texts("ko")
    for reason in (
        unknown("method", "clear-glace", {"clear-glaze": 1}), unknown("instrument", "x", {}),
        "has changed, which has no effect before the next start of the daemon",
        "the content of product clear-glaze has changed under version 1: give the changed one a new version, or put the old content back",
        "'bench-1' is already used in a.toml; give it another name, or remove one of the files",
    ):  # fmt: skip
        shown = file_words(t, str(SettingError(reason, file="products/x.toml", key="tests[0].method")))
        assert shown.startswith("products/x.toml: tests[0].method: ")
        assert re.search("[가-힣]", shown), reason


def test_each_reason_has_its_sentence_in_each_language():
    for _, key in REASONS:
        assert Texts("ko").has(key)
        assert Texts("en").has(key)
    assert file_words(Texts("ko"), "a sentence of a newer daemon") == "a sentence of a newer daemon"


class Few(Model):
    most: Annotated[tuple[int, ...], Listed, Field(max_length=6)] = ()
    least: Annotated[tuple[int, ...], Listed, Field(min_length=2)] = (1, 2)


@pytest.mark.parametrize(("given", "numbers"), [({"most": [1] * 40}, ["6", "40"]), ({"least": [1]}, ["2", "1"])])
def test_a_wrong_number_of_entries_keeps_both_numbers(given, numbers):
    with pytest.raises(SettingError) as caught:
        parse(Few, given, "x.toml")
    (line,) = map(str, getattr(caught.value, "errors", [caught.value]))
    assert re.findall(r"\d+", file_words(Texts("ko"), line)) == numbers

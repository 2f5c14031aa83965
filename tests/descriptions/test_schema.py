"""The JSON Schema for editors, judged by the public package jsonschema."""

import tomllib
from pathlib import Path

import jsonschema
import pytest

import drivers
from daq.descriptions.schema import SCHEMA_FILE, description_schema, schema_text
from tests.descriptions.wrong_files import BALANCE
from tests.support.instruments.built_in import BUILT_IN

FILES = sorted(Path(drivers.__file__).parent.glob("*/*.toml"))
VALIDATOR = jsonschema.Draft202012Validator(description_schema())


def test_the_published_file_is_the_generated_one():
    jsonschema.Draft202012Validator.check_schema(description_schema())
    assert SCHEMA_FILE.read_text("utf-8") == schema_text(), "run python -m daq.descriptions.schema"


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.name)
def test_every_built_in_file_is_valid_and_names_the_schema(path):
    VALIDATOR.validate(tomllib.loads(path.read_text("utf-8")))
    first = path.read_text("utf-8").splitlines()[0]
    assert first.startswith("#:schema ")
    assert (path.parent / first.removeprefix("#:schema ")).resolve() == SCHEMA_FILE.resolve()


def test_all_files_are_built_in():
    assert {Path(d.source).resolve() for d in BUILT_IN.values()} == {p.resolve() for p in FILES}


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("format = 1", "format = 2"),
        ("baud = 9600", 'baud = "9600"'),
        ("baud = 9600", "bauds = 9600"),
        ('unit = "g"', 'unit = "grams"'),
        ('says = "reading"', 'says = "readings"'),
        ('interval = "500 ms"', 'interval = "soon"'),
        ('name = "xor"', 'name = "parity"'),
        ("[command.zero]", "[command.dance]"),
        ('kind = "balance"\n', ""),
        ("decimals = 3", "decimals = 30"),
    ],
)
def test_a_wrong_file_is_not_valid(old, new):
    text = BALANCE.read_text("utf-8")
    assert old in text
    with pytest.raises(jsonschema.ValidationError):
        VALIDATOR.validate(tomllib.loads(text.replace(old, new, 1)))

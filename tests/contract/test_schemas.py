"""The schemas: released versions stay readable, documents are valid, and the check finds every kind of break."""

import copy
import json
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from daq.adapters.mqtt.topics import Topics
from daq.app.cli import main
from daq.app.delivery import contract
from daq.app.delivery.contract import FOLDER, SCHEMAS, codes_text, schema_messages
from daq.app.delivery.refill import NotGrantedError, read_request
from tests.contract.compatibility import breaks

RELEASED = Path(__file__).parent / "released"
"""Folder written by `daq schemas --write` at a release; its files are never changed, new ones are added."""
PRESENT = [f"{s.name}-{s.version}" for s in SCHEMAS]
CODES = RELEASED / "codes-1.json"


@pytest.fixture(scope="module")
def present():
    """The schemas of the models by name and version; a test compares those that are published with them."""
    return {name: json.loads(schema.made()) for name, schema in zip(PRESENT, SCHEMAS, strict=True)}


def test_a_released_code_stays_with_its_parameters():
    released, present = json.loads(CODES.read_text())["codes"], json.loads(codes_text())["codes"]
    assert {code: found["parameters"] for code, found in released.items()} == {
        code: present[code]["parameters"] for code in released
    }


@pytest.mark.parametrize("file", sorted(set(RELEASED.glob("*.json")) - {CODES}), ids=lambda f: f.stem)
def test_readers_of_a_released_version_can_read_the_present_one(file, present):
    assert file.stem in present, "a released version is published for a year beside its successor"
    assert breaks(json.loads(file.read_text()), present[file.stem]) == []


def test_every_version_was_released():
    assert {file.stem for file in RELEASED.glob("*.json")} == {*PRESENT, CODES.stem}


@pytest.mark.parametrize("schema", SCHEMAS, ids=lambda s: s.name)
def test_what_is_published_is_the_schema_of_the_models(schema):
    assert json.loads(schema.text()) == json.loads(schema.made()), "run `python -m daq.app.delivery.contract`"


def test_each_file_of_a_schema_is_published():
    assert {file.name for file in FOLDER.iterdir()} == {schema.file.name for schema in SCHEMAS}


@pytest.mark.parametrize("name", PRESENT)
def test_each_is_a_schema_by_the_standard_and_allows_keys_that_come_later(name, present):
    jsonschema.Draft202012Validator.check_schema(present[name])
    assert '"additionalProperties": false' not in json.dumps(present[name])


OLD = {
    "properties": {
        "value": {"anyOf": [{"type": "number"}, {"type": "null"}], "unit_at": "unit"},
        "speed": {"type": "number", "unit": "/min"},
        "began": {"type": "string", "format": "date-time"},
        "unit": {"type": "string"},
        "quality": {"$ref": "#/$defs/Quality"},
        "levels": {"type": "array", "items": {"$ref": "#/$defs/Level"}},
        "signals": {"type": "object", "additionalProperties": {"type": "number"}},
        "count": {"type": "integer", "minimum": 1, "maximum": 9},
        "name": {"type": "string", "minLength": 1, "pattern": "^a"},
        "version": {"const": 1, "type": "integer"},
    },
    "required": ["value", "unit"],
    "type": "object",
    "$defs": {
        "Quality": {"type": "string", "enum": ["Good", "Bad"]},
        "Level": {"type": "object", "properties": {"step": {"type": "string"}}, "required": ["step"]},
    },
}


def changed(*path, to=None):
    new = copy.deepcopy(OLD)
    here = new
    for part in path[:-1]:
        here = here[part]
    if to is None:
        del here[path[-1]]
    else:
        here[path[-1]] = to
    return new


BROKEN = {
    ".speed: unit was /min, is /s": changed("properties", "speed", "unit", to="/s"),
    ".value: unit_at was unit, is none": changed("properties", "value", "unit_at"),
    ".began: format was date-time, is none": changed("properties", "began", "format"),
    ".unit: is gone": changed("properties", "unit"),
    ".unit: need not come any more": changed("required", to=["value"]),
    ".unit: may now be integer, was string": changed("properties", "unit", "type", to="integer"),
    ".unit: may now be null, was string": changed(
        "properties", "unit", to={"anyOf": [{"type": "string"}, {"type": "null"}]}
    ),
    ".value: may now be string, was number, null": changed(
        "properties", "value", "anyOf", to=[{"type": "number"}, {"type": "null"}, {"type": "string"}]
    ),
    ".quality: may now also be Fair": changed("$defs", "Quality", "enum", to=["Good", "Bad", "Fair"]),
    ".quality: may now also be anything": changed("$defs", "Quality", "enum"),
    ".levels[].step: is gone": changed("$defs", "Level", "properties", "step"),
    ".levels[].step: need not come any more": changed("$defs", "Level", "required"),
    ".levels[]: may now be anything": changed("properties", "levels", "items"),
    ".signals.*: may now be string, was number": changed(
        "properties", "signals", "additionalProperties", "type", to="string"
    ),
    ".count: minimum was 1, is 0": changed("properties", "count", "minimum", to=0),
    ".count: maximum was 9, is none": changed("properties", "count", "maximum"),
    ".count: may now be number, was integer": changed("properties", "count", "type", to="number"),
    ".name: minLength was 1, is none": changed("properties", "name", "minLength"),
    ".name: another pattern": changed("properties", "name", "pattern", to="^b"),
    ".version: may now also be 2": changed("properties", "version", "const", to=2),
    ".unit: contentEncoding is not understood by this check": changed(
        "properties", "unit", "contentEncoding", to="base64"
    ),
}


@pytest.mark.parametrize("message", BROKEN)
def test_every_kind_of_break_is_found(message):
    assert message in breaks(OLD, BROKEN[message])


@pytest.mark.parametrize(
    "new",
    [
        OLD,
        changed("properties", "more", to={"type": "string"}),
        changed("required", to=["value", "unit", "quality"]),
        changed("properties", "value", "anyOf", to=[{"type": "number"}]),
        changed("$defs", "Quality", "enum", to=["Good"]),
        changed("properties", "count", "maximum", to=5),
        changed("properties", "unit", "description", to="UCUM code"),
    ],
    ids=["the same", "a new key", "now required", "never null now", "fewer names", "narrower", "described"],
)
def test_compatible_changes_are_no_breaks(new):
    assert breaks(OLD, new) == []


def test_a_new_document_with_later_keys_is_valid_under_the_released_schema():
    status = {
        "state": "online", "time": "2026-11-26T04:00:00Z", "source": "urn:uuid:x#1", "epoch": 1, "instance": "a", "sequences": {},
        "mqtt": {"protocol": "5", "refusals_visible": True, "later": 1}, "much later": [],
    }  # fmt: skip
    jsonschema.validate(status, json.loads((RELEASED / "status-1.json").read_text()))


SOURCE = "urn:uuid:0f4b6c5e-8f0e-4f0e-9d6e-0a1b2c3d4e5f#1"
ASKED = st.fixed_dictionaries(
    {},
    optional={
        "source": st.sampled_from([SOURCE, SOURCE[:-2], SOURCE + "x", "", 7, None]),
        "stream": st.sampled_from(["bench-1", "", 3, None]),
        "first": st.sampled_from([1, 5, 0, -1, "1", 1.5, None, True]),
        "last": st.sampled_from([5, 9, 0, "5", None]),
        "more": st.just(1),
    },
)


@given(ASKED)
def test_a_request_that_is_granted_is_valid_and_a_valid_one_is_only_refused_for_its_order(asked):
    valid = jsonschema.Draft202012Validator(next(s.make() for s in SCHEMAS if s.name == "refill")).is_valid(asked)
    try:
        read_request(json.dumps(asked).encode())
    except NotGrantedError:
        assert not valid or asked["first"] > asked["last"]
    else:
        assert valid


def test_each_schema_is_published_on_its_topic():
    found = schema_messages(Topics(enterprise="glaze-works"))
    assert "glaze-works/lab/v1/schema/result-flat/1" in found
    assert "glaze-works/lab/v1/schema/codes/1" in found
    assert len(found) == len(SCHEMAS) + 1 == len(PRESENT) + 1


def test_the_command_lists_and_writes_them(tmp_path, capsys, present):
    assert main(["schemas"]) == 0
    listed = capsys.readouterr().out
    assert all(f"{s.name} {s.version}" in listed for s in SCHEMAS)
    assert main(["schemas", "--write", str(tmp_path / "new")]) == 0
    assert {f.stem: json.loads(f.read_text()) for f in (tmp_path / "new").iterdir()} == present | {
        "codes-1": json.loads(codes_text())
    }
    (tmp_path / "file").write_text("")
    assert main(["schemas", "--write", str(tmp_path / "file")]) == 2
    assert "name another folder" in capsys.readouterr().err


def test_a_published_schema_that_is_missing_is_named_as_itself(tmp_path, capsys, monkeypatch):
    """Not as a folder that cannot be written: another one would not help."""
    monkeypatch.setattr(contract, "FOLDER", tmp_path / "lost")
    assert main(["schemas", "--write", str(tmp_path / "new")]) == 2
    printed = capsys.readouterr().err
    assert str(tmp_path / "lost" / f"{PRESENT[0]}.json") in printed
    assert "cannot be read" in printed
    assert not (tmp_path / "new").exists()

"""The header of a journal: exact, strict, described by its schema; another format is refused by its number."""

import json
import math
import typing
from dataclasses import dataclass

import jsonschema
import pytest
from hypothesis import given, settings

from daq.core.encoding import decode, encode
from daq.core.errors import FormatError, JournalError, SettingError
from daq.core.header import Header, read_header
from daq.core.header_schema import SCHEMA_FILE, header_schema, schema_text
from daq.core.journal import JournalWriter, read_records
from daq.core.plan import Plan, Rule
from tests.support import sentences
from tests.support.any_values import any_of
from tests.support.runs.scripts import plan_of, step

PLAN = plan_of(step(Rule("above", "a", "torque", low=12.5)), companions=("probe",))
HEADER = Header(run="a-run", plan=PLAN, drivers={})


@pytest.mark.slow
@settings(derandomize=True, max_examples=150, deadline=None)
@given(any_of(Plan))
def test_any_plan_comes_back_equal_to_the_last_bit_and_keeps_to_the_schema(plan):
    text = Header(run="a-run", plan=plan, drivers={}).text
    again = read_header(text).plan
    assert again == plan
    assert repr(again) == repr(plan)  # -0.0 is equal to 0.0
    jsonschema.Draft202012Validator(SCHEMA).validate(json.loads(text))


SCHEMA = header_schema()


def test_the_schema_in_the_file_is_that_of_the_dataclasses():
    assert SCHEMA_FILE.read_text(encoding="utf-8") == schema_text(), "run: python -m daq.core.header_schema"
    jsonschema.Draft202012Validator.check_schema(SCHEMA)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("format",), 4),
        (("plan", "speed_tolerance"), 0.02),
        (("plan", "speed_tolerance"), "0.02"),
        (("plan", "moves"), 1),
        (("plan", "context", "product"), {"id": "x"}),
        (("plan", "unknown"), 1),
    ],
)
def test_the_schema_refuses_what_is_no_header(path, value):
    data = json.loads(HEADER.text)
    jsonschema.validate(data, SCHEMA)
    here = data
    for key in path[:-1]:
        here = here[key]
    here[path[-1]] = value
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.validate(data, SCHEMA)


def test_infinities_and_nan_come_back():
    plan = plan_of(step(Rule("between", "a", "torque", low=-math.inf, high=math.nan)))
    again = read_header(Header(run="a-run", plan=plan, drivers={}).text).plan.steps[0].stop
    assert again.low == -math.inf
    assert math.isnan(again.high)


# ---- other formats


def with_format(number):
    data = json.loads(HEADER.text)
    if number is None:
        del data["format"]
    else:
        data["format"] = number
    return json.dumps(data)


@pytest.mark.parametrize(
    ("number", "message"),
    [
        (4, "journal format 4 is newer than this daq, which reads 1 to 3; use a newer daq"),
        (0, "journal format 0 is older than this daq, which reads 1 to 3; use the daq that wrote it"),
        (None, "the journal has no format number; this daq reads journal formats 1 to 3"),
        ("0", sentences.JOURNAL_WITHOUT_FORMAT),
        (True, sentences.JOURNAL_WITHOUT_FORMAT),
    ],
)
def test_another_format_is_refused_by_name(number, message):
    with pytest.raises(FormatError) as caught:
        read_header(with_format(number))
    assert str(caught.value).startswith(message)


def test_the_journal_says_which_record_is_of_another_format():
    writer = JournalWriter([])
    writer.header(_Text(with_format(4)), 0)
    with pytest.raises(JournalError, match="record 0: journal format 4 is newer than this daq"):
        list(read_records(writer.cut().raw))


class _Text(typing.NamedTuple):
    text: str


# ---- strict


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda d: d.update(colour="red"), "colour: unknown; known: format, run, plan"),
        (lambda d: d["plan"].pop("primary"), "plan.primary: is missing"),
        (lambda d: d["plan"].update(moves=1), "plan.moves: must be true or false; here a whole number"),
        (lambda d: d["plan"].update(method=None), "plan.method: must be text; here null"),
        (lambda d: d["plan"]["steps"][0]["stop"].update(low="12,5"), "plan.steps[0].stop.low: must be a hexadecimal"),
        (lambda d: d["plan"]["steps"][0]["stop"].update(kind="near"), "plan.steps[0].stop.kind: must be one of above,"),
        (lambda d: d["plan"].update(links={}), "plan.links: must be a list; here an object"),
        (lambda d: d["plan"]["context"].update(units=[]), "plan.context.units: must be an object; here a list"),
        (lambda d: d["plan"]["context"].update(units={"a": 1}), "plan.context.units.a: must be text"),
        (lambda d: d["plan"].update(speed_timeout_ns=1.5), "plan.speed_timeout_ns: must be a whole number"),
    ],
)
def test_a_header_that_cannot_be_decoded_is_refused_by_its_key(change, message):
    data = json.loads(HEADER.text)
    change(data)
    with pytest.raises(SettingError) as caught:
        read_header(json.dumps(data))
    assert message in str(caught.value)


@dataclass(frozen=True)
class _Fault:
    where: tuple[str, float]
    n: float


def test_a_fixed_tuple_and_a_plain_number_are_distinguished():
    assert decode(_Fault, encode(_Fault(("torque", 1.5), 2))) == _Fault(("torque", 1.5), 2)
    with pytest.raises(SettingError, match="where: must have 2 values; here 1"):
        decode(_Fault, {"where": ["torque"], "n": 2})
    with pytest.raises(SettingError, match=r"where\[1\]: must be a number; here text"):
        decode(_Fault, {"where": ["torque", "0x1p+0"], "n": 2})
    with pytest.raises(SettingError, match="n: is too large a number"):
        decode(_Fault, {"where": ["torque", 1], "n": 10**400})

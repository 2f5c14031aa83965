"""One result in all of its shapes: each has the number, unit, digits, validity, verdict and reasons of the stored one.

A table of shapes drives the test: the stored JSON, the flat form, the message, the metrics of Sparkplug, the row of the
collector, the row of a list, and the texts of the terminal, the page and the report.  The results are concluded from
generated values: magnitudes from 1e-12 to 1e12, halves, values on their limits, faults, and hostile texts.
"""

import json
import math
import random
import re
from dataclasses import replace
from decimal import ROUND_HALF_EVEN, Decimal

import pytest

from daq.adapters.store.rows import ResultRecord
from daq.app.cli.laboratory import trace
from daq.app.delivery.sparkplug_metrics import result_metrics
from daq.app.laboratory.reporting.measured_facts import compared_words, limits_table, value_headline
from daq.app.run.result_messages import ResultMessages
from daq.app.screens.json_text import harmless_json
from daq.app.screens.result_screen import result_lines
from daq.app.screens.text import plain, shown_value, value_line
from daq.collect.decode import decode
from daq.core.context import ProductLimit
from daq.core.errors import SettingError
from daq.core.faults import Quality
from daq.core.units import symbol
from daq.methods.concluding import intervals
from daq.methods.concluding.conclude import conclude
from daq.methods.messages.annulling import annulled
from daq.methods.messages.doubting import DOUBTED, doubted
from daq.methods.messages.flat import flattened
from daq.methods.messages.result import ResultData, RunDetails
from daq.methods.parts.origin import Sample, Superseded
from daq.page.shown.figures import half_text, limit_range, unit_symbol, value_text
from daq.page.shown.results import verdict_kind, why
from daq.page.texts.texts import Texts
from daq.quality.digits import uncertain
from tests.support.runs.examples import facts, flat, kept, plan_of, rotational_identity, summaries
from tests.support.runs.result_events import SOURCE, T0, TOPICS, audit_of, own_id

HOSTILE = ("G-1041", "=1+1", "\x1b[2J", "가마 1호", '"; DROP TABLE results; --', "a\u202eb", "</script>", "1,5;2")
FAULTS = ((), (), (), ("readings_missing",), ("below_band", "off_speed"), ("saturated",), ("torque_frozen",))
UNITS = ("mPa.s", "Pa.s")
MOMENT = T0.strftime("%Y-%m-%dT%H:%M:%S.000Z")
LIMIT_WORDS = {"within": "within", "outside": "outside", "undecided": "undecided", "not_comparable": "not comparable"}


def number_of(rng):
    """Return a value in mPa.s: of any magnitude, on a half, or of a mean with an error of rounding."""
    kind = rng.randrange(5)
    if kind == 0:
        return rng.choice((-1.0, 1.0)) * 10.0 ** rng.uniform(-12.0, 12.0)
    if kind == 1:
        return float(f"{rng.randrange(1, 99999)}5e-{rng.randrange(1, 5)}")
    if kind == 2:
        return math.fsum([x := rng.randrange(1, 99999) / 100, x, x]) / 3
    if kind == 3:
        return float(rng.randrange(1, 2000)) / 2.0
    return rng.uniform(1.0, 5000.0)


def limits_of(rng, value, usual):
    if rng.random() < 0.15:
        return ()
    near = abs(value) * rng.choice((0.0, 0.0, 1e-3, 0.5)) + rng.choice((0.0, 0.01))
    low, high = sorted((value + rng.choice((-near, near, 0.0)), value + near))
    ends = rng.choice(((low, high), (None, high), (low, None)))
    # `ProductLimit` of a file has the digits that a person wrote.
    low, high = (None if x is None else float(f"{x:.9g}") for x in ends)
    return (replace(usual, low=low, high=high, decimals=None),)


def made(rng, plan):
    """Return a result as it is stored (`ResultData` as JSON), concluded from a generated value."""
    value, text = number_of(rng), rng.choice(HOSTILE)
    usual = plan.context.product.limits[0]
    assert isinstance(usual, ProductLimit)
    by_rounding = rng.random() < 0.5
    guarded = not by_rounding and rng.random() < 0.4
    product = replace(
        plan.context.product, limits=limits_of(rng, value, usual), unit=rng.choice(UNITS),
        rounding="rounded" if by_rounding else "unrounded",
        acceptance="guard_banded_acceptance" if guarded else "simple_acceptance",
        reported_decimals=rng.choice((None, None, 0, 1, 2, -1)), reported_digits=rng.choice((2, 3, 4)),
    )  # fmt: skip
    specification = plan.context.specification if rng.random() < 0.5 else type(plan.context.specification)()
    unspecific = replace(plan.context, product=rng.choice((product, product, None)), specification=specification)
    plan = replace(plan, context=unspecific)
    of = summaries() | {"viscosity": flat(value, sd=abs(value) * rng.choice((0.0, 1e-4, 0.02)))}
    outcome = rng.choice(("complete",) * 5 + ("stopped",))
    found = conclude(plan, facts([kept(of, faults=rng.choice(FAULTS))], outcome=outcome))
    about = RunDetails(
        run="7f1c", sample=Sample(id=text, lot=text, fill="1", replicate=1), operator=text, began=MOMENT, ended=MOMENT,
        journal_digest="ab" * 32, software="0.1.0", audit_head="cd" * 32,
        supersedes=rng.choice((None, Superseded(source=SOURCE, id=own_id(SOURCE, "bench-1", 9)))),
    )  # fmt: skip
    result = ResultData.build(plan, found, about)
    decided = rng.randrange(8)
    if decided == 0:
        result = annulled(result, who=text, because=text)
    elif decided == 1:
        result = doubted(result, fault=DOUBTED[0], who=text, because=text, verification="7f1d")
    data = json.loads(result.model_dump_json())
    data["origin"] |= {k.removeprefix("origin."): v for k, v in audit_of(SOURCE, "bench-1", 1).items()}
    return data


# ---- the shapes: what each says of number, unit, validity, verdict and reasons; None where it does not say it


def as_json(data):
    again = json.loads(harmless_json(json.dumps(data, ensure_ascii=False)))
    assert again == data
    return flat_facts(again)


def flat_facts(data):
    """Return number, unit, quality, validity, verdict, interval, codes and sample of a nested result."""
    return {
        "value": data["value"], "unit": data["unit"], "quality": data["quality"], "validity": data["validity"],
        "verdict": data["verdict"]["verdict"], "expanded": (data["uncertainty"] or {}).get("expanded"),
        "reported": data["reported"], "codes": [s["code"] for s in data["reasons"]], "sample": data["sample"]["id"],
    }  # fmt: skip


def as_flat(data):
    found = flattened(data)
    return {
        "value": found["value"], "unit": found["unit"], "quality": found["quality"], "validity": found["validity"],
        "verdict": found["verdict_verdict"], "expanded": found["uncertainty_expanded"], "reported": found["reported"],
        "codes": [c for c in found["reason_codes"].split("; ") if c], "sample": found["sample_id"],
    }  # fmt: skip


def message_of(data):
    """Return topic and payload of the message, as the daemon makes it."""
    messages = ResultMessages("bench-1", lambda: SOURCE, TOPICS)
    _, made = messages.of(ResultData.model_validate(data), own_id(SOURCE, "bench-1", 1), 1, MOMENT, is_last=False)
    (sent,) = made
    return sent.topic, sent.payload


def as_message(data):
    return flat_facts(json.loads(message_of(data)[1])["data"])


def as_row_of_the_collector(data):
    values = decode(*message_of(data)).values
    return {name: values[name] for name in ("value", "unit", "quality", "validity", "verdict", "expanded")} | {
        "sample": values["sample"], "codes": None, "reported": values.get("reported"),
    }  # fmt: skip


def as_metrics(data):
    record = ResultRecord(
        "r-1", "run-1", 3, "bench-1", 12, json.dumps(data), 1_790_000_000_123_456_789, None, 77, "", ""
    )
    found = {m.name.removeprefix("result/"): m for m in result_metrics(record, "db-1")}
    of_value = {p.key: p.value for p in found["value"].properties}
    assert of_value["Quality"] == (192 if data["quality"] == Quality.GOOD else 0)
    unit = next(v for k, v in of_value.items() if v == data["unit"])
    return {
        "value": found["value"].value, "unit": unit, "quality": of_value["opc_ua_quality"],
        "validity": found["validity"].value, "verdict": found["verdict"].value, "expanded": found["expanded"].value,
        "sample": found["sample"].value, "codes": None, "reported": None,
    }  # fmt: skip


SHAPES_OF_DATA = (as_json, as_flat, as_message, as_row_of_the_collector, as_metrics)


def block_text(block):
    """Return every text of a block of a report."""
    if isinstance(block, str):
        return block
    inner = block.values() if isinstance(block, dict) else block if isinstance(block, list | tuple) else ()
    return " | ".join(filter(None, map(block_text, inner)))


def on_terminal(data):
    return "\n".join("".join(words for words, _ in line) for line in result_lines(data, 400))


def in_list(data):
    return value_line(data)


def in_report(data):
    return block_text(value_headline(data)) + " | " + block_text(limits_table(data))


def on_page(data):
    t = Texts("en")
    limits = " | ".join(limit_range(x, t) for x in data["verdict"]["limits"] if x["quantity"] == data["quantity"])
    head = f"{value_text(data)} {unit_symbol(data['unit'])} {half_text(data, t)}"
    return " | ".join([head, limits, *why(t, data)])


def on_trace(data):
    product = {"id": "p", "version": "1", "approved_by": "", "text": ""}
    return " | ".join(words for words, _ in trace._limits({"product": product, "limits": data["verdict"]["limits"]}))


SHAPES_OF_TEXT = (on_terminal, in_list, in_report, on_page)


def results(count, seed):
    rng = random.Random(seed)
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze", identity=rotational_identity())
    with pytest.MonkeyPatch.context() as m:
        m.setattr(intervals, "TRIALS", 2000)
        return [made(rng, plan) for _ in range(count)]


@pytest.fixture(scope="module")
def generated():
    found = results(300, "shapes of a result")
    verdicts = {d["verdict"]["verdict"] for d in found}
    assert verdicts == {"within", "outside", "undecided", "not_comparable", "none"}
    assert {d["validity"] for d in found} == {"valid", "doubtful", "not_valid"}
    assert sum(d["value"] is not None and d["uncertainty"]["expanded"] is not None for d in found) > 30
    return found


@pytest.mark.parametrize("shape", SHAPES_OF_DATA, ids=lambda f: f.__name__)
def test_every_shape_of_data_has_the_stored_facts(generated, shape):
    for data in generated:
        stored, found = flat_facts(data), shape(data)
        assert {k: v for k, v in found.items() if v is not None or k not in ("codes", "reported")} == {
            k: stored[k] for k, v in found.items() if v is not None or k not in ("codes", "reported")
        }


def rounded_like(value, text):
    """Return the value rounded to the last digit of a text, a half of its decimal number to the even digit."""
    shown = Decimal(text)
    place = shown.as_tuple().exponent
    # Zeros before the point may be rounded digits: then the text has no more digits than these.
    while Decimal(repr(value)).quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN) != shown and place < 13:
        place += 1
    return Decimal(repr(value)).quantize(Decimal(1).scaleb(place), rounding=ROUND_HALF_EVEN)


def test_the_number_that_is_shown_is_the_stored_one_rounded_once(generated):
    for data in generated:
        if data["value"] is not None:
            text = shown_value(data)
            clean = float(f"{data['value']:.12g}")
            assert Decimal(text) in (rounded_like(clean, text), rounded_like(data["value"], text)), (
                data["value"],
                text,
            )


@pytest.mark.parametrize("shape", SHAPES_OF_TEXT, ids=lambda f: f.__name__)
def test_every_text_has_the_same_number_interval_and_unit(generated, shape):
    for data in generated:
        text, unit = shape(data), symbol(data["unit"])
        if data["value"] is None:
            assert data["reported"] is None
            assert "no value" in text or text.startswith("–"), text
            continue
        expanded = (data["uncertainty"] or {}).get("expanded")
        number, half = [shown_value(data), unit], [uncertain(expanded), unit] if expanded else []
        # The page has the interval in words of its language, in a place of its own.
        wanted = [number, half] if shape is on_page else [[*number, "±", *half] if expanded else number]
        if expanded and shape is in_report:
            wanted = [[number[0], "±", *half]]
        words = re.split(r"[\s|=,;:()]+", text.replace("±", " ± "))
        for each in filter(None, wanted):
            assert any(words[i : i + len(each)] == each for i in range(len(words))), (text, each)


def test_every_limit_that_is_shown_has_all_of_its_digits(generated):
    checked = 0
    for data in generated:
        for limit in data["verdict"]["limits"]:
            for end in ("low", "high"):
                if limit[end] is not None and limit["quantity"] == data["quantity"]:
                    digits = f"{limit[end]:.12g}"
                    checked += 1
                    assert all(digits in shape(data) for shape in (on_terminal, in_report, on_page, on_trace)), (
                        digits,
                        data,
                    )
    assert checked > 200


def test_the_side_of_a_value_outside_is_the_same_in_every_shape(generated):
    """The side follows from the limits alone: a value is outside below where it is not above the upper one."""
    sides = set()
    for data in generated:
        verdict = data["verdict"]
        if verdict["verdict"] != "outside":
            continue
        (limit,) = verdict["limits"]
        compared = Decimal(verdict["compared"])
        is_below = limit["low"] is not None and compared < Decimal(repr(limit["low"]))
        is_above = limit["high"] is not None and compared > Decimal(repr(limit["high"]))
        assert is_below != is_above, data
        assert [s["code"] for s in verdict["reasons"]] == ["below_limit" if is_below else "above_limit"]
        assert verdict["reasons"][0]["parameters"]["limit"] == limit["low" if is_below else "high"]
        assert verdict_kind(data) == ("outside_low" if is_below else "outside")
        assert ("●├─┤ OUTSIDE" in on_terminal(data)) == is_below
        sides.add((is_below, verdict["rounding"]))
    assert len(sides) == 4


@pytest.mark.parametrize("damaged", ["abc", "1,5", "12 mPa.s", [1], {"a": 1}, 12.5, True])
def test_a_report_names_run_and_field_of_a_damaged_number_that_was_compared(generated, damaged):
    shown = 0
    for data in generated:
        if data["value"] is not None and data["verdict"]["limits"]:
            changed = data | {"verdict": data["verdict"] | {"compared": damaged}}
            with pytest.raises(SettingError, match=f"run {data['origin']['run']} is damaged: verdict.compared must be"):
                compared_words(changed)
            shown += 1
    assert shown > 20


@pytest.mark.parametrize("damaged", ["abc", "", "1,5", "12 mPa.s", [1], {"a": 1}])
def test_a_damaged_number_that_was_compared_gives_way_to_the_value(generated, damaged):
    """A list of results and a terminal still show the others."""
    shown = 0
    for data in generated:
        if data["verdict"]["verdict"] == "outside":
            of_value = data | {"verdict": data["verdict"] | {"compared": None}}
            changed = data | {"verdict": data["verdict"] | {"compared": damaged}}
            assert verdict_kind(changed) == verdict_kind(of_value)
            assert on_terminal(changed) == on_terminal(of_value)
            shown += 1
    assert shown > 20


def test_every_reason_is_in_every_long_text(generated):
    for data in generated:
        for reason in data["reasons"]:
            assert reason["text"] in on_page(data)
            assert " ".join(plain(reason["text"]).split()) in " ".join(on_terminal(data).split())


def test_a_value_that_is_not_believed_is_not_shown_as_one(generated):
    for data in generated:
        mark = {"valid": "✓ VALID", "doubtful": "? DOUBTFUL", "not_valid": "✕ NOT VALID"}[data["validity"]]
        assert mark in on_terminal(data)
        assert (data["quality"] == "Good") == (data["validity"] == "valid")

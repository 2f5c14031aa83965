"""Decoding of events, and the reasons for refusals."""

import contextlib
import json
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.collect.decode import NotAnEventError, decode, decode_live
from daq.core.faults import Quality
from daq.methods.messages.livedata import LiveData, LiveValue
from tests.support.runs.result_events import SOURCE, T0, curve, own_head, own_id, result


def test_a_result_of_the_daemon_becomes_a_row():
    message = result(7, time=T0, change={"sample.sampled_at": "2026-03-02T06:10:00+01:00"})
    event, data = decode(*message), json.loads(message[1])["data"]
    assert (event.kind, event.source, str(event.id), event.stream, event.sequence, event.time) == (
        "result", SOURCE, own_id(SOURCE, "bench-1", 7), "bench-1", 7, T0,
    )  # fmt: skip
    assert event.values == {
        "simulated": False, "sample": "S-bench-1-7", "product": "clear-glaze", "lot": "L-118", "fill": "1",
        "replicate": 1, "sampled_at": datetime(2026, 3, 2, 5, 10, tzinfo=UTC), "quantity": "viscosity",
        "value": 800.0, "unit": "mPa.s", "reported": "800", "quality": "Good", "validity": "valid",
        "claim": "at_time", "outcome": "complete", "expanded": pytest.approx(16.63, rel=0.01),
        "k": pytest.approx(1.733, rel=0.01), "corrected": pytest.approx(800.0), "verdict": "within",
        "limit_low": 700.0, "limit_high": 900.0, "limit_unit": "mPa.s", "geometry": "coaxial-12", "speed_per_min": 20.0,
        "torque_percent": 50.0, "temperature_celsius": 25.0, "shear_rate_per_s": 14.3, "method_id": "clear-glaze-qc",
        "method_version": "1", "run": "run-7", "instrument": "bench-1", "serial": "R-1042", "operator": "shift A",
        "attribution": "unattributed",
        "began": T0 - timedelta(seconds=190), "ended": T0, "verification": False, "supersedes": None,
        "supersedes_source": None, "method_digest": data["method"]["digest"], "audit_number": 7,
        "audit_head": own_head(SOURCE, 7), "audit_before_number": 6, "audit_before": own_head(SOURCE, 6),
        "dry_content_mass_fraction": None, "dry_content_expanded_mass_fraction": None,
        "interval_low": data["uncertainty"]["low"], "interval_high": data["uncertainty"]["high"],
    }  # fmt: skip


def test_a_curve_becomes_a_row_of_its_own():
    event = decode(*curve(7))
    assert event.values["chosen"] == "power law"


def test_the_limit_in_the_row_is_the_one_that_decided():
    limits = [
        {"quantity": "viscosity", "low": 1.0, "high": 2.0, "unit": "Pa.s", "verdict": "not_comparable"},
        {"quantity": "viscosity", "low": 300.0, "high": 900.0, "unit": "mPa.s", "verdict": "within"},
    ]
    event = decode(*result(change={"verdict": {"verdict": "within", "limits": limits}}))
    values = event.values
    assert (values["limit_low"], values["limit_high"], values["limit_unit"]) == (300.0, 900.0, "mPa.s")


def test_additions_of_a_later_version_are_no_fault():
    topic, payload = result(change={"a_new_part": {"x": 1}}, envelope_change={"extension": "y"})
    assert decode(topic, payload).sequence == 1


@pytest.mark.parametrize(
    ("message", "reason"),
    [
        (("a/b/result/c", b"\xff"), "UTF-8"),
        (("a/b/result/c", b"[1]"), "not a JSON object"),
        (("a/b/result/c", b'{"a": NaN}'), "not JSON"),
        (("a/b/result/c", b"[" * 100_000), "recursion"),
        (("a/b/result/c", b'{"a": "\\ud800"}'), "not JSON"),
        (("a/b/result/c", b"{}"), "specversion"),
        (("a/status", b"{}"), "topic"),
        (result(envelope_change={"type": "lab.result.v2"}), "lab.result.v2"),
        (result(envelope_change={"type": "lab.curve.v1"}), "on a result topic"),
        (result(envelope_change={"source": "urn:uuid:x#1"}), "source"),
        (result(envelope_change={"source": SOURCE.replace("#1", "#0")}), "epoch"),
        (result(envelope_change={"id": "17"}), "UUID"),
        (result(envelope_change={"time": "2026-03-02T05:43:10"}), "offset"),
        (result(envelope_change={"time": "yesterday"}), "is not a time"),
        (result(envelope_change={"time": "0001-01-01T00:00:00+14:00"}), "is not a time"),
        (result(envelope_change={"sequence": "0"}), "sequence"),
        (result(envelope_change={"sequence": 3}), "sequence"),
        (result(envelope_change={"sequence": "9" * 16}), "sequence"),
        (result(envelope_change={"data": None}), "data"),
        (result(envelope_change={"subject": ""}), "subject"),
        (result(change={"value": "800"}), "value is not a number"),
        (result(change={"value": True}), "value is not a number"),
        (result(change={"sample": None}), "data.sample.id is missing"),
        (result(change={"verdict.limits": 3}), "limits"),
        (result(change={"sample.replicate": 1.5}), "replicate"),
        (result(change={"supersedes": "x"}), "supersedes"),
        (result(change={"supersedes": {"source": SOURCE, "id": "x"}}), "supersedes"),
        (result(change={"sample.replicate": 2**40}), "replicate"),
        (result(envelope_change={"subject": "bench-2"}), "last level of the topic"),
        (result(change={"sample.id": "a\x00b"}), "U.0000"),
        (result(change={"method.choices": {"a\x00b": 1}}), "U.0000"),
    ],
)
def test_messages_that_are_not_events_are_refused_with_the_reason(message, reason):
    with pytest.raises(NotAnEventError, match=reason):
        decode(*message)


@settings(max_examples=200, deadline=None)
@given(
    path=st.integers(0, 10**6),
    junk=st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(), st.just([]), st.just({})),
)
def test_whatever_stands_anywhere_in_an_event_it_is_decoded_or_refused(path, junk):
    topic, payload = result()
    event = json.loads(payload)
    places = []

    def walk(here):
        for key in here if isinstance(here, dict) else range(len(here)):
            places.append((here, key))
            if isinstance(here[key], (dict, list)):
                walk(here[key])

    walk(event)
    here, key = places[path % len(places)]
    here[key] = junk
    with contextlib.suppress(NotAnEventError):
        assert decode(topic, json.dumps(event).encode()).kind == "result"


def test_live_values_as_the_daemon_publishes_them():
    message = LiveData(
        time="2026-03-02T05:43:10Z", source=SOURCE, instrument="bench-1", run=None, state="ready",
        values={
            "viscosity": LiveValue(value=800.0, unit="mPa.s", quality=Quality.GOOD, status_code=0),
            "turns": LiveValue(value=None, unit="", quality=Quality.BAD, status_code=0x80000000),
        },
    )  # fmt: skip
    payload = message.model_dump_json().encode()
    first, second = decode_live("a/lab/v1/live/bench-1", payload)
    assert (first.time, first.instrument, first.channel, first.value, first.unit, first.quality) == (
        datetime(2026, 3, 2, 5, 43, 10, tzinfo=UTC), "bench-1", "viscosity", 800.0, "mPa.s", "Good",
    )  # fmt: skip
    assert (second.channel, second.value, second.unit, second.quality) == ("turns", None, "", "Bad")
    with pytest.raises(NotAnEventError):
        decode_live("a/lab/v1/live/bench-1", json.dumps(json.loads(payload) | {"values": 3}).encode())

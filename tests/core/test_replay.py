"""Replay: equal to the last bit; differences are named, and the effect of a damaged record is shown."""

import json
import struct
import zlib
from dataclasses import replace

import pytest

from daq.core.errors import SettingError
from daq.core.events import Received
from daq.core.framing import Framing
from daq.core.journal import read_records
from daq.core.journal_block import HEAD
from daq.core.plan import Keep, Rule
from daq.core.replay import flip_bit, replay
from daq.core.run import State
from tests.core.run_states import into
from tests.support import sentences
from tests.support.runs.scripts import Plain, S, Script, elapsed, make_driver, plan_of, seconds, step, texts

KEEP = Keep("every", "mean", seconds(1.0), every=seconds(1.0)), Keep("end", "mean", seconds(2.0))


def a_run() -> Script:
    run = Script(plan_of(step(elapsed(3.0), *KEEP, speed=30.0), companions=("probe",))).to_measuring(speed=30.0)
    run.readings(0, 0.5, torque=lambda t: 40.0 + t, speed=30.0)
    run.probe(0.5)
    run.readings(0.5, 3.1, torque=lambda t: 40.0 + t, speed=30.0)
    run.reading(3.2, speed=0.0)
    assert run.state == "ended"
    return run


RAW = a_run().journal()


def split(raw: bytes) -> list[tuple[int, int, int, bytes]]:
    out, offset = [], 0
    while offset < len(raw):
        kind, link, t, length = HEAD.unpack_from(raw, offset)
        out.append((kind, link, t, raw[offset + HEAD.size : offset + HEAD.size + length]))
        offset += HEAD.size + length + 4
    return out


def join(records) -> bytes:
    parts = []
    for kind, link, t, payload in records:
        record = HEAD.pack(kind, link, t, len(payload)) + payload
        parts.append(record + struct.pack("<I", zlib.crc32(record)))
    return b"".join(parts)


def number_of(predicate) -> int:
    return next(i for i, r in enumerate(split(RAW)) if predicate(*r))


class Bare(Plain):
    """Lines of numbers only, so that nothing shows where a line begins."""

    def decode(self, line, asked=None):
        return super().decode(line if line[:1].isalpha() else b"r " + line, asked)


class Idle(Bare):
    framing = Framing(terminator=b"\n", longest=120, idle_ns=S // 5)


class Paused(Bare):
    framing = Framing(terminator=b"\n", longest=120, longest_pause_ns=S // 5)


@pytest.mark.parametrize(("driver", "cut"), [(Idle, {}), (Paused, {"cut off": 1})])
def test_a_journal_with_idle_has_the_readings_that_it_had(driver, cut):
    """The rest of a line, 0.3 s late, was a reading with `idle`; with `longest_pause` it is none, nor is a journal changed."""
    plan = plan_of(step(elapsed(1.0), KEEP[1], speed=30.0))
    run = Script(plan, driver=driver({})).to_measuring(speed=30.0)
    for t in (0.1, 0.2, 0.3):
        run.line(t, b"42.0 30.0 25.0")
    run.feed(Received(run.ns(0.4), "lead", b"4"))
    run.line(0.7, b"2.0 30.0 25.0")
    for t in (0.8, 0.9, 1.0, 1.1):
        run.line(t, b"42.0 30.0 25.0")
    run.line(1.2, b"0.0 0.0 25.0")
    assert run.state == "ended"
    again = replay(run.journal(), lambda *_: driver({}))
    assert (again.difference, again.same) == (None, True)
    counters = again.facts.counters["lead"]
    assert (counters["readings"], counters["rejected"]) == (10 - bool(cut), cut)


def test_a_run_is_the_same_again():
    run = a_run()
    again = replay(RAW, make_driver)
    assert again.same
    assert str(again.difference) == "None"
    assert texts(again.kept) == texts(run.kept)
    assert texts(again.steps) == texts(run.ended)
    assert texts([again.facts]) == texts([run.pipeline.facts()])
    assert (again.state, again.motor) == (State.ENDED, "still")
    assert again.events == sum(1 for r in read_records(RAW) if r.event is not None)
    recorded = sum(1 for r in read_records(RAW) if r.effect is not None)
    assert again.effects == recorded + len(run.sent)
    assert again.other_drivers == ()
    assert join(split(RAW)) == RAW


@pytest.mark.parametrize("state", [s for s in State if s not in (State.STOPPING, State.CONCLUDED, State.ENDED)])
def test_runs_that_were_stopped_anywhere_are_the_same_again(state):
    run = into(state)
    run.stop(run.at)
    run.tick(run.at + 20)
    again = replay(run.journal(), make_driver)
    assert again.same, str(again.difference)
    assert again.facts.outcome == "stopped"


def test_a_journal_that_simply_ends_gives_the_facts_so_far():
    records = split(RAW)
    for n in range(1, len(records) + 1):
        again = replay(join(records[:n]), make_driver)
        assert again.same, f"{n}: {again.difference}"
    middle = number_of(lambda kind, _l, _t, p: kind == 100 and p.startswith(b"Kept")) + 1
    again = replay(join(records[:middle]), make_driver)
    assert len(again.kept) == 1
    assert (again.facts.outcome, again.state) == ("", State.MEASURING)


def test_an_empty_journal_and_one_without_its_header():
    assert replay(b"", make_driver).state is State.READY
    found = replay(join(split(RAW)[1:]), make_driver).difference
    assert found is not None
    assert found.record == 0
    assert replay(join(split(RAW)[1:2]), make_driver).damage.startswith("record 0: cannot be decoded")


# ---- what differs


def test_an_effect_that_was_altered_is_named():
    records = split(RAW)
    n = number_of(lambda kind, _l, _t, p: kind == 100 and p.startswith(b"Kept"))
    kind, link, t, payload = records[n]
    effect = json.loads(payload[5:])
    effect["summaries"]["viscosity"]["mean"] *= 1 + 1e-15
    text = b"Kept " + json.dumps(effect, sort_keys=True, separators=(",", ":")).encode()
    assert text != payload
    found = replay(join([*records[:n], (kind, link, t, text), *records[n + 1 :]]), make_driver).difference
    assert (found.record, found.since_begin_s) == (n, pytest.approx(1.1))
    assert found.what.startswith('Kept differs at \'"mean":')
    assert found.recorded.startswith("Kept ")
    assert "record" in str(found)
    assert "recomputed: Kept " in str(found)


def test_an_effect_that_is_missing_or_too_many_is_named():
    records = split(RAW)
    n = number_of(lambda kind, _l, _t, p: kind == 100 and p.startswith(b"Kept"))
    missing = replay(join(records[:n] + records[n + 1 :]), make_driver).difference
    assert missing.record == n
    assert "is not recorded" in missing.what
    twice = replay(join([*records[:n], records[n], *records[n:]]), make_driver).difference
    assert twice.record == n + 1
    assert twice.what == "an effect that is not computed"


def test_a_request_that_was_altered_added_or_left_out_is_named():
    records = split(RAW)
    n = number_of(lambda kind, _l, _t, p: kind == 2 and p.startswith(b"speed"))
    kind, link, t, _ = records[n]
    altered = replay(join([*records[:n], (kind, link, t, b"speed 300\n"), *records[n + 1 :]]), make_driver).difference
    assert (altered.record, altered.link) == (n, "lead")
    assert altered.what == "another request was sent than computed"
    assert (altered.recorded, altered.recomputed) == ("b'speed 300\\n'", "b'speed 30\\n'")
    left = replay(join(records[:n] + records[n + 1 :]), make_driver).difference
    assert left.record == n
    assert left.what == "a request that is computed was not sent"
    more = replay(join([*records[: n + 1], (kind, link, t, b"turn\n"), *records[n + 1 :]]), make_driver).difference
    assert more.record == n + 1
    assert more.recomputed == "nothing"


def test_another_reading_shows_in_the_first_value_it_goes_into():
    records = split(RAW)
    n = number_of(lambda kind, _l, _t, p: kind == 1 and p.startswith(b"r 41.5"))
    kind, link, t, payload = records[n]
    found = replay(
        join([*records[:n], (kind, link, t, payload.replace(b"41.5", b"41.6")), *records[n + 1 :]]), make_driver
    )
    kept = [i for i, r in enumerate(records) if r[3].startswith(b"Kept") and r[2] > t]
    assert found.difference.record == kept[0]
    assert found.difference.what.startswith("Kept differs")


def test_another_driver_is_named_and_need_not_differ():
    class Other(Plain):
        def decode(self, line, asked=None):
            return super().decode(line, asked)

        def digest(self):
            return "another"

    again = replay(
        RAW, lambda kind, options, state: Other(options) if kind == "plain" else make_driver(kind, options, state)
    )
    assert again.same
    assert again.other_drivers == ("lead",)


def test_a_driver_that_decodes_otherwise_differs():
    class Wrong(Plain):
        def decode(self, line, asked=None):
            found = super().decode(line, asked)
            return (found[0] * 1.0000001, *found[1:]) if isinstance(found, tuple) else found

    again = replay(
        RAW, lambda kind, options, state: Wrong(options) if kind == "plain" else make_driver(kind, options, state)
    )
    assert again.difference.what.startswith("Kept differs")


# ---- damage


@pytest.mark.parametrize("n", range(0, 8 * len(RAW), 8 * len(RAW) // 150 + 1))
def test_a_flipped_bit_is_named_and_replay_without_check_shows_its_effect(n):
    broken = flip_bit(RAW, n)
    assert sum(a != b for a, b in zip(broken, RAW, strict=True)) == 1
    assert flip_bit(broken, n) == RAW
    found = replay(broken, make_driver)
    assert not found.same
    assert found.damage.startswith(f"record {found.damaged_record}: ")
    assert found.difference.record == found.damaged_record
    assert found.difference.what == f"damaged: {found.damage}"
    on = replay(broken, make_driver, check=False)
    assert (on.damage, on.damaged_record) == (found.damage, found.damaged_record)
    assert not on.same
    assert on.difference is None or on.difference.record >= found.damaged_record


def test_reading_on_past_a_damaged_reading_names_the_value_it_changes():
    records = split(RAW)
    n = number_of(lambda kind, _l, _t, p: kind == 1 and p.startswith(b"r 41.5"))
    offset = len(join(records[:n])) + HEAD.size + 2  # the 4 of 41.5
    broken = flip_bit(RAW, 8 * offset)  # 4 becomes 5
    on = replay(broken, make_driver, check=False)
    assert on.damaged_record == n
    assert on.difference.record > n
    assert on.difference.what.startswith("Kept differs")


def test_damage_that_changes_nothing_is_still_damage():
    broken = flip_bit(RAW, 8 * len(RAW) - 1)  # of the last check itself
    on = replay(broken, make_driver, check=False)
    assert on.difference is None
    assert not on.same
    assert "wrong CRC" in on.damage


@pytest.mark.parametrize("n", [-1, 8 * len(RAW)])
def test_a_bit_that_is_not_there_is_refused(n):
    with pytest.raises(SettingError, match=sentences.FLIPPED_BIT_OUT_OF_RANGE):
        flip_bit(RAW, n)


def test_the_facts_at_the_damage_are_those_before_it():
    records = split(RAW)
    n = [i for i, r in enumerate(records) if r[3].startswith(b"Kept")][1]
    offset = len(join(records[:n])) + HEAD.size
    again = replay(flip_bit(RAW, 8 * offset), make_driver)
    assert again.difference.record == n
    assert again.difference.since_begin_s == pytest.approx(2.1)
    assert len(again.facts.kept) == 2


def test_a_rule_that_was_altered_in_the_header_is_found():
    plan = plan_of(step(Rule("above", "a", "torque", low=45.0), *KEEP))
    run = Script(plan).begin()
    run.readings(0, 1.0, torque=lambda t: 40 + 10 * t)
    raw = run.journal()
    assert replay(raw, make_driver).same
    header, *rest = split(raw)
    header_data = json.loads(header[3])
    header_data["plan"]["steps"][0]["stop"]["low"] = (46.0).hex()
    altered = join([(*header[:3], json.dumps(header_data).encode()), *rest])
    assert replay(altered, make_driver).difference.what == "an effect that is not computed"
    assert replace(plan, claim="peak") != plan

"""Notes of journals of format 1 have an English text in place of parameters: they replay, and are shown as written."""

import json
from dataclasses import replace

import pytest

from daq.app.records.replaying import maker
from daq.app.screens.run_view import WrittenNote, recorded_note
from daq.core.header import FORMAT
from daq.core.journal import NO_LINK, JournalWriter, read_records
from daq.core.journal_block import EFFECT
from daq.core.replay import replay
from daq.methods.planning.compile import compile_plan
from daq.testing.bench import Bench
from tests.support.instruments.example_pairs import DRIVERS, pair
from tests.support.runs.examples import example

ACTIONS = {
    "link_down": lambda bench: bench.unplug("thermo-1"),
    "silent": lambda bench: bench.silence("thermo-1"),
    "keys_used": lambda bench: [bench.simulators["bench-1"].press_key() for _ in range(2)],
    "store_fault": lambda bench: bench.store_fails(),
}


def noted_run(code):
    """Return the journal of a run in whose middle something happens that is noted."""
    pairs = {name: pair(name) for name in ("bench-1", "thermo-1")}
    instrument, driver, _ = pairs["bench-1"]
    plan = compile_plan(
        example("methods/clear-glaze-qc.toml"),
        instrument,
        driver,
        companions=[pairs["thermo-1"][:2]],
        choices={"speed": 20},
    )
    bench = Bench(plan, {n: d for n, (_, d, _) in pairs.items()}, {n: box for n, (_, _, box) in pairs.items()})
    bench.at(70.0, lambda: ACTIONS[code](bench))
    bench.begin()
    bench.run(600.0)
    assert code in bench.notes
    return bench.journal()


def of_format_1(raw, **changes):
    """Return a journal as format 1 held it; `changes` are made to its notes."""
    writer = JournalWriter([])
    for record in read_records(raw):
        if record.header is not None:
            writer = JournalWriter([link.name for link in record.header.plan.links])
            writer.header(replace(record.header, format=1), 0)
        elif record.event is not None:
            writer.event(record.event)
        else:
            kind, _, text = record.effect.partition(" ")
            if kind == "Noted":
                values = json.loads(text)
                note = {"t": values["t"], "code": values["code"], "text": "words of that time"} | changes
                text = json.dumps(note, sort_keys=True, separators=(",", ":"))
            writer._settle()
            writer._put(EFFECT, NO_LINK, 0, f"{kind} {text}".encode())
    return writer.cut().raw


@pytest.mark.slow
@pytest.mark.parametrize("code", ACTIONS)
def test_a_journal_with_notes_of_format_1_replays(code):
    raw = noted_run(code)
    now, then = (replay(x, maker(DRIVERS)) for x in (raw, of_format_1(raw)))
    assert (now.difference, then.difference) == (None, None)
    assert (now.header.format, then.header.format) == (FORMAT, 1)
    assert then.effects == now.effects
    for wrong in ({"code": "sheared"}, {"t": 1}, {"more": 1}):
        assert "Noted differs" in replay(of_format_1(raw, **wrong), maker(DRIVERS)).difference.what


def test_a_note_is_shown_as_written_or_by_its_code():
    old = {"t": 5, "code": "silent", "text": "thermo-1 has not answered for 3 s"}
    assert recorded_note(old) == WrittenNote(5, "silent", old["text"], {})
    given = {"instrument": "thermo-1", "seconds": 3.0}
    new = recorded_note({"t": 5, "code": "silent", "parameters": given})
    assert new == WrittenNote(5, "silent", "the instrument has not answered for too long: thermo-1, for 3 s", given)


def test_notes_about_an_identity_and_a_result_have_their_detail():
    note = {"t": 5, "code": "no_identity", "parameters": {"instrument": "thermo-1", "detail": "no answer"}}
    assert recorded_note(note).text == "thermo-1 does not answer with its serial number: no answer"
    note = {"t": 5, "code": "not_concluded", "parameters": {"detail": "ValueError"}}
    assert recorded_note(note).text.endswith("it is computed again after the run: ValueError")

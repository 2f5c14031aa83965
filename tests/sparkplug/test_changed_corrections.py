"""A result whose correction or annulment is missing or was changed is never announced, whatever the order of all."""

# ruff: noqa: S608 - names of our own tables and columns

import json
import random
from collections import Counter

import pytest

from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.records import Change
from daq.adapters.store.rows import Outgoing
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import EndRun
from tests.support.runs.stored import T0, register
from tests.support.sparkplug.changed import OTHER, Node, falsifying, identity
from tests.support.sparkplug.stored import DEVICE, build, measure

DEVICES = (DEVICE, OTHER)
ENTRY = "what = 'result_corrected' AND json_extract(detail, '$.result') = '{0}'"
TAMPERED = {
    "data": "UPDATE results SET data = replace(data, '0.1234', '9.9999') || ' ' WHERE id = '{0}'",
    "quality": "UPDATE results SET data = replace(data, '\"Bad\"', '\"Good\"') || ' ' WHERE id = '{0}'",
    "run": "UPDATE results SET run = 'another' WHERE id = '{0}'",
    "stream": "UPDATE results SET stream = 'elsewhere' WHERE id = '{0}'",
    "supersedes": "UPDATE results SET supersedes = 'another {0}' WHERE id = '{0}'",
    "earlier": "UPDATE results SET audit_seq = 1 WHERE id = '{0}'",
    "missing": "DELETE FROM results WHERE id = '{0}'",
    "entry": "UPDATE audit SET detail = detail || ' ' WHERE " + ENTRY,
    "kind of entry": "UPDATE audit SET what = 'noted' WHERE " + ENTRY,
    "entry missing": "DELETE FROM audit WHERE " + ENTRY,
    "seal": "UPDATE audit SET detail = detail || ' ' WHERE what = 'result_stored' AND subject = '{0}'",
    "seal missing": "DELETE FROM audit WHERE what = 'result_stored' AND subject = '{0}'",
}
"""By name: a change of what a correction stored."""


def annulled(name):
    def built(sequence, _audit, _journal):
        data = json.dumps({"value": None, "quality": "Bad", "name": name, "sequence": sequence})
        return data, [Outgoing("lab/v1/result/rotor-1", data.encode())]

    return built


def ended(store, name, device):
    measure(store, name, device)
    store.submit(EndRun(name, "stopped", T0, "m.keeper")).result(10)


def supersede(store, run, old, new, declared):
    """Correct a result, or annul it where `declared` is None: the number of earlier declarations of the run."""
    changes = ()
    if declared is not None:
        changes = (Change("declaration", run, "declared", {"result": new, "of": declared}, (), declared),)
    how = annulled if declared is None else build
    store.submit(Correct(old, new, "mistyped", T0, "m.keeper", how(new), changes)).result(10)


def history(store, rng):
    """Store runs of two devices, with corrections and annulments; return device and results of each run, in order."""
    runs, declared = {}, Counter()
    for n in range(9):
        name = f"r{n:02}"
        if runs and rng.random() < 0.55:
            run = rng.choice(list(runs))
            is_correction = rng.random() < 0.5
            supersede(store, run, runs[run][1][-1], name, declared[run] if is_correction else None)
            declared[run] += is_correction
            runs[run][1].append(name)
        else:
            device = rng.choice(DEVICES)
            ended(store, name, device)
            runs[name] = (device, [name])
    return runs


def expected(runs, tampered):
    """By counting: a run with a result that was changed is known only where a later result of it is as written."""
    known = {run: results[-1] for run, (_, results) in runs.items() if results[-1] not in tampered}
    born = [
        next((known[r] for r, (d, _) in reversed(runs.items()) if d == device and r in known), None)
        for device in DEVICES
    ]
    sent = sorted(n for r, (_, results) in runs.items() if r in known for n in results if n not in tampered)
    return known, born, sent


@pytest.mark.parametrize("seed", [1, *(pytest.param(n, marks=pytest.mark.slow) for n in range(2, 20))])
def test_nothing_before_a_correction_that_was_changed_is_announced(tmp_path, seed):
    rng = random.Random(seed)
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result(10)
        runs = history(store, rng)
        node = Node(store)
        assert (node.sent(), node.born()) == expected(runs, ())[:0:-1]
        corrections = [name for _, results in runs.values() for name in results[1:]]
        tampered = rng.sample(corrections, min(len(corrections), rng.choice((1, 1, 2))))
        for name in tampered:
            with falsifying(store.path) as db:
                assert db.execute(TAMPERED[rng.choice(list(TAMPERED))].format(name)).rowcount == 1
        known, born, sent = expected(runs, tampered)
        assert (node.sent(), node.born()) == (sent, born)
        again = Node(store)
        assert (again.sent(), again.born()) == (sent, born)
        # Only the result in force of a run is a present value.
        shown = again.content.after(dict.fromkeys(DEVICES, 0), 100)
        assert {identity(r) for r in shown if r.is_present} <= set(known.values())


ONE = [(how,) for how in TAMPERED]
TWO = [("missing", how) for how in ("entry", "kind of entry", "seal", "seal missing")]
TWO += [(how, "entry missing") for how in ("run", "earlier")]
OF_DECLARED = [("missing", "entry missing")]
"""Only the declaration is left, which an annulment has not."""


@pytest.mark.parametrize(
    ("hows", "is_correction"),
    [
        *((hows, False) for hows in ONE + TWO),
        *((hows, True) for hows in OF_DECLARED),
        *(pytest.param(hows, True, marks=pytest.mark.slow) for hows in ONE + TWO),
    ],
)
def test_a_result_is_not_announced_where_any_part_of_what_supersedes_it_was_changed(tmp_path, hows, is_correction):
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result(10)
        for name in ("before", "wrong"):
            ended(store, name, DEVICE)
        supersede(store, "wrong", "wrong", "right", 0 if is_correction else None)
        node = Node(store)
        assert (node.sent(), node.born()[0]) == (["before", "wrong", "right"], "right")
        for how in hows:
            with falsifying(store.path) as db:
                assert db.execute(TAMPERED[how].format("right")).rowcount == 1
        assert (node.sent(), node.born()[0]) == (["before"], "before")

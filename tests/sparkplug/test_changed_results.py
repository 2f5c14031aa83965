"""A result that was changed in the database after it was stored is never sent by the Sparkplug node, and is named."""

# ruff: noqa: S608 - names of our own tables and columns

import json
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from daq.adapters.paths import database_path
from daq.adapters.sparkplug.encode import payload
from daq.adapters.sparkplug.memory import FILE, MOST_CHANGED, ChangedResult, read_changed
from daq.adapters.sparkplug.metrics import DataType, Metric
from daq.adapters.store.declaring.correcting import Correct
from daq.adapters.store.store import Store
from daq.app.cli import main
from daq.app.cli.delivery.outbox import lines
from daq.app.delivery.curve_publishing import curve_message
from daq.app.delivery.resending import outbox_view
from daq.app.workshop.diagnosis import check_results_of_sparkplug
from daq.core.errors import StoreError
from tests.support.processes.mosquitto import TOPICS, Mosquitto, needs_mosquitto
from tests.support.runs.stored import SECOND, T0, end, register
from tests.support.sparkplug.changed import OTHER, Node, falsifying
from tests.support.sparkplug.link import AdvancedClock, watching
from tests.support.sparkplug.stored import DEVICE, build, measure, sending

FIRST, MIDDLE, NEWEST = "a", "b", "e"
ALL = ["a", "b", "c", "d", "e"]
"""Results in the order of commit: ``d`` is of the other device, and ``e`` corrects ``c``."""
OF_RESULT = {
    "id": "id = 'forged'",
    "id is no UTF-8": "id = CAST(x'ff' AS TEXT)",
    "run": "run = 'another'",
    "epoch": "epoch = 2",
    "stream": f"stream = '{OTHER}', sequence = sequence + 10",
    "stream of no device": "stream = 'elsewhere'",
    "stream is no UTF-8": "stream = CAST(x'ff' AS TEXT)",
    "sequence": "sequence = 9",
    "data": "data = replace(data, '1234', '1235')",
    "data in another form": "data = data || ' '",
    "data is a list": "data = '[]'",
    "data is no JSON": "data = '{'",
    "data is no UTF-8": "data = CAST(CAST(data AS BLOB) || x'ff' AS TEXT)",
    "created_utc_ns": "created_utc_ns = created_utc_ns + 1000000000",
    "supersedes": "supersedes = 'a'",
    "audit_seq": "audit_seq = audit_seq + 1",
    "audit_seq of another result": "audit_seq = (SELECT o.audit_seq FROM results AS o WHERE o.id = 'd')",
    "audit_seq behind all": "audit_seq = 1000000",
    "audit_head": "audit_head = replace(audit_head, substr(audit_head, 1, 1), 'x')",
    "journal_digest": "journal_digest = 'x'",
}
"""A statement for each column of a result."""
OF_ENTRY = {
    "seq": "seq = 999",
    "utc_ns": "utc_ns = utc_ns + 1",
    "who": "who = 'a.other'",
    "who is no UTF-8": "who = CAST(x'ff' AS TEXT)",
    "what": "what = 'noted'",
    "subject": "subject = 'another'",
    "detail": "detail = json_set(detail, '$.more', 1)",
    "detail is no UTF-8": "detail = CAST(x'ff' AS TEXT)",
    "previous": "previous = hash",
    "hash": "hash = 'x' || hash",
}
"""A statement for each column of an audit entry."""
SEALING = "what = 'result_stored' AND subject = '{}'"
NAMING = "what IN ('run_concluded', 'result_corrected') AND json_extract(detail, '$.result') = '{}'"
CHANGES = (
    {f"results, {name}": ("UPDATE results SET " + text, "id = '{}'") for name, text in OF_RESULT.items()}
    | {f"sealing entry, {name}": ("UPDATE audit SET " + text, SEALING) for name, text in OF_ENTRY.items()}
    | {f"naming entry, {name}": ("UPDATE audit SET " + text, NAMING) for name, text in OF_ENTRY.items()}
    | {
        "sealing entry is missing": ("DELETE FROM audit", SEALING),
        "naming entry is missing": ("DELETE FROM audit", NAMING),
    }
)
NOT_READ = ("results, stream of no device", "results, stream is no UTF-8")
"""Changes after which the result belongs to no device, so that it is not read; `daq verify` names it."""


def fill(path):
    """Return a store with the results `ALL`."""
    store = Store(path, utc_ns=T0)
    store.submit(register()).result(10)
    for name, device in (("a", DEVICE), ("b", DEVICE), ("c", DEVICE), ("d", OTHER)):
        measure(store, name, device)
    store.submit(end("c")).result(10)
    correction = Correct(
        supersedes="c", result_id="e", reason="rounding", utc_ns=T0 + 90 * SECOND, who="m.keeper", build=build("e")
    )
    store.submit(correction).result(10)
    return store


def change(path, name, result):
    statement, where = CHANGES[name]
    with falsifying(path) as db:
        assert db.execute(f"{statement} WHERE {where.format(result)}").rowcount == 1


def findings(store):
    with store.reader() as reader:
        view = outbox_view(reader, T0, None)
    return [r.id for r in view.changed_results], list(check_results_of_sparkplug(store.path)), "\n".join(lines(view))


def assert_named(store, says=True):
    shown, found, screen = findings(store)
    assert len(shown) == len(found) == says
    assert ("the Sparkplug node does not send them" in screen) == says
    assert all(not f.ok and "were changed in the database" in f.say for f in found)


def test_unchanged_results_are_all_sent_and_shown_at_births(tmp_path):
    with fill(tmp_path / "daq.db") as store:
        node = Node(store)
        assert (node.sent(), node.born()) == (ALL, ["e", "d"])
        assert not node.memory.changed
        assert_named(store, says=False)


@pytest.mark.parametrize(
    ("changed", "result"),
    # The first result cannot supersede another one.
    [(c, r) for c in CHANGES for r in (FIRST, MIDDLE, NEWEST) if (c, r) != ("results, supersedes", FIRST)],
)
def test_no_changed_result_is_sent_or_sent_again_in_memory_or_after_a_new_start(tmp_path, changed, result):
    # Without its correction the corrected result is not announced either, nor is one that a changed result names.
    held = {"c"} if result == NEWEST else set()
    held |= {"a"} if changed == "results, supersedes" else set()
    rest = [name for name in ALL if name != result and name not in held]
    newest = ["b" if result == NEWEST else "e", "d"]
    with fill(tmp_path / "daq.db") as store:
        node = Node(store)
        assert (node.sent(), node.born()) == (ALL, ["e", "d"])  # sent once before the change
        change(store.path, changed, result)
        with capture_logs() as logs:
            assert (node.sent(), node.born()) == (rest, newest)
            assert (node.sent(), node.born()) == (rest, newest)
        is_read = changed not in NOT_READ or result == NEWEST
        assert {e["log_level"] for e in logs} == ({"error"} if is_read else set())
        is_found = is_read and changed != "results, stream is no UTF-8"
        assert_named(store, says=is_found)
    with Store(tmp_path / "daq.db") as store:
        again = Node(store)
        assert (again.sent(), again.born()) == (rest, newest)
        assert_named(store, says=is_found)
        # Later results are sent in spite of it, also where marks start at the newest result.
        (tmp_path / FILE).unlink(missing_ok=True)
        fresh = Node(store)
        measure(store, "later")
        fresh.marks = {DEVICE: 0, OTHER: 0} | fresh.memory.sent
        assert fresh.sent()[-1:] == ["later"]
        assert result not in fresh.sent()


@pytest.mark.parametrize("count", [1, 2, 3, 7, 30])
def test_later_results_are_sent_where_any_number_before_them_was_changed(tmp_path, count):
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result(10)
        names = [f"r{n:02}" for n in range(count + 1)]
        for name in names[:-1]:
            measure(store, name)
        with falsifying(store.path) as db:
            db.execute("UPDATE results SET data = data || ' '")
        node = Node(store)
        node.marks = {DEVICE: 0}
        with capture_logs() as logs:
            assert node.sent() == node.sent() == []
            assert node.content.newest((DEVICE,))[0].mark == 0
        assert len(logs) == count
        measure(store, names[-1])
        assert node.sent() == names[-1:]
        assert len(read_changed(tmp_path, store.uuid)) == count


def test_a_result_that_was_put_right_is_sent_and_no_longer_named(tmp_path):
    with fill(tmp_path / "daq.db") as store:
        node = Node(store)
        change(store.path, "results, data", NEWEST)
        assert node.sent() == ["a", "b", "d"]
        assert_named(store)
        with falsifying(store.path) as db:
            db.execute("UPDATE results SET data = replace(data, '1235', '1234')")
        assert node.sent() == ALL
        assert_named(store, says=False)


def test_the_file_names_a_limited_number_and_another_database_reads_none(tmp_path):
    with fill(tmp_path / "daq.db") as store:
        memory = Node(store).memory
        noted = [memory.note_changed(ChangedResult(str(n), DEVICE, n, T0)) for n in range(MOST_CHANGED + 5)]
        assert noted == [True] * MOST_CHANGED + [False] * 5
        memory.next_bd_seq()
        assert len(read_changed(tmp_path, store.uuid)) == MOST_CHANGED
        assert read_changed(tmp_path, "another") == []
        file = tmp_path / FILE
        for damaged in ("", "[]", "{", json.dumps(json.loads(file.read_text()) | {"changed": [{"id": 1}]})):
            file.write_text(damaged)
            assert read_changed(tmp_path, store.uuid) == []
            assert file.exists()


def test_the_commands_name_a_changed_result_and_no_curve_is_computed_from_it(tmp_path, capsys):
    path = database_path(tmp_path)
    with fill(path) as store:
        Node(store).sent()
        assert main(["outbox", "--state", str(tmp_path)]) == 0
        change(path, "results, data", MIDDLE)
        Node(store, {DEVICE: 0}).sent()
        with store.reader() as reader:
            assert curve_message(reader, FIRST, store.uuid, TOPICS, T0) is None  # its method has none
            with pytest.raises(StoreError, match="changed after it was stored"):
                curve_message(reader, MIDDLE, store.uuid, TOPICS, T0)
    capsys.readouterr()
    assert main(["outbox", "--state", str(tmp_path)]) == 1
    assert "1 results were changed in the database" in capsys.readouterr().out
    main(["doctor", "--state", str(tmp_path)])
    assert "1 results were changed in the database" in capsys.readouterr().out


# ---- with Mosquitto


@pytest.fixture
def broker(tmp_path):
    folder: Path = tmp_path / "broker"
    folder.mkdir()
    running = Mosquitto(folder).start()
    yield running
    running.stop()


ASK = payload((Metric("Node Control/Rebirth", DataType.BOOLEAN, True, 1),), 1, None, birth=True)


@needs_mosquitto
@pytest.mark.asyncio
@pytest.mark.parametrize("changed", ["results, data", "results, created_utc_ns", "sealing entry, detail"])
async def test_no_birth_no_historical_data_and_no_repetition_has_a_changed_result(tmp_path, broker, changed):
    """The result is sent before the change, and would be sent again at a rebirth and after a new start."""
    clock = AdvancedClock()
    with Store(tmp_path / "daq.db", utc_ns=T0) as store:
        store.submit(register()).result(10)
        async with watching(broker.port) as watcher:
            shown = watcher.host.devices
            async with sending(store, broker, clock) as link:
                await watcher.until(lambda: DEVICE in shown)
                for name in ("a", "b"):
                    measure(store, name)
                    link.wake()
                    await watcher.until(lambda name=name: watcher.ids()[-1:] == [name])
                change(store.path, changed, "b")
                clock.ahead += 6_000_000_000
                await watcher.ask(ASK)
                await watcher.until(lambda: watcher.host.births == 2 and watcher.ids()[-1:] == ["a"])
                assert shown[DEVICE].values["result/id"] == "a"
                measure(store, "c")
                link.wake()
                await watcher.until(lambda: watcher.ids()[-1:] == ["c"])
            async with sending(store, broker, clock):
                await watcher.until(lambda: watcher.host.births == 3 and DEVICE in shown)
                assert shown[DEVICE].values["result/id"] == "c"
            change(store.path, "results, data", "c")
            async with sending(store, broker, clock):
                await watcher.until(lambda: watcher.host.births == 4 and DEVICE in shown)
                assert shown[DEVICE].values["result/id"] == "a"
            assert watcher.ids() == ["a", "b", "a", "c"]
            assert watcher.ids(historical=True) == ["a"]
        assert findings(store)[0] == ["b", "c"]

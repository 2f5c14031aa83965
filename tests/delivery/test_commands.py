"""`daq outbox` and `daq resend` on a real database without a daemon: times, numbers, refusals, wrong arguments."""

import json
import time
from datetime import datetime

import pytest

from daq.adapters.mqtt.versions import SpokenVersion
from daq.adapters.outbox.broker_versions import BrokerVersions
from daq.adapters.paths import StateLock, database_path
from daq.adapters.store.audit import first_break
from daq.adapters.store.outgoing.delivery import Acknowledge, Refused
from daq.adapters.store.store import Store
from daq.app.cli import main
from daq.app.daemon.protocol import PROTOCOL, read_request
from daq.app.delivery.resending import transaction_of
from daq.core.errors import SettingError
from daq.process.moments import read_moment
from tests.support.processes.mosquitto import fill
from tests.support.runs.stored import SECOND, T0

HOSTILE = "no\x1b[2Jthanks\u202e"


@pytest.fixture
def state(tmp_path):
    """Six results of rotor-1 delivered, one of rotor-2 refused, one of rotor-3 in quarantine, one waiting."""
    folder = tmp_path / "state"
    folder.mkdir()
    with Store(database_path(folder), utc_ns=T0) as store:
        fill(store, [f"run-{n}" for n in range(1, 7)])
        fill(store, ["shy"], instrument="rotor-2")
        fill(store, ["bulky"], instrument="rotor-3")
        fill(store, ["fresh"], instrument="rotor-2")
        store.submit(Acknowledge(tuple(range(1, 7)), T0 + 90 * SECOND)).result(10)
        store.submit(Refused(7, HOSTILE, T0)).result(10)
        store.submit(Refused(8, "Topic name invalid (code 144)", T0, for_good=True)).result(10)
    return folder


@pytest.fixture
def daq(state, capsys):
    def run(*words):
        code = main(["--state", str(state), *words])
        return code, *capsys.readouterr()

    return run


def waiting(state):
    with Store(database_path(state)) as store, store.reader() as reader:
        assert first_break(store.uuid, reader.audit()) == ""
        return [m.id for m in reader.waiting()]


def audited(state):
    with Store(database_path(state)) as store, store.reader() as reader:
        return [(e.subject, json.loads(e.detail)) for e in reader.audit() if e.what == "messages_sent_again"]


def test_the_outbox_is_shown_to_a_person(daq):
    code, out, _ = daq("outbox")
    assert code == 1
    assert out.startswith("1 messages wait for the broker; the oldest in the outbox is ")
    assert "last acknowledged by the broker: 2025-10-09T08:54:50.000Z" in out
    assert "no daemon runs" in out
    assert "1 refused, tried again by themselves" in out
    assert "1 in quarantine" in out
    assert "Topic name invalid (code 144)" in out
    assert "no\\x1b[2Jthanks\\u202e" in out  # invisible characters are shown as escapes
    assert "\x1b" not in out
    assert "daq resend --refused" in out


def test_the_outbox_names_a_broker_without_mqtt_5(daq, state):
    reason = "it refuses MQTT 5 as an unsupported version (code 132)"
    BrokerVersions(state).note("broker.example:1883", SpokenVersion("3.1.1", reason), T0)
    BrokerVersions(state).note("new.example:1883", SpokenVersion("5"), T0)
    _, out, _ = daq("outbox")
    text = " ".join(out.split())
    assert "broker.example:1883: MQTT 3.1.1 is used since 2025-10-09T08:53:20.000Z" in text
    assert reason in text
    assert "new.example" not in out
    _, out, _ = daq("outbox", "--json")
    assert len(json.loads(out)["fallbacks"]) == 1


def test_the_outbox_as_json(daq):
    code, out, _ = daq("outbox", "--json")
    assert code == 1
    shown = json.loads(out)
    assert (shown["waiting"], shown["refused"], shown["quarantined"]) == (1, 1, 1)
    assert shown["oldest_age_s"] > 0
    assert shown["sequences"] == {"rotor-1": 6, "rotor-2": 2, "rotor-3": 1}
    (kept,) = shown["quarantine"]
    assert (kept["id"], kept["instrument"], kept["sequence"], kept["attempts"]) == ("bulky", "rotor-3", 1, 1)
    assert kept["since"] == "2025-10-09T08:53:20.000Z"
    assert [t["reason"] for t in shown["refused_topics"]] == [HOSTILE]
    assert shown["daemon"] is None


def test_an_empty_outbox(tmp_path, capsys):
    Store(database_path(tmp_path), utc_ns=T0).close()
    assert main(["--state", str(tmp_path), "outbox"]) == 0
    assert "nothing waits for the broker\nlast acknowledged by the broker: nothing yet" in capsys.readouterr().out


def test_numbers_of_an_instrument_are_sent_again(daq, state):
    code, out, _ = daq("resend", "--instrument", "rotor-1", "--from", "2", "--to", "4")
    assert (code, out) == (0, "3 messages put into the outbox again; they go out with the next `daq serve`\n")
    assert waiting(state) == ["run-2", "run-3", "run-4", "fresh"]
    assert audited(state) == [("rotor-1", {"epoch": 1, "first": 2, "last": 4, "messages": 3})]


def test_times_of_all_instruments_are_sent_again(daq, state):
    day = datetime.fromtimestamp(T0 / 1e9).date().isoformat()  # noqa: DTZ006 - this machine's day, as a person means it
    code, out, _ = daq("resend", "--from", day, "--to", day)
    assert (code, out.split()[0]) == (0, "6")
    assert len(waiting(state)) == 7
    code, out, _ = daq("resend", "--from", "2001-01-01", "--to", "2001-12-31")
    assert (code, out) == (0, "0 messages put into the outbox again: none were found\n")


def test_refused_messages_are_sent_again(daq, state):
    assert daq("resend", "--refused", "--instrument", "rotor-3")[1].split()[0] == "1"
    assert waiting(state) == ["bulky", "fresh"]
    assert daq("resend", "--refused")[1].split()[0] == "1"
    assert waiting(state) == ["shy", "bulky", "fresh"]
    assert [subject for subject, _ in audited(state)] == ["rotor-3", "all"]
    assert daq("outbox")[0] == 0


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([], "--from and --to: say both"),
        (["--from", "3"], "say both"),
        (["--from", "3", "--to", "5"], "--instrument: sequence numbers count per instrument"),
        (["--instrument", "rotor-1", "--from", "5", "--to", "3"], "--to: the end lies before the beginning"),
        (["--from", "yesterday", "--to", "2026-01-01"], "'yesterday' is no sequence number and no time"),
        (["--from", "2026-01-01", "--to", "2025-01-01"], "the end lies before the beginning"),
        (["--from", "2026-01-01", "--to", "2026-01-02", "--epoch", "1"], "--epoch: belongs to sequence numbers"),
        (["--refused", "--from", "1"], "--refused: goes alone"),
        (["--from", "9999-12-31T23:59:59+23:00", "--to", "9999-12-31"], ""),
    ],
)
def test_contradictory_arguments_are_refused_and_nothing_is_changed(daq, state, words, message):
    code, out, err = daq("resend", *words)
    assert message in err
    if message:
        assert code == 2
        assert out == ""
    assert "Traceback" not in err
    assert waiting(state) == ["fresh"]


def test_numbers_beyond_every_size_are_refused(daq, state):
    code, _, err = daq("resend", "--instrument", "rotor-1", "--from", "1", "--to", "9" * 30)
    assert code == 2
    assert "too large" in err
    assert waiting(state) == ["fresh"]


def test_a_directory_without_database_is_reported(tmp_path, capsys):
    assert main(["--state", str(tmp_path), "resend", "--refused"]) == 13
    assert "there is no database" in capsys.readouterr().err


def test_a_directory_held_by_a_silent_process_is_not_written(daq, state):
    with StateLock(state):
        code, _, err = daq("resend", "--refused")
    assert code == 13
    assert "no answer from the daemon" in err


@pytest.mark.parametrize(
    ("text", "end", "seconds"),
    [
        ("2026-11-26T06:00:00+00:00", False, 0),
        ("2026-11-26T06:00:00Z", True, 0.999999999),
        ("2026-11-26T07:00+01:00", False, 0),
        ("2026-11-26T06:00:00.5+00:00", True, 0.500000999),
    ],
)
def test_moments(text, end, seconds):
    """1,795,672,800 s: 2026-11-26 06:00 UTC by `date -u -d 2026-11-26T06:00 +%s` (GNU coreutils)."""
    assert read_moment(text, end=end) == 1_795_672_800 * SECOND + round(seconds * 1e9)


@pytest.fixture
def berlin(monkeypatch):
    """Summer time starts at 2026-03-29 02:00 and ends at 2026-10-25 03:00 (directive 2000/84/EC)."""
    monkeypatch.setenv("TZ", "CET-1CEST,M3.5.0,M10.5.0/3")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


@pytest.mark.parametrize(("day", "hours"), [("2026-03-29", 23), ("2026-10-25", 25), ("2026-11-26", 24)])
def test_a_day_ends_at_midnight_also_where_clocks_change(berlin, day, hours):
    assert read_moment(day, end=True) + 1 - read_moment(day, end=False) == hours * 3600 * SECOND


def test_an_hour_that_clocks_repeat_is_taken_whole(berlin):
    text = "2026-10-25T02:30:00"
    assert read_moment(text, end=True) - read_moment(text, end=False) == 3601 * SECOND - 1


@pytest.mark.parametrize(
    ("text", "end"),
    [("", False), ("12:00", False), ("2026-13-01", False), ("26.11.2026", False), ("9999-12-31", True)],
)
def test_no_moment(text, end):
    with pytest.raises(ValueError):
        read_moment(text, end=end)


@pytest.mark.parametrize(
    ("request_", "message"),
    [
        ({}, "one of them"),
        ({"who": "m.keeper", "refused": True}, "who: is not a known key"),
        ({"refused": 1}, "refused: must be true or false"),
        ({"first": True, "last": 2}, "first: must be a whole number"),
        ({"first": 1, "last": 2**63}, "last: must be at most"),
        ({"sql": "x"}, "sql: is not a known key"),
        ({"refused": True, "first": 1, "last": 2}, "one of them"),
    ],
)
def test_requests_over_the_control_socket_are_checked(request_, message):
    with pytest.raises(SettingError, match=message):
        order = read_request(json.dumps({"protocol": PROTOCOL, "do": "resend", **request_}).encode())
        transaction_of(order, T0, "m.keeper")

"""Faults on the lines to the instruments: each is detected and reported, and affects nothing else."""

import json

import pytest

from tests.support.processes.laboratory import Daemon, Lab, eventually

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def served(tmp_path_factory, simulators):
    lab = Lab(tmp_path_factory.mktemp("lab"), simulators, benches=2, companion=True)
    yield lab, Daemon(lab)
    lab.close()
    simulators.reset()


@pytest.fixture
def lab(served):
    return served[0]


@pytest.fixture
def daemon(served, simulators):
    """One daemon for all tests here; each test starts with all instruments connected and without faults."""
    lab, daemon = served
    daemon.ready()
    yield daemon
    simulators.clear_faults()
    for name in daemon.status()["runs"]:
        daemon.stop_run(name)
    eventually(lambda: not daemon.status()["runs"], 20, f"end of the runs: {lab.folder}")


def first_turn(lab):
    """Wait until the rotor has made more than one revolution; readings after that are used."""
    turned = lab.bench.state()["revolutions"]
    eventually(lambda: lab.bench.state()["revolutions"] > turned + 1.2, what="the first turn")


def codes(call):
    return {note["code"] for answer in call.seen if "view" in answer for note in answer["view"]["notes"]}


def test_after_an_unplugging_in_a_run_the_motor_is_stopped_and_not_started(lab, daemon):
    call = daemon.run("long")
    call.state("measuring")
    terminal = lab.bench.port.readlink()
    lab.bench.tell("unplug")
    outcome = call.until("outcome")
    assert (outcome["outcome"], outcome["motor"]) == ("interrupted", "may_still_be_turning")
    assert lab.result(call.run_id)["value"] is None
    assert lab.bench.turning
    assert daemon.standing()["motor"] == "may_still_be_turning"
    refused = daemon.ask("run", method_id="short", instrument="bench-1", sample="S-2").next()
    assert "error" in refused

    lab.bench.tell("replug")
    assert lab.bench.port.readlink() != terminal
    eventually(lambda: daemon.standing()["state"] == "ready", what="return")
    assert daemon.standing()["motor"] is None
    assert not lab.bench.turning
    eventually(lambda: lab.audited()[-1] == ("motor_stopped", "bench-1"), what="entry in the audit trail")
    with lab.reader() as reader:
        run = reader.run(call.run_id)
        assert (run.state, run.motor) == ("ended", "may_still_be_turning")
    assert daemon.run().until("outcome")["outcome"] == "complete"


def test_unplugged_while_idle_and_returned(lab, daemon):
    lab.bench.tell("unplug")
    eventually(lambda: daemon.standing()["state"] == "connecting", what="notice")
    refused = daemon.ask("run", method_id="short", instrument="bench-1", sample="S-1")
    lab.bench.tell("replug")
    assert "started" in refused.next()  # it waits a while for an instrument that is about to return
    assert refused.until("outcome")["outcome"] == "complete"


def test_another_instrument_on_the_port_is_refused_and_receives_no_command(lab, daemon):
    call = daemon.run("long")
    call.state("measuring")
    lab.bench.tell("unplug")
    call.until("outcome")
    lab.bench.tell("identity R-9999")
    lab.bench.tell("replug")
    eventually(lambda: daemon.standing()["state"] == "wrong_instrument", what="refusal")
    standing = daemon.standing()
    assert "R-9999" in standing["detail"]
    assert "R-1042" in standing["detail"]
    refused = daemon.ask("run", method_id="short", instrument="bench-1", sample="S-2").next()
    assert "error" in refused
    assert lab.bench.turning, "another instrument receives no command but the request for its identity"
    lab.bench.tell("unplug")
    lab.bench.tell("identity R-1042")
    lab.bench.tell("replug")
    eventually(lambda: daemon.standing()["state"] == "ready", what="the right one")
    assert not lab.bench.turning


def test_a_silent_instrument_is_noticed_and_the_run_interrupted(lab, daemon):
    call = daemon.run("long")
    call.state("measuring")
    lab.bench.tell("silence 40")
    view = call.until("view", lambda view: "silent" in view["faults"])
    assert view["signals"]["torque"] is None
    outcome = call.until("outcome")
    assert (outcome["outcome"], outcome["motor"]) == ("interrupted", "may_still_be_turning")
    # It received the stop while silent, and confirms it when it answers again.
    eventually(lambda: daemon.standing()["state"] == "ready" and not daemon.standing()["motor"], what="return")
    eventually(lambda: ("motor_stopped", "bench-1") in lab.audited(), what="entry in the audit trail")
    assert not lab.bench.turning


def test_silence_while_idle_leads_to_a_new_connection(lab, daemon):
    lab.bench.tell("silence 30")
    eventually(lambda: daemon.standing()["state"] in ("connecting", "identifying"), what="notice")
    eventually(lambda: daemon.standing()["state"] == "ready", what="return")


@pytest.mark.parametrize(
    ("command", "counter"), [("garbage 300", "lines"), ("checksum 8", "wrong checksum"), ("cut 8", "timeouts")]
)
def test_broken_lines_are_counted_and_become_no_values(lab, daemon, command, counter):
    call = daemon.run("medium")
    first_turn(lab)
    lab.bench.tell(command)
    outcome = call.until("outcome")
    assert outcome["outcome"] == "complete"
    with lab.reader() as reader:
        kept = reader.kept(call.run_id)
    counters = counters_of(lab, call.run_id)
    if command.startswith("checksum"):
        assert counters["rejected"][counter] == 8
    elif command.startswith("garbage"):
        assert sum(counters["rejected"].values()) + counters["too_long"] >= 1
    else:
        assert counters["timeouts"] >= 4
    torque = kept[0]["summaries"]["torque"]
    # The torque is steady at 58 %, so a wrongly decoded line would be visible.
    assert 50 < torque["minimum"] <= torque["maximum"] < 70


def counters_of(lab, run_id):
    from daq.app.setup.drivers import Drivers
    from daq.core.replay import replay

    drivers = Drivers.find()
    with lab.reader() as reader:
        raw = b"".join(block.raw for block in reader.journal(run_id))
    again = replay(raw, lambda kind, options, _state: drivers.make(kind, options))
    assert again.same, again.difference
    return again.facts.counters["bench-1"]


def test_slow_answers_are_not_taken_as_answers_to_later_requests(lab, daemon):
    call = daemon.run("medium")
    first_turn(lab)
    lab.bench.tell("slow 0.4")  # a poll waits for 0.3 s
    started = lab.bench.state()["time_s"]
    eventually(lambda: lab.bench.state()["time_s"] > started + 5, what="some slow seconds")
    lab.bench.tell("slow 0")
    outcome = call.until("outcome")
    assert outcome["motor"] == "still"
    counters = counters_of(lab, call.run_id)
    assert counters["timeouts"] >= 2
    assert counters["late"] >= 1
    assert lab.result(call.run_id)["quality"] != "Good"


def test_use_of_the_instruments_keys_is_reported(lab, daemon):
    call = daemon.run("long")
    first_turn(lab)
    lab.bench.tell("key")
    lab.bench.tell("key")
    call.until("view", lambda view: any(note["code"] == "keys_used" for note in view["notes"]))
    daemon.stop_run()
    call.until("outcome")
    result = lab.result(call.run_id)
    assert "keys_used" in json.dumps(result)
    assert result["quality"] != "Good"


def test_a_blocked_motor_gives_no_value(lab, daemon):
    call = daemon.run("long")
    first_turn(lab)
    lab.bench.tell("block on")
    outcome = call.until("outcome")
    result = lab.result(call.run_id)
    assert result["value"] is None
    assert "blocked" in json.dumps(result)
    assert outcome["motor"] == "still"


def test_the_failure_of_one_instrument_does_not_affect_another(lab, daemon):
    first, second = daemon.run("long"), daemon.run("long", instrument="bench-2")
    first.state("measuring")
    second.state("measuring")
    lab.bench.tell("garbage 5000")
    lab.bench.tell("unplug")
    assert first.until("outcome")["outcome"] == "interrupted"
    lab.bench.tell("replug")
    other = second.until("view", lambda view: view["run_s"] > 25)
    assert other["state"] == "measuring"
    assert other["faults"] == {}
    assert lab.simulators["bench-2"].turning
    daemon.stop_run("bench-2")
    assert second.until("outcome")["motor"] == "still"
    journal = lab.received(second.run_id, "bench-2")
    values = [line for line in journal.split(b"\r\n") if line.startswith(b"val")]
    # One reading every 100 ms of simulated time; a busy machine may miss some of them, but no longer interval without readings occurs.
    seconds = (lab.records(second.run_id)[-1].t - lab.records(second.run_id)[0].t) * 1e-9
    assert len(values) > 0.5 * seconds * 10


def test_a_companion_lost_in_a_run_does_not_end_it(lab, daemon):
    call = daemon.run("long")
    call.until("view", lambda view: view["signals"].get("thermo-1.temperature"))
    lab.thermo.tell("unplug")
    lost = call.until("view", lambda view: view["signals"].get("thermo-1.temperature") is None)
    assert lost["state"] == "measuring"
    assert "link_down" in codes(call)
    lab.thermo.tell("replug")
    back = call.until("view", lambda view: view["signals"].get("thermo-1.temperature") is not None)
    assert back["state"] == "measuring"
    daemon.stop_run()
    assert call.until("outcome")["outcome"] == "stopped"


def test_a_companion_in_use_and_a_wrong_name_are_reported(lab, daemon):
    call = daemon.run("long")
    call.state("measuring")
    refused = lab.daq("run", "thermometer-log", "--instrument", "thermo-1", "--sample", "T-1", "--plain")
    assert refused.returncode == 13
    assert "thermo-1 is in the run on bench-1 (sample S-1)" in refused.stderr
    wrong = lab.daq("stop", "bench-l")
    assert wrong.returncode == 2
    assert "bench-l is not served by this daemon; served: bench-1, bench-2, thermo-1" in wrong.stderr
    right = lab.daq("stop", "bench-1")
    assert (right.returncode, right.stdout.strip()) == (0, "stopping"), call.until("outcome")
    assert call.until("outcome")["outcome"] == "stopped"

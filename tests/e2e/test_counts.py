"""Counters of a daemon for its instruments, runs and database, in the file for the node's collector."""

import pytest
from prometheus_client.parser import text_string_to_metric_families

from tests.support.processes.laboratory import Daemon, eventually

pytestmark = pytest.mark.slow


def test_lines_readings_and_runs_are_counted_and_no_counter_goes_down(lab):
    file = lab.folder / "daq.prom"
    with (lab.config / "daemon.toml").open("a") as out:
        out.write(f'[metrics]\nfile = "{file}"\nevery = "1 s"\n')
    daemon = Daemon(lab)
    daemon.ready()
    before: dict[str, float] = {}

    def counters():
        """Return the counters of the bench and of the daemon, and check that none decreased since the last call."""
        families = text_string_to_metric_families(file.read_text())
        samples = [s for f in families if f.type == "counter" for s in f.samples]
        now = {s.name + "".join(s.labels.get(k, "") for k in ("outcome",)): s.value for s in samples}
        assert all(now[name] >= value for name, value in before.items())
        before.update(now)
        return now

    eventually(file.exists, what="the file")
    idle = eventually(lambda: counters() if counters()["daq_instrument_readings_total"] else None)
    assert idle["daq_runs_totalcomplete"] == 0
    call = daemon.run("medium")
    call.state("measuring")
    lab.bench.tell("checksum 3")
    run = lab.result(call.run_id) if call.until("outcome")["outcome"] == "complete" else {}
    assert run["outcome"] == "complete"
    after = eventually(lambda: counters() if counters()["daq_runs_totalcomplete"] == 1 else None)
    journal = lab.received(call.run_id)
    lines = journal.count(b"\r\n")
    assert after["daq_instrument_lines_total"] - idle["daq_instrument_lines_total"] >= lines
    assert after["daq_instrument_received_bytes_total"] - idle["daq_instrument_received_bytes_total"] >= len(journal)
    assert after["daq_instrument_rejected_lines_total"] >= 3
    assert after["daq_instrument_readings_total"] > idle["daq_instrument_readings_total"] + 10
    assert after["daq_store_commits_total"] > idle["daq_store_commits_total"]
    assert after["daq_store_commit_seconds_total"] > idle["daq_store_commit_seconds_total"]
    # After the run, the idle exchange continues to count.
    eventually(lambda: counters()["daq_instrument_readings_total"] > after["daq_instrument_readings_total"])
    assert daemon.stop() == 0

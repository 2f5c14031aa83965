"""Metrics of the daemon for monitoring: collected, served on a loopback port, and written to a file."""

import contextlib
import os
import time
from collections.abc import AsyncIterator, Iterator
from typing import Final

import structlog

import daq
from daq.adapters.store.outgoing.outbox_reading import last_sequences
from daq.app.daemon.supervisor import Supervisor
from daq.app.setup.certificates import certificates, files_of
from daq.core.errors import DaqError, StoreError
from daq.core.linkstates import LinkState
from daq.core.run import OUTCOMES
from daq.methods.files.daemon import Metrics
from daq.process.exposition import Family, render
from daq.process.metricsport import serve_metrics

log = structlog.get_logger()

STATES: Final = tuple(state.value for state in LinkState)


class Gatherer:
    """Collects the metrics of a supervisor."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor
        self._started_s = time.time()

    def text(self) -> bytes:
        """Return all metrics in the text exposition format.  Reads the database: call it in a thread."""
        return render(
            [
                *self._daemon(),
                *self._instruments(),
                *self._store(),
                *self._broker(),
                *self._sparkplug(),
                *self._certificates(),
            ]
        )

    def _daemon(self) -> Iterator[Family]:
        yield Family("daq_build_info", "gauge", "The version that runs.").add(1, version=daq.__version__)
        yield Family("daq_start_time_seconds", "gauge", "When the daemon started, since 1970.").add(self._started_s)
        yield Family("daq_runs_in_progress", "gauge", "Runs that go on now.").add(len(self._supervisor.runs))
        unfinished = Family("daq_runs_unfinished", "gauge", "Runs that ended and are not stored yet.")
        yield unfinished.add(len(self._supervisor.unfinished.runs))
        ended = Family("daq_runs_total", "counter", "Runs that ended since the start, by outcome.")
        for outcome in sorted({*OUTCOMES.values()}):
            ended.add(self._supervisor.in_progress.outcomes[outcome], outcome=outcome)
        yield ended

    def _instruments(self) -> Iterator[Family]:
        state = Family("daq_instrument_state", "gauge", "1 for the state an instrument is in, 0 for the others.")
        doubt = Family("daq_instrument_motor_doubtful", "gauge", "1 where a motor may still be turning.")
        blocks = Family("daq_instrument_received_blocks_total", "counter", "Blocks of bytes an instrument has sent.")
        for name, session in list(self._supervisor.sessions.items()):
            for known in STATES:
                state.add(session.standing.state == known, instrument=name, state=known)
            doubt.add(bool(session.standing.motor), instrument=name)
            blocks.add(session.progress, instrument=name)
        yield from (state, doubt, blocks)
        counted = {name: session.counts.total() for name, session in list(self._supervisor.sessions.items())}
        for what, name, text in (
            ("bytes", "received_bytes", "Bytes an instrument has sent."),
            ("lines", "lines", "Lines, or frames, that an instrument has sent."),
            ("readings", "readings", "Readings taken from these lines."),
            ("rejected", "rejected_lines", "Lines that were rejected: damaged, or not understood."),
            ("timeouts", "timeouts", "Requests that got no answer in time."),
        ):
            family = Family(f"daq_instrument_{name}_total", "counter", text)
            for instrument, counts in counted.items():
                family.add(counts[what], instrument=instrument)
            yield family

    def _store(self) -> Iterator[Family]:
        store = self._supervisor.store
        trouble = Family("daq_store_trouble", "gauge", "1 where the database cannot be written.")
        yield trouble.add(store.trouble is not None)
        done = Family("daq_store_transactions_total", "counter", "Transactions done or refused.")
        yield done.add(store.handled)
        yield Family("daq_store_commits_total", "counter", "Commits to the database.").add(store.commits)
        yield Family("daq_store_commit_seconds_total", "counter", "Time these commits took.").add(store.commit_s)
        size, free = (
            Family("daq_store_size_bytes", "gauge", "Size of the database, its log included."),
            Family("daq_store_free_bytes", "gauge", "Space left where the database is."),
        )
        with contextlib.suppress(OSError):
            wal = store.path.with_name(store.path.name + "-wal")
            size.add(store.path.stat().st_size + (wal.stat().st_size if wal.exists() else 0))
            disk = os.statvfs(store.path.parent)
            free.add(disk.f_bavail * disk.f_frsize)
        yield from (size, free)
        last = Family("daq_result_last_sequence", "gauge", "Number of the newest result of an instrument.")
        waiting = Family("daq_outbox_messages", "gauge", "Messages the broker has not acknowledged, by state.")
        oldest = Family("daq_outbox_oldest_age_seconds", "gauge", "Age of the oldest such message; 0: none.")
        with contextlib.suppress(StoreError), store.reader() as reader:
            for stream, number in last_sequences(reader, store.epoch).items():
                last.add(number, instrument=stream)
            depth = reader.outbox_depth()
            for known, count in (
                ("waiting", depth.waiting),
                ("refused", depth.refused),
                ("quarantined", depth.quarantined),
                ("changed", depth.changed),
            ):
                waiting.add(count, state=known)
            since = depth.oldest_utc_ns
            oldest.add(0.0 if since is None else max(0.0, (self._supervisor.clock.utc_ns() - since) / 1e9))
        yield from (last, waiting, oldest)

    def _broker(self) -> Iterator[Family]:
        publishing = self._supervisor.publishing
        if publishing is None or publishing.state is None:
            return
        state = publishing.state
        yield Family("daq_broker_connected", "gauge", "1 where the broker is connected.").add(state.connected)
        yield Family("daq_outbox_in_flight", "gauge", "Messages sent and not yet acknowledged.").add(state.in_flight)
        for name, text, value in (
            ("delivered", "Messages the broker acknowledged.", state.delivered),
            ("refusals", "Refusals by the broker, repeated ones included.", state.refusals),
            ("repeated", "Messages put into the outbox again, on request or after a loss.", state.repeated),
            ("requests", "Requests of consumers for results.", state.requests),
            ("requests_dropped", "Of these, dropped because too many waited.", state.requests_dropped),
        ):
            yield Family(f"daq_outbox_{name}_total", "counter", text).add(value)

    def _sparkplug(self) -> Iterator[Family]:
        node = self._supervisor.sparkplug
        if node is None:
            return
        status = node.standing
        alive = Family("daq_sparkplug_alive", "gauge", "1 where the Sparkplug node is born and has not died.")
        yield alive.add(status.alive)
        for name, text, value in (
            ("results", "Results the broker has had of the Sparkplug node, repeated ones included.", status.results),
            ("late", "Of these, sent as historical data.", status.late),
            ("rebirths", "Births of the Sparkplug node that were asked for.", status.rebirths),
            ("not_followed", "Messages to the Sparkplug node that asked for nothing it does.", status.not_followed),
        ):
            yield Family(f"daq_sparkplug_{name}_total", "counter", text).add(value)

    def _certificates(self) -> Iterator[Family]:
        family = Family("daq_certificate_expiry_timestamp_seconds", "gauge", "When a certificate ends, since 1970.")
        for file in files_of(self._supervisor.catalogue.daemon):
            with contextlib.suppress(DaqError, ValueError):
                family.add(min(c.ends_s for c in certificates(file)), file=file)
        yield family


@contextlib.asynccontextmanager
async def measured(supervisor: Supervisor, settings: Metrics | None) -> AsyncIterator[None]:
    """Serve and write the daemon's metrics as `settings` says, until the context ends.  None: no metrics."""
    async with serve_metrics(Gatherer(supervisor).text, settings):
        yield

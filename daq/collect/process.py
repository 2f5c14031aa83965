"""The collector as a process: settings from its file, signals, and its two tasks."""

import asyncio
import os
import random
import re
import signal
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Final

import structlog

import daq
from daq.adapters.outbox.flight import Backoff
from daq.adapters.paths import SYSTEM_FOLDER
from daq.collect.database import DatabaseAwayError, PostgresSettings
from daq.collect.housekeeping import Housekeeper
from daq.collect.settings import CollectSettings, GapSettings
from daq.collect.worker import BACKOFF_FIRST_S, BACKOFF_MOST_S, Worker
from daq.core.errors import SettingError
from daq.methods.files.collector import Collector, Postgres
from daq.methods.files.daemon import Metrics
from daq.methods.files.hosts import UNENCRYPTED, goes_openly
from daq.methods.files.load import parse
from daq.process.brokers import broker_settings, read_secret
from daq.process.exposition import Family, render
from daq.process.metricsport import serve_metrics
from daq.process.systemd import notify
from daq.textfiles.toml_file import read_toml

log = structlog.get_logger()

COLLECTOR_FILE: Final = "collector.toml"
_WORKER: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,62}")


def collector_file(given: str | None) -> Path:
    """Return the path of the collector's file.

    The search order is `given` (--config), $DAQ_CONFIG, /etc/daq, $XDG_CONFIG_HOME/daq.  The first two may name the
    file or its folder.

    Raises:
        SettingError: none of them has the file.
    """
    for asked in (given, os.environ.get("DAQ_CONFIG")):
        if asked:
            path = Path(asked).expanduser()
            path = path / COLLECTOR_FILE if path.is_dir() else path
            return path if path.name.endswith(".toml") and path.name != "daemon.toml" else path.parent / COLLECTOR_FILE
    home = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    for folder in (SYSTEM_FOLDER, home / "daq"):
        if (folder / COLLECTOR_FILE).is_file():
            return folder / COLLECTOR_FILE
    raise SettingError(
        f"there is no {COLLECTOR_FILE} in {SYSTEM_FOLDER} or {home / 'daq'}; `daq init FOLDER` writes an example, "
        "--config names it"
    )


def collect_settings(path: Path, worker: str | None) -> CollectSettings:
    """Return the settings of a worker from the collector's file.

    Raises:
        SettingError, SettingErrors: the file has one or several faults.
    """
    collector = parse(Collector, read_toml(path), str(path))
    return CollectSettings(
        group=collector.group,
        worker=_worker_name(worker),
        levels=collector.topics,
        mqtt=broker_settings(collector.broker, str(path), "broker"),
        postgres=_postgres(collector.postgres, str(path)),
        curves=collector.curves,
        readings=collector.readings,
        window=collector.window,
        session_s=round(collector.session / 1e9),
        gaps=GapSettings(
            history=collector.gaps.history,
            patience_s=collector.gaps.patience / 1e9,
            again_s=max(1.0, collector.gaps.again / 1e9),
            again_most_s=max(1.0, collector.gaps.again_most / 1e9),
            most_missing=collector.gaps.most_missing,
        ),
    )


def _worker_name(given: str | None) -> str:
    if given is None:
        return re.sub(r"[^A-Za-z0-9_.-]", "-", socket.gethostname().partition(".")[0]).strip("-.") or "worker"
    if not _WORKER.fullmatch(given):
        raise SettingError(
            f"{given!r} cannot be a worker's name: use letters, digits, - . and _, at most 63", key="--worker"
        )
    return given


def _postgres(p: Postgres, file: str) -> PostgresSettings:
    return PostgresSettings(
        host=p.host,
        port=p.port,
        database=p.database,
        user=p.user or "",
        password=read_secret(p.password, file, "postgres.password") if p.password is not None else "",
        tls=p.tls is not None,
        ca_file=(p.tls.ca or "") if p.tls else "",
        cert_file=(p.tls.certificate or "") if p.tls else "",
        key_file=(p.tls.key or "") if p.tls else "",
    )


def metrics_settings(path: Path, worker: str) -> Metrics | None:
    """Return the file's settings for metrics, or None; the name of a metrics file is extended by the worker's name."""
    found = parse(Collector, read_toml(path), str(path)).metrics
    if found is None or found.file is None:
        return found
    return found.model_copy(update={"file": found.file.removesuffix(".prom") + f"-{worker}.prom"})


async def collect(settings: CollectSettings, metrics: Metrics | None = None) -> None:
    """Collect until SIGTERM or SIGINT; then commit and acknowledge the messages in hand, and end.

    The collector waits for an absent database or broker.

    Raises:
        StoreError: the tables belong to a newer version, or another process has the worker's name.
    """
    for table, server in (("broker", settings.mqtt), ("postgres", settings.postgres)):
        if goes_openly(server.host, password=bool(server.password), tls=server.tls):
            log.warning("open password", key=f"{table}.host", reason=UNENCRYPTED.format(host=server.host, table=table))
    worker = Worker(settings)
    housekeeper = Housekeeper(settings, lambda: worker.state)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, worker.stop)
    if not await _claim(housekeeper, worker):
        return
    housekeeping = asyncio.create_task(housekeeper.run(), name="housekeeper")
    taking = asyncio.create_task(worker.run(), name="worker")
    notify("READY=1")
    try:
        async with serve_metrics(metrics_text(worker, housekeeper), metrics):
            # The housekeeper ends only by a programming error.  Then the process ends, and systemd starts it again.
            await asyncio.wait((housekeeping, taking), return_when=asyncio.FIRST_COMPLETED)
        if taking.done():
            taking.result()
        else:
            housekeeping.result()
    finally:
        notify("STOPPING=1")
        worker.stop()
        await asyncio.gather(taking, return_exceptions=True)
        housekeeping.cancel()
        await asyncio.gather(housekeeping, return_exceptions=True)


async def _claim(housekeeper: Housekeeper, worker: Worker) -> bool:
    """Wait for the database and lock the worker's name; return False where the worker is stopped before that."""
    backoff = Backoff(BACKOFF_FIRST_S, BACKOFF_MOST_S, random.Random())  # noqa: S311 - spreads reconnects
    reported = ""
    while True:
        try:
            await housekeeper.claim()
        except DatabaseAwayError as error:
            if str(error) != reported:
                reported = str(error)
                log.warning("waiting for the database", reason=reported)
            if await worker.pause(backoff.next()):
                return False
        else:
            return True


async def retire(settings: CollectSettings) -> int:
    """Store the messages that the broker keeps for a worker, then delete the worker's session and row.

    For a worker that will not start again.  Returns the number of results and flow curves stored.

    Raises:
        DaqError: the broker or the database is away; session and row are kept.
    """
    worker = Worker(settings)
    housekeeper = Housekeeper(settings, lambda: worker.state)
    await housekeeper.claim()
    try:
        await worker.retire()
        await housekeeper.forget()
    finally:
        await housekeeper.close()
    return worker.state.taken


_COUNTERS: Final = (
    ("taken", "Results, flow curves, reportable results and signatures that were written."),
    ("duplicates", "Of these those that were stored before."),
    ("conflicts", "Messages with other content under a known id."),
    ("refused", "Messages that are not events."),
    (
        "live_dropped",
        "Live messages and values dropped: too fast for the database, not storable, or under foreign topics.",
    ),
)


def metrics_text(worker: Worker, housekeeper: Housekeeper) -> Callable[[], bytes]:
    """Return a function that renders the present metrics of a worker in the exposition format."""
    return lambda: render(_families(worker, housekeeper))


def _families(worker: Worker, housekeeper: Housekeeper) -> Iterator[Family]:
    state, name = worker.state, worker.name

    def one(metric: str, kind: str, text: str, value: float) -> Family:
        return Family(f"daq_collect_{metric}", "counter" if kind == "counter" else "gauge", text).add(
            value, worker=name
        )

    yield Family("daq_build_info", "gauge", "The version that runs.").add(1, version=daq.__version__)
    yield one("connected", "gauge", "1 where the broker is connected.", state.connected)
    yield one("trouble", "gauge", "1 where results wait because broker or database are away.", bool(state.trouble))
    yield one("in_hand_messages", "gauge", "Messages taken and not yet committed.", state.in_hand)
    for metric, text in _COUNTERS:
        yield one(f"{metric}_total", "counter", text, getattr(state, metric))
    fleet = housekeeper.fleet
    yield one("watches", "gauge", "1 for the worker that watches over gaps.", fleet is not None)
    if fleet is not None:
        yield Family(
            "daq_collect_missing_results", "gauge", "Results that daemons counted and that are not stored."
        ).add(fleet.missing)
        yield Family("daq_collect_missing_age_seconds", "gauge", "How long the oldest has been missing; 0: none.").add(
            fleet.oldest_s
        )
        daemons = Family("daq_collect_daemons", "gauge", "Daemons by the state they are in.")
        for known, count in sorted(fleet.daemons.items()):
            daemons.add(count, state=known)
        yield daemons

"""The collector as a process: its file turned into settings, signals, and its two tasks."""

import asyncio
import os
import random
import re
import signal
import socket
from pathlib import Path
from typing import Final

import structlog

from daq.adapters.outbox.flight import Backoff
from daq.adapters.paths import SYSTEM_FOLDER
from daq.collect.database import DatabaseAwayError, PostgresSettings
from daq.collect.keeper import Keeper
from daq.collect.metrics import metrics_text
from daq.collect.settings import CollectSettings, GapSettings
from daq.collect.worker import BACKOFF_FIRST_S, BACKOFF_MOST_S, Worker
from daq.core.errors import SettingError
from daq.methods.files.collector import Collector, Postgres
from daq.methods.files.daemon import Metrics
from daq.methods.files.load import parse, read_toml
from daq.process.brokers import broker_settings, read_secret
from daq.process.metricsport import serve_metrics
from daq.process.systemd import notify

COLLECTOR_FILE: Final = "collector.toml"
_WORKER: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,62}")


def collector_file(given: str | None) -> Path:
    """The collector's file.

    Looked for in this order: `given` (--config), $DAQ_CONFIG, /etc/daq, $XDG_CONFIG_HOME/daq.  The first two may name
    the file or its folder.

    Raises:
        SettingError: it is not there.
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
    """What a worker is told by its file.

    Raises:
        SettingError, SettingErrors: everything that is wrong in it.
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
        ),
    )


def _worker_name(given: str | None) -> str:
    if given is None:
        return re.sub(r"[^A-Za-z0-9_.-]", "-", socket.gethostname().partition(".")[0]).strip("-.") or "worker"
    if not _WORKER.fullmatch(given):
        raise SettingError(f"{given!r} is no name of a worker: letters, digits, - . and _, at most 63", key="--worker")
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
    """Where the file wants a worker's metrics; workers beside each other write files of their own."""
    found = parse(Collector, read_toml(path), str(path)).metrics
    if found is None or found.file is None:
        return found
    return found.model_copy(update={"file": found.file.removesuffix(".prom") + f"-{worker}.prom"})


async def collect(settings: CollectSettings, metrics: Metrics | None = None) -> None:
    """Collect until SIGTERM or SIGINT; then commit and acknowledge what is in hand, and leave.

    A database or a broker that is away is waited for.

    Raises:
        StoreError: the tables belong to a newer version, or another process is this worker.
    """
    worker = Worker(settings)
    keeper = Keeper(settings, lambda: worker.state)
    loop = asyncio.get_running_loop()
    for number in (signal.SIGTERM, signal.SIGINT):
        loop.add_signal_handler(number, worker.stop)
    if not await _claim(keeper, worker):
        return
    keeping = asyncio.create_task(keeper.run(), name="keeper")
    taking = asyncio.create_task(worker.run(), name="worker")
    notify("READY=1")
    try:
        async with serve_metrics(metrics_text(worker, keeper), metrics):
            # The keeper ends only by a fault of its own; then the whole process ends and its manager starts it again.
            await asyncio.wait((keeping, taking), return_when=asyncio.FIRST_COMPLETED)
        if taking.done():
            taking.result()
        else:
            keeping.result()
    finally:
        notify("STOPPING=1")
        worker.stop()
        await asyncio.gather(taking, return_exceptions=True)
        keeping.cancel()
        await asyncio.gather(keeping, return_exceptions=True)


async def _claim(keeper: Keeper, worker: Worker) -> bool:
    """Wait for the database and take the worker's name; False where we were stopped before."""
    backoff = Backoff(BACKOFF_FIRST_S, BACKOFF_MOST_S, random.Random())  # noqa: S311 - spreads reconnects
    said = ""
    while True:
        try:
            await keeper.claim()
        except DatabaseAwayError as error:
            if str(error) != said:
                said = str(error)
                structlog.get_logger().warning("waiting for the database", reason=said)
            if await worker.pause(backoff.next()):
                return False
        else:
            return True


async def retire(settings: CollectSettings) -> int:
    """Take what the broker keeps for a worker that will not come back, and let it go; the number of results taken."""
    worker = Worker(settings)
    keeper = Keeper(settings, lambda: worker.state)
    await keeper.claim()
    try:
        await worker.retire()
        await keeper.forget()
    finally:
        await keeper.close()
    return worker.state.taken

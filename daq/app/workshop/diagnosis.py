"""Find faults of an installation, and give for each the action that removes it."""

import asyncio
import os
import re
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Final

from daq.adapters.mqtt.settings import MqttSettings, tls_context
from daq.adapters.outbox.broker_versions import BrokerVersions
from daq.adapters.paths import config_dir, database_path, holder, open_to_others, socket_path, state_dir
from daq.adapters.sparkplug.memory import read_changed
from daq.adapters.store.checks import Finding, check_database, check_disk
from daq.adapters.store.epochs import last_epoch_start
from daq.adapters.store.reading import Reader
from daq.app.daemon.daemon_client import ask
from daq.app.daemon.protocol import AskStatus, Status, StatusAnswer
from daq.app.delivery.node_standing import NodeStanding
from daq.app.delivery.publishing import Publishing
from daq.app.delivery.resending import unsent_results
from daq.app.screens.text import called
from daq.app.setup.catalogue import Catalogue, parts
from daq.app.setup.certificates import findings as certificate_findings
from daq.app.workshop.equipping import equipment_findings
from daq.app.workshop.ports import NETWORK_S, check_port, serial_devices, user_name
from daq.app.workshop.staffing import people_findings
from daq.core.errors import DaqError, SettingError, StoreError
from daq.process.brokers import broker_settings
from daq.process.stop_request import daemon_socket

EARLIEST_NS: Final = 1_735_689_600 * 10**9
"""2025-01-01: a clock that shows an earlier time was never set."""
SET_BACK_NS: Final = 60 * 10**9
"""A clock this far behind the newest entry of the database was set back."""
PUT_BACK_SHOWN_NS: Final = 7 * 86_400 * 10**9
"""Time (ns) for which a database that was put back is reported."""
TIMESYNC: Final = Path("/run/systemd/timesync")


def examine(config: str | None, state: str | None, *, now_ns: int | None = None, whole: bool = False) -> list[Finding]:
    """Return the findings of all checks that do not disturb a measurement.

    With `whole` all pages and all runs of the database are read, otherwise the newest runs.
    """
    now = time.time_ns() if now_ns is None else now_ns
    findings: list[Finding] = []
    catalogue: Catalogue | None = None
    try:
        catalogue, errors = Catalogue.read(config_dir(config))
    except SettingError as error:
        findings.append(Finding(False, "configuration", str(error), "name a configuration with --config"))
    else:
        findings += _configuration(catalogue, errors)
        findings += _drivers(catalogue)
    try:
        folder = state_dir(state, catalogue.state if catalogue is not None else None, create=False)
    except SettingError as error:
        findings.append(Finding(False, "state directory", str(error), "name a directory with --state"))
        return findings
    findings += _state(folder, now, whole=whole)
    findings += _clock(folder, now)
    findings += _continuity(folder, now)
    pid = _holder(folder)
    if pid is None and _may_read(database_path(folder)):
        findings += _unfinished(folder)
    daemon, findings_of_daemon = _daemon(folder, pid)
    findings += findings_of_daemon
    findings.append(serial_devices())
    if catalogue is not None:
        for name in catalogue.enabled:
            if name in catalogue.instruments:
                findings.append(check_port(catalogue.instruments[name], daemon=pid if daemon is not None else None))
        findings.append(_broker(catalogue))
        for key, text in catalogue.daemon.open_passwords.items():
            findings.append(Finding(False, key, text, "encrypt the connection, or put the broker on this machine"))
        findings += _broker_version(catalogue, folder)
        findings += certificate_findings(catalogue.daemon, now / 1e9)
        findings += _sparkplug(catalogue)
        findings += people_findings(catalogue, folder)
        findings += equipment_findings(catalogue, folder, now)
    return findings


def _configuration(catalogue: Catalogue, errors: list[SettingError]) -> list[Finding]:
    if not errors:
        text = f"{catalogue.folder}: {catalogue.files} files, {len(catalogue.instruments)} instruments"
        return [Finding(True, "configuration", text)]
    return [Finding(False, "configuration", str(e), "correct the file; `daq check` checks it again") for e in errors]


def _drivers(catalogue: Catalogue) -> Iterator[Finding]:
    problems = catalogue.drivers.problems()
    for reason in problems.values():
        yield Finding(False, "driver", reason, "repair or uninstall it; the other drivers work")
    if not catalogue.drivers.names:
        yield Finding(False, "drivers", "none is installed", "install daq again, with its drivers")
    elif not problems:
        yield Finding(True, "drivers", ", ".join(catalogue.drivers.names))
    for instrument in catalogue.instruments.values():
        if instrument.driver in problems:
            continue
        try:
            catalogue.make_driver(instrument)
        except SettingError as error:
            for e in parts(error):
                yield Finding(False, f"instrument {instrument.name}", str(e), "correct the file")


def _state(folder: Path, now: int, *, whole: bool) -> list[Finding]:
    name = "state directory"
    if not folder.is_dir():
        return [Finding(True, name, f"{folder} is not there yet; the first run makes it")]
    findings = []
    others, _, do = open_to_others(folder).partition("; ")
    if others:
        findings.append(Finding(False, name, others, do))
    elif not os.access(folder, os.R_OK | os.W_OK | os.X_OK):
        owner = user_name(folder.stat().st_uid)
        findings.append(Finding(False, name, f"{folder} belongs to {owner}", f"run daq as {owner}, or use --state"))
    else:
        findings.append(Finding(True, name, str(folder)))
    database = database_path(folder)
    if not _may_read(database):
        return findings  # of another login; its owner checks it
    if database.exists():
        return [
            *findings,
            *check_database(database, utc_ns=now, quick=not whole),
            *check_results_of_sparkplug(database),
        ]
    return [*findings, check_disk(database), Finding(True, "database", "there is none yet; nothing was measured")]


def check_results_of_sparkplug(database: Path) -> Iterator[Finding]:
    """Yield a finding where the Sparkplug node does not send results that were changed in the database."""
    try:
        with Reader(database) as reader:
            source, _ = reader.identity()
            found = unsent_results(reader, read_changed(database.parent, source))
    except StoreError:
        return  # the checks of the database give the reason
    if found:
        yield Finding(
            False,
            "sparkplug results",
            f"{len(found)} results were changed in the database after they were stored and are not sent, the first: "
            f"number {found[0].sequence} of {found[0].device} ({found[0].id})",
            "run `daq verify`, which names each changed field; keep a copy of the database",
        )


def _may_read(database: Path) -> bool:
    """Return False for a database of another login."""
    if not os.access(database.parent, os.X_OK):
        return False
    return os.access(database, os.R_OK) or not database.exists()


def _clock(folder: Path, now: int) -> Iterator[Finding]:
    do = "set the clock; results carry its time (timedatectl set-ntp true)"
    if now < EARLIEST_NS:
        yield Finding(False, "clock", f"it shows {_day(now)}: it was never set", do)
        return
    newest = _newest_entry(folder)
    if newest is not None and now < newest - SET_BACK_NS:
        text = f"it shows {_day(now)}, but the database has entries of {_day(newest)}: the clock was set back"
        yield Finding(False, "clock", text, do)
        return
    if TIMESYNC.is_dir() and not (TIMESYNC / "synchronized").exists():
        yield Finding(False, "clock", "it is not synchronised with any time server", do)
        return
    yield Finding(True, "clock", f"{_day(now)} UTC")


def _continuity(folder: Path, now: int) -> Iterator[Finding]:
    """Yield a finding where the database was put back in the last days."""
    if not _may_read(database_path(folder)) or not database_path(folder).exists():
        return
    try:
        with Reader(database_path(folder)) as reader:
            found = last_epoch_start(reader)
    except StoreError:
        return  # the checks of the database give the reason
    if found is None or now - found.utc_ns > PUT_BACK_SHOWN_NS:
        return
    text = f"epoch {found.epoch} began on {_day(found.utc_ns)}, because the database was put back: {found.reason}"
    if found.waiting:
        streams = ", ".join(f"{s} {w['first']} to {w['last']}" for s, w in found.waiting.items())
        text += f"; results that waited then keep their numbers ({streams}), which other results may have too"
    do = "results that were measured after the copy was made are missing here; look for them at the historian"
    yield Finding(False, "sequence numbers", text, do)


def _unfinished(folder: Path) -> Iterator[Finding]:
    """Yield the runs that a killed daemon left; only where no daemon runs, because it may be measuring."""
    if not database_path(folder).exists():
        return
    try:
        with Reader(database_path(folder)) as reader:
            left = reader.unfinished_runs()
    except StoreError:
        return  # the checks of the database give the reason
    for run in left:
        text = f"its run on {run.instrument} was not ended, and its motor may still be turning"
        yield Finding(False, f"run {run.id}", text, "look at the motor; the next start of the daemon ends the run")


def _day(utc_ns: int) -> str:
    return time.strftime("%Y-%m-%d %H:%M:%S", time.gmtime(utc_ns // 10**9))


def _newest_entry(folder: Path) -> int | None:
    if not _may_read(database_path(folder)) or not database_path(folder).exists():
        return None
    try:
        with Reader(database_path(folder)) as reader:
            newest: int | None = reader.query("SELECT max(utc_ns) AS t FROM audit")[0]["t"]
            return newest
    except StoreError:
        return None  # the checks of the database give the reason


def _holder(folder: Path) -> int | None:
    """Return the process id of the daemon that holds the directory; 0 if only its socket can be asked; None: none."""
    if not folder.is_dir():
        return None
    try:
        return (holder(folder) or 0) if daemon_socket(folder) is not None else None
    except SettingError:
        return 0  # asking it gives the reason


def _daemon(folder: Path, pid: int | None) -> tuple[Status | None, list[Finding]]:
    """Return the status of the running daemon, and the findings in it."""
    if pid is None:
        return None, [Finding(True, "daemon", "none runs with this state directory")]
    who = f"process {pid}" if pid else "the daemon of another login"
    try:
        status = ask(socket_path(folder), AskStatus(), StatusAnswer, timeout_s=NETWORK_S).status
    except SettingError as error:
        return None, [Finding(False, "daemon", str(error), "use the login or the group of the daemon")]
    except DaqError as error:
        do = f"see its log; restart it if it does not answer again ({who})"
        return None, [Finding(False, "daemon", f"{who} holds the state directory and does not answer: {error}", do)]
    return status, _of_status(status, who)


def _of_status(status: Status, who: str) -> list[Finding]:
    """Return the findings in the status of a running daemon; `who` names its process."""
    findings = [Finding(True, "daemon", f"{who} serves {', '.join(status.instruments) or 'no instrument'}")]
    for name, standing in status.instruments.items():
        if standing.motor:
            do = "check it; if it turns, stop it at the instrument itself; keep your hands away"
            findings.append(Finding(False, f"instrument {name}", f"the motor {called(standing.motor)}", do))
        # A connected instrument has a detail only if its torque does not return to zero.
        if standing.state not in ("ready", "in_run") or standing.detail:
            text = f"{called(standing.state)}: {standing.detail}".rstrip(": ")
            findings.append(Finding(False, f"instrument {name}", text, "check cable, power and port"))
        if standing.fitted:
            findings.append(Finding(True, f"fitted to {name}", standing.fitted))
    for text in status.configuration:
        do = "correct the file, then `daq reload`; until then no run that needs the file starts"
        findings.append(Finding(False, "configuration of the daemon", text, do))
    if status.store:
        findings.append(Finding(False, "store", status.store, "no new run can start until this is repaired"))
    if status.evidence.findings:
        first, more = status.evidence.findings[0], len(status.evidence.findings) - 1
        text = first + (f" (and {more} more)" if more else "")
        findings.append(Finding(False, "stored data", text, "run `daq verify`, which lists all"))
    for run, unfinished in status.unfinished.items():
        text = f"its run on {unfinished.instrument} has ended and is not stored yet: {unfinished.reason}"
        do = "it is tried again by itself; free disk space, or see the daemon's log"
        findings.append(Finding(False, f"run {run}", text, do))
    for task, reason in status.ended_tasks.items():
        do = "see the daemon's log, and restart it when no run is in progress"
        findings.append(Finding(False, f"task {task}", f"it has ended: {reason}", do))
    broker = status.broker
    if broker is not None and not broker.connected:
        text = f"the daemon is not connected: {broker.trouble or 'still trying'}"
        findings.append(Finding(False, "publishing", text, "results wait in the outbox; see the broker's line below"))
    for source in () if broker is None else broker.others:
        text = f"another daemon ({source}) publishes under the topic prefix of this bench"
        do = "give each bench a prefix of its own ([topic] in daemon.toml); until then their states replace each other"
        findings.append(Finding(False, "topic prefix", text, do))
    findings += _sparkplug_of(status.sparkplug)
    return findings


def _sparkplug_of(standing: NodeStanding | None) -> Iterator[Finding]:
    if standing is None:
        return
    if standing.trouble or not standing.alive:
        text = f"the node is {standing.state}" + (f": {standing.trouble}" if standing.trouble else "")
        do = "results are sent as historical data once it is alive again; the JSON messages do not depend on it"
        yield Finding(False, "sparkplug", text, do)
    else:
        devices = ", ".join(standing.devices) or "none"
        yield Finding(True, "sparkplug", f"the node is alive; devices: {devices}; {standing.results} results sent")


def _sparkplug(catalogue: Catalogue) -> Iterator[Finding]:
    if catalogue.daemon.sparkplug is None:
        return
    # It brings the parts of the daemon that measure, and most benches have no edge node.
    from daq.app.delivery.sparkplug import Sparkplug

    try:
        node = Sparkplug.from_settings(catalogue.daemon)
        if node is None:
            return
        if catalogue.daemon.sparkplug.broker is not None:
            asyncio.run(_log_in(node.settings))
    except DaqError as error:
        yield Finding(False, "sparkplug broker", str(error), "results wait in the database; nothing is lost")
        return
    text = f"node {node.names.node} of group {node.names.group} at {node.settings.place}"
    yield Finding(True, "sparkplug broker", text)


def _broker(catalogue: Catalogue) -> Finding:
    try:
        publishing = Publishing.from_settings(catalogue.daemon)
    except DaqError as error:
        return Finding(False, "broker", str(error), "results wait in the outbox until this is repaired")
    if publishing is None:
        return Finding(True, "broker", "none is configured; results stay in the database")
    settings = publishing.settings
    try:
        asyncio.run(_log_in(settings))
    except DaqError as error:
        return Finding(False, "broker", str(error), "results wait in the outbox; nothing is lost")
    return Finding(True, "broker", f"{settings.place} accepts the connection")


def _broker_version(catalogue: Catalogue, folder: Path) -> Iterator[Finding]:
    """Yield a finding where the daemon fell back to MQTT 3.1.1 with the configured broker."""
    mqtt = catalogue.daemon.mqtt
    if mqtt is None or mqtt.version != "auto":
        return
    try:
        place = broker_settings(mqtt, catalogue.daemon.source).place
    except DaqError:
        return  # the check of the broker gives the reason
    fallback = BrokerVersions(folder).fallback(place)
    if fallback is not None:
        do = "use a broker with MQTT 5, or accept this with version = '3.1.1' in [mqtt] of daemon.toml"
        yield Finding(False, "broker version", f"{place}: {fallback}", do)


def _without_number(text: str) -> str:
    """Return an error's text without the number that the operating system gives it."""
    return re.sub(r"\[Errno -?\d+\] ", "", text)


async def _log_in(settings: MqttSettings) -> None:
    """Connect as the daemon does, with another client id and without a will, and disconnect."""
    import aiomqtt

    client = aiomqtt.Client(
        settings.host,
        settings.real_port,
        identifier=f"daq-doctor-{os.getpid()}",
        username=settings.user or None,
        password=settings.password or None,
        protocol=aiomqtt.ProtocolVersion.V311,
        timeout=NETWORK_S,
        tls_context=tls_context(settings),
    )
    try:
        async with client:
            pass
    except aiomqtt.MqttError as error:
        raise DaqError(
            f"{settings.place}: {_without_number(str(error))}; check that the broker runs, host, port, TLS, user and "
            "password"
        ) from error

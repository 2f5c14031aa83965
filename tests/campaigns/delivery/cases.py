"""Cases of the delivery campaign: one function for each kind of failure."""

import os
import signal
import subprocess
import time
from collections.abc import Callable
from pathlib import Path

from tests.campaigns.delivery.bench import DeliveryCase, Outcome

NEVER_SAVED = "persistence false"
SAVED_ON_DEMAND = "persistence true\npersistence_location {folder}/\nautosave_interval 0\nmax_queued_messages 0"
"""The broker keeps any number of messages for an absent consumer; its default limit is 1,000."""

ALLOWED = "user historian\ntopic readwrite #\n\nuser daq\ntopic readwrite #\n"
DENIED = "user historian\ntopic readwrite #\n\nuser daq\ntopic write +/+/lab/v1/status\ntopic read #\n"


def killed(folder: Path, results: int, seed: int, kills: int) -> Outcome:
    """The publisher's process is killed `kills` times at random moments."""
    with DeliveryCase(folder, results, seed) as bench:
        bench.consumer.join()
        moments = sorted(bench.rng.uniform(0.02, 0.98) for _ in range(kills))
        for moment in moments:
            bench.start()
            bench.until_committed(moment)
            time.sleep(bench.rng.uniform(0.0, 0.2))
            bench.kill_daemon()
        bench.start()
        return bench.finish(f"publisher killed {bench.kills} times (kill -9)")


def broker_stopped(folder: Path, results: int, seed: int) -> Outcome:
    """The broker is shut down cleanly, twice, and comes back."""
    with DeliveryCase(folder, results, seed) as bench:
        bench.consumer.join()
        bench.start()
        for share in (0.3, 0.7):
            bench.until_committed(share)
            bench.broker.stop()
            time.sleep(0.5)
            bench.broker.start()
        return bench.finish("broker stopped twice")


def broker_killed(folder: Path, results: int, seed: int) -> Outcome:
    """The broker is killed three times and loses all messages and sessions."""
    with DeliveryCase(folder, results, seed, broker=NEVER_SAVED) as bench:
        bench.consumer.join()
        bench.start()
        for share in (0.2, 0.5, 0.8):
            bench.until_committed(share)
            bench.broker.kill()
            time.sleep(0.3)
            bench.broker.start()
        return bench.finish("broker killed 3 times (kill -9), no database")


def broker_frozen(folder: Path, results: int, seed: int) -> Outcome:
    """The broker's process is stopped (SIGSTOP) twice, for longer than the daemon waits."""
    with DeliveryCase(folder, results, seed) as bench:
        bench.consumer.join()
        bench.start()
        for share in (0.3, 0.7):
            bench.until_committed(share)
            assert bench.broker.process is not None
            bench.broker.process.send_signal(signal.SIGSTOP)
            time.sleep(4.0)
            bench.broker.process.send_signal(signal.SIGCONT)
        return bench.finish("broker frozen twice (SIGSTOP, 4 s)")


def access_denied(folder: Path, results: int, seed: int) -> Outcome:
    """The access rules forbid results for a while."""
    with DeliveryCase(folder, results, seed) as bench:
        bench.broker.stop()
        bench.broker.acl = ALLOWED
        bench.broker.start()
        bench.consumer.join()
        bench.start()
        bench.until_committed(0.3)
        rules = bench.broker.folder / "acl"
        for text, share in ((DENIED, 0.7), (ALLOWED, 1.0)):
            rules.write_text(text)
            assert bench.broker.process is not None
            bench.broker.process.send_signal(signal.SIGHUP)
            bench.until_committed(share)
        return bench.finish("access rules deny for a while")


def disk_full(folder: Path, results: int, seed: int) -> Outcome:
    """The disk of the database is full for three seconds; it is a small tmpfs where the process may mount one."""
    disk = folder / "disk"
    disk.mkdir(parents=True)
    on_tmpfs = os.geteuid() == 0 and (
        subprocess.run(["mount", "-t", "tmpfs", "-o", "size=256m", "tmpfs", str(disk)], check=False).returncode == 0
    )
    try:
        with DeliveryCase(folder, results, seed, state=disk) as bench:
            bench.consumer.join()
            bench.start()
            bench.until_committed(0.4)
            ballast = disk / "ballast"
            if on_tmpfs:
                fill_up(ballast)
            else:
                bench.signal_daemon(signal.SIGUSR1)
            time.sleep(3.0)
            full = "the store:" in (folder / "daemon.log").read_text("utf-8", "replace")
            assert full, "the disk was not full at all"
            if on_tmpfs:
                ballast.unlink()
            else:
                bench.signal_daemon(signal.SIGUSR2)
            how = "file system" if on_tmpfs else "file size limit"
            return bench.finish(f"disk full for 3 s ({how})")
    finally:
        if on_tmpfs:
            subprocess.run(["umount", str(disk)], check=True)


def fill_up(ballast: Path) -> None:
    with ballast.open("wb", buffering=0) as file:
        try:
            while file.write(bytes(1 << 20)):
                pass
        except OSError:
            pass


def network_cut(folder: Path, results: int, seed: int) -> Outcome:
    """The network between daemon and broker is cut three times, and loses all bytes once while connections stay open."""
    with DeliveryCase(folder, results, seed) as bench:
        bench.consumer.join()
        bench.start()
        for share, trouble in ((0.2, "cut"), (0.4, "swallow"), (0.6, "cut"), (0.8, "cut")):
            bench.until_committed(share)
            bench.proxy.cut() if trouble == "cut" else bench.proxy.swallow()
            time.sleep(3.0 if trouble == "swallow" else bench.rng.uniform(0.1, 0.5))
            bench.proxy.mend()
        return bench.finish("network cut 3 times, silent once")


def broker_lost(folder: Path, results: int, seed: int, *, by_request: bool) -> Outcome:
    """A broker without database acknowledges half of the results for an absent consumer, and is killed.

    If the consumer returns before the daemon, the daemon's repeated messages are enough; otherwise the consumer requests
    the missing results (`by_request`).
    """
    with DeliveryCase(folder, results, seed, broker=NEVER_SAVED) as bench:
        bench.consumer.join()
        bench.consumer.leave()
        bench.start()
        bench.until_committed(0.5)
        bench.until(lambda: acknowledged(bench) > 0.4 * results, "acknowledgements")
        bench.broker.kill()
        if by_request:
            bench.broker.start()
            bench.until(bench.delivered, "delivery without a consumer")
            bench.consumer.join()
            return bench.finish("broker lost what it acknowledged; asked for")
        bench.proxy.cut()
        bench.broker.start()
        bench.consumer.join()
        bench.proxy.mend()
        return bench.finish("broker lost what it acknowledged; daemon alone")


def broker_fell_back(folder: Path, results: int, seed: int) -> Outcome:
    """The broker saves its database once, acknowledges more for an absent consumer, and is killed."""
    with DeliveryCase(folder, results, seed, broker=SAVED_ON_DEMAND.format(folder=folder / "broker")) as bench:
        bench.consumer.join()
        bench.consumer.leave()
        bench.start()
        bench.until_committed(0.3)
        assert bench.broker.process is not None
        bench.broker.process.send_signal(signal.SIGUSR1)  # Mosquitto's signal to save
        bench.until_committed(0.6)
        bench.until(lambda: acknowledged(bench) > 0.5 * results, "acknowledgements")
        bench.broker.kill()
        bench.broker.start()
        bench.until(bench.delivered, "delivery")
        bench.consumer.join()
        return bench.finish("broker fell back to an old database; daemon alone")


def acknowledged(bench: DeliveryCase) -> int:
    from daq.adapters.store.reading import Reader

    with Reader(bench.path) as reader:
        (row,) = reader.query(
            "SELECT count(*) AS n FROM outbox JOIN delivery USING (seq) WHERE state = 'acknowledged' AND NOT retain"
        )
    return int(row["n"])


def all_cases(results: int, kills: int, seed: int) -> dict[str, Callable[[Path], Outcome]]:
    """Return every case by name."""
    return {
        "killed": lambda f: killed(f, results, seed, kills),
        "stopped": lambda f: broker_stopped(f, results, seed),
        "broker-killed": lambda f: broker_killed(f, results, seed),
        "frozen": lambda f: broker_frozen(f, results, seed),
        "denied": lambda f: access_denied(f, results, seed),
        "full": lambda f: disk_full(f, results, seed),
        "cut": lambda f: network_cut(f, results, seed),
        "lost": lambda f: broker_lost(f, results, seed, by_request=False),
        "lost-asked": lambda f: broker_lost(f, results, seed, by_request=True),
        "fell-back": lambda f: broker_fell_back(f, results, seed),
    }

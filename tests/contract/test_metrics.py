"""Metrics of a real daemon from its port and its file, read by an independent parser."""

import asyncio
import json
import os
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from datetime import UTC, datetime, timedelta

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from prometheus_client.parser import text_string_to_metric_families

from daq.app.setup.certificates import certificates, findings
from daq.core.errors import SettingErrors
from daq.methods.files.daemon import Daemon
from daq.methods.files.load import parse
from daq.process.exposition import Family, render
from daq.process.metricsport import LONGEST_REQUEST, MetricsPort
from tests.support.processes.mosquitto import PASSWORD, Mosquitto, needs_mosquitto


def parsed(text: bytes) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    """Return the samples as Prometheus' Python library reads them."""
    return {
        (sample.name, tuple(sorted(sample.labels.items()))): sample.value
        for family in text_string_to_metric_families(text.decode())
        for sample in family.samples
    }


def test_an_independent_parser_reads_the_written_samples():
    odd = 'a "quoted"\\name\nin two lines'
    text = render([
        Family("daq_things", "gauge", "Back\\slash and\nnew line.").add(1.5, name=odd).add(-0.25, name="µ"),
        Family("daq_done_total", "counter", "Done.").add(3),
        Family("daq_none", "gauge", "Without samples it is left out."),
    ])  # fmt: skip
    families = {f.name: f for f in text_string_to_metric_families(text.decode())}
    assert set(families) == {"daq_things", "daq_done"}
    assert families["daq_things"].documentation == "Back\\slash and\nnew line."
    assert [(s.labels, s.value) for s in families["daq_things"].samples] == [
        ({"name": odd}, 1.5),
        ({"name": "µ"}, -0.25),
    ]
    assert families["daq_done"].type == "counter"
    assert b"daq_done_total 3\n" in text


@pytest.mark.parametrize(
    ("table", "key", "words"),
    [
        ({"listen": "0.0.0.0:9464"}, "metrics.listen", "not a loopback address"),
        ({"listen": "192.0.2.1:9464"}, "metrics.listen", "not a loopback address"),
        ({"listen": "127.0.0.1"}, "metrics.listen", "not a loopback address"),
        ({"listen": "127.0.0.1:0"}, "metrics.listen", "not a loopback address"),
        ({"listen": "localhost:http"}, "metrics.listen", "not a loopback address"),
        ({"file": "daq.txt"}, "metrics.file", "must end in .prom"),
        ({"file": "daq.prom", "every": "10 ms"}, "metrics.every", "at least '1 s'"),
    ],
)
def test_wrong_settings_are_named(table, key, words):
    with pytest.raises(SettingErrors) as caught:
        parse(Daemon, {"metrics": table}, "daemon.toml")
    (error,) = caught.value.errors
    assert (error.key, words in error.reason) == (key, True)


@pytest.mark.parametrize("listen", ["127.0.0.1:9464", "[::1]:9464"])
def test_loopback_addresses_are_taken(listen):
    assert parse(Daemon, {"metrics": {"listen": listen}}).metrics.address[1] == 9464


def ask(port: int, path: str = "/metrics", method: str = "GET") -> tuple[int, bytes]:
    request = urllib.request.Request(f"http://127.0.0.1:{port}{path}", method=method)
    try:
        with urllib.request.urlopen(request, timeout=20) as answer:  # noqa: S310 - our own loopback port
            return answer.status, answer.read()
    except urllib.error.HTTPError as error:
        return error.code, error.read()


@pytest.mark.asyncio
async def test_the_port_answers_only_requests_for_metrics():
    port = MetricsPort(lambda: b"daq_x 1\n")
    number = await port.start("127.0.0.1", 0)
    assert await asyncio.to_thread(ask, number) == (200, b"daq_x 1\n")
    assert (await asyncio.to_thread(ask, number, "/"))[0] == 404
    assert (await asyncio.to_thread(ask, number, "/metrics", "POST"))[0] == 405
    assert await asyncio.to_thread(ask, number, "/metrics", "HEAD") == (200, b"")
    reader, writer = await asyncio.open_connection("127.0.0.1", number)
    writer.write(b"GET /" + b"x" * 2 * LONGEST_REQUEST)
    assert await reader.read() == b""  # the connection is closed without an answer
    writer.close()
    assert (await asyncio.to_thread(ask, number))[0] == 200
    await port.stop()


@pytest.mark.slow
@needs_mosquitto
def test_a_daemon_reports_its_state_on_its_port_and_in_its_file(tmp_path, unused_tcp_port):
    folder = tmp_path / "broker"
    folder.mkdir()
    broker = Mosquitto(folder).start()
    config = tmp_path / "config"
    (config / "instruments").mkdir(parents=True)
    file = tmp_path / "daq.prom"
    (config / "daemon.toml").write_text(
        f'[mqtt]\nhost = "127.0.0.1"\nport = {broker.port}\nuser = "daq"\npassword = {{ env = "BROKER_PASSWORD" }}\n'
        f'[metrics]\nlisten = "127.0.0.1:{unused_tcp_port}"\nfile = {json.dumps(str(file))}\nevery = "1 s"\n'
    )
    (config / "instruments" / "bench-1.toml").write_text(
        'name = "bench-1"\ndriver = "rotational"\nport = "/dev/none-such"\n'
    )
    daemon = subprocess.Popen(
        [sys.executable, "-m", "daq", "--config", config, "--state", tmp_path / "state", "serve"],
        stderr=subprocess.DEVNULL,
        env=os.environ | {"BROKER_PASSWORD": PASSWORD},
    )
    try:
        deadline = time.monotonic() + 60
        found = {}
        while found.get(("daq_broker_connected", ())) != 1.0:
            assert time.monotonic() < deadline, found
            assert daemon.poll() is None
            time.sleep(0.1)
            try:
                status, text = ask(unused_tcp_port)
            except OSError:
                continue
            assert status == 200
            found = parsed(text)
        assert found["daq_instrument_state", (("instrument", "bench-1"), ("state", "connecting"))] == 1.0
        assert found["daq_instrument_state", (("instrument", "bench-1"), ("state", "ready"))] == 0.0
        assert found["daq_outbox_messages", (("state", "waiting"),)] == 0.0
        assert found["daq_store_trouble", ()] == 0.0
        assert found["daq_store_size_bytes", ()] > 0
        assert abs(found["daq_start_time_seconds", ()] - time.time()) < 600
        while not file.exists():
            assert time.monotonic() < deadline
            time.sleep(0.1)
        written = parsed(file.read_bytes())
        assert set(written) == set(found)
        assert [p.name for p in tmp_path.glob(".daq*")] in ([], [".daq.prom.new"])
    finally:
        daemon.send_signal(signal.SIGTERM)
        assert daemon.wait(30) == 0
        broker.stop()


@pytest.fixture
def unused_tcp_port():
    import socket

    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


NOW = datetime(2026, 11, 26, 12, tzinfo=UTC)


def certificate(path, days, name="bench 1"):
    """Write a self-signed certificate that expires `days` after `NOW`, made with an independent library."""
    key = ec.generate_private_key(ec.SECP256R1())
    who = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, name)])
    made = (
        x509.CertificateBuilder()
        .subject_name(who)
        .issuer_name(who)
        .public_key(key.public_key())
        .serial_number(1)
        .not_valid_before(NOW - timedelta(days=400))
        .not_valid_after(NOW + timedelta(days=days))
        .sign(key, hashes.SHA256())
    )
    path.write_bytes(made.public_bytes(serialization.Encoding.PEM))
    return path


@pytest.mark.parametrize(
    ("days", "ok", "words"),
    [
        (365, True, "is valid until 2027-11-26"),
        (31, True, "is valid until 2026-12-27"),
        (29, False, "is valid until 2026-12-25, 29 more days"),
        (-1, False, "ended on 2026-11-25"),
    ],
)
def test_a_certificate_that_expires_soon_is_reported(tmp_path, days, ok, words):
    own = certificate(tmp_path / "own.pem", days)
    other = certificate(tmp_path / "ca.pem", 3650, "glaze works CA")
    daemon = Daemon.model_validate(
        {"mqtt": {"host": "broker", "tls": {"ca": str(other), "certificate": str(own), "key": str(tmp_path / "k")}}}
    )
    first, second = findings(daemon, NOW.timestamp())
    assert (first.ok, words in first.say, "CN=bench 1" in first.say) == (ok, True, True)
    assert second.ok


def test_every_certificate_of_a_file_is_checked_and_a_wrong_file_is_named(tmp_path):
    both = tmp_path / "both.pem"
    both.write_bytes(b"".join(certificate(tmp_path / f"{n}.pem", n).read_bytes() for n in (10, 20)))
    assert [round(c.days_left(NOW.timestamp())) for c in certificates(str(both))] == [10, 20]
    both.write_text("no certificate")
    daemon = Daemon.model_validate({"mqtt": {"host": "broker", "tls": {"ca": str(both)}}})
    (found,) = findings(daemon, NOW.timestamp())
    assert (found.ok, "cannot be read" in found.say) == (False, True)

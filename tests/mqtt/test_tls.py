"""TLS to a real broker, with certificates made for the test."""

import contextlib
import ssl
import subprocess
import time

import pytest

from daq.adapters.mqtt.settings import MqttSettings, tls_context
from daq.core.errors import SettingError
from tests.support.processes.mosquitto import (
    Mosquitto,
    eventually,
    fill,
    free_port,
    make_certificates,
    needs_mosquitto,
    needs_openssl,
    publishing,
)

pytestmark = [needs_mosquitto, needs_openssl]


@pytest.fixture
def certificates(tmp_path):
    return make_certificates(tmp_path / "tls")


@pytest.fixture
def secure(tmp_path, certificates):
    folder = tmp_path / "broker"
    folder.mkdir()
    files = f"cafile {certificates}/ca.pem\ncertfile {certificates}/server.pem\nkeyfile {certificates}/server.key\n"
    broker = Mosquitto(folder, extra=files + "require_certificate true").start()
    yield broker
    broker.stop()


@pytest.mark.asyncio
async def test_results_arrive_over_tls_with_a_client_certificate(store, secure, certificates):
    fill(store, ["a", "b"])
    own = {"cert_file": str(certificates / "client.pem"), "key_file": str(certificates / "client.key")}
    settings = secure.settings(tls=True, ca_file=str(certificates / "ca.pem"), **own)
    async with publishing(store, settings) as publisher:
        await eventually(lambda: publisher.state.delivered == 2)


@pytest.mark.asyncio
async def test_a_broker_we_cannot_trust_gets_nothing(store, secure):
    fill(store, ["a"])
    async with publishing(store, secure.settings(tls=True)) as publisher:
        await eventually(lambda: "certificate verify failed" in publisher.state.trouble)
        assert publisher.state.delivered == 0


@contextlib.contextmanager
def tls_server(certificates, version):
    """A server with one version of TLS only, any age; it does not answer MQTT."""
    port = free_port()
    words = ("-accept", f"127.0.0.1:{port}", "-cert", "server.pem", "-key", "server.key", "-quiet")
    lax = ("-cipher", "DEFAULT@SECLEVEL=0")
    server = subprocess.Popen(
        ["openssl", "s_server", version, *lax, *words], cwd=certificates, stdin=subprocess.PIPE,
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    asked = ["openssl", "s_client", version, *lax, "-connect", f"127.0.0.1:{port}", "-CAfile", "ca.pem"]
    try:
        # It runs, and a client that still accepts that version can connect.
        end = time.monotonic() + 20
        while True:
            done = subprocess.run(asked, cwd=certificates, stdin=subprocess.DEVNULL, capture_output=True, timeout=20)
            if b"Verify return code: 0" in done.stdout:
                break
            assert time.monotonic() < end, "the server was never reached"
            time.sleep(0.1)
        yield port
    finally:
        server.kill()
        server.communicate()


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize(
    ("version", "trouble"),
    [
        ("-tls1_1", "version"),
        # The control: the same server with the oldest accepted version gets CONNECT, which it cannot answer.
        ("-tls1_2", "does not answer CONNECT"),
    ],
)
async def test_a_broker_with_only_older_tls_gets_nothing(store, certificates, version, trouble):
    fill(store, ["a"])
    with tls_server(certificates, version) as port:
        settings = MqttSettings(
            host="127.0.0.1", port=port, tls=True, ca_file=str(certificates / "ca.pem"), protocol="5", timeout_s=2.0
        )
        async with publishing(store, settings) as publisher:
            await eventually(lambda: trouble in publisher.state.trouble)
            assert publisher.state.delivered == 0


def test_wrong_files_are_named_with_their_key(certificates, broker):
    def key_and_text(**changes):
        with pytest.raises(SettingError) as caught:
            tls_context(broker.settings(tls=True, **changes))
        return caught.value.key, str(caught.value)

    assert key_and_text(ca_file="/nowhere/ca.pem")[0] == "mqtt.ca_file"
    assert "no certificates in PEM form" in key_and_text(ca_file=str(certificates / "ca.key"))[1]
    mixed = {"cert_file": str(certificates / "client.pem"), "key_file": str(certificates / "server.key")}
    assert key_and_text(**mixed)[0] == "mqtt.cert_file"
    assert tls_context(broker.settings()) is None
    assert tls_context(broker.settings(tls=True)).minimum_version is ssl.TLSVersion.TLSv1_2

"""TLS to a real broker, with certificates made for the test."""

import os
import shutil
import subprocess

import pytest

from daq.adapters.mqtt import tls_context
from daq.core.errors import SettingError
from tests.mqtt.parts import Mosquitto, eventually, fill, needs_mosquitto, publishing

pytestmark = [
    needs_mosquitto,
    pytest.mark.skipif(
        shutil.which("openssl") is None and not os.environ.get("CI"), reason="no openssl to make certificates"
    ),
]


@pytest.fixture
def certificates(tmp_path):
    """A certificate authority, and a server and a client certificate from it."""
    folder = tmp_path / "tls"
    folder.mkdir()

    def openssl(*words):
        subprocess.run(["openssl", *words], cwd=folder, check=True, capture_output=True)

    curve = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    openssl(
        "req", "-x509", *curve, "-keyout", "ca.key", "-out", "ca.pem", "-days", "2", "-subj", "/CN=glaze works test CA"
    )
    for name in ("server", "client"):
        (folder / f"{name}.ext").write_text("subjectAltName=DNS:localhost,IP:127.0.0.1\n")
        openssl("req", *curve, "-keyout", f"{name}.key", "-out", f"{name}.csr", "-subj", f"/CN={name}")
        openssl(
            "x509", "-req", "-in", f"{name}.csr", "-CA", "ca.pem", "-CAkey", "ca.key", "-CAcreateserial",
            "-out", f"{name}.pem", "-days", "2", "-extfile", f"{name}.ext",
        )  # fmt: skip
    return folder


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

"""TLS to a real PostgreSQL server, with certificates made for the test."""

from dataclasses import replace

import pytest

from daq.collect.database import DatabaseAwayError, open_database
from daq.collect.process import collect_settings
from tests.support import sentences
from tests.support.processes.mosquitto import make_certificates, needs_openssl
from tests.support.processes.postgres import Server, needs_postgres

pytestmark = [needs_postgres, needs_openssl, pytest.mark.asyncio]


@pytest.fixture(scope="module")
def certificates(tmp_path_factory):
    return make_certificates(tmp_path_factory.mktemp("tls") / "of the server")


@pytest.fixture(scope="module")
def strict(certificates):
    running = Server(certificates=certificates).start()
    yield running
    running.remove()


@pytest.fixture
def settings(strict, certificates):
    return replace(
        strict.settings("postgres"), tls=True, ca_file=str(certificates / "ca.pem"),
        cert_file=str(certificates / "client.pem"), key_file=str(certificates / "client.key"),
    )  # fmt: skip


@pytest.mark.slow
async def test_the_connection_is_encrypted_and_both_sides_show_a_certificate(settings):
    async with await open_database(settings, "test") as db:
        asked = "SELECT ssl, version, client_dn FROM pg_stat_ssl WHERE pid = pg_backend_pid()"
        (encrypted, version, name) = await (await db.execute(asked)).fetchone()
        assert (encrypted, name) == (True, "/CN=client")
        assert version in ("TLSv1.2", "TLSv1.3")


async def test_the_files_named_in_the_collectors_file_are_those_of_the_connection(settings, tmp_path):
    file = tmp_path / "collector.toml"
    file.write_text(
        f'topics = ["glaze-works/+/+"]\n[broker]\nhost = "127.0.0.1"\n'
        f'[postgres]\nhost = "{settings.host}"\nport = {settings.port}\n'
        f'database = "{settings.database}"\nuser = "{settings.user}"\n'
        f'[postgres.tls]\nca = "{settings.ca_file}"\n'
        f'certificate = "{settings.cert_file}"\nkey = "{settings.key_file}"\n'
    )
    read = collect_settings(file, "a").postgres
    assert read == settings
    async with await open_database(read, "test") as db:
        asked = "SELECT ssl, client_dn FROM pg_stat_ssl WHERE pid = pg_backend_pid()"
        assert await (await db.execute(asked)).fetchone() == (True, "/CN=client")


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"tls": False, "ca_file": "", "cert_file": "", "key_file": ""}, sentences.CLIENT_CERTIFICATE_NEEDED),
        ({"cert_file": "", "key_file": ""}, sentences.CLIENT_CERTIFICATE_NEEDED),
        ({"host": "127.0.0.2"}, "does not match host name"),
    ],
    ids=["without TLS", "without a certificate of ours", "under another name"],
)
async def test_where_one_side_cannot_be_trusted_there_is_no_connection(settings, changes, message):
    with pytest.raises(DatabaseAwayError, match=message):
        await open_database(replace(settings, **changes), "test")


async def test_a_server_without_a_trusted_certificate_gets_no_password(settings, tmp_path):
    other = make_certificates(tmp_path / "stranger")
    with pytest.raises(DatabaseAwayError, match="certificate verify failed"):
        await open_database(replace(settings, ca_file=str(other / "ca.pem")), "test")

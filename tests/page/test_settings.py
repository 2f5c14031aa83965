"""The settings of the page: loopback unless the page has TLS and knows its visitors; a key of its own."""

import shutil

import pytest

from daq.adapters.paths import examples_dir
from daq.core.errors import SettingError
from daq.methods.files.daemon import Daemon
from daq.methods.files.load import parse
from daq.page.settings import KEY_FILE, PageSettings, signing_key

LOOPBACK = ("127.0.0.1:8042", "[::1]:8042", "127.0.0.1:0", "127.9.9.9:80")
REACHED = (
    "0.0.0.0:8042",
    "[::]:8042",
    "192.0.2.1:8042",
    "[2001:db8::1]:8042",
    "10.0.0.1:443",
    "[::ffff:192.0.2.1]:8042",
)
WRONG = (
    "localhost:8042",
    "127.0.0.1",
    "",
    "127.0.0.1:",
    "127.0.0.1:65536",
    "127.0.0.1:-1",
    "8042",
    ":8042",
    "evil.example:8042",
)
TLS = {"certificate": "page.pem", "key": "page.key"}


def daemon(listen, *, tls, people):
    page = {"listen": listen} | (TLS if tls else {})
    return parse(Daemon, {"page": page, "people": {"required": people}})


@pytest.mark.parametrize("listen", LOOPBACK)
def test_loopback_needs_neither_certificate_nor_people(listen):
    for tls in (False, True):
        for people in (False, True):
            assert daemon(listen, tls=tls, people=people).page.is_loopback


@pytest.mark.parametrize("listen", REACHED)
def test_another_address_needs_both(listen):
    assert not daemon(listen, tls=True, people=True).page.is_loopback
    for tls, people in ((False, False), (False, True), (True, False)):
        with pytest.raises(SettingError, match="can be reached from other machines") as caught:
            daemon(listen, tls=tls, people=people)
        assert caught.value.key in ("page.certificate", "page.listen")


@pytest.mark.parametrize("listen", WRONG)
def test_a_wrong_address_is_named(listen):
    with pytest.raises(SettingError) as caught:
        daemon(listen, tls=True, people=True)
    assert caught.value.key == "page.listen"


@pytest.mark.parametrize("missing", ["certificate", "key"])
def test_certificate_and_key_belong_together(missing):
    with pytest.raises(SettingError, match="belong together") as caught:
        parse(Daemon, {"page": {name: file for name, file in TLS.items() if name != missing}})
    assert caught.value.key == f"page.{missing}"


def test_the_command_line_cannot_open_what_the_file_may_not(tmp_path):
    config, state = tmp_path / "config", tmp_path / "state"
    shutil.copytree(examples_dir(), config)
    state.mkdir(mode=0o700)
    read = PageSettings.read(str(config), str(state), None, "127.0.0.1:9")
    assert (read.host, read.port, read.secure, read.people, read.origin) == (
        "127.0.0.1",
        9,
        False,
        False,
        "http://127.0.0.1:9",
    )
    for listen in REACHED:
        with pytest.raises(SettingError, match="can be reached from other machines"):
            PageSettings.read(str(config), str(state), None, listen)
    assert "signing_key" not in repr(read)


def test_the_signing_key_is_kept_private_and_stays(tmp_path):
    folder = tmp_path / "page"
    key = signing_key(folder)
    assert len(key) == 32
    assert signing_key(folder) == key
    assert signing_key(tmp_path / "other") != key
    assert (folder / KEY_FILE).stat().st_mode & 0o777 == 0o600
    assert folder.stat().st_mode & 0o777 == 0o700
    (folder / KEY_FILE).write_bytes(b"short")
    with pytest.raises(SettingError, match="is damaged"):
        signing_key(folder)
    (tmp_path / "file").write_text("")
    with pytest.raises(SettingError, match="cannot be used"):
        signing_key(tmp_path / "file")

"""The shipped units as text: systemd takes them, and the page has the rules of the daemon, and no right more."""

import re
import shlex
import shutil
import subprocess

import pytest

from daq.adapters.paths import examples_dir
from daq.app.cli import main
from daq.page.settings import PageSettings
from tests.support.processes.machine import settings_of

FOLDER = examples_dir() / "systemd"
UNITS = sorted(path.name for path in FOLDER.glob("*.service"))
PAGE, DAEMON = (FOLDER / name for name in ("daq-page.service", "daq.service"))
#: Rules that keep a service from what it does not need.  The daemon's are those of `systemd.exec(5)` under "Sandboxing",
#: "Capabilities" and "System call filtering".
RULES = (
    "NoNewPrivileges", "ProtectSystem", "ProtectHome", "PrivateTmp", "ProtectKernelTunables", "ProtectKernelModules",
    "ProtectKernelLogs", "ProtectControlGroups", "ProtectClock", "ProtectHostname", "RestrictAddressFamilies",
    "RestrictNamespaces", "RestrictRealtime", "RestrictSUIDSGID", "LockPersonality", "MemoryDenyWriteExecute",
    "SystemCallArchitectures", "SystemCallFilter", "CapabilityBoundingSet",
)  # fmt: skip
ANALYZE = shutil.which("systemd-analyze")


def read(path):
    return settings_of(path.read_text("utf-8"))


@pytest.mark.parametrize("name", UNITS)
def test_systemd_takes_each_unit(tmp_path, name):
    text = (FOLDER / name).read_text("utf-8")
    found = settings_of(text)
    assert found["ExecStart"][0].startswith("/usr/local/bin/daq ")
    copy = tmp_path / name.replace("@", "@one")
    copy.write_text(text.replace("/usr/local/bin/daq ", f"{shutil.which('true')} "))
    if ANALYZE:  # where systemd is not installed, the text alone is checked
        done = subprocess.run([ANALYZE, "verify", "--man=no", str(copy)], capture_output=True, text=True, check=False)
        complaints = [line for line in (done.stdout + done.stderr).splitlines() if copy.name in line]
        assert (done.returncode, complaints) == (0, [])


def test_the_page_has_every_rule_of_the_daemon():
    page, daemon = read(PAGE), read(DAEMON)
    assert {rule: page.get(rule) for rule in RULES} == {rule: daemon[rule] for rule in RULES}
    # It has no device at all, where the daemon has those of serial lines.
    assert page["PrivateDevices"] == ["yes"]
    assert (
        not {"DeviceAllow", "SupplementaryGroups", "ReadWritePaths", "AmbientCapabilities", "LoadCredential"}
        & page.keys()
    )
    assert int(page["UMask"][0], 8) & int(daemon["UMask"][0], 8) == int(daemon["UMask"][0], 8)
    assert (page["Type"], page["NotifyAccess"], page["Restart"]) == (
        daemon["Type"],
        daemon["NotifyAccess"],
        daemon["Restart"],
    )


def test_the_page_runs_under_an_account_of_its_own_that_only_reaches_the_socket():
    page, daemon, text = read(PAGE), read(DAEMON), PAGE.read_text("utf-8")
    account = page["User"][0]
    assert account not in ("root", daemon["User"][0])
    assert "Group" not in page  # the group of its own account
    assert f"useradd --system --groups {daemon['Group'][0]} {account}" in text
    assert f'socket_group = "{daemon["Group"][0]}"' in text
    assert page["StateDirectory"] == [account]
    assert page["StateDirectoryMode"] == ["0700"]


def test_the_command_of_the_page_has_the_folders_of_both_units_and_no_address_of_its_own(monkeypatch):
    page, daemon = read(PAGE), read(DAEMON)
    started = []
    monkeypatch.setattr("daq.app.cli.measuring.page.run", lambda args: started.append(args) or 0)
    assert main(shlex.split(page["ExecStart"][0])[1:]) == 0
    (given,) = started
    assert given.config == re.search(r"--config (\S+)", daemon["ExecStart"][0])[1]
    assert given.state == f"/var/lib/{daemon['StateDirectory'][0]}"
    assert given.own == f"/var/lib/{page['StateDirectory'][0]}"
    assert (given.listen, given.pair) == (None, None)


def test_without_another_address_in_the_file_the_page_serves_loopback(tmp_path):
    (tmp_path / "daemon.toml").write_text('socket_group = "daq"\n')
    settings = PageSettings.read(str(tmp_path), str(tmp_path / "state"), str(tmp_path / "own"), None)
    assert settings.host == "127.0.0.1"
    assert f"{settings.host}:{settings.port or 8042}" in PAGE.read_text("utf-8")

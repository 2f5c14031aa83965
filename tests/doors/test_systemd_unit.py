"""The shipped unit in the mounts, logins and modes that systemd makes of it: the ways of the pages work."""

import json
import re
import stat

import pytest

from daq.adapters.paths import examples_dir
from tests.support.processes.laboratory import eventually
from tests.support.processes.machine import Machine, is_possible, settings_of

UNIT = (examples_dir() / "systemd" / "daq.service").read_text("utf-8")
FAULTS = ("fault in daq", "Traceback", "fault of the software", "unable to open database file")

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(not is_possible(), reason="needs root, or sudo without a password, and mount namespaces"),
]


@pytest.fixture
def machine(tmp_path):
    made = Machine(tmp_path, UNIT)
    try:
        yield made
    finally:
        made.close()


@pytest.fixture
def served(machine):
    """The machine with the service, whose configuration is the examples' with the line for a group switched on."""
    text = (examples_dir() / "daemon.toml").read_text("utf-8")
    text, n = re.subn(r'^# (socket_group = "daq")', r"\1", text, flags=re.MULTILINE)
    assert n == 1
    text = text.replace("[mqtt]\nhost", "[mqtt]\nport = 1\nhost")
    machine.shell("cp -a /mnt/source/config/. /etc/daq && chmod -R a+rX /etc/daq")
    machine.shell(f"cat > /etc/daq/daemon.toml <<'END'\n{text}\nEND")
    machine.start()
    eventually(lambda: machine.service.poll() is not None or "serving" in machine.log.read_text(), 60, "the service")
    assert machine.service.poll() is None, machine.log.read_text()
    return machine


def clear(done, code):
    assert done.returncode == code, (done.stdout, done.stderr)
    assert not [word for word in FAULTS if word in done.stdout + done.stderr], done.stderr
    return done.stdout + done.stderr


def test_a_member_of_the_group_backs_up_stops_and_resends(served):
    for place in ("/tmp/copy.sqlite", "/media/stick/copy.sqlite", "/home/ann/copy.sqlite"):
        assert "copied to" in clear(served.daq("ann", "backup", place), 0)
        found = served.shell(f"stat -c '%U %a %s' {place}").split()
        assert found[:2] == ["ann", "600"]
        assert int(found[2]) > 10_000
    assert "exists already" in clear(served.daq("ann", "backup", "/tmp/copy.sqlite"), 13)
    assert "cannot be written: Permission denied" in clear(served.daq("ann", "backup", "/var/lib/copy.sqlite"), 13)
    assert "nothing is being measured on bench-1" in clear(served.daq("ann", "stop", "bench-1"), 0)
    words = ("run", "clear-glaze-qc", "--instrument", "bench-1", "--sample", "G-1")
    assert "bench-1" in clear(served.daq("ann", *words), 13)  # no instrument is connected
    # The kernel's name is the audited one, not that of the environment.
    clear(served.daq("ann", "resend", "--refused", LOGNAME="boss", USER="boss", LNAME="boss", USERNAME="boss"), 0)
    clear(served.daq("ann", "backup", "/tmp/later.sqlite"), 0)
    script = (
        "import json, sqlite3; print(json.dumps(sqlite3.connect('/tmp/later.sqlite').execute("
        "'SELECT who, what FROM audit').fetchall()))"
    )
    rows = json.loads(served.shell(f'LD_LIBRARY_PATH=/mnt/python/lib /mnt/python/bin/python3 -c "{script}"'))
    assert ["ann", "messages_sent_again"] in rows
    assert "boss" not in {who for who, _ in rows}
    assert served.shell("ls -A /var/lib/daq | grep -c backup || true").strip() == "0"


def test_another_login_gets_a_clear_sentence(served):
    for words in (
        ("stop", "bench-1"),
        ("backup", "/tmp/ben.sqlite"),
        ("resend", "--refused"),
        ("runs",),
        ("show", "last"),
    ):
        shown = clear(served.daq("ben", *words), 2)
        assert "ben may not" in shown, shown
    shown = clear(served.daq("ben", "run", "clear-glaze-qc", "--instrument", "bench-1", "--sample", "G-1"), 2)
    assert "ben may not use it" in shown
    assert "socket_group" in shown
    shown = clear(served.daq("ann", "runs"), 2)  # the socket is the group's, the database is not
    assert "belongs to daq, and ann may not read it" in shown
    for login in ("ann", "ben"):
        shown = " ".join(clear(served.daq(login, "doctor"), 1).split())
        assert "/var/lib/daq belongs to daq" in shown
        assert ("the daemon of another login serves balance-1" in shown) == (login == "ann"), shown
    served.shell("chmod 750 /etc/daq")
    assert "/etc/daq/daemon.toml: ben has no permission" in clear(served.daq("ben", "check"), 2)
    clear(served.daq("ben", "doctor"), 2)


def test_socket_and_state_have_the_modes_of_the_unit(served):
    def modes(path):
        mode, owner, group = served.shell(f"stat -c '%f %U %G' {path}").split()
        return stat.filemode(int(mode, 16)), owner, group

    assert modes("/var/lib/daq") == ("drwxr-x---", "daq", "daq")
    assert modes("/var/lib/daq/control") == ("srw-rw----", "daq", "daq")
    assert modes("/var/lib/daq/daq.db") == ("-rw-------", "daq", "daq")


def test_a_group_that_does_not_exist_is_named(machine):
    machine.shell("echo 'socket_group = \"potters\"' > /etc/daq/daemon.toml")
    machine.start()
    assert machine.service.wait(60) == 2
    assert "socket_group: there is no group 'potters'" in machine.log.read_text()


def test_the_examples_and_the_unit_agree():
    unit = settings_of(UNIT)
    text = (examples_dir() / "daemon.toml").read_text("utf-8")
    assert f'state = "/var/lib/{unit["StateDirectory"][0]}"' in text
    assert f'socket_group = "{unit["Group"][0]}"' in text
    metrics = re.search(r'^# file = "(/.*)/[^/]*\.prom"', text, re.MULTILINE)
    assert metrics[1] in [path.removeprefix("-") for line in unit["ReadWritePaths"] for path in line.split()]
    assert "LoadCredential" not in unit  # a unit that names a missing file does not start

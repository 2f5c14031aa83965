"""The search for configuration and state directories, and the owner of a state directory."""

import os
import signal
import subprocess
import sys

import pytest

from daq.adapters import paths
from daq.adapters.paths import StateLock, config_dir, examples_dir, holder, socket_path, state_dir
from daq.core.errors import SettingError, StoreError


@pytest.fixture
def places(tmp_path, monkeypatch):
    """The folders in which a configuration is searched, in order; `fill` writes the files."""
    monkeypatch.setattr(paths, "SYSTEM_FOLDER", tmp_path / "etc")
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "xdg"))
    monkeypatch.delenv("DAQ_CONFIG", raising=False)
    monkeypatch.delenv("STATE_DIRECTORY", raising=False)
    return tmp_path


def fill(folder):
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "daemon.toml").write_text("")
    return folder


def test_configuration_folders_are_searched_in_order(places, monkeypatch):
    assert config_dir(None) == examples_dir()
    xdg = fill(places / "xdg" / "daq")
    assert config_dir(None) == xdg
    system = fill(places / "etc")
    assert config_dir(None) == system
    variable = fill(places / "variable")
    monkeypatch.setenv("DAQ_CONFIG", str(variable))
    assert config_dir(None) == variable
    given = fill(places / "given")
    assert config_dir(str(given)) == given
    assert config_dir(str(given / "daemon.toml")) == given


def test_a_folder_without_daemon_file_is_skipped_unless_named(places):
    (places / "etc").mkdir()
    assert config_dir(None) == examples_dir()
    with pytest.raises(SettingError, match=r"without daemon\.toml; `daq init"):
        config_dir(str(places / "etc"))


@pytest.mark.parametrize("name", ["nowhere", "nowhere/daemon.toml", "other.toml"])
def test_a_named_configuration_must_exist(places, name):
    (places / "other.toml").write_text("")
    with pytest.raises(SettingError) as caught:
        config_dir(str(places / name))
    assert caught.value.file == str(places / name)


def test_a_relative_xdg_folder_is_ignored(places, monkeypatch):
    # XDG Base Directory Specification 0.8, "Basics": relative paths are invalid and should be ignored.
    monkeypatch.setenv("XDG_CONFIG_HOME", "xdg")
    monkeypatch.chdir(places)
    fill(places / "xdg" / "daq")
    assert config_dir(None) == examples_dir()


def test_state_directories_are_searched_in_order_and_belong_to_their_owner(places, monkeypatch):
    monkeypatch.setenv("XDG_STATE_HOME", str(places / "s"))
    assert state_dir(None, None) == places / "s" / "daq"
    assert state_dir(None, str(places / "configured")) == places / "configured"
    monkeypatch.setenv("STATE_DIRECTORY", f"{places / 'systemd'}:{places / 'second'}")
    assert state_dir(None, str(places / "configured")) == places / "systemd"
    made = state_dir(str(places / "a" / "given"), None)
    assert made == places / "a" / "given"
    assert made.stat().st_mode & 0o777 == 0o700


def test_a_search_does_not_make_a_state_directory(places):
    assert not state_dir(str(places / "none"), create=False).exists()


def test_a_state_directory_that_is_a_file_is_refused(places):
    (places / "file").write_text("")
    with pytest.raises(SettingError, match="is a file"):
        state_dir(str(places / "file"))
    with pytest.raises(SettingError, match="cannot be made"):
        state_dir(str(places / "file" / "below"))


def test_a_socket_path_that_is_too_long_is_refused(tmp_path):
    # Linux unix(7): sun_path has 108 bytes, the last is the terminator.
    long = tmp_path / ("x" * 120)
    with pytest.raises(SettingError, match="with a shorter path"):
        socket_path(long)


OWNER = """
import sys, time
from pathlib import Path
from daq.adapters.paths import StateLock
with StateLock(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def owner(folder):
    process = subprocess.Popen(
        [sys.executable, "-c", OWNER, str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


@pytest.mark.parametrize("end", ["in order", "killed"])
def test_a_second_owner_is_refused_with_the_pid_of_the_first(tmp_path, end):
    with owner(tmp_path) as process:
        assert holder(tmp_path) == process.pid
        with pytest.raises(StoreError, match=rf"process {process.pid} holds this state directory"):
            StateLock(tmp_path).acquire()
        if end == "killed":
            process.send_signal(signal.SIGKILL)
        else:
            assert process.stdin is not None
            process.stdin.close()
        process.wait(30)
    assert holder(tmp_path) is None
    with StateLock(tmp_path) as lock:
        assert holder(tmp_path) == os.getpid()
        lock.release()
        assert holder(tmp_path) is None


def test_a_reader_of_the_lock_does_not_keep_an_owner_out(tmp_path, monkeypatch):
    (tmp_path / "lock").write_text("999999999\n")  # left by an owner that was killed
    looker = os.open(tmp_path / "lock", os.O_RDONLY)
    assert paths._flock(looker, shared=True)
    waits = []

    def looked(_seconds):
        waits.append(looker)
        os.close(looker)

    monkeypatch.setattr(paths.time, "sleep", looked)
    with StateLock(tmp_path):
        assert holder(tmp_path) == os.getpid()
    assert waits == [looker]


def test_a_missing_folder_is_refused(tmp_path):
    with pytest.raises(SettingError, match="cannot be opened"):
        StateLock(tmp_path / "none").acquire()


def test_a_lock_that_is_a_link_is_not_followed(tmp_path):
    folder = tmp_path / "state"
    folder.mkdir(mode=0o700)
    theirs = tmp_path / "theirs"
    theirs.write_text("theirs")
    (folder / "lock").symlink_to(theirs)
    with pytest.raises(SettingError, match="is a symbolic link, which daq does not follow"):
        StateLock(folder).acquire()
    assert holder(folder) is None
    assert theirs.read_text() == "theirs"


@pytest.mark.parametrize("mode", [0o777, 0o770, 0o702, 0o720, 0o1777])
def test_a_state_directory_that_others_may_write_is_refused(tmp_path, mode):
    folder = tmp_path / "state"
    folder.mkdir()
    folder.chmod(mode)
    with pytest.raises(SettingError, match=f"others may write in {folder} .*; run: chmod go-w {folder}"):
        StateLock(folder).acquire()
    assert not (folder / "lock").exists()
    folder.chmod(mode & ~0o022)
    with StateLock(folder):
        pass

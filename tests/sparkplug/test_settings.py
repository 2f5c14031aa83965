"""The table [sparkplug] of the daemon's file."""

import subprocess
import sys
from types import SimpleNamespace

import pytest

from daq.app.delivery.sparkplug import Sparkplug
from daq.app.delivery.sparkplug_content import StoredContent
from daq.app.run.standing import Standing
from daq.core.errors import SettingError
from daq.core.linkstates import LinkState
from daq.methods.files.load import load_daemon

MQTT = '[mqtt]\nhost = "broker"\nuser = "daq"\nclient_id = "bench"\npassword = { env = "DAQ_TEST_PASSWORD" }\n'


def load(tmp_path, text):
    path = tmp_path / "daemon.toml"
    path.write_text(text)
    return load_daemon(path)


def test_the_broker_of_mqtt_is_taken_under_a_name_of_its_own(tmp_path, monkeypatch):
    monkeypatch.setenv("DAQ_TEST_PASSWORD", "slip")
    daemon = load(tmp_path, MQTT + '[sparkplug]\ngroup = "glaze-works"\nnode = "kiln-street"\n')
    node = Sparkplug.from_settings(daemon)
    assert (node.settings.host, node.settings.user, node.settings.password) == ("broker", "daq", "slip")
    assert node.settings.client_id == ""
    assert node.names.node_topic("NBIRTH") == "spBv1.0/glaze-works/NBIRTH/kiln-street"


def test_it_may_have_a_broker_of_its_own(tmp_path):
    daemon = load(
        tmp_path,
        '[sparkplug]\ngroup = "g"\nnode = "n"\nhost = "tower"\naliases = true\nchannels = "2 s"\n'
        '[sparkplug.broker]\nhost = "other"\nport = 2883\nclient_id = "edge"\n',
    )
    node = Sparkplug.from_settings(daemon)
    assert (node.settings.host, node.settings.port, node.settings.client_id) == ("other", 2883, "edge")
    assert node.names.state_topic == "spBv1.0/STATE/tower"
    assert daemon.sparkplug.channels == 2_000_000_000


@pytest.mark.slow
def test_without_the_table_there_is_no_node_and_no_library(tmp_path):
    assert Sparkplug.from_settings(load(tmp_path, "")) is None
    code = "import sys, daq.app.cli.measuring.serve; print([m for m in sys.modules if m.startswith('google')])"
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout == "[]\n"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ('[sparkplug]\ngroup = "g"\nnode = "n"\n', "names no broker"),
        (MQTT + '[sparkplug]\ngroup = "a/b"\nnode = "n"\n', "sparkplug.group: must not contain '/'"),
        (MQTT + '[sparkplug]\ngroup = "g"\nnode = "a+b"\n', "sparkplug.node: must not contain '+'"),
        (MQTT + '[sparkplug]\ngroup = "g"\nnode = "n"\nhost = "#"\n', "sparkplug.host: must not contain '#'"),
        (MQTT + '[sparkplug]\ngroup = "g"\nnode = "n\\u0007"\n', "sparkplug.node: must not contain"),
        (MQTT + '[sparkplug]\ngroup = " g"\nnode = "n"\n', "must not begin or end with a space"),
        (MQTT + '[sparkplug]\ngroup = "STATE"\nnode = "n"\n', "sparkplug.group: must not be STATE"),
        (MQTT + '[sparkplug]\ngroup = ""\nnode = "n"\n', "sparkplug.group"),
        (MQTT + '[sparkplug]\nnode = "n"\n', "sparkplug.group"),
        (MQTT + '[sparkplug]\ngroup = "g"\nnode = "n"\nchannels = "50 ms"\n', "sparkplug.channels: is shorter than 100 ms"),
        (MQTT + '[sparkplug]\ngroup = "g"\nnode = "n"\nalias = true\n', "sparkplug.alias"),
        (MQTT + '[sparkplug]\ngroup = "g"\nnode = "n"\n[sparkplug.broker]\nhost = "mqtt://x"\n', "sparkplug.broker.host"),
    ],
)  # fmt: skip
def test_wrong_values_are_named(tmp_path, text, says):
    with pytest.raises(SettingError) as error:
        load(tmp_path, text)
    assert says in str(error.value)
    assert "daemon.toml" in str(error.value)


def test_a_password_that_is_not_there_is_named_by_its_own_key(tmp_path, monkeypatch):
    monkeypatch.delenv("DAQ_TEST_PASSWORD", raising=False)
    own = MQTT.replace("[mqtt]", "[sparkplug.broker]")
    daemon = load(tmp_path, '[sparkplug]\ngroup = "g"\nnode = "n"\n' + own)
    with pytest.raises(SettingError, match=r"sparkplug\.broker\.password"):
        Sparkplug.from_settings(daemon)


def test_a_missing_library_is_reported_with_the_package_to_install(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "google.protobuf", None)
    daemon = load(tmp_path, '[sparkplug]\ngroup = "g"\nnode = "n"\n[sparkplug.broker]\nhost = "b"\n')
    with pytest.raises(SettingError, match=r"daq-daemon\[sparkplug\]"):
        Sparkplug.from_settings(daemon)


def test_a_device_stays_alive_while_it_is_identified_after_a_run():
    session = SimpleNamespace(standing=Standing())
    content = StoredContent(SimpleNamespace(), None, None, None)
    lives = []
    for state in ("connecting", "identifying", "ready", "lending", "in_run", "identifying", "ready", "connecting",
                  "identifying", "wrong_instrument", "stopping_motor", "ready", "stopping_motor"):  # fmt: skip
        session.standing.state = LinkState(state)
        lives.append(content._lives("bench-1", session))
    assert lives == [False, False, *[True] * 5, *[False] * 4, True, True]

"""The whole way: an instrument, the daemon as a process, a real broker, and a strict Sparkplug host."""

import sqlite3
from typing import Self

import paho.mqtt.client as mqtt
import pytest

from daq.adapters.paths import database_path
from daq.adapters.sparkplug.encode import payload
from daq.adapters.sparkplug.metrics import DataType, Metric
from daq.core.faults import STATUS_CODES, Quality
from tests.support.processes.historian import Historian
from tests.support.processes.laboratory import Daemon, Lab, Simulators, eventually
from tests.support.processes.mosquitto import PASSWORD, needs_mosquitto
from tests.support.sparkplug.link import COMMANDS, GROUP, NODE
from tests.support.sparkplug.strict_host import StrictHost

pytestmark = [pytest.mark.slow, needs_mosquitto]

ASK = payload((Metric("Node Control/Rebirth", DataType.BOOLEAN, True, 1),), 1, None, birth=True)


@pytest.fixture(scope="module")
def simulators(tmp_path_factory):
    started = Simulators(tmp_path_factory.mktemp("simulators"))
    yield started
    started.stop()


@pytest.fixture
def lab(tmp_path, simulators):
    made = Lab(tmp_path, simulators)
    yield made
    made.close()
    simulators.reset()


def add_table(lab, text=""):
    file = lab.config / "daemon.toml"
    file.write_text(file.read_text() + f'[sparkplug]\ngroup = "{GROUP}"\nnode = "{NODE}"\n{text}')


class Tower:
    """A host application on a separate connection; `check` raises the faults it found."""

    def __init__(self, port, **options):
        self.port = port
        self.host = StrictHost(GROUP, NODE, **options)
        self.faults = []
        self.subscriptions = 0

    def __enter__(self) -> Self:
        self.client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="tower", protocol=mqtt.MQTTv5)
        self.client.username_pw_set("historian", PASSWORD)
        self.client.on_connect = lambda client, *_: client.subscribe(f"spBv1.0/{GROUP}/#", qos=1)
        self.client.on_subscribe = self._subscribed
        self.client.on_message = self._message
        self.client.reconnect_delay_set(1, 1)
        self.client.connect("127.0.0.1", self.port)
        self.client.loop_start()
        eventually(lambda: self.subscriptions, what="subscription")
        return self

    def __exit__(self, *_: object) -> None:
        self.client.disconnect()
        self.client.loop_stop()

    def _subscribed(self, *_):
        self.subscriptions += 1

    def _message(self, _client, _data, message):
        try:
            if "/NBIRTH/" in message.topic:
                number = self.host.birth_number(message.payload)
                if number != self.host.will_bd_seq:
                    self.host.expect(number)
            if "/NCMD/" not in message.topic:
                self.host.receive(message.topic, message.payload, message.qos, retain=message.retain)
        except Exception as fault:  # noqa: BLE001 - raised by `until`, in the test's own thread
            self.faults.append(fault)

    def until(self, condition, seconds=90.0, what="it"):
        def met():
            if self.faults:
                raise self.faults[0]
            return condition()

        return eventually(met, seconds, what)

    def ids(self, *, historical=None):
        return [i for _, late, i in list(self.host.results) if historical is None or late == historical]


def newest(tower, device="bench-1"):
    """Return the last data message with a result: (historical, {name: (value, time, properties)})."""
    return next(h for h in reversed(tower.host.devices[device].history) if "result/id" in h[1])


def test_a_result_has_the_same_values_as_its_json(lab):
    broker = lab.start_broker()
    add_table(lab)
    with Tower(broker.port) as tower, Historian(broker.port) as historian:
        daemon = Daemon(lab)
        daemon.ready()
        tower.until(lambda: tower.host.devices, what="birth of the device")
        birth = tower.host.birth.by_name()
        with lab.reader() as reader:
            source, epoch = reader.identity()
        assert birth["source"].value == f"urn:uuid:{source}#{epoch}"
        assert birth["versions/result"].value == 1
        assert tower.host.devices["bench-1"].values["instrument/serial"] == "R-1042"

        result = daemon.run(sample="S-9").until("outcome")["result_id"]
        tower.until(lambda: tower.ids() == [result], what="result")
        (event,) = eventually(lambda: historian.on("result/bench-1"), what="JSON")
        late, got = newest(tower)
        data = event["data"]
        assert not late
        assert {k: got[f"result/{k}"][0] for k in ("id", "source", "sequence")} == {
            "id": event["id"], "source": event["source"], "sequence": int(event["sequence"]),
        }  # fmt: skip
        value, _, properties = got["result/value"]
        assert value == data["value"]
        assert properties["unit"] == (12, data["unit"])
        assert properties["opc_ua_quality"] == (12, data["quality"])
        assert properties["Quality"] == (3, 192 if data["quality"] == "Good" else 0)
        assert properties["opc_ua_status"] == (7, STATUS_CODES[Quality(data["quality"])])
        # A result may have no interval, and one by distributions has no coverage factor.
        uncertainty = data["uncertainty"] or {"expanded": None}
        assert got["result/expanded"][0] == uncertainty["expanded"]
        known = {k: (10, v) for k in ("k", "coverage") if (v := uncertainty.get(k)) is not None}
        assert got["result/expanded"][2] == {"unit": (12, data["unit"])} | known
        assert got["result/n"][0] == data["span"]["n"]
        assert got["result/sample"][0] == "S-9" == data["sample"]["id"]
        assert got["result/lot"][0] is None
        assert got["result/validity"][0] == data["validity"]
        assert got["result/verdict"][0] == data["verdict"]["verdict"]
        assert got["result/method_id"][0] == "short"
        assert got["result/temperature_celsius"][0] == data["conditions"]["temperature"]
        assert got["result/simulated"][0] is True
        with sqlite3.connect(database_path(lab.state)) as db:
            ((created,),) = db.execute("SELECT created_utc_ns FROM results").fetchall()
        assert {time for _, time, _ in got.values()} == {created // 1_000_000}

        status = daemon.status()["sparkplug"]
        assert (status["state"], status["devices"], status["results"], status["late"]) == ("alive", ["bench-1"], 1, 0)
        assert "the node is alive; devices: bench-1; 1 results sent" in lab.daq("doctor").stdout
        assert daemon.stop() == 0
        # Its own death, and with MQTT 5 the will too: the DISCONNECT has reason 4.
        tower.until(lambda: tower.host.log.count("NDEATH") == 2, what="both deaths")
        assert not tower.host.alive


def test_a_daemon_that_is_killed_dies_by_its_will_and_misses_no_result(lab):
    broker = lab.start_broker()
    add_table(lab, "aliases = true\n")
    with Tower(broker.port, aliases=True) as tower:
        host = tower.host
        daemon = Daemon(lab)
        daemon.ready()
        tower.until(lambda: host.devices, what="birth of the device")
        made = [daemon.run(sample="alive").until("outcome")["result_id"]]
        tower.until(lambda: tower.ids() == made, what="result")
        first = host.bd_seq

        daemon.kill()
        tower.until(lambda: not host.alive, what="death by the will")
        assert host.log.count("NDEATH") == 1

        # Made by a daemon without Sparkplug, which could not send it.
        whole = (lab.config / "daemon.toml").read_text()
        (lab.config / "daemon.toml").write_text(whole.partition("[sparkplug]")[0])
        daemon = Daemon(lab)
        daemon.ready()
        made += [daemon.run(sample=f"quiet-{n}").until("outcome")["result_id"] for n in range(2)]
        daemon.kill()
        (lab.config / "daemon.toml").write_text(whole)

        daemon = Daemon(lab)
        tower.until(lambda: len(tower.ids()) >= 3, what="late results")
        assert tower.ids() == made
        assert tower.ids(historical=True) == made[1:]
        assert host.bd_seq == first + 1
        assert host.devices["bench-1"].values["result/id"] == made[2]
        daemon.ready()
        made.append(daemon.run(sample="alive again").until("outcome")["result_id"])
        tower.until(lambda: tower.ids()[-1] == made[-1], what="a result as it is made")
        assert tower.ids(historical=False) == [made[0], made[3]]
        assert daemon.stop() == 0


@pytest.mark.timeout(480)
def test_a_host_follows_daq_correct_and_daq_annul(lab):
    """A correction of the newest run is the present value; one of an earlier run is history."""
    broker = lab.start_broker()
    add_table(lab)
    with Tower(broker.port) as tower:
        daemon = Daemon(lab)
        daemon.ready()
        tower.until(lambda: tower.host.devices, what="birth of the device")

        def shown(name):
            # On a busy machine an instrument can be silent for a moment, and its device is dead until it answers again.
            tower.until(lambda: "bench-1" in tower.host.devices, what="the device")
            return tower.host.devices["bench-1"].values[f"result/{name}"]

        results = []
        for sample in ("S-1", "S-2"):
            run = daemon.run(sample=sample)
            results.append((run.run_id, run.until("outcome")["result_id"]))
            eventually(lambda: daemon.standing()["state"] == "ready", what="end of the run")
        (older, _), (newer, first) = results
        tower.until(lambda: tower.ids()[-1:] == [first], what="both results")
        before = shown("value")

        def acted(*words):
            done = lab.daq(*words)
            assert done.returncode == 0, done.stdout + done.stderr
            with lab.reader() as reader:
                changed = reader.newest_result(words[1])
            tower.until(lambda: tower.ids()[-1:] == [changed.id], what=f"result of {words[0]}")
            return changed.id

        because = ("--because", "the other cylinder was fitted")
        present = acted("correct", newer, "--geometry", "coaxial-12", *because)
        assert shown("id") == present
        assert shown("value") != before
        history = acted("correct", older, "--geometry", "coaxial-12", *because)
        assert (tower.ids(historical=True)[-1:], shown("id")) == ([history], present)
        daemon.kill()
        daemon = Daemon(lab)
        daemon.ready()
        tower.until(lambda: tower.host.alive and tower.host.devices and shown("id") == present, what="new birth")
        annulled = acted("annul", newer, "--because", "spilled")
        assert (shown("id"), shown("validity")) == (annulled, "not_valid")
        assert newest(tower)[1]["result/value"][2]["Quality"] == (3, 0)
        assert daemon.stop() == 0


def test_devices_come_and_go_and_a_rebirth_repeats_all_births(lab):
    broker = lab.start_broker()
    add_table(lab, 'channels = "2 s"\n')
    with Tower(broker.port) as tower:
        host = tower.host
        daemon = Daemon(lab)
        daemon.ready()
        tower.until(lambda: host.devices, what="birth of the device")
        lab.bench.tell("unplug")
        tower.until(lambda: not host.devices, what="death of the device")
        assert host.alive
        assert host.log[-1] == "DDEATH"
        lab.bench.tell("replug")
        tower.until(lambda: host.devices, what="return of the device")
        births = host.births
        tower.client.publish(COMMANDS, ASK)
        tower.until(lambda: host.births > births and host.devices, what="rebirth")
        assert daemon.status()["sparkplug"]["rebirths"] == 1
        channels = {n for n in host.devices["bench-1"].types if n.startswith("channel/")}
        assert channels == {"channel/speed", "channel/torque", "channel/temperature"}
        assert host.devices["bench-1"].values["channel/temperature"] == pytest.approx(25, abs=1)
        run = daemon.run("long")
        tower.until(lambda: host.devices["bench-1"].values["instrument/state"] == "in_run", what="state")
        tower.until(lambda: host.devices["bench-1"].values["channel/speed"] == pytest.approx(12, abs=0.5), what="speed")
        reading = next(h for h in reversed(host.devices["bench-1"].history) if "channel/speed" in h[1])
        assert not reading[0]
        assert reading[1]["channel/speed"][2] == {
            "Quality": (3, 192), "opc_ua_status": (7, 0), "opc_ua_quality": (12, "Good"), "unit": (12, "/min"),
        }  # fmt: skip
        for name in ("speed", "bench-1/speed", "instrument/state"):
            tower.client.publish(COMMANDS, payload((Metric(name, DataType.DOUBLE, 30.0, 1),), 1, None))
        eventually(lambda: daemon.status()["sparkplug"]["not_followed"] == 3, what="commands are counted")
        assert lab.bench.state()["speed_per_min"] < 15
        daemon.stop_run()
        run.until("outcome")
        assert daemon.stop() == 0


def test_a_run_made_without_a_daemon_is_sent_later(lab):
    broker = lab.start_broker()
    add_table(lab)
    with Tower(broker.port) as tower:
        done = lab.daq("run", "short", "--instrument", "bench-1", "--sample", "alone", "--operator", "m.keeper")
        assert done.returncode in (0, 10, 11), done.stderr
        tower.until(lambda: tower.host.log and tower.host.log[-1] == "NDEATH", what="death")
        assert len(tower.ids()) == 1  # late where the broker was slower than the run


def test_the_status_codes_are_those_of_opc_ua():
    """Source: the list of status codes published with OPC UA Part 6 (annex A), as stored public copies quote it."""
    quoted = {
        "Good": 0x00000000, "Uncertain": 0x40000000, "Bad": 0x80000000, "Bad_NoCommunication": 0x80310000,
        "Bad_NotConnected": 0x808A0000, "Bad_DeviceFailure": 0x808B0000, "Bad_SensorFailure": 0x808C0000,
        "Uncertain_SensorNotAccurate": 0x40930000, "Uncertain_EngineeringUnitsExceeded": 0x40940000,
        "Uncertain_SubNormal": 0x40950000,
    }  # fmt: skip
    assert {q.value: code for q, code in STATUS_CODES.items()} == quoted
    assert set(STATUS_CODES) == set(Quality)
    assert {q: code >> 30 for q, code in STATUS_CODES.items()} == {q: q.severity for q in Quality}

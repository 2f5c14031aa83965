"""A flow curve measured through a pseudo-terminal, shown, drawn and replayed."""

import contextlib
import json
import math
import re
import sqlite3
import xml.etree.ElementTree as ET
from dataclasses import replace

import jsonschema
import pytest

from daq.adapters.mqtt.topics import Topics
from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.store import Store
from daq.app.delivery.curve_publishing import curve_message
from daq.core.errors import StoreError
from tests.support.processes.historian import Historian
from tests.support.processes.laboratory import SCALE, Daemon, Simulator, eventually
from tests.support.processes.mosquitto import needs_mosquitto
from tests.support.runs.flow_curves import text

pytestmark = pytest.mark.slow

TOPICS = Topics(enterprise="works")

SPEEDS = [20, 55, 35, 20, 12, 7, 4, 2.5]


@pytest.fixture
def glazed(make_lab, tmp_path):
    """A laboratory whose second bench holds a simulated engobe: stress = 8 + 3.2 (shear rate)^0.55 (Pa, 1/s) at 25 Cel."""
    lab = make_lab(benches=2)
    fill = ("--fluid", "engobe", "--geometry", "cylinder-9", "--temperature", "25", "--seed", "3")
    bench = Simulator(tmp_path, "bench-9", "rotational", "--serial", "R-1043", *fill, scale=SCALE)
    bench.wait_ready()
    written = (examples_dir() / "instruments" / "bench-2.toml").read_text()
    written = re.sub(r"^port = .*$", f'port = "{bench.port}"', written, flags=re.MULTILINE)
    written = written.replace('fitted = "cylinder-9"', 'fitted = "cylinder-9"\nsimulated = true')
    (lab.config / "instruments" / "bench-2.toml").write_text(written)
    (lab.config / "methods" / "curve.toml").write_text(text(SPEEDS, settle=1.5))
    yield lab
    bench.stop()


def test_the_flow_curve_of_an_engobe(glazed, tmp_path):
    done = glazed.daq(
        "run",
        "curve",
        "--instrument",
        "bench-2",
        "--sample",
        "E-7",
        "--product",
        "engobe",
        "--anyway",
        "--plain",
        seconds=60,
    )
    assert done.returncode in (0, 10, 11), done.stdout + done.stderr
    shown = json.loads(glazed.daq("show", "last", "--json").stdout)
    curve = shown["flow_curve"]
    assert curve["chosen"] == "herschel_bulkley"
    (fit,) = [f for f in curve["fits"] if f["model"] == "herschel_bulkley"]
    found = {p["name"]: p for p in fit["parameters"]}
    for name, true in (("tau_y", 8.0), ("K", 3.2), ("n", 0.55)):
        assert abs(found[name]["value"] - true) < found[name]["expanded"], found[name]
    # The result was committed without the curve, which is computed on request and is always the same.
    assert "flow_curve" not in shown["result"]
    assert json.loads(glazed.daq("show", "last", "--json").stdout)["flow_curve"] == curve

    shown = glazed.daq("show", "last", "--details").stdout
    assert "→  Herschel-Bulkley" in shown
    assert "yield stress, extrapolated by this model: τ_y = " in shown
    assert "▼" in shown
    assert "Theil and Sen:" in shown

    drawing = tmp_path / "curve.svg"
    assert glazed.daq("show", "last", "--svg", str(drawing)).returncode == 0
    root = ET.fromstring(drawing.read_text(encoding="utf-8"))  # noqa: S314 - a file of this test
    names = [e.tag.rpartition("}")[2] for e in root.iter()]
    # One band, one line; marks; grid and axes are paths as well.
    assert (names.count("polygon"), names.count("polyline")) == (1, 1)
    assert names.count("title") == 1 + len(SPEEDS)
    again = glazed.daq("show", "last", "--svg", str(drawing))
    assert again.returncode == 2
    assert "exists already" in again.stderr

    replayed = glazed.daq("replay", "last")
    assert replayed.returncode == 0, replayed.stdout
    rates = [p["wall_rate"] for p in curve["points"]]
    assert max(rates) == pytest.approx(_wall_rate(55.0), rel=0.01)


def _wall_rate(speed):
    """Return the wall rate of the true fluid in the beaker: the root of omega = 1/2 integral of rate d(ln stress)."""
    from scipy.integrate import quad
    from scipy.optimize import brentq

    def rate(log_stress):
        return max((math.exp(log_stress) - 8.0) / 3.2, 0.0) ** (1 / 0.55)

    def omega(stress):
        low = math.log(max(stress * (9.0 / 42.5) ** 2, 8.0))
        return 0.5 * quad(rate, low, math.log(stress))[0]

    stress = brentq(lambda s: omega(s) - speed * 2 * math.pi / 60, 8.01, 200.0)
    return rate(math.log(stress))


@needs_mosquitto
def test_the_historian_gets_the_curve_after_its_result(glazed):
    method = glazed.config / "methods" / "curve.toml"
    method.write_text(text([20, 50, 30, 15, 8], settle=1.5).replace('version = "1"', 'version = "2"'))
    with Historian(glazed.start_broker().port) as historian:
        done = glazed.daq("run", "curve", "--instrument", "bench-2", "--sample", "E-8", "--plain", seconds=60)
        assert done.returncode in (0, 10, 11), done.stdout + done.stderr
        (result,) = eventually(lambda: historian.on("result/bench-2"))
        (event,) = eventually(lambda: historian.on("curve/bench-2"))
        (schema,) = [json.loads(p) for t, p, _ in historian.got if t.endswith("/schema/curve/1")]
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.validate(event["data"], schema)
    assert event["type"] == "lab.curve.v1"
    assert (event["source"], event["sequence"]) == (result["source"], result["sequence"])
    assert event["id"] != result["id"]
    assert event["data"]["result"] == result["id"]
    assert event["data"]["sample"]["id"] == "E-8"
    shown = json.loads(glazed.daq("show", "last", "--json").stdout)
    assert event["data"]["curve"] == shown["flow_curve"]
    # A second computation gives the same message, and nothing is added to the outbox.
    with glazed.reader() as reader:
        (run,) = reader.runs()
        again = curve_message(reader, run.id, reader.identity()[0], TOPICS, 1)
    assert again.message.id == event["id"]
    assert json.loads(again.message.payload) == event
    with Store(database_path(glazed.state), utc_ns=2) as store:
        assert store.submit(again).result() is False
        with pytest.raises(StoreError, match="is not in the store"):
            store.submit(replace(again, result="nothing")).result()


@needs_mosquitto
def test_a_kill_before_the_curve_was_stored_loses_no_curve(glazed):
    method = glazed.config / "methods" / "curve.toml"
    method.write_text(text([20, 50, 30, 15, 8], settle=1.5).replace('version = "1"', 'version = "2"'))
    with Historian(glazed.start_broker().port) as historian:
        done = glazed.daq("run", "curve", "--instrument", "bench-2", "--sample", "E-9", "--plain", seconds=60)
        assert done.returncode in (0, 10, 11), done.stdout + done.stderr
        (event,) = eventually(lambda: historian.on("curve/bench-2"))
        # The kill leaves the result in the outbox, without its curve.
        with contextlib.closing(sqlite3.connect(database_path(glazed.state))) as db, db:
            one = (event["id"],)
            db.execute("DELETE FROM delivery WHERE seq IN (SELECT seq FROM outbox WHERE id = ?)", one)
            assert db.execute("DELETE FROM outbox WHERE id = ?", one).rowcount == 1
        daemon = Daemon(glazed)
        daemon.ready()
        assert eventually(lambda: historian.on("curve/bench-2")[1:]) == [event]
        daemon.stop()
        daemon = Daemon(glazed)
        daemon.ready()
        daemon.stop()
        assert len(historian.on("curve/bench-2")) == 2

"""Probes of an instrument's file: ohms become degrees, a calibration's offset is added, and both replay."""

from importlib.metadata import EntryPoint
from inspect import get_annotations

import pytest

from daq.app.records.replaying import maker
from daq.app.setup.drivers import Drivers
from daq.core.driver import Channel, Driver, Part, Reject, Values
from daq.core.errors import SettingError
from daq.core.framing import Framing
from daq.core.replay import replay
from daq.methods.concluding.conclude import conclude
from daq.methods.files.load import load_instrument
from daq.methods.planning.compile import compile_plan
from daq.methods.planning.probes import ProbedDriver
from daq.testing.bench import Bench
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.instrument import RotationalInstrument
from tests.support.runs.examples import driver_for, example, load_changed

OHMMETER = """
name = "wire-1"
driver = "ohmmeter"
port = "/dev/wire"
[probes.temperature]
channel = "resistance"
kind = "Pt100"
offset = "-0.25 K"
[specification]
temperature = "0.05 K"
"""


class OhmmeterDriver(Driver):
    """Sends ``R 109.735`` and so on, every second."""

    kind = "ohmmeter"
    channels = (Channel("resistance", "Ohm", 0.0, 400.0), Channel("current", "V", 0.0, 10.0))
    framing = Framing(terminator=b"\n", longest=40)
    streams = True

    def decode(self, line, asked=None):
        word, *rest = line.split()
        if word == b"R" and len(rest) == 2:
            values = tuple(None if r == b"-" else float(r) for r in rest)
            return Values(values, (("resistance", "probe"),)) if None in values else values
        return Reject("unknown line")


class Wire:
    """A platinum wire at a temperature, with its line every second."""

    def __init__(self, ohm):
        self.ohm, self._left = ohm, 1.0

    def advance(self, dt_s):
        self._left -= dt_s
        if self._left > 1e-9:
            return b""
        self._left += 1.0
        return f"R {self.ohm:.4f} 1.0\n".encode()

    def receive(self, data):
        return b""

    def due_in_s(self):
        return self._left


def drivers():
    entries = (("ohmmeter", f"{__name__}:OhmmeterDriver"), ("rotational", "drivers.rotational:DESCRIPTION"))
    return Drivers.find([EntryPoint(name, value, "daq.drivers") for name, value in entries])


def written(folder, text=OHMMETER):
    path = folder / "wire-1.toml"
    path.write_text(text, encoding="utf-8")
    return load_instrument(path)


def test_a_resistance_becomes_a_temperature(tmp_path):
    instrument = written(tmp_path)
    driver = drivers().make(instrument.driver, instrument.driver_options)
    assert [(c.name, c.unit) for c in driver.channels] == [("temperature", "Cel"), ("current", "V")]
    # IEC 60751, table of Pt100: 109.73 ohm at 25 degC (to 0.013 K), 100 at 0, 138.51 at 100; the offset is -0.25 K.
    for ohm, celsius, within in ((109.73, 25.0, 0.02), (100.0, 0.0, 1e-9), (138.51, 100.0, 0.02)):
        got = driver.decode(b"R %.3f 1.0" % ohm)
        assert got[0] == pytest.approx(celsius - 0.25, abs=within)
        assert got[1] == 1.0


@pytest.mark.parametrize(("line", "fault"), [(b"R 5.0 1.0", "probe"), (b"R 399.0 1.0", "probe"), (b"R - 1.0", "probe")])
def test_what_no_platinum_wire_has_is_a_fault_of_the_probe(tmp_path, line, fault):
    instrument = written(tmp_path)
    driver = drivers().make(instrument.driver, instrument.driver_options)
    got = driver.decode(line)
    assert (got.values[0], got.faults) == (None, (("temperature", fault),))
    assert driver.decode(b"nonsense") == Reject("unknown line")


def test_an_offset_alone(tmp_path):
    bench = load_changed(
        tmp_path, "instruments/bench-2.toml", ("[options]", '[probes.temperature]\noffset = "0.2 K"\n[options]')
    )
    plain, probed = (drivers().make("rotational", o) for o in (bench.options, bench.driver_options))
    from tests.support.instruments.described import line

    reading = line("val 12.34 30.000 25.000 -").removesuffix(b"\r\n")
    assert plain.decode(reading) == (12.34, 30.0, 25.0)
    assert probed.decode(reading) == (12.34, 30.0, 25.2)
    # Everything else is the driver's own.
    assert probed.poll() == plain.poll()
    assert probed.identify() == plain.identify()
    assert probed.action("speed", 12.0) == plain.action("speed", 12.0)
    assert (probed.capabilities, probed.refresh_ns, probed.framing) == (
        plain.capabilities,
        plain.refresh_ns,
        plain.framing,
    )
    assert probed.digest() != plain.digest()


@pytest.mark.parametrize(
    ("edit", "key", "reason"),
    [
        (
            ('"resistance"', '"volts"'),
            "probes.temperature.channel",
            "there is no channel 'volts'; channels: resistance, current",
        ),
        (('kind = "Pt100"\n', ""), "probes.temperature.kind", "must be in Cel for this probe; name its kind"),
        (('"resistance"', '"current"'), "probes.temperature.kind", "must be in Ohm for this probe; it is in V"),
    ],
)
def test_a_probe_that_cannot_be_is_refused(tmp_path, edit, key, reason):
    instrument = written(tmp_path, OHMMETER.replace(*edit))
    with pytest.raises(SettingError) as caught:
        drivers().make(instrument.driver, instrument.driver_options)
    assert caught.value.key == key
    assert reason in caught.value.reason


@pytest.mark.parametrize(
    ("edit", "key", "reason"),
    [
        (('"Pt100"', '"Pt10"'), "probes.temperature.kind", "must be one of 'Pt100', 'Pt500' or 'Pt1000'; here 'Pt10'"),
        (('"-0.25 K"', '"-0.25 Cel"'), "probes.temperature.offset", "a temperature difference is written in K"),
    ],
)
def test_a_wrong_probe_in_the_file_is_refused(tmp_path, edit, key, reason):
    with pytest.raises(SettingError) as caught:
        written(tmp_path, OHMMETER.replace(*edit))
    assert caught.value.key == key
    assert reason in caught.value.reason


def test_a_run_waits_for_a_platinum_wire_and_replays(tmp_path):
    """The gate is on the external wire: 109.832 ohm are 25.25 degC (IEC 60751), less 0.25 K of its calibration."""
    wire, found = written(tmp_path), drivers()
    bench = load_changed(tmp_path, "instruments/bench-1.toml", ('external = "thermo-1"', 'external = "wire-1"'))
    method = load_changed(
        tmp_path, "methods/clear-glaze-qc.toml", ("target = 25.0 ", 'signal = "external.temperature"\ntarget = 25.0 ')
    )
    made = {"bench-1": driver_for(bench), "wire-1": found.make("ohmmeter", wire.driver_options)}
    assert isinstance(made["wire-1"], ProbedDriver)
    plan = compile_plan(
        method,
        bench,
        made["bench-1"],
        companions=[(wire, made["wire-1"])],
        product=example("products/clear-glaze.toml"),
    )
    simulator = RotationalInstrument(geometry=GEOMETRIES["coaxial-12"], fluid=FLUIDS["clear-glaze"], temperature=25.0)
    rig = Bench(plan, made, {"bench-1": simulator, "wire-1": Wire(109.832)})
    rig.begin()
    rig.run(600.0)
    c = conclude(plan, rig.facts)
    assert (c.validity, c.row.temperature) == ("valid", pytest.approx(25.0, abs=0.005))
    assert c.conditions.temperatures["wire-1.temperature"] == c.row.temperature
    again = replay(rig.journal(), maker(found))
    assert again.same, again.difference
    assert again.other_drivers == ()


def test_soaking_comes_after_the_gate_and_before_the_measurement(tmp_path):
    method = load_changed(
        tmp_path,
        "methods/clear-glaze-qc.toml",
        ("[conditioning.temperature]", '[conditioning]\nsoak = "5 min"\n[conditioning.temperature]'),
    )
    bench = example("instruments/bench-1.toml")
    driver = driver_for(bench)
    plan = compile_plan(method, bench, driver)
    simulator = RotationalInstrument(geometry=GEOMETRIES["coaxial-12"], fluid=FLUIDS["clear-glaze"], temperature=25.0)
    rig = Bench(plan, {"bench-1": driver}, {"bench-1": simulator})
    rig.begin()
    rig.run(900.0)
    from daq.core.effects import Moved

    entered = {e.target: e.t / 1e9 for _, e in rig.effects if isinstance(e, Moved)}
    # The gate holds for 30 s, the soak for 300 s.
    assert entered["starting_preshear"] - entered["soaking"] == pytest.approx(300.0, abs=0.01)
    assert entered["soaking"] - entered["equilibrating"] == pytest.approx(30.0, abs=0.3)


def test_whatever_the_contract_holds_is_passed_through_and_parts_of_a_reading_are_turned_too():
    class Bridge(OhmmeterDriver):
        echoes = True
        shares_line = True
        pause_ns = 7
        wake = b"\x00"
        wake_after_ns, wake_wait_ns = 8, 9
        lag_ns = 10
        stale_after_ns = 0

        def decode(self, line, asked=None):
            return Part(((0, float(line)), (1, 3.0)), (("resistance", "probe"),))

    plain = Bridge({})
    probed = ProbedDriver(plain, {"temperature": {"channel": "resistance", "kind": "Pt100", "offset": 0.0}})
    for name in get_annotations(Driver):
        if name != "channels":
            assert getattr(probed, name) == getattr(plain, name), name
    # IEC 60751: 138.51 Ohm at 100 degC; 1000 Ohm is no temperature of a platinum wire.
    found = probed.decode(b"138.5055")
    assert found.values[0] == (0, pytest.approx(100.0, abs=1e-4))
    assert found.values[1:] == ((1, 3.0),)
    assert found.faults == (("temperature", "probe"),)
    assert probed.decode(b"1000").values[0] == (0, None)

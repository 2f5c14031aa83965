"""Every built-in driver passes the kit against its simulator, which was written from the dialect's text alone."""

import asyncio
import subprocess
import sys
from pathlib import Path

import pytest

from daq.adapters.ports.transport import PortAddress
from daq.app.setup.driver_choice import chosen_driver
from daq.app.setup.drivers import Drivers
from daq.app.workshop.trying import Trial
from daq.descriptions.load import load_description
from daq.testing import assert_conforms
from tests.support.dialects.instruments import FOLDER
from tests.support.instruments.driver_cases import BATH, CASES, NAMES, instrument

ROOT = Path(__file__).parents[2]


@pytest.mark.parametrize(("name", "options", "kind", "given"), CASES, ids=NAMES)
def test_a_built_in_driver_conforms_to_its_simulator(name, options, kind, given):
    report = assert_conforms(chosen_driver(name, options), simulator=lambda: instrument(kind, given))
    assert report.finding("clean line").outcome == "passed"


def test_no_built_in_driver_is_left_out():
    assert {c[0] for c in CASES} == set(Drivers.find().names)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("name", "options", "file"),
    [("printer-port", {}, "printer_port/printer-port.capture"), ("modbus", BATH, "modbus/bath.capture")],
)
def test_a_built_in_driver_conforms_to_its_capture_with_notes_of_the_display(name, options, file):
    report = assert_conforms(chosen_driver(name, options), capture=ROOT / "drivers" / file)
    assert report.finding("values shown").outcome == "passed"


DESCRIBED = {"density-meter": "density", "moisture-meter": "moisture", "weighing-terminal": "printer"}


@pytest.mark.slow
@pytest.mark.asyncio
async def test_simulators_in_processes_of_their_own_are_read_over_pseudo_terminals(tmp_path):
    """They share nothing with daq; the weighing terminal prints its first block after 2 s."""
    drivers = {"printer-scale": chosen_driver("printer-port", {})()}
    for kind, name in DESCRIBED.items():
        options = {"address": 17} if name == "density" else {}
        drivers[kind] = load_description(FOLDER / f"{name}.toml").driver(options)
    hosts = {kind: host(kind, tmp_path, *(("--every", "0.5") if kind == "printer-scale" else ())) for kind in drivers}
    try:
        trials = {}
        for kind, process in hosts.items():
            assert process.stdout.readline().startswith("ready ")
            trials[kind] = Trial(
                drivers[kind], PortAddress(str(tmp_path / kind), drivers[kind].port), lambda _tried: None
            )
        lost = await asyncio.gather(*(trial.run(readings=2, seconds=60.0) for trial in trials.values()))
        assert lost == [""] * len(trials)
        for kind, trial in trials.items():
            assert trial.tried.readings >= 2, kind
            assert None not in trial.tried.values, kind
            assert all("ignore" in reason for reason in trial.tried.report["rejected"]), kind
        assert trials["moisture-meter"].tried.identity.serial == "MO-2094"
    finally:
        for process in hosts.values():
            process.kill()
            process.wait()
            process.stdout.close()


def host(kind, folder, *more):
    command = [sys.executable, "-m", "simulators.host", kind, "--pty", str(folder / kind), *more]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT)

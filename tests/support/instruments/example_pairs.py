"""Every example instrument with its driver and its simulator."""

from typing import Any

from daq.app.setup.drivers import Drivers
from daq.core.driver import Driver
from simulators.kinds import KINDS
from tests.support.runs.examples import example

INSTRUMENTS = {
    "balance-1": ("balance", {}),
    "scale-1": ("printer-scale", {}),
    "ph-1": ("ph-meter", {}),
    "thermo-1": ("thermometer", {}),
    "thermo-2": ("scpi-thermometer", {}),
    "multimeter-1": ("multimeter", {"function": "resistance"}),
    "tank-1": ("level", {}),
    "logger-1": ("column-logger", {}),
    "bath-1": ("bath", {}),
    "bench-1": ("rotational", {"fluid": "clear-glaze", "geometry": "coaxial-12"}),
    "bench-3": ("streaming-rotational", {"fluid": "clear-glaze", "geometry": "coaxial-12"}),
}
"""Kind of simulator and its options, by name of the example's instrument file."""
DRIVERS = Drivers.find()


def driver_of(instrument: Any) -> Driver:
    return DRIVERS.make(instrument.driver, instrument.driver_options)


def simulator(kind: str, seed: int = 1, **options: Any) -> Any:
    """Return a simulator with its default options, as the simulators' host makes it."""
    entry = KINDS[kind]
    given = {option.name: option.default for option in entry.options} | options
    return entry.make(seed, serial=entry.serial, **given)


def pair(name: str, seed: int = 1, **more: Any) -> tuple[Any, Driver, Any]:
    """Return an example's instrument, its driver and its simulator."""
    instrument = example(f"instruments/{name}.toml")
    kind, options = INSTRUMENTS[name]
    return instrument, driver_of(instrument), simulator(kind, seed, **{**options, **more})

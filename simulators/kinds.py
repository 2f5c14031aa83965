"""Kinds of simulated instruments, one entry each: name, constructor and options."""

import argparse
import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from simulators.balance import Balance
from simulators.bath import Bath
from simulators.column_logger import ColumnLogger
from simulators.dialects import DensityMeter, MoistureMeter, WeighingTerminal
from simulators.level import LevelSensor
from simulators.misbehaviour import SimulatedInstrument
from simulators.multimeter import Multimeter
from simulators.ph_meter import PhMeter
from simulators.printer_scale import PrinterScale
from simulators.rotational import FLUIDS, GEOMETRIES, RotationalInstrument, Specification
from simulators.scpi_thermometer import ScpiThermometer
from simulators.streaming_rotational import StreamingRotational
from simulators.thermometer import Thermometer
from simulators.words import celsius


@dataclass(frozen=True)
class Option:
    """One option of the command line; its value is passed to the instrument under the option's name."""

    name: str
    default: Any
    read: Callable[[str], Any] = str
    choices: tuple[str, ...] = ()
    metavar: str | None = None
    help: str = ""

    @property
    def flag(self) -> str:
        """The option on the command line."""
        return "--" + self.name.replace("_", "-")


@dataclass(frozen=True)
class Kind:
    """One kind of instrument."""

    make: Callable[..., SimulatedInstrument]
    """Called with the seed and, by keyword, with the options and the serial number (where the kind has one)."""
    serial: str
    title: str
    options: tuple[Option, ...] = ()


def _temperature(text: str) -> float:
    return celsius(float(text))


def _above_zero(text: str) -> float:
    value = float(text)
    if not (math.isfinite(value) and value > 0.0):
        raise ValueError(f"must be above 0, got {text}")
    return value


def _rotational(seed: int, *, serial: str, fluid: str, geometry: str, full_scale: float, temperature: float) -> Any:
    spec = Specification(full_scale_unm=full_scale)
    return RotationalInstrument(spec, GEOMETRIES[geometry], FLUIDS[fluid], seed, temperature=temperature, serial=serial)


def _streaming(seed: int, *, serial: str, fluid: str, geometry: str, full_scale: float, temperature: float) -> Any:
    return StreamingRotational(
        GEOMETRIES[geometry],
        FLUIDS[fluid],
        seed,
        temperature=temperature,
        full_scale_unm=full_scale,
        serial=serial,
    )


TEMPERATURE = Option("temperature", 25.0, _temperature, metavar="CEL", help="temperature of the sample or surroundings")
ADDRESS = Option("address", 17, int, metavar="N", help="1 to 247")
TURNING = (
    Option("fluid", "air", choices=tuple(FLUIDS), help="content of the vessel"),
    Option("geometry", "coaxial-15", choices=tuple(GEOMETRIES), help="the fitted measuring geometry"),
    Option("full_scale", 1000.0, _above_zero, metavar="UNM", help="torque at 100 %%, uN.m"),
    TEMPERATURE,
)

KINDS: dict[str, Kind] = {
    "rotational": Kind(_rotational, "R-1042", "rotational instrument, polled", TURNING),
    "streaming-rotational": Kind(_streaming, "V-0915", "rotational instrument that streams its own viscosity", TURNING),
    "thermometer": Kind(Thermometer, "T-0310", "thermometer, a line every second", (TEMPERATURE,)),
    "scpi-thermometer": Kind(ScpiThermometer, "T-2044", "thermometer with two probes, SCPI", (TEMPERATURE,)),
    "balance": Kind(Balance, "B-0207", "laboratory balance with a print key"),
    "ph-meter": Kind(
        PhMeter,
        "P-0330",
        "pH meter, a line every second",
        (TEMPERATURE, Option("ph", 7.0, float, metavar="PH", help="of the sample")),
    ),
    "multimeter": Kind(
        Multimeter,
        "M-0610",
        "multimeter, SCPI",
        (
            Option("function", "voltage", choices=("voltage", "resistance"), help="resistance: of a platinum probe"),
            Option("voltage", 1.25, float, metavar="V", help="between its leads"),
            TEMPERATURE,
        ),
    ),
    "bath": Kind(
        Bath,
        "H-00712A",
        "temperature bath, Modbus",
        (
            ADDRESS,
            Option("mode", "rtu", choices=("rtu", "ascii"), help="framing on the line"),
            TEMPERATURE,
        ),
    ),
    "level": Kind(
        LevelSensor,
        "L-0088",
        "level sensor of a slip tank, sentences",
        (Option("level", 1.234, float, metavar="M", help="of the tank"), TEMPERATURE),
    ),
    "printer-scale": Kind(
        PrinterScale,
        "",
        "scale with a printer port, a line at each press of its key",
        (Option("every", 0.0, float, metavar="S", help="prints by itself after S seconds; 0: never"),),
    ),
    "density-meter": Kind(
        DensityMeter,
        "TG-31 A",
        "density meter, frames of bytes",
        (ADDRESS,),
    ),
    "moisture-meter": Kind(MoistureMeter, "MO-2094", "moisture meter, STX, ETX and a block check"),
    "weighing-terminal": Kind(
        lambda seed, serial: WeighingTerminal(seed, serial=serial), "", "weighing terminal, blocks of lines"
    ),
    "column-logger": Kind(ColumnLogger, "", "logger of two temperatures, plain columns", (TEMPERATURE,)),
}


def all_options() -> dict[str, Option]:
    """Return every option once, by name; kinds that share a name share the option."""
    return {option.name: option for kind in KINDS.values() for option in kind.options}


def made(given: argparse.Namespace) -> SimulatedInstrument:
    """Return the instrument of a command line; options that are not given are None.

    Raises:
        ValueError: an option that the kind does not have, or a wrong value.
    """
    kind = KINDS[given.kind]
    own = {option.name for option in kind.options}
    arguments: dict[str, Any] = {}
    for name, option in all_options().items():
        text = getattr(given, name)
        if text is not None and name not in own:
            others = " or ".join(k for k, v in KINDS.items() if option in v.options)
            raise ValueError(f"{option.flag} is for a {others}; leave it out for a {given.kind}")
        if name in own:
            try:
                arguments[name] = option.default if text is None else option.read(text)
            except ValueError as error:
                raise ValueError(f"{option.flag}: {error}") from None
    return kind.make(given.seed, serial=given.serial or kind.serial, **arguments)

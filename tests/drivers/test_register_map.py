"""Maps of registers in CSV: the same channels as in TOML, every wrong cell named, and the right values of a simulated bath."""

import csv
import io
import random
import tomllib

import pytest

from daq.app.cli import main
from daq.core.errors import SettingError
from daq.core.faults import FAULTS
from daq.core.units import UNITS
from daq.testing.talk import record, transcribe, values_of
from drivers.modbus import ModbusDriver
from drivers.modbus.register_map import channels_of, toml_of
from drivers.modbus.registers import FORMATS, ORDERS
from simulators.bath import Bath
from tests.support.runs.examples import CONFIG, example

HEAD = "name,register,unit,low,high,type,scale,special\n"
WITHOUT_VALUE = sorted(name for name, fault in FAULTS.items() if not fault.keeps_value)


def test_the_example_map_gives_the_channels_of_the_example_instrument():
    found = channels_of((CONFIG / "registers/bath-1.csv").read_text("utf-8"))
    bath = example("instruments/bath-1.toml")
    options = dict(bath.driver_options)
    assert ModbusDriver(options | {"channels": found}).poll() == ModbusDriver(options).poll()
    assert ModbusDriver(options | {"channels": found})._measured == ModbusDriver(options)._measured


def test_the_command_prints_tables_for_the_instruments_file(capsys):
    assert main(["driver", "registers", str(CONFIG / "registers/bath-1.csv")]) == 0
    tables = tomllib.loads(capsys.readouterr().out)["options"]["channels"]
    assert tables == channels_of((CONFIG / "registers/bath-1.csv").read_text("utf-8"))


def random_channels(rng):
    found = {}
    for number in range(rng.randint(1, 8)):
        table = {
            "register": rng.randrange(60_000), "unit": rng.choice(sorted(UNITS)), "low": rng.choice((-1e3, -0.5, 0.0)),
            "high": rng.choice((1.0, 250.25)), "type": rng.choice(sorted(FORMATS)), "table": rng.choice(("input", "holding")),
        }  # fmt: skip
        more = {
            "words": rng.choice(ORDERS), "bytes": rng.choice(ORDERS), "scale": rng.choice((0.01, -2.5, 1e-6)), "offset": 273.15,
            "special": {str(n): rng.choice(WITHOUT_VALUE) for n in rng.sample(range(-40_000, 40_000), rng.randint(1, 3))},
        }  # fmt: skip
        found[f"channel_{number}"] = table | {name: more[name] for name in more if rng.random() < 0.5}
    return found


def written(channels, *, semicolon, by_address, rng):
    """Write a map, with the columns in any order."""
    names = [*dict.fromkeys(name for table in channels.values() for name in ("name", *table))]
    names = [n for n in names if not (by_address and n in ("register", "table"))] + (["address"] if by_address else [])
    rng.shuffle(names)
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";" if semicolon else ",", lineterminator=rng.choice(("\n", "\r\n")))
    writer.writerow([rng.choice((name, name.upper(), f" {name} ")) for name in names])
    for channel, table in channels.items():
        first = {"input": 300_001, "holding": 400_001}[table["table"]]
        cells = table | {"name": channel, "address": first + table["register"]}
        row = []
        for name in names:
            cell = cells.get(name, "")
            if isinstance(cell, dict):
                cell = " ".join(f"{n}={fault}" for n, fault in cell.items())
            elif isinstance(cell, float):
                cell = repr(cell).replace(".", ",") if semicolon else repr(cell)
            row.append(cell)
        writer.writerow(row)
        if rng.random() < 0.2:
            writer.writerow(["" for _ in names])
    return rng.choice(("", "\ufeff")) + out.getvalue()


@pytest.mark.parametrize("seed", range(60))
def test_what_is_written_is_read_and_printed_as_toml(seed):
    rng = random.Random(f"register map {seed}")
    channels = random_channels(rng)
    text = written(channels, semicolon=rng.random() < 0.5, by_address=rng.random() < 0.5, rng=rng)
    found = channels_of(text)
    assert found == channels
    assert tomllib.loads(toml_of(found))["options"]["channels"] == channels


@pytest.mark.parametrize(
    ("text", "key", "reason"),
    [
        ("", "row 1", "the column 'name' is missing"),
        ("name,register,unit,low\n", "row 1", "the column 'high' is missing"),
        ("name,unit,low,high\n", "row 1", "the column 'register' is missing"),
        (HEAD.replace("unit", "einheit"), "row 1", "the column 'einheit' is unknown"),
        (HEAD.replace("scale", "unit"), "row 1", "the column 'unit' is twice"),
        (HEAD, "", "has no register"),
        (HEAD + "t,1,Cel,0,9\nt,2,Cel,0,9\n", "row 3.name", "is the name of an earlier row"),
        (HEAD + "t,1,Grad,0,9\n", "row 2.unit", "must be one of"),
        (HEAD + "t,x,Cel,0,9\n", "row 2.register", "whole number"),
        (HEAD + "t,70000,Cel,0,9\n", "row 2.register", "from 0 to 65535"),
        (HEAD + "t,1,Cel,9,0\n", "row 2.low", "must be below high"),
        (HEAD + 't,1,Cel,0,"9,5"\n', "row 2.high", "with a decimal point"),
        (HEAD + "t,1,Cel,0,1_0\n", "row 2.high", "is no number"),
        (HEAD + "t,1,Cel,0,nan\n", "row 2.high", "is no number"),
        (HEAD + "t,1,Cel,0,9,int17\n", "row 2.type", "must be one of"),
        (HEAD + "t,1,Cel,0,9,int16,0\n", "row 2.scale", "must not be 0"),
        (HEAD + "t,1,Cel,0,9,int16,1,-1:probe\n", "row 2.special", "is not NUMBER=FAULT"),
        (HEAD + "t,1,Cel,0,9,int16,1,-1=nothing\n", "row 2.special.-1", "must be a fault without value"),
        (HEAD + "t,1,Cel,0,9,int16,1,,more\n", "row 2", "has 9 columns, the first row 8"),
        ("name,address,unit,low,high\nt,50001,Cel,0,9\n", "row 2.address", "such as 30001"),
        ("name,address,unit,low,high\nt,30000,Cel,0,9\n", "row 2.address", "such as 30001"),
        ("name,address,table,unit,low,high\nt,30001,holding,Cel,0,9\n", "row 2.address", "is of the table input"),
        ("name,address,register,unit,low,high\nt,30001,1,Cel,0,9\n", "row 2.register", "give one of register"),
        (HEAD + "T 1,1,Cel,0,9\n", "row 2", "small letters"),
    ],
)
def test_a_wrong_cell_is_named(text, key, reason):
    with pytest.raises(SettingError) as caught:
        channels_of(text, "map.csv")
    assert (caught.value.file, caught.value.key) == ("map.csv", key)
    assert reason in caught.value.reason


def test_the_values_of_a_bath_are_read_by_its_map():
    bath = Bath(address=17)
    bath.commands()["temperature"](["42.5"])
    driver = ModbusDriver(
        {"address": 17, "channels": channels_of((CONFIG / "registers/bath-1.csv").read_text("utf-8"))}
    )
    readings = transcribe(driver, record(driver, bath, readings=4), "bath").readings
    assert len(readings) == 4
    for e in readings:
        assert values_of(e.meaning)[0] == pytest.approx(42.5, abs=0.3)
        assert values_of(e.meaning)[1] == pytest.approx(42.5, abs=0.3)

"""Maps of registers in CSV: the same channels as in TOML, every wrong cell named, and the right values of a simulated bath."""

import csv
import io
import random
import struct
import tomllib

import pytest

from daq.app.cli import main
from daq.core.errors import SettingError
from daq.core.faults import FAULTS
from daq.core.units import UNITS
from daq.testing.talk import record, transcribe, values_of
from drivers.modbus import ModbusDriver
from drivers.modbus.register_map import channels_of, toml_of
from drivers.modbus.registers import FORMATS, ORDERS, measured_of
from simulators.bath import Bath
from tests.support.runs.examples import CONFIG, example

HEAD = "name,register,unit,low,high,type,scale,special\n"
WORDS = HEAD.replace("special", "words")
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
    for number, register in enumerate(rng.sample(range(0, 60_000, 4), rng.randint(1, 8))):
        table = {
            "register": register, "unit": rng.choice(sorted(UNITS)), "low": rng.choice((-1e3, -0.5, 0.0)),
            "high": rng.choice((1.0, 250.25)), "type": rng.choice(sorted(FORMATS)), "table": rng.choice(("input", "holding")),
        }  # fmt: skip
        more = {
            "words": rng.choice(ORDERS), "bytes": rng.choice(ORDERS), "scale": rng.choice((0.01, -2.5, 1e-6)), "offset": 273.15,
            "special": {str(n): rng.choice(WITHOUT_VALUE) for n in rng.sample(range(-40_000, 40_000), rng.randint(1, 3))},
        }  # fmt: skip
        needed = ("words",) if table["type"][-2:] in ("32", "64") else ()
        found[f"channel_{number}"] = table | {name: more[name] for name in more if name in needed or rng.random() < 0.5}
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
        ("name,register,type,unit,low\n", "row 1", "the column 'high' is missing"),
        ("name,type,unit,low,high\n", "row 1", "the column 'register' is missing"),
        (HEAD.replace("unit", "einheit"), "row 1", "the column 'einheit' is unknown"),
        (HEAD.replace("scale", "unit"), "row 1", "the column 'unit' is twice"),
        (HEAD, "", "has no register"),
        (HEAD + "t,1,Cel,0,9,int16\nt,2,Cel,0,9,int16\n", "row 3.name", "is the name of an earlier row"),
        (HEAD + "t,1,Grad,0,9,int16\n", "row 2.unit", "must be one of"),
        (HEAD + "t,x,Cel,0,9,int16\n", "row 2.register", "whole number"),
        (HEAD + "t,70000,Cel,0,9,int16\n", "row 2.register", "from 0 to 65535"),
        (HEAD + "t,1,Cel,9,0,int16\n", "row 2.low", "must be below high"),
        (HEAD + 't,1,Cel,0,"9,5",int16\n', "row 2.high", "with a decimal point"),
        (HEAD + "t,1,Cel,0,1_0,int16\n", "row 2.high", "is no number"),
        (HEAD + "t,1,Cel,0,nan,int16\n", "row 2.high", "is no number"),
        (HEAD + "t,1,Cel,0,9,int17\n", "row 2.type", "must be one of"),
        (HEAD + "t,1,Cel,0,9,int16,0\n", "row 2.scale", "must not be 0"),
        (HEAD + "t,1,Cel,0,9,int16,1,-1:probe\n", "row 2.special", "is not NUMBER=FAULT"),
        (HEAD + "t,1,Cel,0,9,int16,1,-1=nothing\n", "row 2.special.-1", "must be a fault without value"),
        (HEAD + "t,1,Cel,0,9,int16,1,,more\n", "row 2", "has 9 columns, the first row 8"),
        ("name,address,type,unit,low,high\nt,50001,int16,Cel,0,9\n", "row 2.address", "such as 30001"),
        ("name,address,type,unit,low,high\nt,30000,int16,Cel,0,9\n", "row 2.address", "such as 30001"),
        (
            "name,address,table,type,unit,low,high\nt,30001,holding,int16,Cel,0,9\n",
            "row 2.address",
            "is of the table input",
        ),
        (
            "name,address,register,type,unit,low,high\nt,30001,1,int16,Cel,0,9\n",
            "row 2.register",
            "give one of register",
        ),
        ("name,register,unit,low,high\nt,1,Cel,0,9\n", "row 1", "the column 'type' is missing"),
        (HEAD + "t,1,Cel,0,9,,0.1\n", "row 2.type", "is missing"),
        (HEAD + "t,1,Cel,0,9,int16,1,32.767=probe\n", "row 2.special", "may be 32.7670 or 32767"),
        (HEAD + "T 1,1,Cel,0,9,int16\n", "row 2", "small letters"),
    ],
)
def test_a_wrong_cell_is_named(text, key, reason):
    with pytest.raises(SettingError) as caught:
        channels_of(text, "map.csv")
    assert (caught.value.file, caught.value.key) == ("map.csv", key)
    assert reason in caught.value.reason


@pytest.mark.parametrize("kind", FORMATS)
def test_each_type_is_read_in_each_order_of_its_words_and_never_without_one(kind):
    """The same bytes in another type or another order are another number: none of them is a usual value."""
    number = 25.0
    with pytest.raises(SettingError, match="is missing"):
        channels_of(WORDS + "t,1,Cel,-40,160,,1,high first\n")
    size = struct.calcsize(FORMATS[kind])
    for order in ORDERS:
        table = channels_of(WORDS + f"t,1,Cel,-40,160,{kind},1,{order}\n")
        measured = measured_of("t", table["t"], "")
        raw = struct.pack(">" + FORMATS[kind], number if "float" in kind else int(number))
        words = [raw[at : at + 2] for at in range(0, size, 2)]
        assert measured.read(b"".join(words if order == "high first" else words[::-1])) == (number, "")
    without = WORDS + f"t,1,Cel,-40,160,{kind},1\n"
    if size == 2:
        assert channels_of(without)["t"]["type"] == kind
    else:
        with pytest.raises(SettingError) as caught:
            channels_of(without, "map.csv")
        assert (caught.value.file, caught.value.key) == ("map.csv", "row 2.words")


@pytest.mark.parametrize("first", FORMATS)
@pytest.mark.parametrize("second", FORMATS)
def test_rows_that_share_a_part_of_their_registers_are_refused(first, second):
    size = struct.calcsize(FORMATS[first]) // 2
    for apart in range(1 - struct.calcsize(FORMATS[second]) // 2, size + 1):
        if (apart, first) == (0, second):
            continue  # the same number twice
        text = WORDS + f"a,100,1,0,9,{first},1,high first\nb,{100 + apart},1,0,9,{second},1,high first\n"
        if apart == size:
            assert len(channels_of(text)) == 2
            continue
        with pytest.raises(SettingError) as caught:
            channels_of(text, "map.csv")
        assert (caught.value.key, caught.value.file) == ("row 3.register", "map.csv")
        with pytest.raises(SettingError, match="shares registers"):
            ModbusDriver(
                {
                    "address": 1,
                    "channels": {
                        "a": {"register": 100, "type": first, "words": ORDERS[0], "unit": "1", "low": 0, "high": 9},
                        "b": {"register": 100 + apart, "type": second, "words": ORDERS[0], "unit": "1", "low": 0, "high": 9},
                    },
                }
            )  # fmt: skip


@pytest.mark.parametrize("column", ["low", "high", "scale", "offset"])
@pytest.mark.parametrize("number", ["1{}000", "-12{}500", "999{}999", "001{}050"])
@pytest.mark.parametrize("mark", [",", "."])
@pytest.mark.parametrize("separator", [",", ";"])
def test_a_mark_before_exactly_three_digits_is_refused_in_every_cell(column, number, mark, separator):
    cells = {"name": "t", "register": "1", "type": "int16", "unit": "1", "low": "-9999999", "high": "9999999"}
    cells |= {column: number.format(mark)}
    out = io.StringIO()
    csv.writer(out, delimiter=separator).writerows([list(cells), list(cells.values())])
    with pytest.raises(SettingError) as caught:
        channels_of(out.getvalue())
    assert caught.value.key == f"row 2.{column}"
    assert "write one of the two" in caught.value.reason


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


def registers_of(kind, number, words, order):
    """Bytes of the registers of a number, built from its bits; a float's bits are those of `struct`."""
    bits = int(kind[-2:])
    if kind.startswith("float"):
        whole = int.from_bytes(struct.pack("<f" if bits == 32 else "<d", number), "little")
    elif kind.startswith("magnitude"):
        whole = abs(number) + (number < 0) * 2 ** (bits - 1)
    else:
        whole = number % 2**bits
    registers = [whole >> 16 * at & 0xFFFF for at in range(bits // 16)]
    if words == "high first":
        registers.reverse()
    pairs = [(one >> 8, one & 0xFF) if order == "high first" else (one & 0xFF, one >> 8) for one in registers]
    return bytes(byte for pair in pairs for byte in pair)


@pytest.mark.parametrize("kind", FORMATS)
@pytest.mark.parametrize("words", ORDERS)
@pytest.mark.parametrize("order", ORDERS)
def test_every_type_of_a_map_reads_and_writes_what_a_writer_makes(kind, words, order):
    rng = random.Random(f"{kind} {words} {order}")
    text = f"name,register,type,words,bytes,unit,low,high\nt,7,{kind},{words},{order},1,-1e12,1e12\n"
    place = measured_of("t", channels_of(text)["t"], "").place
    top = 2 ** (int(kind[-2:]) - 1)
    low = {"u": 0, "i": -top, "m": 1 - top}.get(kind[0], 0)
    high = 2 * top - 1 if kind[0] == "u" else top - 1
    for _ in range(200):
        number = rng.choice((low, high, low + 1, 0, 1, rng.randint(low, high)))
        if kind.startswith("float"):
            number = struct.unpack(">f", struct.pack(">f", rng.gauss(0, 1e3)))[0]
        raw = registers_of(kind, number, words, order)
        assert place.number(raw) == number, raw.hex()
        assert place.raw(number) == raw
    if not kind.startswith("float"):
        for beyond in (low - 1, high + 1):
            with pytest.raises(OverflowError):
                place.raw(beyond)

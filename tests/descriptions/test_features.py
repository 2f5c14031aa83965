"""Abilities of instruments that a description must be able to express: one small description each."""

import pytest

from daq.core.driver import Channel, Identity, Part, Port, Reject, Reply, Values
from daq.core.errors import DriverError, SettingError, SettingErrors
from daq.core.exchange import Exchange
from daq.core.frames import make_framer
from daq.descriptions.load import check_description, describe
from tests.support.instruments.built_in import BUILT_IN

S = 1_000_000_000
MASS = {"name": "mass", "unit": "g", "low": -10, "high": 1000}


def driver(pattern="{mass:number}", options=None, *, fields=None, says="reading", **more):
    """One channel, one line, and what a test adds."""
    tables = {"format": 1, "kind": "small", "channel": [MASS], "stream": {}, **more}
    if pattern is not None:
        tables.setdefault("line", {"it": {"says": says, "pattern": pattern, "fields": fields or {}}})
    return check_description(tables).driver(options or {})


def test_serial_line_and_its_manners():
    d = driver(
        port={
            "baud": 1200, "data_bits": 7, "parity": "E", "stop_bits": 2, "flow": "xon/xoff", "dtr": False, "rts": True,
            "settle": "1.5 s", "byte_pause": "5 ms", "pause": "50 ms", "wake": "\u0000\r", "wake_after": "30 s",
            "wake_wait": "200 ms", "echo": True, "shared": True,
        },
        lag="0.5 s",
    )  # fmt: skip
    assert d.port == Port(1200, 7, "E", 2, "xon/xoff", False, True, 1_500_000_000, 5_000_000)
    assert (d.pause_ns, d.wake, d.wake_after_ns, d.wake_wait_ns) == (50_000_000, b"\0\r", 30 * S, 200_000_000)
    assert (d.echoes, d.shares_line, d.lag_ns) == (True, True, S // 2)


@pytest.mark.parametrize(
    "pattern", ["{mass:number}{label}", "{mass:padded}{label}{:pad}", "{label}{mass:number}{label} g"]
)
def test_an_option_without_a_text_is_no_part_of_the_line(pattern):
    tables = {"format": 1, "kind": "small", "channel": [MASS], "stream": {}}
    tables["options"] = {"label": {"default": "", "about": "text beside the number"}}
    tables["line"] = {"it": {"says": "reading", "pattern": pattern}}
    line = pattern.replace("{mass:number}", "1.5").replace("{mass:padded}", "1.5").replace("{:pad}", "")
    for label in ("", ";"):
        d = check_description(tables).driver({"label": label})
        assert d.decode(line.replace("{label}", label).encode()) == (1.5,)
        assert isinstance(d.decode(line.replace("{label}", "?").encode()), Reject)


def test_an_instrument_that_prints_when_its_key_is_pressed():
    d = driver(stream={"stale_after": 0})
    assert (d.streams, d.stale_after_ns, d.poll(), d.identify()) == (True, 0, None, None)


@pytest.mark.parametrize(
    ("framing", "sent", "frames"),
    [
        ({"ends": ["\r", "\n"]}, b"1.5\r\n2.5\n3.5\r", [b"1.5", b"2.5", b"3.5"]),
        ({"begin": "\u0002", "ends": ["\u0003"]}, b"xx\x021.5\x03yy\x022.5\x03", [b"1.5", b"2.5"]),
        ({"begin": "\u0002", "length": 3}, b"xx\x021.5yy\x022.5", [b"1.5", b"2.5"]),
        ({"length": 3}, b"1.52.5", [b"1.5", b"2.5"]),
        ({"drop_first": True}, b"5\r\n2.5\r\n", [b"2.5"]),
    ],
)
def test_marks_of_a_line(framing, sent, frames):
    d = driver(framing=framing)
    assert make_framer(d.framing).feed(0, sent) == frames
    assert [d.decode(f) for f in frames] == [(float(f),) for f in frames]


def test_a_line_that_ends_by_silence():
    framer = make_framer(driver(framing={"silence": "10 ms"}).framing)
    assert framer.feed(0, b"1.5") == []
    assert framer.tick(10_000_000) == [b"1.5"]


@pytest.mark.parametrize(
    ("checksum", "line"),
    [
        # Sums and CRCs of these texts by the definitions; those of CRC-16 by the public package `crc`.
        ({"name": "sum"}, b"12.50F6"),
        ({"name": "xor", "mark": "*"}, b"12.50*28"),
        ({"name": "xor", "mark": "*", "covers_mark": True}, b"12.50*02"),
        ({"name": "lrc", "written": "decimal"}, b"12.50010"),
        ({"name": "crc-16/modbus", "letters": "lower", "mark": " "}, b"12.5 a072"),
        ({"name": "crc-16/modbus", "letters": "either", "mark": " "}, b"12.5 A072"),
        ({"name": "sum", "digits": 4}, b"12.5000F6"),
    ],
)
def test_ways_to_write_a_checksum(checksum, line):
    d = driver(checksum=checksum)
    assert d.has_checksum
    assert d.decode(line) == (12.5,)
    for at in range(len(line)):
        for bit in range(7):
            broken = bytearray(line)
            broken[at] ^= 1 << bit
            if bytes(broken).lower() != line.lower():
                assert isinstance(d.decode(bytes(broken)), Reject), broken


def test_a_checksum_of_bytes():
    from crc import Calculator, Crc16

    d = driver(framing={"length": 7}, checksum={"name": "crc-16/modbus", "written": "little_endian"})
    check = Calculator(Crc16.MODBUS).checksum(b"12.50")
    assert d.decode(b"12.50" + check.to_bytes(2, "little")) == (12.5,)
    assert d.decode(b"12.50" + check.to_bytes(2, "big")) == Reject("wrong checksum")


def test_a_checksum_that_covers_the_beginning():
    d = driver(framing={"begin": "$"}, checksum={"name": "sum", "covers_begin": True})
    assert d.decode(b"12.50%02X" % (sum(b"$12.50") & 0xFF)) == (12.5,)


@pytest.mark.parametrize(
    ("pattern", "field", "line", "value"),
    [
        ("{mass:number} g", {}, b"-1.25 g", -1.25),
        ("{mass:number 9}g", {}, b"    1.250g", 1.25),
        ("{mass:number 9}g", {}, b"1.250    g", 1.25),
        ("S{mass:padded}g", {}, b"S-   1.25g", -1.25),
        ("{:pad}{mass:number}{:pad}{:letters}", {}, b"   1.25 kg", 1.25),
        ("{mass:hex}", {}, b"1F", 31.0),
        ("{mass:nr3}", {}, b"+1.250000E+02", 125.0),
        ("{mass:scientific}", {}, b".5e1", 5.0),
        ("{mass:number}", {"decimal": "comma"}, b"1,25", 1.25),
        ("{mass:number}", {"unit": "kg"}, b"0.25", 250.0),
        ("{mass:number}", {"scale": 0.5, "offset": 1.0}, b"3", 2.5),
        ("{mass:number}[ {:letters}]", {}, b"1.5", 1.5),
        ("{mass:number}[ {:letters}]", {}, b"1.5 g", 1.5),
        ("[[{mass:number}]] {{x}}", {}, b"[1.5] {x}", 1.5),
        ("{mass:number}\N{DEGREE SIGN}", {}, b"1.5\xb0", 1.5),
        ("{mass:number};{:rest}", {}, b"1.5;\x00\xff;;", 1.5),
        ("{:text};{mass:number}", {}, b"any thing;1.5", 1.5),
        ("{mass:number}", {}, b"-0.0", 0.0),
    ],
)
def test_ways_to_write_a_number(pattern, field, line, value):
    d = driver(pattern, fields={"mass": field} if field else None)
    assert d.decode(line) == (value,)
    assert str(d.decode(line)[0]) == str(value)  # no negative zero
    assert isinstance(d.decode(b"x" + line[1:] + b"x"), Reject) or b"{:" in pattern.encode()


@pytest.mark.parametrize(
    "line",
    [b"nan", b"inf", b"-inf", b"1e5", b"1_0", b"0x10", b"\xe2\x88\x925", b"1,5", b"1.", b".5", b"+-1", b"1.5 ",
     b" 1.5", b"\xd9\xa1", b"1" * 16, b"--1", b"1.5\n", b"1.5\x00"],
)  # fmt: skip
def test_what_is_no_number(line):
    assert driver().decode(line) == Reject("unknown line")
    assert driver(framing={"encoding": "utf-8"}).decode(line) == Reject("unknown line")


@pytest.mark.parametrize("line", [b"", b" ", b"\t  "])
@pytest.mark.parametrize("more", [{}, {"checksum": {"name": "xor", "mark": "*"}}])
def test_an_empty_line_of_a_printer_is_ignored_and_gives_no_value(line, more):
    assert driver(**more).decode(line) == Reject("ignored: an empty line")


@pytest.mark.parametrize(
    ("first", "second", "refused"),
    [("-0", "-0.00", True), ("9999", "9999.0", True), ("+9", "9", True), ("-0", "0", False), ("9999", "999.9", False)],
)
def test_two_faults_of_one_number_are_refused(first, second, refused):
    """Before, the second one was taken for both."""
    fields = {"mass": {"special": {first: "probe", second: "sensor"}}}
    if refused:
        with pytest.raises(SettingError, match="is the same number as"):
            driver("{mass:number}", fields=fields)
    else:
        d = driver("{mass:number}", fields=fields)
        assert [d.decode(text.encode()).faults for text in (first, second)] == [
            (("mass", "probe"),),
            (("mass", "sensor"),),
        ]
    fields["mass"]["special"][second] = "probe"
    driver("{mass:number}", fields=fields)


@pytest.mark.parametrize(
    ("kind", "first", "second"), [("number", "9999", "9999.0"), ("number", "-0", "-0.00"), ("hex", "7fff", "7FFF")]
)
@pytest.mark.parametrize("more", [{}, {"bytes_as": "i16be"}])
def test_two_faults_of_one_number_are_no_error_in_the_header_of_a_run(kind, first, second, more):
    """A run that an older daq measured with them is replayed as it was: the second one counts for both."""
    if more and kind != "hex":
        kind, first, second = "hex", "7ffe", "7FFE"
    fields = {"mass": {"special": {first: "probe", second: "sensor"}, **more}}
    line = {"it": {"says": "reading", "pattern": f"{{mass:{kind}}}", "fields": fields}}
    tables = {"format": 1, "kind": "small", "channel": [MASS], "stream": {}, "line": line}
    with pytest.raises(SettingError, match="is the same number as"):
        check_description(tables)
    d = describe(tables, {})
    assert [d.decode(text.encode()).faults for text in (first, second)] == [(("mass", "sensor"),)] * 2


@pytest.mark.parametrize("field", ["digits", "digits 2"])
def test_digits_of_a_date_accept_no_other_text(field):
    d = driver(f"{{:{field}}}.{{:{field}}} {{mass:number}}")
    assert d.decode(b"28.11 1.5") == (1.5,)
    assert all(isinstance(d.decode(line), Reject) for line in (b"2?.11 1.5", b"28.-1 1.5", b"28.1  1.5", b"ER.07 1.5"))


def test_columns():
    columns = ["{:number}", "{mass:number}", "g", "{state:word}"]
    line = {
        "it": {"says": "reading", "columns": columns, "fields": {"state": {"means": {"OK": "", "LO": "under_range"}}}}
    }
    d = driver(None, line=line)
    assert d.decode(b"12, 1.5 ,g,OK") == (1.5,)
    assert d.decode(b"12,1.5,g,LO") == Values((None,), (("", "under_range"),))
    assert d.decode(b"12,1.5,g,HI") == Reject("unknown line")
    assert d.decode(b"12,1.5,g,OK,1") == Reject("unknown line")
    line["it"] |= {"more": True, "separator": " "}
    d = driver(None, line=line)
    assert d.decode(b"  12   1.5\tg OK  ") == (1.5,)
    assert d.decode(b"12 1.5 g OK and more") == (1.5,)


def test_what_stands_in_place_of_a_number():
    special = {"OL": "over_range", "-OL": "under_range", "": "sensor", "9999": "probe"}
    d = driver("{mass:number};", fields={"mass": {"special": special}})
    assert d.decode(b"1.5;") == (1.5,)
    for text, fault in special.items():
        assert d.decode(text.encode() + b";") == Values((None,), (("mass", fault),))
    assert d.decode(b"9999.0;") == Values((None,), (("mass", "probe"),))


def test_states_of_several_kinds():
    two = [MASS, {"name": "temperature", "unit": "Cel", "low": 0, "high": 50}]
    fields = {
        "flags": {"each_letter": True, "others": "instrument_error", "means": {"U": "mass: unsteady", "T": "temperature: probe"}},
        "bits": {"bits": {"1": "keys_used", "4": ["mass: sensor", "temperature: sensor"]}},
    }  # fmt: skip
    d = driver("{mass:number} {temperature:number} {flags:letters} {bits:whole}", fields=fields, channel=two)
    assert d.decode(b"1 2 U 0") == Values((1.0, 2.0), (("mass", "unsteady"),))
    assert d.decode(b"1 2 TU 1") == Values(
        (1.0, None), (("mass", "unsteady"), ("temperature", "probe"), ("", "keys_used"))
    )
    assert d.decode(b"1 2 X 5") == Values(
        (None, None), (("", "instrument_error"), ("", "keys_used"), ("mass", "sensor"), ("temperature", "sensor"))
    )
    assert d.decode(b"1 2 U 2") == Reject("unknown line")  # a bit nobody knows, and others are refused


def test_parts_of_a_reading_and_an_error_queue():
    d = BUILT_IN["scpi-thermometer"].driver()
    first, second, errors = d.poll()
    assert d.decode(b"23.456", first) == Part(((0, 23.456),))
    assert d.decode(b"23.456", second) == Part(((1, 23.456),))
    assert d.decode(b"9.9E37", second) == Part(((1, None),), (("probe_2", "probe"),))
    assert d.decode(b"23.456") == Reject("unknown line")  # nobody asked
    assert d.decode(b'0,"No error"', errors) == Part((), ())
    assert d.decode(b'-113,"Undefined header"', errors) == Part((), (("", "instrument_error"),))


def round_of(answers):
    """Return the result of one round of the two-probe thermometer with these answers, and the sent bytes."""
    d = BUILT_IN["scpi-thermometer"].driver()
    sent, read, t = [], [], 0
    exchange = Exchange("probe", d, lambda _link, data: sent.append(data), lambda *_: None)
    exchange.link_up(t)
    exchange.start_polling(t)
    for answer in answers:
        t += 10_000_000
        exchange.sent(t)
        read += list(exchange.receive(t, answer + b"\r\n"))
        t += 20_000_000
        exchange.tick(t)  # the pause the instrument needs
    return read, sent


def test_an_error_in_the_queue_marks_the_reading():
    read, sent = round_of([b"20.5", b"30.5", b'0,"No error"'])
    assert read == [(20.5, 30.5)]
    assert sent[:3] == [b"MEAS:TEMP? (@1)\n", b"MEAS:TEMP? (@2)\n", b"SYST:ERR?\n"]
    read, _ = round_of([b"20.5", b"9.9E37", b'-113,"Undefined header"'])
    assert read == [Values((20.5, None), (("probe_2", "probe"), ("", "instrument_error")))]


SHARED = {
    "format": 1,
    "kind": "addressed",
    "port": {"shared": True},
    "channel": [MASS],
    "poll": {"requests": ["read"]},
    "identify": "who",
    "request": {"read": {"send": "@{address}R"}, "who": {"send": "@{address}I"}},
    "line": {
        "mass": {"says": "reading", "columns": ["@{address}", "{mass:number}"]},
        "me": {"says": "identity", "pattern": "@{address} {serial:word}"},
    },
    "options": {"address": {"default": 1, "low": 1, "high": 99, "digits": 2}},
}


def test_an_address_on_a_shared_line():
    d = describe(SHARED, {"address": 7})
    assert d.shares_line
    assert d.poll().data == b"@07R\r\n"
    assert d.decode(b"@07,1.5") == (1.5,)
    assert d.decode(b"@08,1.5") == Reject("unknown line")
    assert d.decode(b"@07 S-1") == Reply("identity", identity=Identity("addressed", "S-1"))
    for wrong in (0, 100, "7", 7.0, True):
        with pytest.raises(SettingErrors) as caught:
            describe(SHARED, {"address": wrong})
        assert (caught.value.key, caught.value.reason) == ("options.address", "must be a whole number from 1 to 99")
    with pytest.raises(SettingErrors, match="did you mean 'address'"):
        describe(SHARED, {"adress": 7})


def test_commands_and_their_limits():
    d = BUILT_IN["streaming-rotational"].driver()
    assert d.capabilities == {"speed", "turn", "halt", "zero"}
    assert d.action("speed", 60).data.startswith(b"RUN;6.2832!")  # 2 pi rad/s
    assert d.action("speed", 0.1003).data.startswith(b"RUN;0.0105!")
    for action, value in (("speed", 251), ("speed", 0.05), ("speed", float("nan")), ("speed", None), ("bath", 20.0)):
        with pytest.raises(DriverError):
            d.action(action, value)


def test_a_bare_ok_confirms_what_was_asked():
    more = {
        "zero_condition": "pan empty",
        "command": {"zero": {"send": "T", "answers": ["ok"]}},
        "line": {
            "it": {"says": "reading", "pattern": "{mass:number}"},
            "ok": {"says": "confirmation", "pattern": "OK"},
        },
    }
    d = driver(None, **more)
    zero = d.action("zero")
    assert d.decode(b"OK", zero) == Reply("zero")
    assert d.decode(b"OK") == Reject("unknown line")


def test_readings_of_an_identity_and_its_facts():
    d = BUILT_IN["streaming-rotational"].driver()
    output = d.decode(d.seal.sealed(b"HI;streaming-rotational;SR-7;2.1;0.5;12345.6"))
    assert output.identity == Identity(
        "streaming-rotational", "SR-7", "2.1", {"full_scale_uN_m": 500.0, "viscosity_constant_per_m3": 12345.6}
    )


def test_the_options_of_a_driver_make_the_same_driver_again():
    for name, description in BUILT_IN.items():
        d = description.driver()
        again = describe(d.options["description"], {k: v for k, v in d.options.items() if k != "description"})
        assert again.digest() == d.digest(), name
        assert again.channels == d.channels == tuple(Channel(c.name, c.unit, c.low, c.high) for c in d.channels)
    one, other = BUILT_IN["rotational"].driver(), BUILT_IN["rotational"].driver({"direction": "backward"})
    assert one.digest() != other.digest()


def test_decoding_leaves_nothing_behind():
    for description in BUILT_IN.values():
        d = description.driver()
        before = d.state(), len(d.__dict__), {k: len(v) for k, v in d.__dict__.items() if hasattr(v, "__len__")}
        for i in range(2000):
            d.decode(b"%d,%d x" % (i, i))
        assert before == (
            d.state(),
            len(d.__dict__),
            {k: len(v) for k, v in d.__dict__.items() if hasattr(v, "__len__")},
        )

"""Several readings in a line: each has all channels, all share the faults of their request, and none is counted as two."""

import pytest

from daq.core.driver import Part, Several, Values
from daq.core.errors import SettingErrors
from daq.core.exchange import Exchange
from daq.descriptions.load import check_description
from daq.testing.checks.checks_bytes import proper
from daq.testing.report import DriverFaultError

S = 1_000_000_000
CHANNELS = [
    {"name": "mass", "unit": "g", "low": -1e6, "high": 1e6},
    {"name": "temperature", "unit": "Cel", "low": -1e3, "high": 1e3},
]
FIELDS = {
    f"{name[0]}{reading}": {"channel": name, "reading": reading}
    for reading in (1, 2)
    for name in ("mass", "temperature")
}


def file(pattern="{m1:number} {t1:number};{m2:number} {t2:number}", **more):
    tables = {
        "format": 1, "kind": "made", "channel": CHANNELS, "poll": {"requests": ["read"]}, "request": {"read": {"send": "R"}},
        "line": {"it": {"says": "reading", "pattern": pattern, "fields": {k: v for k, v in FIELDS.items() if k in pattern}}},
    }  # fmt: skip
    return tables | more


def test_the_description_itself_is_accepted():
    driver = check_description(file()).driver()
    assert driver.decode(b"1 20;2 21") == Several(((1.0, 20.0), (2.0, 21.0)))
    assert driver.readings_per_line == 2


@pytest.mark.parametrize(
    ("tables", "key", "reason"),
    [
        # The masses of one line and the temperatures of another: the second mass would meet the first temperature.
        (
            file("M {m1:number} {m2:number}")
            | {"line": {n: file(p)["line"]["it"] for n, p in (("m", "M {m1:number} {m2:number}"), ("t", "T {t1:number} {t2:number}"))}},
            "line.m.fields",
            "must have all channels, and none in an optional part: temperature",
        ),
        (file("{m1:number} {t1:number};{m2:number}[ {t2:number}]"), "line.it.fields", "none in an optional part: t2"),
        (
            file(poll={"requests": ["read", "errors"]}, request={"read": {"send": "R"}, "errors": {"send": "E"}}),
            "poll.requests",
            "one request must give all",
        ),
        (file(poll={"requests": ["read"], "refresh": "1 s"}), "poll.refresh", "taken for repeats"),
    ],
)  # fmt: skip
def test_readings_that_could_be_mixed_or_lost_are_refused(tables, key, reason):
    with pytest.raises(SettingErrors) as caught:
        check_description(tables)
    assert any(e.key == key and reason in e.reason for e in caught.value.errors), [
        (e.key, e.reason) for e in caught.value.errors
    ]


def test_all_readings_of_a_line_that_may_be_older_than_its_request_are_marked():
    driver = check_description(file()).driver()
    sent = []
    exchange = Exchange("it", driver, lambda _, data: sent.append(data), lambda *_: None)
    exchange.link_up(0)
    exchange.start_polling(0)
    for second in range(4):
        exchange.tick(second * S)
        asked = list(exchange.receive(second * S + 1, b"1 20;2 21\r\n"))
        assert len(asked) == 2
        if second < 3:
            assert all(type(one) is tuple for one in asked)
        else:
            assert asked == [Values((1.0, 20.0), (("", "unasked"),)), Values((2.0, 21.0), (("", "unasked"),))]
        if second == 2:
            assert list(exchange.receive(second * S + 2, b"5 20;6 21\r\n")) == []
    assert len(sent) == 4


@pytest.mark.parametrize(
    "meaning",
    [Several((Part(((0, 1.0),)), Part(((0, 2.0),)))), Several(((1.0, 20.0),)), Several(((1.0, 20.0),) * 3)],
)
def test_the_kit_refuses_parts_and_more_readings_than_declared(meaning):
    driver = check_description(file()).driver()
    proper(driver, Several(((1.0, 20.0),) * 2), b"")
    with pytest.raises(DriverFaultError):
        proper(driver, meaning, b"")

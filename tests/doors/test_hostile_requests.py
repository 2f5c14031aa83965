"""Requests over the control socket that no client of ours sends: each is refused with a sentence that names the key."""

import asyncio
import json
import time
import unicodedata
from dataclasses import dataclass

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from daq.adapters.store.rows import RunRecord
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import BeginRun, RegisterMethod
from daq.app.cli import main
from daq.app.cli.common import print_json
from daq.app.daemon.control import ControlServer
from daq.app.daemon.protocol import LONGEST_REQUEST, PROTOCOL, REQUESTS, Stopped, read_request
from daq.app.delivery.resending import transaction_of
from daq.app.setup.run_order import RunOrder
from daq.core.errors import SettingError
from daq.methods.files.load import parse

ORDER = {"method_id": "clear-glaze-qc", "instrument": "bench-1", "sample": "G-1041"}
ACT = {"act": "sample_add", "by": {"person": "m.keeper", "password": "x"}, "ticket": "x", "query": "runs"}
NOT_FOR_A_PERSON = ("constraint", "fault of the software", "pydantic", "Traceback", "_error", "input_value", "NoneType")
CPU_S = 2.0
"""Greatest time on the processor for one request, s: many times that of a good one."""

HOSTILE_TEXT = st.one_of(
    st.text(max_size=30),
    st.text(st.characters(categories=["Cc", "Cs", "Cf", "Zl", "Zp", "Co"]), min_size=1, max_size=5),
    st.sampled_from(["\x00", "a\x00b", "\ud800", "G-\udfff", "\u0085", "\x9b31m", "\u202etxt", "\u2028", " "]),
    st.integers(190, 70_000).map("x".__mul__),
)
HOSTILE = st.one_of(
    HOSTILE_TEXT,
    st.none(),
    st.booleans(),
    st.integers(-(2**80), 2**80),
    st.sampled_from([2**63, -(2**63) - 1, -1, 0]),
    st.integers(60, 4000).map(lambda digits: 10**digits),
    st.floats(),
    st.lists(st.integers(), max_size=3),
    st.dictionaries(HOSTILE_TEXT, st.none() | st.integers() | HOSTILE_TEXT, max_size=3),
    st.just([[[[[[]]]]]] * 5),
    st.integers(30, 500).map(lambda n: {f"c{i}": 1.0 for i in range(n)}),
)
KEYS = sorted({name for kind in REQUESTS.values() for name in kind.model_fields})


def is_for_a_person(text, value=""):
    """Check a refusal; words of the refused `value` itself may be in it."""
    assert text
    assert not [word for word in NOT_FOR_A_PERSON if word in text and word not in str(value)], text
    assert len(text) < 5000
    return True


def attempted(action):
    """Return the value of an action, or its refusal."""
    try:
        return action(), None
    except SettingError as error:
        return None, error


@pytest.fixture(scope="module")
def store(tmp_path_factory):
    with Store(tmp_path_factory.mktemp("store") / "daq.db") as made:
        yield made


def stored(store, order):
    """Store the start of the run that an order asks for, as the daemon does."""
    stored.runs += 1
    named = {name: getattr(order, name) for name in ("instrument", "method_id", "sample", "lot", "fill", "replicate")}
    store.submit(RegisterMethod(order.method_id, order.method_version, "d", "{}", 1, "keeper")).result()
    record = RunRecord(
        id=f"run-{stored.runs}",
        method_version=order.method_version,
        method_digest="d",
        began_utc_ns=1,
        sampled_at=order.sampled_at,
        operator=order.operator,
        product=order.product,
        **named,
    )
    store.submit(BeginRun(record, "keeper")).result()


stored.runs = 0


@pytest.mark.slow
@settings(max_examples=600, deadline=None)
@example("run", "lot", None)
@example("run", "sample", "\ud800")
@example("run", "replicate", 2**63)
@example("run", "replicate", 0)
@example("run", "sample", "a\x00b")
@example("run", "sampled_at", "yesterday")
@example("resend", "first", 2**63)
@example("resend", "begin_utc_ns", "_error")
@given(st.sampled_from(sorted(REQUESTS)), st.sampled_from([*KEYS, "colour", "\ud800", "do", "protocol"]), HOSTILE)
def test_a_hostile_value_is_refused_by_its_key_or_can_be_stored(store, do, key, value):
    given_ = {
        "protocol": PROTOCOL,
        "do": do,
        **({k: v for k, v in (ORDER | ACT).items() if k in REQUESTS[do].model_fields}),
        key: value,
    }
    line = json.dumps(given_).encode() + b"\n"
    began_s = time.process_time()
    request, refusal = attempted(lambda: read_request(line))
    assert time.process_time() - began_s < CPU_S
    if refusal is not None:
        assert is_for_a_person(str(refusal), value)
        assert refusal.key.partition(".")[0].partition("[")[0] in (key, "") or key == "do", (refusal.key, key)
        if key in REQUESTS[do].model_fields and len(line) <= LONGEST_REQUEST:
            assert refusal.key.startswith(key)
    elif isinstance(request, RunOrder):
        stored(store, request)
    elif do == "resend":
        transaction, refusal = attempted(lambda: transaction_of(request, 1, "keeper"))
        if refusal is not None:
            assert is_for_a_person(str(refusal), value)
        else:
            store.submit(transaction).result()


@settings(max_examples=200, deadline=None)
@given(
    st.recursive(HOSTILE, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(HOSTILE_TEXT, inner, max_size=3))
)
def test_any_json_is_refused_with_a_sentence(value):
    try:
        line = json.dumps(value).encode()
    except ValueError:
        return
    with pytest.raises(SettingError) as caught:
        read_request(line)
    assert is_for_a_person(str(caught.value))


CONTROL = [chr(c) for c in range(0x3000) if unicodedata.category(chr(c)) in ("Cc", "Zl", "Zp")] + ["\u202e", "\u2066"]


@pytest.mark.parametrize(
    "key", ["sample", "lot", "fill", "operator", "product", "fluid", "method_version", "instrument"]
)
def test_no_name_has_a_control_character(key):
    for character in CONTROL:
        with pytest.raises(
            SettingError, match=f"^{key}: has a control character, U\\+{ord(character):04X}, at"
        ) as caught:
            parse(RunOrder, ORDER | {key: f"G-1{character}041"})
        assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--sample", "G\x1b[2J"), "sample: has a control character, U+001B, at character 2"),
        (("--sample", "G\udc80"), "sample: is not valid text"),
        (("--sample", "G", "--replicate", "0"), "replicate: must be at least 1; here 0"),
        (("--sample", "G", "--replicate", "9" * 30), "replicate: must be at most 9999"),
        (("--sample", "G", "--sampled-at", "yesterday"), "sampled_at: 'yesterday' is no time; write"),
        (("--sample", "G", "--sampled-at", "2099-11-26T08:00"), "sampled_at: "),
        (("--sample", "G", "--lot", "x" * 201), "lot: has more than 200 characters"),
        (("--sample", "G", "--set", "speed=nan"), "choices.speed: must be a finite number"),
    ],
)
def test_the_command_line_is_checked_by_the_same_model(tmp_path, capsys, arguments, words):
    code = main(["--state", str(tmp_path), "run", "clear-glaze-qc", "--instrument", "bench-1", *arguments])
    shown = capsys.readouterr().err
    assert (code, words in shown) == (2, True), shown


@dataclass
class Sent:
    raw: bytes
    answer: str


BIG = [
    b'{"protocol":0,"do":"status","x":"' + b"a" * 4_000_000 + b'"}\n',
    b"a" * 4_000_000 + b"\n",
    b'{"protocol":0,"do":"run","choices":{' + b",".join(b'"c%d":1' % i for i in range(5_500)) + b"}}\n",
    b'{"protocol":0,"do":"run","replicate":' + b"9" * 60_000 + b"}\n",
    b'{"a":' * 13_000 + b"1" + b"}" * 10 + b"\n",
]


@pytest.mark.asyncio
@pytest.mark.parametrize("raw", BIG, ids=range(len(BIG)))
async def test_a_big_request_gets_a_sentence_at_once(tmp_path, raw):
    async def handle(request, login):
        yield Stopped(True)

    server = ControlServer(tmp_path / "control", handle)
    await server.start()
    began_s = time.process_time()
    try:
        reader, writer = await asyncio.open_unix_connection(str(tmp_path / "control"))
        writer.write(raw)
        answer = json.loads(await asyncio.wait_for(reader.readline(), 20))
        writer.close()
    finally:
        await server.stop()
    assert time.process_time() - began_s < CPU_S
    assert answer["kind"] == "setting"
    assert is_for_a_person(answer["error"])


def test_json_output_has_no_character_that_a_terminal_acts_on(capsys):
    given_ = "".join(chr(c) for c in range(0x30000) if not 0xD800 <= c < 0xE000) + "\ud83d"
    print_json({"sample": given_})
    out = capsys.readouterr().out
    assert json.loads(out)["sample"] == given_
    assert {c for c in out if unicodedata.category(c) in ("Cc", "Cf", "Cs", "Zl", "Zp")} == {"\n"}
    assert "γ" in out

"""The control socket: requests and answers are decoded unchanged, and invalid ones are refused with their key."""

import asyncio
import contextlib
import json
import socket
import threading

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.app.daemon.control import ControlServer
from daq.app.daemon.daemon_client import answers, ask, follow
from daq.app.daemon.protocol import (
    ANSWERS,
    REQUESTS,
    AskQuery,
    AskStatus,
    Failed,
    Identify,
    LogIn,
    LogOut,
    MakeBackup,
    Perform,
    Reload,
    Started,
    Stopped,
    StopRun,
    WatchBench,
    WatchLive,
    WatchRun,
    answer_line,
    read_answer,
    read_request,
    request_line,
)
from daq.app.delivery.resend_order import ResendOrder
from daq.app.laboratory.given import Given
from daq.app.setup.run_order import RunOrder
from daq.core.errors import DaqError, LinkError, SettingError
from daq.process.logins import own_login
from tests.support.any_values import any_of

ORDER = RunOrder(method_id="clear-glaze-qc", instrument="bench-1", sample="G-1", choices={"speed": 20.0})


@pytest.fixture
def path(tmp_path):
    return tmp_path / "control"


# ---- lines


LABEL = st.text(st.characters(exclude_categories=["Cc", "Cs", "Zl", "Zp", "Cf"]), min_size=1, max_size=20)
SECRET = st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=20)
NUMBER = st.none() | st.integers(-(2**63) + 1, 2**63 - 1)
GOOD = {
    "run": st.builds(
        RunOrder,
        method_id=LABEL | st.just(""),
        instrument=LABEL | st.just(""),
        sample=LABEL,
        filling=st.sampled_from(["", "same", "fresh"]),
        anyway=st.booleans(),
        lot=LABEL | st.just(""),
        replicate=st.integers(1, 9999),
        sampled_at=st.sampled_from(["", "2026-11-26T08:15+01:00", "2026-11-26T08:15:00Z"]),
        condition=st.sampled_from(["", "as_found", "as_left"]),
        choices=st.dictionaries(
            st.from_regex(r"[a-z][a-z0-9_-]{0,8}", fullmatch=True),
            st.floats(allow_nan=False, allow_infinity=False) | LABEL,
            max_size=4,
        ),
    ),
    "watch": st.builds(WatchRun, instrument=LABEL),
    "watch_bench": st.builds(WatchBench, instrument=LABEL),
    "watch_live": st.just(WatchLive()),
    "stop": st.builds(StopRun, instrument=LABEL, bench=st.booleans()),
    "log_in": st.builds(LogIn, by=st.builds(Given, person=LABEL, password=SECRET, page=st.booleans())),
    "log_out": st.builds(LogOut, ticket=SECRET),
    "identify": st.builds(Identify, by=st.builds(Given, ticket=SECRET, page=st.booleans())),
    "query": st.builds(
        AskQuery, query=LABEL, parameters=st.dictionaries(LABEL, LABEL | st.integers(-9, 9), max_size=4)
    ),
    "status": st.just(AskStatus()),
    "resend": st.builds(ResendOrder, instrument=LABEL, refused=st.booleans(), first=NUMBER, begin_utc_ns=NUMBER),
    "backup": st.just(MakeBackup()),
    "reload": st.just(Reload()),
    "perform": st.builds(
        Perform, act=LABEL, order=st.dictionaries(LABEL, LABEL | st.none() | st.booleans(), max_size=4)
    ),
}


def test_there_are_good_requests_of_every_kind():
    assert set(GOOD) == set(REQUESTS)


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.one_of(list(GOOD.values())))
def test_any_request_is_decoded_unchanged(request_):
    line = request_line(request_)
    assert line.count(b"\n") == 1
    assert repr(read_request(line)) == repr(request_)


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.one_of([any_of(kind) for kind in ANSWERS if kind is not Failed]))
def test_any_answer_is_decoded_unchanged(answer):
    line = answer_line(answer)
    assert line.count(b"\n") == 1
    assert repr(read_answer(line)) == repr(answer)


@pytest.mark.parametrize(
    ("changes", "expected"),
    [
        ({"protocol": None}, "protocol: is missing; this daemon (daq "),
        ({"protocol": 0}, "protocol: is 0; this daemon (daq "),
        ({"protocol": "1"}, "protocol: is '1'; "),
        ({"do": "dance"}, "do: unknown request 'dance'; known: run, watch, stop, status, resend, backup, perform"),
        ({"do": None}, "do: unknown request None"),
        ({"do": ["run"]}, "do: unknown request ['run']"),
        ({"sample": ""}, "sample: must not be empty"),
        ({"method_id": 7}, "method_id: must be text in quotes"),
        ({"filling": "half"}, "filling: must be one of"),
        ({"anyway": 1}, "anyway: must be true or false"),
        ({"sample": None}, "sample: is missing"),
        ({"sample": 7}, "sample: must be text in quotes; here 7"),
        ({"replicate": "2"}, "replicate: must be a whole number; here '2'"),
        ({"replicate": True}, "replicate: must be a whole number; here True"),
        ({"choices": {"speed": [30]}}, "choices.speed: must be a finite number or text"),
        ({"choices": [30]}, "choices: must be a table of name = value"),
        ({"condition": "as bought"}, "condition: must be one of '', 'as_found' or 'as_left'; here 'as bought'"),
        ({"colour": "red"}, "colour: is not a known key; known keys: anyway, badge, choices, condition"),
    ],
)
def test_an_invalid_request_is_refused_with_its_key(changes, expected):
    data = json.loads(request_line(ORDER)) | changes
    line = json.dumps({k: v for k, v in data.items() if v is not None}).encode()
    with pytest.raises(SettingError) as caught:
        read_request(line)
    assert str(caught.value).startswith(expected)
    assert caught.value.key == expected.partition(":")[0]


def test_a_client_of_another_version_gets_the_remedy():
    with pytest.raises(SettingError, match="speaks protocol 4: use the version of daq that started it, or restart it"):
        read_request(b'{"protocol": 7, "do": "status", "of": "everything"}')


@pytest.mark.parametrize(
    "line",
    [b"{}\n", b"[]\n", b"7\n", b"hello\n", b'{"view": 1}\n', b'{"stopped": "yes"}\n', b'{"started": "r", "at": 1}\n'],
)
def test_an_answer_of_another_version_is_a_lost_daemon_with_the_remedy(line):
    with pytest.raises(LinkError, match="not understood .* restart it with this version"):
        read_answer(line)


@pytest.mark.parametrize(("kind", "raised"), [("setting", SettingError), ("link", LinkError), ("fault", DaqError)])
def test_an_error_keeps_its_class_and_text(kind, raised):
    with pytest.raises(raised) as caught:
        read_answer(answer_line(Failed("bench-1: it is so", kind)))
    assert type(caught.value) is raised
    assert str(caught.value) == "bench-1: it is so"


# ---- the socket


@pytest.mark.parametrize("sent", [b'{"started": "tor', b"", b'{"started": "r-1"}\n{"do'])
def test_a_daemon_killed_in_the_middle_of_an_answer_is_a_lost_one(path, sent):
    with socket.socket(socket.AF_UNIX) as server:
        server.bind(str(path))
        server.listen()

        def breaks_off():
            connection, _ = server.accept()
            with connection, contextlib.suppress(OSError):
                connection.recv(4096)
                connection.sendall(sent)

        thread = threading.Thread(target=breaks_off, daemon=True)
        thread.start()
        with pytest.raises(LinkError, match="ended before it answered"):
            list(answers(path, AskStatus()))
        thread.join(20)


@pytest.mark.asyncio
@pytest.mark.parametrize("sent", [b'{"view": {"tor', b""])
async def test_a_daemon_killed_while_a_run_is_watched_is_reported_as_lost(path, sent):
    async def breaks_off(reader, writer):
        await reader.readline()
        writer.write(b'{"started": "r-1"}\n' + sent)
        await writer.drain()
        writer.transport.abort()

    server = await asyncio.start_unix_server(breaks_off, str(path))
    with pytest.raises(LinkError, match="the run is in its database"):
        _ = [answer async for answer in follow(path, ORDER)]
    server.close()


async def served(path, handler, *requests):
    """Send raw requests and return the first line of the answer to each."""
    server = ControlServer(path, handler)
    await server.start()
    try:
        found = []
        for sent in requests:
            reader, writer = await asyncio.open_unix_connection(str(path))
            writer.write(sent)
            found.append(await asyncio.wait_for(reader.readline(), 20))
            writer.close()
    finally:
        await server.stop()
    return found


@pytest.mark.asyncio
@pytest.mark.parametrize("sent", [b"\xff\xfe\n", b"[" * 60_000 + b"\n", b"hello\n", b"[]\n", b"\n"])
async def test_a_line_that_is_no_request_is_refused(path, sent):
    async def handle(_, login):
        yield Started("never")

    (answer,) = await served(path, handle, sent)
    assert b'"kind":"setting"' in answer
    assert b"JSON" in answer


@pytest.mark.asyncio
async def test_client_and_daemon_exchange_requests_and_answers(path):
    asked = []

    async def handle(request, login):
        asked.append(request)
        assert login == own_login()
        yield Stopped(True)

    server = ControlServer(path, handle)
    await server.start()
    try:
        stop = StopRun(instrument="bench-1")
        assert await asyncio.to_thread(ask, path, stop, Stopped) == Stopped(True)
        assert [a async for a in follow(path, ORDER)] == [Stopped(True)]
        with pytest.raises(LinkError, match="did not report that the request was done"):
            await asyncio.to_thread(ask, path, stop, Started)
    finally:
        await server.stop()
    assert asked == [stop, ORDER, stop]


@pytest.mark.asyncio
@pytest.mark.parametrize("fault", [KeyError("speed"), OSError("disk"), TimeoutError("late"), ValueError("no")])
async def test_an_internal_fault_is_reported_as_an_answer(path, fault):
    async def handle(_, login):
        yield Started("r-1")
        raise fault

    server = ControlServer(path, handle)
    await server.start()
    try:
        with pytest.raises(DaqError, match=f"fault of the software: {type(fault).__name__}"):
            _ = [answer async for answer in follow(path, ORDER)]
    finally:
        await server.stop()

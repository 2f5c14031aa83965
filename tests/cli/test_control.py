"""The control socket: requests and answers are decoded unchanged, and invalid ones are refused with their key."""

import asyncio
import contextlib
import json
import socket
import threading

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from daq.app.daemon.control import ControlServer, answers, ask, follow
from daq.app.daemon.protocol import (
    ANSWERS,
    REQUESTS,
    AskStatus,
    Failed,
    Started,
    Stopped,
    StopRun,
    answer_line,
    read_answer,
    read_request,
    request_line,
)
from daq.app.setup.orders import RunOrder
from daq.core.errors import DaqError, LinkError, SettingError
from tests.support.any_values import any_of

ORDER = RunOrder(method_id="clear-glaze-qc", instrument="bench-1", sample="G-1", choices={"speed": 20.0})


@pytest.fixture
def path(tmp_path):
    return tmp_path / "control"


# ---- lines


def is_whole(request):
    return all(getattr(request, k, "x") for k in ("method_id", "instrument", "sample", "who", "to"))


@settings(derandomize=True, max_examples=200, deadline=None)
@given(st.one_of([any_of(kind) for kind in REQUESTS.values()]))
def test_any_request_is_decoded_unchanged(request_):
    line = request_line(request_)
    assert line.count(b"\n") == 1
    if is_whole(request_):
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
        ({"protocol": 1}, "protocol: is 1; this daemon (daq "),
        ({"protocol": "0"}, "protocol: is '0'; "),
        ({"do": "dance"}, "do: unknown request 'dance'; known: run, watch, stop, status, resend, backup"),
        ({"do": None}, "do: unknown request None"),
        ({"do": ["run"]}, "do: unknown request ['run']"),
        ({"sample": ""}, "sample: is missing"),
        ({"method_id": ""}, "method_id: is missing"),
        ({"sample": None}, "sample: is missing"),
        ({"sample": 7}, "sample: must be text; here a whole number"),
        ({"replicate": "2"}, "replicate: must be a whole number; here text"),
        ({"replicate": True}, "replicate: must be a whole number; here true or false"),
        ({"choices": {"speed": [30]}}, "choices.speed: must be text; here a list"),
        ({"choices": [30]}, "choices: must be an object; here a list"),
        ({"condition": "as bought"}, "condition: must be one of , as_found, as_left; here 'as bought'"),
        ({"colour": "red"}, "colour: unknown; known: method_id, instrument"),
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
    with pytest.raises(SettingError, match="speaks protocol 0: use the version of daq that started it, or restart it"):
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
@pytest.mark.parametrize("sent", [b"\xff\xfe\n", b"[" * 100_000 + b"\n", b"hello\n", b"[]\n", b"\n"])
async def test_a_line_that_is_no_request_is_refused(path, sent):
    async def handle(_):
        yield Started("never")

    (answer,) = await served(path, handle, sent)
    assert b'"kind":"setting"' in answer
    assert b"JSON" in answer


@pytest.mark.asyncio
async def test_client_and_daemon_exchange_requests_and_answers(path):
    asked = []

    async def handle(request):
        asked.append(request)
        yield Stopped(True)

    server = ControlServer(path, handle)
    await server.start()
    try:
        stop = StopRun("bench-1", "m.keeper")
        assert await asyncio.to_thread(ask, path, stop, Stopped) == Stopped(True)
        assert [a async for a in follow(path, ORDER)] == [Stopped(True)]
        with pytest.raises(LinkError, match="did not report that the request was done"):
            await asyncio.to_thread(ask, path, stop, Started)
    finally:
        await server.stop()
    assert asked == [stop, ORDER, stop]


@pytest.mark.asyncio
async def test_an_internal_fault_is_reported_as_an_answer(path):
    async def handle(_):
        yield Started("r-1")
        raise KeyError("speed")

    server = ControlServer(path, handle)
    await server.start()
    try:
        with pytest.raises(DaqError, match="fault of the software: KeyError"):
            _ = [answer async for answer in follow(path, ORDER)]
    finally:
        await server.stop()

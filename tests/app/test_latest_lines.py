"""The last raw lines: bounded, cut at the ends of lines, shown on request in the role `look`, during a run too."""

import json
import random

import pytest

from daq.app.cli import main
from daq.app.cli.workshop import raw_lines
from daq.app.daemon import daemon_client
from daq.app.daemon.protocol import AskQuery, Queried
from daq.app.daemon.queries.registry import QUERIES
from daq.app.daemon.queries.session_queries import SESSION_QUERIES, LinesAsked
from daq.app.daemon.service import Service
from daq.app.laboratory.identity import NotAllowedError
from daq.app.run.latest_lines import MOST_BYTES, MOST_PIECES, LatestLines, RawLine
from daq.core.errors import SettingError
from daq.core.framing import Framing
from daq.laboratory.people import ROLES
from tests.support.memory_bench import SupervisorBench

S = 1_000_000_000
LINES = Framing(terminator=b"\r\n", longest=100)


def test_pieces_are_joined_and_cut_at_the_ends_of_lines():
    latest = LatestLines()
    latest.add(1, ">", b"read\r\n")
    for t, data in ((2, b"va"), (3, b"l 1\r"), (4, b"\nval 2\r\nva"), (5, b"l 3")):
        latest.add(t, "<", data)
    found = latest.lines(LINES, 10)
    assert [(one.way, one.data) for one in found] == [
        (">", b"read\r\n"), ("<", b"val 1\r\n"), ("<", b"val 2\r\n"), ("<", b"val 3"),
    ]  # fmt: skip
    assert [one.t for one in found] == [1, 4, 4, 5]
    assert latest.lines(LINES, 2) == found[-2:]
    latest.add(5 + 2 * S, "<", b"later")
    assert latest.lines(LINES, 1) == [RawLine(5 + 2 * S, "<", b"later")]


@pytest.mark.parametrize("key", ["idle_ns", "longest_pause_ns"])
def test_a_pause_that_ends_a_line_for_the_framer_parts_it_here(key):
    latest = LatestLines()
    for t, data in ((1, b"1"), (S // 2, b"12.50 g\r\n"), (S, b"1"), (S + S // 10, b"3.5 g\r\n")):
        latest.add(t, "<", data)
    framing = Framing(terminator=b"\r\n", longest=100, **{key: S // 4})
    assert [one.data for one in latest.lines(framing, 9)] == [b"1", b"12.50 g\r\n", b"13.5 g\r\n"]
    assert [one.data for one in latest.lines(LINES, 9)] == [b"112.50 g\r\n", b"13.5 g\r\n"]


def test_only_the_newest_pieces_of_noise_are_measured():
    rng, latest, seen = random.Random(12), LatestLines(), []
    for t in range(MOST_PIECES):
        latest.add(t, "<", rng.randbytes(MOST_BYTES))

    def counted(window):
        seen.append(len(window))
        return measured(window)

    assert len(latest.lines(Framing(measure=counted, longest=4096), 20)) == 20
    assert len(seen) <= 2 * 22 * MOST_BYTES


@pytest.mark.parametrize("size", [1, 3, 7, 64, 5000])
def test_the_newest_lines_are_the_last_ones_of_all(size):
    rng, latest = random.Random(size), LatestLines()
    data = b"".join(b"%d\r\n" % rng.randrange(10**6) for _ in range(500))
    for at in range(0, len(data), size):
        latest.add(at, "<", data[at : at + size])
    every = latest.lines(LINES, 10**6)
    for count in range(1, len(every)):
        assert latest.lines(LINES, count) == every[-count:]


def test_a_request_ends_an_answer_that_is_incomplete():
    latest = LatestLines()
    for way, data in (("<", b"val"), (">", b"read\r\n"), ("<", b" 2\r\n")):
        latest.add(1, way, data)
    assert [one.data for one in latest.lines(LINES, 9)] == [b"val", b"read\r\n", b" 2\r\n"]


def measured(window):
    """AA 55, a length, and as many bytes."""
    if not window.startswith(b"\xaa\x55"[: len(window)]):
        return -1
    return 3 + window[2] if len(window) > 2 else 0


@pytest.mark.parametrize(
    ("framing", "frame", "noise"),
    [
        (Framing(measure=measured, longest=40), b"\xaa\x55\x04\r\n\xaa\x55", b"\x07\xaa"),
        (Framing(begin=b">", length=4, longest=4), b">\r\n\x55\xaa", b"\x07\xff"),
    ],
)
def test_frames_of_bytes_are_joined_and_parted_however_the_link_delivers_them(framing, frame, noise):
    sent = frame + noise + frame + frame + frame[:3]
    for size in (1, 2, 5, len(sent)):
        latest = LatestLines()
        for at in range(0, len(sent), size):
            latest.add(at, "<", sent[at : at + size])
        found = [one.data for one in latest.lines(framing, 99)]
        assert b"".join(found) == sent
        assert found.count(frame) == 3
        assert found[-3:] == [frame, frame, frame[:3]]


def test_frames_that_end_with_a_silence_are_parted_by_it():
    latest = LatestLines()
    for t, data in ((1, b"\x01"), (2, b"\x02\r\n"), (9, b"\x03"), (10, b"\x04")):
        latest.add(t, "<", data)
    assert [one.data for one in latest.lines(Framing(silence_ns=5), 9)] == [b"\x01\x02\r\n", b"\x03\x04"]


@pytest.mark.parametrize("seed", range(5))
def test_the_ring_is_bounded_and_loses_only_what_is_old(seed):
    rng = random.Random(f"latest lines {seed}")
    latest, sent = LatestLines(), b""
    for t in range(3 * MOST_PIECES):
        data = rng.randbytes(rng.choice((1, 5, 40))).replace(b"\r", b"-") + rng.choice((b"", b"\r\n"))
        sent += data
        latest.add(t, "<", data)
    found = b"".join(one.data for one in latest.lines(LINES, 10**6))
    assert sent.endswith(found)
    latest.add(10**6, "<", bytes(10 * MOST_BYTES))
    assert len(latest._pieces) == MOST_PIECES
    assert sum(len(one.data) for one in latest._pieces) <= MOST_PIECES * MOST_BYTES


def test_the_query_has_a_name_of_its_own_a_role_and_bounds():
    assert not SESSION_QUERIES.keys() & QUERIES.keys()
    assert all(one.role in ROLES and one.name == name for name, one in SESSION_QUERIES.items())
    for wrong in (0, MOST_PIECES + 1):
        with pytest.raises(ValueError, match="last"):
            LinesAsked(instrument="bench-1", last=wrong)


async def asked(service, **parameters):
    (answer,) = [a async for a in service.handle(AskQuery(query="lines", parameters=parameters))]
    return answer.queried


@pytest.mark.slow
@pytest.mark.asyncio
async def test_the_daemon_shows_the_lines_at_rest_and_during_a_run(tmp_path):
    async with SupervisorBench(tmp_path) as bench:
        service = Service(bench.supervisor)
        idle = await asked(service, instrument="bench-1", last=50)
        assert (idle["instrument"], idle["state"]) == ("bench-1", "ready")
        ways = {line["way"]: line["text"] for line in idle["lines"]}
        assert ways["sent"].startswith("read#")
        assert ways["received"].startswith("val ")
        assert all(line["text"].endswith("\\r\\n") for line in idle["lines"])
        ages = [line["age_s"] for line in idle["lines"]]
        assert ages == sorted(ages, reverse=True)
        await bench.measuring()
        during = await asked(service, instrument="bench-1", last=256)
        assert any(line["text"].startswith("speed ") for line in during["lines"])
        with pytest.raises(SettingError, match="serves no instrument 'bench-9'; served: bench-1"):
            await asked(service, instrument="bench-9")
        with pytest.raises(SettingError):
            await asked(service, instrument="bench-1", last=0)
        bench.supervisor.catalogue.daemon = bench.supervisor.catalogue.daemon.model_copy(
            update={"people": bench.supervisor.catalogue.daemon.people.model_copy(update={"required": True})}
        )
        with pytest.raises(NotAllowedError, match="needs a person with the role look"):
            await asked(service, instrument="bench-1")
        await service.close()


SHOWN = {
    "instrument": "bench-1", "state": "ready", "detail": "",
    "lines": [
        {"age_s": 12.5, "way": "sent", "text": "read#1C07\\r\\n", "cut": False},
        {"age_s": 0.25, "way": "received", "text": "val 1\\x1B[2J", "cut": True},
    ],
}  # fmt: skip


@pytest.mark.parametrize("shown", [SHOWN, SHOWN | {"lines": []}])
def test_the_command_prints_age_direction_and_text(tmp_path, monkeypatch, capsys, shown):
    sent = []
    monkeypatch.setattr(raw_lines, "chosen_state", lambda _args: tmp_path)
    monkeypatch.setattr(raw_lines, "daemon_socket", lambda _state: tmp_path / "socket")
    monkeypatch.setattr(daemon_client, "ask", lambda _socket, request, _kind: sent.append(request) or Queried(shown))
    code = main(["lines", "bench-1", "--last", "5"])
    printed = capsys.readouterr().out.splitlines()
    assert (sent[0].query, sent[0].parameters) == ("lines", {"instrument": "bench-1", "last": 5})
    assert printed[0] == "bench-1 is ready"
    if shown["lines"]:
        assert printed[1:] == ["   12.500 s ago > read#1C07\\r\\n", "    0.250 s ago < ... val 1\\x1B[2J"]
    else:
        assert printed[1:] == ["nothing was sent or received since the daemon started"]
    assert code == (0 if shown["lines"] else 1)
    assert main(["lines", "bench-1", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == shown


def test_without_a_daemon_the_command_names_what_to_do(tmp_path, capsys):
    assert main(["--state", str(tmp_path), "lines", "bench-1"]) != 0
    assert "daq capture" in capsys.readouterr().err

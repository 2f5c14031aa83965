"""The client writes the backup that the daemon sends: whole, private, and never over another file."""

import asyncio
import contextlib
import stat
from dataclasses import replace

import pytest

from daq.adapters.store.backup import check_copy
from daq.adapters.store.store import Store
from daq.adapters.store.transactions import Audit
from daq.app.daemon.control import ControlServer
from daq.app.daemon.copies import Copies, receive
from daq.app.daemon.daemon_client import answers
from daq.app.daemon.protocol import BackupMade, BackupPiece, MakeBackup, request_line
from daq.core.errors import LinkError, StoreError


@pytest.fixture
def store(tmp_path):
    (tmp_path / "state").mkdir()
    with Store(tmp_path / "state" / "daq.db") as made:
        for number in range(200):
            made.submit(Audit(number, "keeper", "noted", "bench-1", {"text": "x" * 3000})).result()
        yield made


@contextlib.asynccontextmanager
async def served(store, change=lambda answer: answer):
    copies = Copies(store.path)

    async def handle(request, login):
        async for answer in copies.send():
            yield change(answer)

    path = store.path.parent / "control"
    server = ControlServer(path, handle)
    await server.start()
    try:
        yield path
    finally:
        await server.stop()


def fetched(path, target):
    return receive(answers(path, MakeBackup(), timeout_s=None), target)


@pytest.mark.asyncio
async def test_the_copy_is_whole_and_private_and_nothing_is_left_over(tmp_path, store):
    (store.path.parent / ".backup-of-a-killed-daemon.part").write_bytes(b"x")
    target = tmp_path / "stick" / "copy.sqlite"
    target.parent.mkdir()
    async with served(store) as path:
        made = await asyncio.to_thread(fetched, path, target)
    assert made.source == store.source
    assert check_copy(target).audit_head == made.audit_head
    assert target.stat().st_size > 3 * 192 * 1024
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    assert list(target.parent.iterdir()) == [target]
    assert sorted(p.name for p in store.path.parent.iterdir() if "backup" in p.name) == []


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize("kind", ["file", "link", "missing folder", "no folder"])
async def test_a_target_that_cannot_be_written_is_refused(tmp_path, store, kind):
    target = tmp_path / "copy.sqlite"
    if kind == "file":
        target.write_text("mine")
    elif kind == "link":
        target.symlink_to(tmp_path / "elsewhere")
    elif kind == "missing folder":
        target = tmp_path / "none" / "copy.sqlite"
    else:
        (tmp_path / "file").write_text("mine")
        target = tmp_path / "file" / "copy.sqlite"
    async with served(store) as path:
        with pytest.raises(StoreError, match="exists already|cannot be written"):
            await asyncio.to_thread(fetched, path, target)
    assert not (tmp_path / "elsewhere").exists()
    assert not list(tmp_path.glob("*.part"))


def damaged(answer):
    if isinstance(answer, BackupPiece):
        return BackupPiece(("A" if answer.piece[0] != "A" else "B") + answer.piece[1:])
    return answer


CHANGES = {
    "a changed byte": damaged,
    "another hash": lambda a: replace(a, sha256="0" * 64) if isinstance(a, BackupMade) else a,
    "another length": lambda a: replace(a, bytes=a.bytes - 1) if isinstance(a, BackupMade) else a,
    "no base64": lambda a: BackupPiece("***") if isinstance(a, BackupPiece) else a,
    "no end": lambda a: BackupPiece("") if isinstance(a, BackupMade) else a,
}


@pytest.mark.slow
@pytest.mark.asyncio
@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES)
async def test_a_copy_that_is_not_the_sent_one_is_removed(tmp_path, store, change):
    async with served(store, change) as path:
        with pytest.raises(StoreError, match="copy"):
            await asyncio.to_thread(fetched, path, tmp_path / "copy.sqlite")
    assert not list(tmp_path.glob("copy*"))


@pytest.mark.asyncio
async def test_one_copy_at_a_time(store):
    copies = Copies(store.path)
    first = copies.send()
    assert isinstance(await anext(first), BackupPiece)
    with pytest.raises(LinkError, match="another backup is being made"):
        await anext(copies.send())
    await first.aclose()
    again = copies.send()
    assert isinstance(await anext(again), BackupPiece)
    await again.aclose()


@pytest.mark.asyncio
async def test_a_client_that_goes_away_leaves_the_next_one_its_turn(tmp_path, store):
    async with served(store) as path:
        reader, writer = await asyncio.open_unix_connection(str(path), limit=1 << 20)
        writer.write(request_line(MakeBackup()))
        assert b"piece" in await reader.readline()
        writer.transport.abort()
        for _ in range(100):
            with contextlib.suppress(LinkError):
                await asyncio.to_thread(fetched, path, tmp_path / "copy.sqlite")
                break
            await asyncio.sleep(0.05)
        assert (tmp_path / "copy.sqlite").exists()

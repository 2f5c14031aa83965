"""Serial settings that a port refuses: a pseudo-terminal is opened without them, any other port is reported."""

import asyncio
import os

import pytest
import serial

from daq.adapters.ports import device as transport_device
from daq.adapters.ports.transport import PortAddress, open_port
from daq.core.driver import Port
from daq.core.errors import LinkError


@pytest.mark.skipif(not transport_device.WATCHED_BY_LOOP, reason="pseudo-terminals of Linux")
def test_a_pseudo_terminal_is_opened_again_with_a_parity_it_does_not_have(tmp_path):
    """A simulator runs on while the daemon restarts.  The C library refuses (EINVAL) settings without any effect."""
    master, slave = os.openpty()
    link = tmp_path / "ph-meter"
    link.symlink_to(os.ttyname(slave))
    address = PortAddress(str(link), Port(baud=4800, data_bits=7, parity="E"))

    async def heard():
        came = asyncio.Event()
        connection = await open_port(address, lambda _: came.set(), lambda _: None)
        os.write(master, b"7.00\r")
        await asyncio.wait_for(came.wait(), 20)
        connection.close()

    try:
        for _ in range(3):
            asyncio.run(heard())
    finally:
        os.close(slave)
        os.close(master)


@pytest.mark.skipif(transport_device.termios is None, reason="POSIX only")
def test_refused_settings_are_reported_with_the_port(tmp_path, monkeypatch):
    def refuse(_):
        raise transport_device.termios.error(22, "Invalid argument")

    port = tmp_path / "port"
    port.touch()
    monkeypatch.setattr(serial.Serial, "open", refuse)
    with pytest.raises(LinkError, match=f"{port}: cannot be opened: .*Invalid argument"):
        asyncio.run(open_port(PortAddress(str(port), Port()), lambda _: None, lambda _: None))

"""Opens the ports of instruments' files, and lets those that can share a line."""

from collections.abc import Awaitable, Callable, Mapping

from daq.adapters.ports.shared_line import SharedLine
from daq.adapters.ports.transport import Connection, OnData, OnLost, PortAddress, open_port
from daq.core.driver import Driver, Port
from daq.core.errors import DaqError, LinkError, SettingError
from daq.methods.files.instrument import Instrument

Opener = Callable[[OnData, OnLost], Awaitable[Connection]]


class RealPorts:
    """Opens the port an instrument's file names, with the driver's serial settings unless the file has others."""

    def __init__(self) -> None:
        self._lines: dict[str, SharedLine] = {}
        self._owners: dict[str, str] = {}
        """By port: the instrument that has it, or the first one that shares it."""

    def __call__(self, instrument: Instrument, driver: Driver) -> Opener:
        """What opens the port for one instrument; those that share a line get the same one."""
        port = instrument.serial_line.over(driver.port)
        address = PortAddress(instrument.port, port)

        def alone(on_data: OnData, on_lost: OnLost) -> Awaitable[Connection]:
            return open_port(address, on_data, on_lost)

        shares = driver.shares_line and not driver.streams
        owner = self._owners.setdefault(instrument.port, instrument.name)
        if owner != instrument.name and not (shares and instrument.port in self._lines):
            return lambda _data, _lost: _refused(
                f"{instrument.port} is the port of {owner} too, and both cannot have it; `daq check` says why"
            )
        if not shares:
            return alone
        line = self._lines.setdefault(instrument.port, SharedLine(instrument.port, alone, port))
        line.pause_at_least(driver.pause_ns)
        stop = stop_bytes(driver)
        return lambda on_data, on_lost: line.join(on_data, on_lost, stop)


async def _refused(reason: str) -> Connection:
    raise LinkError(reason)


def stop_bytes(driver: Driver) -> bytes:
    """What is sent to stop an instrument's motor; b"" where it has none."""
    try:
        return driver.action("halt").data if "halt" in driver.capabilities else b""
    except DaqError:
        return b""


def sharing_errors(instruments: Mapping[str, tuple[Instrument, Driver]]) -> list[SettingError]:
    """Why instruments with the same port cannot share it, if they cannot."""
    by_port: dict[str, list[tuple[Instrument, Driver]]] = {}
    for instrument, driver in instruments.values():
        by_port.setdefault(instrument.port, []).append((instrument, driver))
    errors = []
    for port, members in by_port.items():
        first, first_driver = members[0]
        settings = first.serial_line.over(first_driver.port)
        for other, driver in members[1:]:
            reason = _cannot_share(first, first_driver) or _cannot_share(other, driver)
            if not reason and (differing := _differing(settings, other.serial_line.over(driver.port))):
                reason = (
                    f"its serial settings are others ({differing}); write the same ones under [serial_line] of both"
                )
            if reason:
                said = f"{port!r} is the port of {first.name} ({first.source}) too: {reason}"
                errors.append(SettingError(said, file=other.source, key="port"))
    return errors


def _cannot_share(instrument: Instrument, driver: Driver) -> str:
    give = "give each a port of its own"
    if not driver.shares_line:
        return f"{instrument.name} has no address on it (driver {instrument.driver!r}); {give}"
    if driver.streams:
        return f"{instrument.name} speaks unasked, which nobody may on a shared line; let it be polled, or {give}"
    return ""


def _differing(one: Port, other: Port) -> str:
    names = [name for name in Port.__dataclass_fields__ if getattr(one, name) != getattr(other, name)]
    return ", ".join(f"{name.removesuffix('_ns')} {getattr(one, name)} and {getattr(other, name)}" for name in names)

"""Open the ports that instruments' files name; instruments that can share a line get the same one."""

from collections.abc import Awaitable, Callable, Iterable, Mapping

from daq.adapters.ports.shared_line import SharedLine
from daq.adapters.ports.transport import Connection, OnData, OnLost, PortAddress, open_port
from daq.core.driver import Driver, Port
from daq.core.errors import DaqError, LinkError, SettingError
from daq.methods.files.instrument import Instrument

Opener = Callable[[OnData, OnLost], Awaitable[Connection]]


class RealPorts:
    """Opens the port that an instrument's file names.

    Serial settings are the driver's, unless the file has its own.
    """

    def __init__(self) -> None:
        self._lines: dict[str, SharedLine] = {}
        self._users: dict[str, list[str]] = {}
        """By port: the instruments that use it; the first one has the right to it."""

    def __call__(self, instrument: Instrument, driver: Driver) -> Opener:
        """Return the function that opens the port of one instrument."""
        port = instrument.serial_line.over(driver.port)
        address = PortAddress(instrument.port, port)

        def alone(on_data: OnData, on_lost: OnLost) -> Awaitable[Connection]:
            return open_port(address, on_data, on_lost)

        shares = driver.shares_line and not driver.streams
        users = self._users.setdefault(instrument.port, [])
        if instrument.name not in users:
            users.append(instrument.name)
        owner = users[0]
        if owner != instrument.name and not (shares and instrument.port in self._lines):
            return lambda _data, _lost: _refused(
                f"{instrument.port} is also the port of {owner}, and they cannot share it; `daq check` gives the reason"
            )
        if not shares:
            return alone
        line = self._lines.setdefault(instrument.port, SharedLine(instrument.port, alone, port))
        line.pause_at_least(driver.pause_ns)
        stop = stop_bytes(driver)
        return lambda on_data, on_lost: line.join(on_data, on_lost, stop)

    def forget(self, names: Iterable[str]) -> None:
        """Take the rights to their ports from instruments whose sessions have ended."""
        gone = set(names)
        for port, users in list(self._users.items()):
            users[:] = [name for name in users if name not in gone]
            if not users:
                del self._users[port]
                self._lines.pop(port, None)


async def _refused(reason: str) -> Connection:
    raise LinkError(reason)


def stop_bytes(driver: Driver) -> bytes:
    """Return the bytes that stop an instrument's motor; b"" if it has none."""
    try:
        return driver.action("halt").data if "halt" in driver.capabilities else b""
    except DaqError:
        return b""


def sharing_errors(instruments: Mapping[str, tuple[Instrument, Driver]]) -> list[SettingError]:
    """Return an error for each instrument whose port is also another's and cannot be shared."""
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
                reason = f"its serial settings differ ({differing}); write the same ones under [serial_line] of both"
            if reason:
                text = f"{port!r} is also the port of {first.name} ({first.source}): {reason}"
                errors.append(SettingError(text, file=other.source, key="port"))
    return errors


def _cannot_share(instrument: Instrument, driver: Driver) -> str:
    give = "give each its own port"
    if not driver.shares_line:
        return f"{instrument.name} has no address on it (driver {instrument.driver!r}); {give}"
    if driver.streams:
        return (
            f"{instrument.name} sends without being asked, which is not possible on a shared line; set it to be "
            f"polled, or {give}"
        )
    return ""


def _differing(one: Port, other: Port) -> str:
    names = [name for name in Port.__dataclass_fields__ if getattr(one, name) != getattr(other, name)]
    return ", ".join(f"{name.removesuffix('_ns')} {getattr(one, name)} and {getattr(other, name)}" for name in names)

"""The ports of this machine that the operating system lists, and the instruments that have them."""

import os
from collections.abc import Iterable

from daq.adapters.ports.resolving import is_device, locate, names
from daq.core.errors import LinkError, SettingError
from daq.methods.files.instrument import Instrument


def listed_ports(instruments: Iterable[Instrument]) -> dict[str, str]:
    """Return the listed ports by name, each with the instrument that has it; "" for a free one.

    Two names of one device are one port.  No port is opened.
    """
    owners: dict[str, str] = {}
    for instrument in instruments:
        device = _device(instrument.port)
        if device:
            owners[device] = instrument.name
    return {name: owners.get(_device(name), "") for name in names()}


def free_device(port: str, instruments: Iterable[Instrument]) -> str:
    """Return the device of a listed port that no instrument has.

    Raises:
        SettingError: the port is not listed, or an instrument has it.
    """
    listed = listed_ports(instruments)
    if port not in listed:
        raise SettingError("is no port that this machine lists", key="port")
    if listed[port]:
        raise SettingError(f"is the port of {listed[port]}, which the daemon serves", key="port")
    return _device(port)


def _device(port: str) -> str:
    """Return the real path of a port's device; "" where there is none now, or it is on the network."""
    try:
        found = locate(port)
    except LinkError:
        return ""
    return os.path.realpath(found) if is_device(found) else ""

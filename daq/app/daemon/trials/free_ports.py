"""The ports of this machine that the operating system lists, and the instruments that have them."""

import os
from collections.abc import Iterable

from daq.adapters.ports.resolving import locate, names, possible_devices
from daq.core.errors import LinkError, SettingError, coded
from daq.methods.files.instrument import Instrument


def listed_ports(instruments: Iterable[Instrument]) -> dict[str, str]:
    """Return the listed ports by name, each with the instrument that has it; "" for a free one.

    Two names of one device are one port.  No port is opened.
    """
    owners: dict[str, str] = {}
    for instrument in instruments:
        # The daemon may have opened an adapter before another one was plugged in that fits the name, too.
        owners |= dict.fromkeys(_devices(instrument.port), instrument.name)
    return {name: next((owners[d] for d in _devices(name) if d in owners), "") for name in names()}


def free_device(port: str, instruments: Iterable[Instrument]) -> str:
    """Return the device of a listed port that no instrument has.

    Raises:
        SettingError: the port is not listed, an instrument has it, or its name fits no adapter or several.
    """
    listed = listed_ports(instruments)
    if port not in listed:
        raise coded(SettingError("is no port that this machine lists", key="port"), "port_not_listed", port=port)
    if listed[port]:
        error = SettingError(f"is the port of {listed[port]}, which the daemon serves", key="port")
        raise coded(error, "port_in_use", port=port, instrument=str(listed[port]))
    try:
        return os.path.realpath(locate(port))
    except LinkError as error:
        raise SettingError(str(error), key="port") from None


def _devices(port: str) -> list[str]:
    """Return the real paths of the devices that a port's name may mean; none for a port on the network."""
    return [os.path.realpath(device) for device in possible_devices(port)]

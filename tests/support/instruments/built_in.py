"""All built-in descriptions, found through the same entry points as the program uses."""

from importlib.metadata import entry_points
from pathlib import Path

from daq.descriptions.load import Description, load_description


def descriptions() -> dict[str, Description]:
    found = {}
    for entry in entry_points(group="daq.drivers"):
        loaded = entry.load()
        if isinstance(loaded, (str, Path)):
            found[entry.name] = load_description(loaded)
    return found


BUILT_IN = descriptions()
#: One driver of each description, and drivers with options that change their behaviour.
DRIVERS = {name: description.driver() for name, description in BUILT_IN.items()}
DRIVERS["rotational, backward"] = BUILT_IN["rotational"].driver({"direction": "backward"})
DRIVERS["rotational, streaming"] = BUILT_IN["rotational"].driver({"mode": "stream", "interval_ms": 500})
DRIVERS["streaming-rotational, 50 mN.m"] = BUILT_IN["streaming-rotational"].driver({"full_scale_uN_m": 50_000})
DRIVERS["balance, key"] = BUILT_IN["balance"].driver({"mode": "stream"})

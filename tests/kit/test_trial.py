"""A trial of a driver takes the readings that it is asked for, however the bytes arrive."""

import asyncio

import pytest

from daq.adapters.ports.transport import PortAddress
from daq.app.setup.drivers import Drivers
from daq.app.workshop import trying
from simulators.level.level import LevelSensor


class Port:
    """A port that passes `chunks` on, all within one turn of the event loop."""

    def __init__(self, chunks):
        self._chunks = chunks

    async def open(self, address, data, lost):
        asyncio.get_running_loop().call_soon(self._pass_on, data)
        return self

    def _pass_on(self, data):
        for chunk in self._chunks:
            data(chunk)

    def write(self, data, sent):
        sent()

    def close(self):
        pass


@pytest.mark.parametrize("wanted", [1, 2, 3])
@pytest.mark.parametrize("together", [1, 2, 5])
def test_readings_beyond_the_wanted_ones_are_not_counted(monkeypatch, wanted, together):
    sensor = LevelSensor()
    lines = [sensor.advance(1.0) for _ in range(20)]
    chunks = [b"".join(lines[i : i + together]) for i in range(0, len(lines), together)]
    monkeypatch.setattr(trying, "open_port", Port(chunks).open)

    async def tried():
        trial = trying.Trial(Drivers.find().make("level", {}), PortAddress("port", None), lambda tried: None)
        assert await trial.run(seconds=60.0, readings=wanted) == ""
        return trial.tried

    assert asyncio.run(tried()).readings == wanted

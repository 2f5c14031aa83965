"""A Sparkplug link to a real broker that sends the results of a real store, for one device that is always there."""

import contextlib
import json
from types import SimpleNamespace

from daq.adapters.sparkplug.metrics import DataType, Metric
from daq.adapters.store.rows import Outgoing
from daq.app.delivery.sparkplug_content import StoredContent, position
from tests.support.runs.stored import T0, begin, conclude
from tests.support.sparkplug.link import linked

DEVICE = "rotor-1"


def build(name):
    def built(sequence, _audit, _journal):
        data = json.dumps({"value": 0.1234, "unit": "Pa.s", "quality": "Good", "name": name, "sequence": sequence})
        return data, [Outgoing("lab/v1/result/rotor-1", data.encode())]

    return built


def measure(store, name, device=DEVICE):
    store.submit(begin(name, device)).result(10)
    store.submit(conclude(name, result_id=name, build=build(name))).result(10)


class Bench(StoredContent):
    """The content of a database for one device that is always there."""

    def node(self):
        return (Metric("source", DataType.STRING, self.bench.store.source, 1),)

    def present(self):
        return {DEVICE: (Metric("instrument/state", DataType.STRING, "ready", 1),)}


@contextlib.asynccontextmanager
async def sending(store, broker, clock):
    with store.reader() as reader:
        bench = SimpleNamespace(store=store, clock=SimpleNamespace(utc_ns=lambda: T0), sessions={}, runs={})
        content = Bench(bench, reader, None, None)
        async with linked(
            store.path.parent, broker.settings(), content, clock=clock, position=position(reader)
        ) as link:
            yield link

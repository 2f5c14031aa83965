"""Metrics of a collector."""

from collections.abc import Callable, Iterator
from typing import Final

import daq
from daq.collect.housekeeping import Housekeeper
from daq.collect.worker import Worker
from daq.process.exposition import Family, render

_COUNTERS: Final = (
    ("taken", "Results and flow curves that were written."),
    ("duplicates", "Results and flow curves that were stored before."),
    ("conflicts", "Messages with other content under a known id."),
    ("refused", "Messages that are not events."),
    (
        "live_dropped",
        "Live messages and values dropped: too fast for the database, not storable, or under foreign topics.",
    ),
)


def metrics_text(worker: Worker, housekeeper: Housekeeper) -> Callable[[], bytes]:
    """Return a function that renders the present metrics of a worker in the exposition format."""
    return lambda: render(_families(worker, housekeeper))


def _families(worker: Worker, housekeeper: Housekeeper) -> Iterator[Family]:
    state, name = worker.state, worker.name

    def one(metric: str, kind: str, text: str, value: float) -> Family:
        return Family(f"daq_collect_{metric}", "counter" if kind == "counter" else "gauge", text).add(
            value, worker=name
        )

    yield Family("daq_build_info", "gauge", "The version that runs.").add(1, version=daq.__version__)
    yield one("connected", "gauge", "1 where the broker is connected.", state.connected)
    yield one("trouble", "gauge", "1 where results wait because broker or database are away.", bool(state.trouble))
    yield one("in_hand_messages", "gauge", "Messages taken and not yet committed.", state.in_hand)
    for metric, text in _COUNTERS:
        yield one(f"{metric}_total", "counter", text, getattr(state, metric))
    fleet = housekeeper.fleet
    yield one("watches", "gauge", "1 for the worker that watches over gaps.", fleet is not None)
    if fleet is not None:
        yield Family(
            "daq_collect_missing_results", "gauge", "Results that daemons counted and that are not stored."
        ).add(fleet.missing)
        yield Family("daq_collect_missing_age_seconds", "gauge", "How long the oldest has been missing; 0: none.").add(
            fleet.oldest_s
        )
        daemons = Family("daq_collect_daemons", "gauge", "Daemons by the state they are in.")
        for known, count in sorted(fleet.daemons.items()):
            daemons.add(count, state=known)
        yield daemons

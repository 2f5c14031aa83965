"""The messages of a result for the broker, as they are committed with it."""

import json
import uuid
from collections.abc import Callable
from typing import Any, Final

import daq
from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.rows import Outgoing
from daq.app.setup.details import place_of
from daq.methods.messages.envelope import envelope
from daq.methods.messages.flat import FLAT_NAME, flattened
from daq.methods.messages.result import SCHEMA_NAME, SCHEMA_VERSION, ResultData
from daq.methods.parts.origin import Place

CONTENT_TYPE: Final = "application/cloudevents+json"
SOFTWARE: Final = f"daq {daq.__version__}"
"""Name and version of this program, as a result states them."""


class ResultMessages:
    """Makes the text of a result and its messages, for the results of one instrument.

    Attributes:
        place: levels of the plant in the topics; None where nothing is published.
    """

    def __init__(
        self, instrument: str, source: Callable[[], str], topics: Topics | None, *, with_flat: bool = False
    ) -> None:
        """Take the ways of the messages; arguments as in `ResultMaker`."""
        self.place: Place | None = None if topics is None else place_of(topics)
        self._instrument, self._source, self._topics, self._with_flat = instrument, source, topics, with_flat

    def of(
        self, data: ResultData, result_id: str, sequence: int, time: str, *, is_last: bool = True
    ) -> tuple[str, list[Outgoing]]:
        """Return the JSON text of a result, and its messages; `time` is the end of its run (ISO 8601).

        `is_last`: the run is the newest of its instrument, so that the retained message becomes this one.
        """
        result = data.model_dump(mode="json")
        return json.dumps(result, sort_keys=True), self._made(result, result_id, sequence, time, is_last=is_last)

    def _made(
        self, result: dict[str, Any], result_id: str, sequence: int, time: str, *, is_last: bool
    ) -> list[Outgoing]:
        topics = self._topics
        if topics is None:
            return []
        instrument = self._instrument
        properties = json.dumps({"content_type": CONTENT_TYPE})

        def payload(data: dict[str, Any], name: str, own_id: str) -> bytes:
            event = envelope(
                data,
                id=own_id,
                source=self._source(),
                sequence=sequence,
                time=time,
                type=f"lab.{name}.v{SCHEMA_VERSION}",
                subject=instrument,
                dataschema=f"mqtt:{topics.schema(name, str(SCHEMA_VERSION))}",
            )
            return json.dumps(event, separators=(",", ":"), ensure_ascii=False).encode()

        nested = payload(result, SCHEMA_NAME, result_id)
        messages = [Outgoing(topics.result(instrument), nested, properties=properties)]
        if is_last:
            messages.append(Outgoing(topics.last(instrument), nested, retain=True, properties=properties))
        if self._with_flat:
            # CloudEvents 1.0 demands another id for another content of the same source.
            own_id = str(uuid.uuid5(uuid.UUID(result_id), FLAT_NAME))
            plain = payload(flattened(result), FLAT_NAME, own_id)
            messages.append(Outgoing(topics.flat(instrument), plain, id=own_id, properties=properties))
        return messages

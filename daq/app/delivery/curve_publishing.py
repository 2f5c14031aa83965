"""Publish the flow curve of a run as a separate message, computed after the result was committed."""

import json
import uuid
from typing import Final

from daq.adapters.mqtt.topics import Topics
from daq.adapters.store.audit import source_uri
from daq.adapters.store.outgoing.derived import AddDerived
from daq.adapters.store.outgoing.sealed import changed_results
from daq.adapters.store.reading import Reader
from daq.adapters.store.rows import CHANGED, Outgoing
from daq.app.records.derived import flow_curve
from daq.app.records.history import history
from daq.app.screens.text import utc_iso
from daq.core.errors import StoreError
from daq.methods.curves.curvedata import CURVE_SCHEMA, CURVE_UNITS, CURVE_VERSION, FlowCurveMessage
from daq.methods.messages.envelope import envelope

CONTENT_TYPE: Final = "application/cloudevents+json"


def curve_message(reader: Reader, run_id: str, database: str, topics: Topics, utc_ns: int) -> AddDerived | None:
    """Return the transaction that puts the flow curve of a run into the outbox; None if the run has none.

    Its source is that of the result: the UUID of the `database`, with the epoch in which the result was numbered.

    The message's id follows from the result's id, so that a second computation adds no second message.

    Raises:
        StoreError: the result was changed after it was stored.
    """
    run = reader.run(run_id)
    newest = reader.newest_result(run_id)
    if run is None or newest is None:
        return None
    if changed_results([newest], reader.rows):
        # The audit entry of the message would seal what was changed.
        raise StoreError(f"result {newest.id} was {CHANGED}; nothing is computed from it: run `daq verify`")
    found = history(reader, run)
    curve, data = flow_curve(found), found.data
    if curve is None or data is None:
        return None
    message = FlowCurveMessage(
        result=newest.id,
        run=run.id,
        instrument=run.instrument,
        simulated=data["simulated"],
        units=CURVE_UNITS,
        sample=data["sample"],
        method=data["method"],
        curve=curve,
    )
    instrument = run.instrument
    own_id = str(uuid.uuid5(uuid.UUID(newest.id), CURVE_SCHEMA))
    event = envelope(
        message.model_dump(mode="json"),
        id=own_id,
        source=source_uri(database, newest.epoch),
        sequence=newest.sequence,
        time=utc_iso(newest.created_utc_ns) or "",
        type=f"lab.{CURVE_SCHEMA}.v{CURVE_VERSION}",
        subject=instrument,
        dataschema=f"mqtt:{topics.schema(CURVE_SCHEMA, str(CURVE_VERSION))}",
    )
    payload = json.dumps(event, separators=(",", ":"), ensure_ascii=False).encode()
    properties = json.dumps({"content_type": CONTENT_TYPE})
    topic = topics.curve(instrument)
    return AddDerived(newest.id, Outgoing(topic, payload, id=own_id, properties=properties), utc_ns)

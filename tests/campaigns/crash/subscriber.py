"""A historian as a separate process: it records each result that it receives.

`python -m tests.campaigns.crash.subscriber PORT FILE`.  Its session is kept by the broker.  A line of the file is a
JSON object with source, id, sequence and stream of one message.
"""

import json
import sys
import threading
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from tests.support.processes.mosquitto import PASSWORD


def main(port: int, path: Path) -> None:
    """Record results until the parent closes stdin."""
    ready = threading.Event()
    with path.open("a", buffering=1, encoding="utf-8") as out:

        def write(_client: Any, _data: Any, message: Any) -> None:
            event = json.loads(message.payload)
            keys = {k: event[k] for k in ("source", "id", "sequence")}
            out.write(json.dumps(keys | {"stream": message.topic.rpartition("/")[2]}) + "\n")

        client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2, client_id="crash-historian", protocol=mqtt.MQTTv5)
        client.username_pw_set("historian", PASSWORD)
        client.on_connect = lambda c, *_: c.subscribe("works/lab/v1/result/#", qos=1)
        client.on_subscribe = lambda *_: ready.set()
        client.on_message = write
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = 3600
        client.connect("127.0.0.1", port, clean_start=False, properties=session)
        client.loop_start()
        assert ready.wait(10), "no subscription"
        print("ready", flush=True)
        sys.stdin.read()
        client.disconnect()
        client.loop_stop()


if __name__ == "__main__":
    main(int(sys.argv[1]), Path(sys.argv[2]))

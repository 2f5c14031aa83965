"""A listener that speaks just enough MQTT 5 to show what is sent.

Packet layout: OASIS MQTT 5, sections 2.1 (fixed header), 3.2 (CONNACK), 3.3 (PUBLISH), 3.4 (PUBACK), 3.9 (SUBACK)
and 3.11 (UNSUBACK).
"""

import asyncio
import contextlib

from daq.adapters.mqtt.settings import MqttSettings
from tests.support.processes.mosquitto import PASSWORD

CONNECT, CONNACK, PUBLISH, PUBACK, SUBSCRIBE, SUBACK, UNSUBSCRIBE, UNSUBACK, DISCONNECT = 1, 2, 3, 4, 8, 9, 10, 11, 14


class Listener:
    """A broker that keeps sessions; it acknowledges the status, then nothing until `release`, then all with reason code `code`."""

    def __init__(self, connack_properties=b"", code=0x00, connack=0x00):
        self.properties = connack_properties
        self.code = code
        self.connack = connack
        self.published = []
        self.sent = []
        """Topic and payload of each published message."""
        self.answers_at_once = False
        self.unanswered = []
        self.connections = 0
        self.writer = None

    async def __aenter__(self):
        self.server = await asyncio.start_server(self._serve, "127.0.0.1", 0)
        self.port = self.server.sockets[0].getsockname()[1]
        return self

    async def __aexit__(self, *_):
        self.server.close()
        if self.writer is not None:
            self.writer.close()
        await self.server.wait_closed()

    async def _serve(self, reader, writer):
        self.writer = writer
        self.connections += 1
        self.unanswered = []
        with contextlib.suppress(asyncio.IncompleteReadError, ConnectionError):
            while True:
                first, content = await self._packet(reader)
                kind = first >> 4
                if kind == CONNECT:
                    head = (
                        bytes([self.connections > 1 and not self.connack, self.connack, len(self.properties)])
                        + self.properties
                    )
                    writer.write(bytes([CONNACK << 4, len(head)]) + head)
                elif kind == PUBLISH:
                    length = int.from_bytes(content[:2], "big")
                    topic = content[2 : 2 + length].decode()
                    packet = content[2 + length : 4 + length]
                    self.published.append(topic)
                    self.sent.append((topic, self._payload(content[2 + length :], first)))
                    if not first & 0x06:
                        continue  # QoS 0 has no answer
                    if topic.endswith("status") or self.answers_at_once:
                        self._acknowledge(packet, 0)
                    else:
                        self.unanswered.append(packet)
                elif kind in (SUBSCRIBE, UNSUBSCRIBE):
                    answer = SUBACK if kind == SUBSCRIBE else UNSUBACK
                    writer.write(bytes([answer << 4, 4]) + content[:2] + bytes([0, 0]))
                elif kind == DISCONNECT:
                    break
        writer.close()

    @staticmethod
    async def _packet(reader):
        first = (await reader.readexactly(1))[0]
        length, shift = 0, 0
        while True:
            byte = (await reader.readexactly(1))[0]
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                return first, await reader.readexactly(length)

    @staticmethod
    def _payload(content, first):
        """Return the payload of a PUBLISH from the bytes after its topic: packet identifier, properties, payload."""
        at = 2 if first & 0x06 else 0
        length, shift = 0, 0
        while True:
            byte = content[at]
            at += 1
            length |= (byte & 0x7F) << shift
            shift += 7
            if not byte & 0x80:
                return content[at + length :]

    def _acknowledge(self, packet, code):
        self.writer.write(bytes([PUBACK << 4, 3]) + packet + bytes([code]))

    def release(self, count=1):
        for packet in self.unanswered[:count]:
            self._acknowledge(packet, self.code)
        del self.unanswered[:count]

    def settings(self, **changes):
        values = {"timeout_s": 10.0, "backoff_first_s": 0.05, "backoff_most_s": 0.1, "retry_first_s": 900.0}
        values["repeat_after_loss_s"] = 0.0
        return MqttSettings(host="127.0.0.1", port=self.port, user="daq", password=PASSWORD, **{**values, **changes})

    def results(self):
        return [t for t in self.published if "/result/" in t]

    def messages(self):
        """Topic and payload of each published message except the status."""
        return [(t, p) for t, p in self.sent if not t.endswith("status")]

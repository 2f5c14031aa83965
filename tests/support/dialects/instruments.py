"""Simulated instruments of the descriptions beside this file; they use the standard library only and share nothing with daq.

Each has `receive`, `advance`, `due_in_s`, as a simulator of the conformance kit, and `readings`: the values that it sent.
"""

import random
import struct
from pathlib import Path

FOLDER = Path(__file__).parent


class Timed:
    """An instrument with a clock; `tick` is called every `tick_s` and returns the bytes sent unasked."""

    tick_s = 0.0

    def __init__(self, seed=1):
        self.rng = random.Random(seed)
        self.now = self.ticked = 0.0
        self.readings = []
        self.held = b""

    def advance(self, dt_s):
        self.now += dt_s
        out = b""
        while self.tick_s and self.ticked + self.tick_s <= self.now + 1e-9:
            self.ticked += self.tick_s
            out += self.tick()
        return out

    def due_in_s(self):
        return max(0.0, self.ticked + self.tick_s - self.now) if self.tick_s else None

    def tick(self):
        return b""

    def receive(self, data):
        return b""


class DensityMeter(Timed):
    """Frames AA 55, length of what follows it, type, content, CRC-16/IBM-SDLC with its low byte first."""

    def __init__(self, seed=1, serial="DM-77 A", address=1):
        super().__init__(seed)
        self.serial, self.address = serial, address

    @staticmethod
    def check(content):
        """CRC-16/IBM-SDLC by bits: reflected 0x8408, initial FFFF, final FFFF (ISO/IEC 13239)."""
        crc = 0xFFFF
        for byte in content:
            crc ^= byte
            for _ in range(8):
                crc = crc >> 1 ^ (0x8408 if crc & 1 else 0)
        return (crc ^ 0xFFFF).to_bytes(2, "little")

    def frame(self, kind, content):
        content = bytes([len(content) + 4, kind, self.address]) + content
        return b"\xaa\x55" + content + self.check(content)

    def reading(self, state=0):
        density = struct.unpack(">f", struct.pack(">f", self.rng.uniform(1200, 1900)))[0]
        hundredths = self.rng.randrange(1500, 4000)
        self.readings.append((density, hundredths / 100))
        return self.frame(0xA0, struct.pack(">f", density) + struct.pack("<h", hundredths) + bytes([state]))

    def tick(self):
        return self.reading()

    def receive(self, data):
        self.held = (self.held + data)[-64:]
        at = self.held.find(b"\xaa\x55")
        if at < 0 or len(self.held) < at + 3 or len(self.held) < at + 3 + self.held[at + 2]:
            return b""
        content = self.held[at + 2 : at + 3 + self.held[at + 2]]
        self.held = b""
        if self.check(content[:-2]) != content[-2:] or content[2] != self.address:
            return b""
        if content[1] == 0x10:
            return self.frame(0x90, self.serial.encode() + b"1.07")
        if content[1] == 0x11:
            return self.frame(0x91, (3_000_500).to_bytes(4, "big"))
        if content[1] == 0x20:
            return self.reading()
        if content[1] == 0x30:
            self.tick_s, self.ticked = int.from_bytes(content[3:5], "big") / 1000, self.now
            return self.frame(0xB0, b"")
        return self.frame(0xEE, b"\x03")


class MoistureMeter(Timed):
    """STX text ETX BCC CR LF; it sleeps after 4 s without a request and then needs two NUL before one."""

    sleeps_after_s = 4.0

    def __init__(self, seed=1):
        super().__init__(seed)
        self.awake_until = 0.0
        self.woken = []
        self.lost = 0
        self.set = []

    @staticmethod
    def sent(text):
        content = text.encode() + b"\x03"
        block = 0
        for byte in content:
            block ^= byte
        return b"\x02" + content + bytes([block]) + b"\r\n"

    def receive(self, data):
        if data.startswith(b"\0\0"):
            self.woken.append((self.now, self.now < self.awake_until))
            self.awake_until = self.now + self.sleeps_after_s
            data = data[2:]
        if data and self.now >= self.awake_until:
            self.lost += 1
            return b""
        self.held += data
        *requests, self.held = self.held.split(b"\r\n")
        return b"".join(map(self.answer, requests))

    def answer(self, request):
        self.awake_until = self.now + self.sleeps_after_s
        content, check = request[1:-2], request[-2:]
        if request[:1] != b":" or not check.isdigit() or sum(content) % 100 != int(check) or content[:3] != b"007":
            return b"?E01\r\n"
        what = content[3:].decode()
        if what == "RC1":
            moisture, tenths = self.rng.randrange(-300, 6000), self.rng.randrange(-200, 900)
            self.readings.append((moisture / 100, tenths / 10))
            return self.sent(f"007M{moisture & 0xFFFF:04X}T{tenths & 0xFFFF:04X}")
        if what == "I1":
            return self.sent("007SMO-4711 V2.0")
        if what == "I2":
            return self.sent("007F50.0")
        if what[:1] == "W":
            self.set.append(int(what[1:]) / 10)
            return self.sent(f"007W{int(what[1:])}")
        return b"?E03\r\n"


class WeighingTerminal(Timed):
    """Prints a block of four lines each 2 s, and a header before every third one."""

    tick_s = 2.0
    number = 0

    def tick(self):
        self.number += 1
        gross, tare = self.rng.randrange(20_000, 60_000), self.rng.randrange(0, 9_000)
        self.readings.append((gross / 100, tare / 1000, (gross - tare / 10) / 100))
        header = b"Works 3\r\nDate 2031-05-06\r\n" if self.number % 3 == 1 else b""
        return (
            header
            + (
                f"No. {self.number}\r\nGross {gross / 100:9.2f} kg\r\nTare {tare:10d} g\r\nNet {(gross - tare / 10) / 100:11.3f} kg\r\n"
            ).encode()
        )


class StrainAmplifier(Timed):
    """Three readings in each line, with the two's complement of the sum between '$' and '*'."""

    tick_s = 0.3

    def tick(self):
        rows = [(self.rng.randrange(-90_000, 90_000) / 100, self.rng.randrange(-300, 900) / 10) for _ in range(3)]
        self.readings += rows
        text = "D,40," + ",".join(f"{signal:.2f},{celsius:.1f}" for signal, celsius in rows)
        return f"${text}*{-sum(text.encode()) & 0xFF:02X}\r\n".encode()


#: Simulator and options of the driver by the name of the description, with a note behind the comma.
DIALECTS = {
    "density": (DensityMeter, {}),
    "density, stream": (DensityMeter, {"mode": "stream", "interval_ms": 250}),
    "moisture": (MoistureMeter, {}),
    "printer": (WeighingTerminal, {}),
    "tilt": (StrainAmplifier, {}),
}

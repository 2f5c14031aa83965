"""A density meter: frames of bytes with sync, length, type, content and CRC, on request or as a stream."""

import struct

from simulators.dialects.timed import Timed


class DensityMeter(Timed):
    """Frames AA 55, length of what follows it, type, content, CRC-16/IBM-SDLC with its low byte first."""

    kind = "density-meter"

    def __init__(self, seed: int = 1, *, serial: str = "TG-31 A", address: int = 1) -> None:
        super().__init__(seed, serial=serial)
        self.address = address

    @staticmethod
    def check(content: bytes) -> bytes:
        """CRC-16/IBM-SDLC by bits: reflected 0x8408, initial FFFF, final FFFF (ISO/IEC 13239)."""
        crc = 0xFFFF
        for byte in content:
            crc ^= byte
            for _ in range(8):
                crc = crc >> 1 ^ (0x8408 if crc & 1 else 0)
        return (crc ^ 0xFFFF).to_bytes(2, "little")

    def frame(self, kind: int, content: bytes) -> bytes:
        """Return a whole frame."""
        content = bytes([len(content) + 4, kind, self.address]) + content
        return b"\xaa\x55" + content + self.check(content)

    def reading(self, state: int = 0) -> bytes:
        """Return the frame of a new reading."""
        density = struct.unpack(">f", struct.pack(">f", self.rng.uniform(1200, 1900)))[0]
        hundredths = self.rng.randrange(1500, 4000)
        self.readings.append((density, hundredths / 100))
        return self.frame(0xA0, struct.pack(">f", density) + struct.pack("<h", hundredths) + bytes([state]))

    def tick(self) -> bytes:
        """Return a reading."""
        return self.reading()

    def receive(self, data: bytes) -> bytes:
        """Answer a whole request with the right check and address."""
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

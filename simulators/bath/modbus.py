"""Frames of Modbus on a serial line (serial line specification V1.02; application protocol V1.1b3)."""

from collections.abc import Callable
from typing import Protocol

from simulators.clockwork import Lines, crc16_modbus

ILLEGAL_FUNCTION, ILLEGAL_ADDRESS, ILLEGAL_VALUE, DEVICE_FAILURE = 1, 2, 3, 4
BROADCAST = 0
MOST_READ, MOST_WRITTEN = 125, 123
LONGEST_FRAME = 256


class ModbusError(Exception):
    """An exception answer."""

    def __init__(self, code: int) -> None:
        super().__init__(code)
        self.code = code


class Registers(Protocol):
    """Registers of a device; unknown registers raise `ModbusError`."""

    def read_input(self, address: int, count: int) -> list[int]:
        """Return input registers."""
        ...

    def read_holding(self, address: int, count: int) -> list[int]:
        """Return holding registers."""
        ...

    def write(self, address: int, values: list[int]) -> None:
        """Write holding registers."""
        ...


def carried_out(pdu: bytes, registers: Registers) -> bytes:
    """Return the answer to a request's function code and data."""
    function = pdu[0]
    try:
        return bytes([function]) + _FUNCTIONS[function](pdu[1:], registers)
    except KeyError:
        return bytes([function | 0x80, ILLEGAL_FUNCTION])
    except ModbusError as error:
        return bytes([function | 0x80, error.code])


def _words(data: bytes) -> list[int]:
    return [int.from_bytes(data[i : i + 2], "big") for i in range(0, len(data), 2)]


def _read(data: bytes, read: Callable[[int, int], list[int]]) -> bytes:
    if len(data) != 4:
        raise ModbusError(ILLEGAL_VALUE)
    address, count = _words(data)
    if not 1 <= count <= MOST_READ:
        raise ModbusError(ILLEGAL_VALUE)
    out = b"".join(value.to_bytes(2, "big") for value in read(address, count))
    return bytes([len(out)]) + out


def _write_one(data: bytes, registers: Registers) -> bytes:
    if len(data) != 4:
        raise ModbusError(ILLEGAL_VALUE)
    address, value = _words(data)
    registers.write(address, [value])
    return data


def _write_many(data: bytes, registers: Registers) -> bytes:
    if len(data) < 5:
        raise ModbusError(ILLEGAL_VALUE)
    address, count = _words(data[:4])
    values = data[5:]
    if not 1 <= count <= MOST_WRITTEN or data[4] != 2 * count or len(values) != 2 * count:
        raise ModbusError(ILLEGAL_VALUE)
    registers.write(address, _words(values))
    return data[:4]


_FUNCTIONS: dict[int, Callable[[bytes, Registers], bytes]] = {
    3: lambda data, registers: _read(data, registers.read_holding),
    4: lambda data, registers: _read(data, registers.read_input),
    6: _write_one,
    16: _write_many,
}


class RtuFrames:
    """RTU frames; a frame is complete as soon as the checksum over the bytes received is right."""

    end = b""
    silence_ns = 20_000_000

    def __init__(self) -> None:
        self._pending = b""
        self._last_ns = 0

    def take(self, now_ns: int, data: bytes) -> list[bytes]:
        """Return complete frames without checksum: address, function, data."""
        if now_ns - self._last_ns > self.silence_ns or len(self._pending) > LONGEST_FRAME:
            self._pending = b""
        self._last_ns = now_ns
        frames = []
        for i in range(len(data)):
            self._pending += data[i : i + 1]
            if len(self._pending) >= 4 and crc16_modbus(self._pending) == 0:
                frames.append(self._pending[:-2])
                self._pending = b""
        return frames

    def wrapped(self, frame: bytes) -> bytes:
        """Return a frame as sent: the checksum's low byte first."""
        return frame + crc16_modbus(frame).to_bytes(2, "little")


class AsciiFrames:
    """Frames in hex digits between a colon and CR LF, with a longitudinal redundancy check."""

    end = b"\r\n"

    def __init__(self) -> None:
        self._lines = Lines(self.end, 2 * LONGEST_FRAME + 1)

    def take(self, now_ns: int, data: bytes) -> list[bytes]:
        """Return complete frames without checksum: address, function, data."""
        del now_ns
        frames = []
        for line in self._lines.take(data):
            # A colon always starts a new frame.
            text = line.rpartition(b":")[2]
            try:
                frame = bytes.fromhex(text.decode("ascii"))
            except ValueError:
                continue
            if b":" in line and len(frame) >= 3 and sum(frame) & 0xFF == 0:
                frames.append(frame[:-1])
        return frames

    def wrapped(self, frame: bytes) -> bytes:
        """Return a frame as sent."""
        return b":%s\r\n" % (frame + bytes([-sum(frame) & 0xFF])).hex().upper().encode("ascii")

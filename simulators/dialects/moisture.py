"""A moisture meter: text between STX and ETX with a block check, an address in each line, and a sleep."""

from simulators.dialects.timed import Timed


class MoistureMeter(Timed):
    """STX text ETX BCC CR LF; it sleeps after 4 s without a request and then needs two NUL before one."""

    sleeps_after_s = 4.0

    kind = "moisture-meter"
    end = b"\r\n"

    def __init__(self, seed: int = 1, *, serial: str = "MO-2094") -> None:
        super().__init__(seed, serial=serial)
        self.awake_until = 0.0
        self.woken: list[tuple[float, bool]] = []
        self.lost = 0
        self.set: list[float] = []

    @staticmethod
    def sent(text: str) -> bytes:
        """Return a text as it is sent."""
        content = text.encode() + b"\x03"
        block = 0
        for byte in content:
            block ^= byte
        return b"\x02" + content + bytes([block]) + b"\r\n"

    def receive(self, data: bytes) -> bytes:
        """Answer whole requests; without the wake-up a sleeping instrument receives nothing."""
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

    def answer(self, request: bytes) -> bytes:
        """Return the answer to one request."""
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
            return self.sent(f"007S{self.serial} V2.0")
        if what == "I2":
            return self.sent("007F50.0")
        if what[:1] == "W":
            self.set.append(int(what[1:]) / 10)
            return self.sent(f"007W{int(what[1:])}")
        return b"?E03\r\n"

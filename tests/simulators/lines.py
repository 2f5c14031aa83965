"""The line protocol written a second time, bit by bit, so that the simulator's own framing is checked against it."""


def crc16_xmodem(data: bytes) -> int:
    """CRC-16/XMODEM: polynomial 0x1021, initial value 0, not reflected (catalogue of parametrised CRC algorithms)."""
    register = 0
    for byte in data:
        register ^= byte << 8
        for _ in range(8):
            register = (register << 1) ^ 0x1021 if register & 0x8000 else register << 1
            register &= 0xFFFF
    return register


def request(text: str) -> bytes:
    raw = text.encode()
    return raw + f"#{crc16_xmodem(raw):04X}\r\n".encode()


def texts(data: bytes) -> list[str]:
    """Texts of whole lines; fails on a line without its end or with a wrong checksum."""
    assert data == b"" or data.endswith(b"\r\n"), data
    found = []
    for line in data.split(b"\r\n")[:-1]:
        raw, mark, digits = line.rpartition(b"#")
        assert mark, line
        assert digits.decode() == f"{crc16_xmodem(raw):04X}", line
        found.append(raw.decode("ascii"))
    return found


def ask(instrument, text: str) -> str:
    (answer,) = texts(instrument.receive(request(text)))
    return answer


def values(instrument) -> tuple[float, float, float | None, str]:
    """Torque (% of full scale), confirmed speed (1/min), temperature (Cel or None), flags."""
    word, torque, speed, temperature, flags = ask(instrument, "read").split(" ")
    assert word == "val"
    return float(torque), float(speed), None if temperature == "---" else float(temperature), flags

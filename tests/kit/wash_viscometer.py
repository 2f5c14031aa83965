"""The second instrument of the guide: a rotational instrument for glaze washes, not defined elsewhere.

    I?<CR>       ->  I WASH SN=WV-0207 FW=1.4 FS=0718.7 uN.m
    M?<CR>       ->  M <torque, % of full scale> <speed, /min> <temperature, Cel> <state, two hexadecimal digits>
    S <tenths of a revolution per minute, four digits><CR>  ->  S <the same> OK
    H<CR>        ->  H OK

Each answer ends with CR LF CR LF; between text and end are ``#`` and its sum modulo 256 in two hexadecimal digits.  Bits of
the state: 01 torque at its stop, 02 motor blocked, 10 probe disconnected, 80 motor on (no fault).  ``python
wash_viscometer.py LINK`` serves it on a pseudo-terminal; it uses nothing but the standard library.
"""

import os
import re
import select
import sys
import tty
from pathlib import Path

SWAY = (0.00, 0.03, -0.02, 0.01, -0.04, 0.02)
"""Changes of the torque from reading to reading, % of full scale."""


class WashViscometer:
    def __init__(self) -> None:
        self.tenths, self.count = 0, 0

    def answer(self, request: str) -> str:
        if request == "I?":
            return "I WASH SN=WV-0207 FW=1.4 FS=0718.7 uN.m"
        if request == "M?":
            self.count += 1
            torque = self.tenths / 10 * 1.52 + (SWAY[self.count % len(SWAY)] if self.tenths else 0.0)
            state = (0x80 if self.tenths else 0) | (0x01 if torque > 100.0 else 0) | (0x10 if self.count == 3 else 0)
            return f"M {torque:+07.2f} {self.tenths / 10:05.1f} {24.8 + self.count / 50:+.2f} {state:02X}"
        speed = re.fullmatch(r"S (\d{4})", request)
        if speed or request == "H":
            self.tenths = int(speed[1]) if speed else 0
            return f"{request} OK"
        return "?"


def sealed(text: str) -> bytes:
    raw = text.encode("ascii")
    return raw + b"#%02X\r\n\r\n" % (sum(raw) % 256)


def serve(link: Path) -> None:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    link.symlink_to(os.ttyname(theirs))
    print("ready", flush=True)
    instrument, held = WashViscometer(), b""
    while True:
        select.select([ours], [], [])
        *requests, held = (held + os.read(ours, 4096)).split(b"\r")
        for request in requests:
            os.write(ours, sealed(instrument.answer(request.decode("ascii", "replace"))))


if __name__ == "__main__":
    serve(Path(sys.argv[1]))

"""The instrument of the guide in daq/descriptions/README.md: a draught gauge in a kiln's flue, not defined elsewhere.

    P?<CR><LF>   ->  P <sign and 5 characters, Pa> Pa <OK|LO>#HH<CR><LF>
    U?<CR><LF>   ->  U GAUGE SN=DG-0815 FW=2.1#HH<CR><LF>

HH is the sum of all bytes before the ``#``, modulo 256, in two hexadecimal digits.  ``python draught_gauge.py LINK``
serves it on a pseudo-terminal; it uses nothing but the standard library.
"""

import os
import select
import sys
import tty
from pathlib import Path

DRAUGHT = (-12.4, -12.7, -13.1, -12.9, -9.8, -4.2, -0.3, 1.1, -6.5, -11.9)


def sealed(text: str) -> bytes:
    raw = text.encode("ascii")
    return raw + b"#%02X\r\n" % (sum(raw) % 256)


def serve(link: Path) -> None:
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    link.symlink_to(os.ttyname(theirs))
    print("ready", flush=True)
    held, count = b"", 0
    while True:
        select.select([ours], [], [])
        *requests, held = (held + os.read(ours, 4096)).split(b"\r\n")
        for request in requests:
            if request == b"U?":
                os.write(ours, sealed("U GAUGE SN=DG-0815 FW=2.1"))
            elif request == b"P?":
                value = DRAUGHT[count % len(DRAUGHT)]
                count += 1
                os.write(ours, sealed(f"P {value:+06.1f} Pa {'LO' if value > -1.0 else 'OK'}"))


if __name__ == "__main__":
    serve(Path(sys.argv[1]))

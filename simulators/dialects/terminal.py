"""A weighing terminal: a block of four lines is one reading, with lines of a header between the blocks."""

from simulators.dialects.timed import Timed


class WeighingTerminal(Timed):
    """Prints a block of four lines each 2 s, and a header before every third one."""

    kind = "weighing-terminal"
    end = b"\r\n"
    tick_s = 2.0
    number = 0

    def tick(self) -> bytes:
        """Return a block, some with a header before it."""
        self.number += 1
        gross, tare = self.rng.randrange(20_000, 60_000), self.rng.randrange(0, 9_000)
        self.readings.append((gross / 100, tare / 1000, (gross - tare / 10) / 100))
        header = b"Works 3\r\nDate 2031-05-06\r\n" if self.number % 3 == 1 else b""
        lines = (
            f"No. {self.number}", f"Gross {gross / 100:9.2f} kg", f"Tare {tare:10d} g",
            f"Net {(gross - tare / 10) / 100:11.3f} kg",
        )  # fmt: skip
        return header + b"".join(line.encode("ascii") + self.end for line in lines)

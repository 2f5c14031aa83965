"""Captures of the built-in simulators as a person makes them: few or many readings, a value that rests or moves, faults."""

import random
from collections.abc import Callable
from typing import Any

from daq.core.driver import Driver, Request
from daq.descriptions.capture import Capture, Piece
from daq.testing.bench import Simulator

MILLISECOND = 1_000_000
Rng = random.Random

#: Commands of each kind of simulator: those that move its values, and those that bring a fault and take it away.
MOVES: dict[str, list[Callable[[Rng], str]]] = {
    "balance": [
        lambda r: f"load {r.choice((0, r.uniform(0, 1), r.uniform(0, 600)))}",
        lambda r: f"dry {r.choice((0, 1, 100))}",
    ],
    "thermometer": [lambda r: f"temperature {r.choice((0, 25, r.uniform(-20, 150)))}"],
    "scpi-thermometer": [
        lambda r: f"first {r.uniform(-5, 150)}",
        lambda r: f"temperature {r.choice((0, r.uniform(-20, 150)))}",
    ],
    "ph-meter": [
        lambda r: f"ph {r.choice((7, r.uniform(0, 14)))}",
        lambda r: f"temperature {r.uniform(5, 60)}",
        lambda _: "drift 3",
    ],
    "multimeter": [lambda r: f"voltage {r.choice((0, r.uniform(-10, 10), r.uniform(-900, 900)))}"],
    "printer-scale": [lambda r: f"load {r.choice((0, r.uniform(0, 900), r.uniform(1000, 6000)))}", lambda _: "key"],
    "level": [lambda r: f"level {r.choice((0, r.uniform(0, 4)))}", lambda r: f"temperature {r.uniform(5, 40)}"],
    "column-logger": [lambda r: f"temperature {r.uniform(-20, 150)}", lambda r: f"second {r.uniform(-20, 150)}"],
    "rotational": [lambda r: f"temperature {r.uniform(15, 40)}", lambda _: "fluid clear-glaze"],
    "streaming-rotational": [lambda r: f"temperature {r.uniform(15, 40)}", lambda _: "fluid clear-glaze"],
    "bath": [lambda r: f"temperature {r.uniform(15, 60)}"],
}
FAULTS: dict[str, list[tuple[str, str]]] = {
    "balance": [("pan off", "pan on"), ("load 900", "load 10")],
    "thermometer": [("probe open", "probe ok")],
    "scpi-thermometer": [("probe 1 open", "probe 1 ok"), ("probe 2 short", "probe 2 ok")],
    "ph-meter": [
        ("electrode fault", "electrode ok"),
        ("probe open", "probe ok"),
        ("calibration overdue", "calibration ok"),
    ],
    "multimeter": [("leads open", "leads ok")],
    "level": [("echo lost", "echo ok")],
    "printer-scale": [("load 8000", "load 500")],
    "column-logger": [("probe 1 missing", "probe 1 ok")],
    "rotational": [("probe open", "probe ok")],
    "streaming-rotational": [("probe open", "probe ok")],
    "bath": [("probe open", "probe ok")],
}


def command(simulator: Any, line: str) -> None:
    """Give a command to a simulator, as its control socket does."""
    name, *words = line.split()
    simulator.commands()[name](words)


class Person:
    """Captures an instrument: asks for values and identity, and moves the value or brings faults in between.

    With `everything`, values and faults change throughout; otherwise the person is as careful as the seed wants.
    """

    def __init__(self, kind: str, driver: Driver, simulator: Simulator, rng: Rng, *, everything: bool = False) -> None:
        self.capture = Capture(about={"settings": "9600 baud, 8N1"})
        self.t = 0
        self._kind, self._driver, self._simulator, self._rng = kind, driver, simulator, rng
        self._everything = everything

    def captured(self) -> Capture:
        """Return the capture."""
        rng, driver = self._rng, self._driver
        moving = 1.0 if self._everything else rng.choice((0.0, 0.0, 0.0, 0.2, 0.7))
        faulty = 0.2 if self._everything else rng.choice((0.0, 0.0, 0.1))
        asks_identity = self._everything or rng.random() < 0.5
        self._wait(rng.choice((0, 300, 3_000)) * MILLISECOND)
        start = driver.start_stream()
        if start is not None:
            self._ask(start)
        back = ""
        for _ in range(60 if self._everything else rng.choice((4, 6, 10, 10, 25))):
            if back:
                command(self._simulator, back)
                back = ""
            if rng.random() < moving:
                command(self._simulator, rng.choice(MOVES[self._kind])(rng))
            if rng.random() < faulty:
                there, back = rng.choice(FAULTS[self._kind])
                command(self._simulator, there)
                self._wait(2_000 * MILLISECOND)
            poll = driver.poll()
            for request in () if poll is None else (poll,) if isinstance(poll, Request) else poll:
                self._ask(request)
            identity = driver.identify()
            if asks_identity and identity is not None:
                self._ask(identity)
            self._wait(max(driver.interval_ns, 300 * MILLISECOND) if poll is None else 300 * MILLISECOND)
        return self.capture

    def _ask(self, request: Request) -> None:
        self.capture.pieces.append(Piece(self.t, ">", request.data))
        answer = self._simulator.receive(request.data)
        self.t += 2 * MILLISECOND
        self._take(answer)
        self._wait(120 * MILLISECOND)

    def _wait(self, ns: int) -> None:
        end = self.t + ns
        while self.t < end:
            due = self._simulator.due_in_s()
            step = end if due is None else min(end, self.t + max(1, round(due * 1e9)))
            data = self._simulator.advance((step - self.t) / 1e9)
            self.t = step
            self._take(data)

    def _take(self, data: bytes) -> None:
        if data:
            self.capture.pieces.append(Piece(self.t, "<", data))

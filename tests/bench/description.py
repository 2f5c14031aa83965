"""CPU per line of a description compared with the same driver in Python; the ratio should be at most 1.5."""

import random
import time

from tests.bench.description_frames import PythonFrames, described, frame
from tests.bench.goals import Row
from tests.support.instruments import python_drivers as python
from tests.support.instruments.described import RotationalDriver, ThermometerDriver, line

LINES, ROUNDS = 1000, 15


def main() -> list[Row]:
    print("CPU per reading decoded, a description against the same driver in Python (best of several rounds)")
    rng = random.Random(1)
    texts = [
        line(f"val {rng.gauss(42, 0.2):.2f} {rng.gauss(30, 0.002):.3f} {rng.gauss(25, 0.01):.3f} -")[:-2]
        for _ in range(LINES)
    ]
    thermometer = ThermometerDriver({})
    degrees = [thermometer.seal.sealed(b"T %+.3f ok" % rng.gauss(25, 5)) for _ in range(LINES)]
    backward = {"direction": "backward"}
    frames = [frame(rng.gauss(1500, 3), round(rng.gauss(2500, 5))) for _ in range(LINES)]
    ratios = [
        show("rotational", python.RotationalDriver({}), RotationalDriver({}), texts),
        show("rotational, backward", python.RotationalDriver(backward), RotationalDriver(backward), texts),
        show("thermometer", python.ThermometerDriver({}), thermometer, degrees),
        show("frame of bytes", PythonFrames({}), described(), frames),
    ]
    return [Row("a description / the same driver in Python, the slowest", max(ratios), 1.5, "x")]


def show(name, old, new, lines) -> float:
    """Print the cost of both drivers; return their ratio."""
    if [old.decode(one) for one in lines] != [new.decode(one) for one in lines]:
        raise RuntimeError(f"{name}: the two drivers read differently")
    before = after = float("inf")
    for _ in range(ROUNDS):  # alternating, so that both have the same load of the machine
        before, after = min(before, cost(old, lines)), min(after, cost(new, lines))
    print(f"  {name:<24} Python {before:5.2f} us, description {after:5.2f} us, {after / before:4.2f} x")
    return after / before


def cost(driver, lines) -> float:
    decode = driver.decode
    began = time.process_time()
    for _ in range(10):
        list(map(decode, lines))
    return (time.process_time() - began) / 10 / len(lines) * 1e6

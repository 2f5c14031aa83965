"""Direction of rotation: the same numbers in both directions, and a torque against the rotation is no viscosity."""

import pytest

from daq.core.driver import Reply, Values
from daq.core.errors import SettingError
from daq.methods.concluding.conclude import conclude
from daq.testing.bench import Bench
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.instrument import RotationalInstrument
from tests.support.instruments.described import RotationalDriver, line
from tests.support.runs.examples import driver_for, load_changed, plan_of

BACKWARD = ("interval_ms = 100\n", 'interval_ms = 100\ndirection = "backward"\n')


def measured(folder, *edits, fluid="clear-glaze"):
    instrument = load_changed(folder, "instruments/bench-1.toml", *edits)
    plan = plan_of("clear-glaze-qc", instrument, product="clear-glaze")
    simulator = RotationalInstrument(geometry=GEOMETRIES["coaxial-12"], fluid=FLUIDS[fluid], seed=4, temperature=25.0)
    bench = Bench(plan, {"bench-1": driver_for(instrument)}, {"bench-1": simulator})
    bench.begin()
    bench.run(600.0)
    return conclude(plan, bench.facts), bench


def test_backward_the_value_is_the_same_and_positive(tmp_path):
    forward, _ = measured(tmp_path)
    backward, bench = measured(tmp_path, BACKWARD)
    assert b"speed -20.000" in b"".join(bench.sent("bench-1"))
    assert b"val -3" in bench.received["bench-1"]  # torque below zero on the wire
    assert (backward.validity, backward.verdict.verdict, bench.motor) == ("valid", "within", "still")
    assert backward.row.speed == pytest.approx(20.0, abs=0.01)
    assert backward.row.torque_percent > 33
    # The zero (0.3 % of full scale at most) pulls the other way: 0.6 of 37 % is the most the two may differ by.
    assert backward.value == pytest.approx(forward.value, rel=0.0165)
    assert backward.row.n == forward.row.n
    (step,) = bench.steps
    assert step.revolutions == pytest.approx(20.0, rel=0.01)


class Crossed(RotationalDriver):
    """As if the torque sensor were wired the wrong way round."""

    def decode(self, line, asked=None):
        found = super().decode(line, asked)
        return (-found[0], *found[1:]) if isinstance(found, tuple) else found


def test_a_torque_against_the_rotation_is_no_viscosity(tmp_path):
    instrument = load_changed(tmp_path, "instruments/bench-1.toml")
    plan = plan_of("clear-glaze-qc", instrument, product="clear-glaze")
    for fluid, value, fault in (("clear-glaze", None, "against_rotation"), ("water", "signed", "below_band")):
        simulator = RotationalInstrument(
            geometry=GEOMETRIES["coaxial-12"], fluid=FLUIDS[fluid], seed=4, temperature=25.0
        )
        bench = Bench(plan, {"bench-1": Crossed({})}, {"bench-1": simulator})
        bench.begin()
        bench.run(600.0)
        c = conclude(plan, bench.facts)
        assert c.faults[0] == fault
        if value is None:
            assert (c.value, c.validity) == (None, "not_valid")
        else:
            # A little below zero is the zero's own error: the number keeps its sign, and is doubtful.
            assert c.validity == "doubtful"
            assert c.value is not None


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("val -12.34 -30.000 25.000 -", (12.34, 30.0, 25.0)),
        ("val -110.00 -30.000 25.000 S", Values((None, 30.0, 25.0), (("torque", "saturated"),))),
        ("val 0.00 0.000 --- P", Values((0.0, 0.0, None), (("temperature", "probe"),))),
        ("ok speed -30.000", Reply("speed", 30.0)),
    ],
)
def test_signs_of_a_backward_driver(text, expected):
    driver = RotationalDriver({"direction": "backward"})
    assert driver.decode(line(text).removesuffix(b"\r\n")) == expected
    assert driver.action("speed", 12.0).data == line("speed -12.000")
    assert driver.action("bath", 12.0).data == line("bath 12.000")


def test_another_direction_is_refused():
    with pytest.raises(SettingError, match="must be 'forward' or 'backward'"):
        RotationalDriver({"direction": "left"})

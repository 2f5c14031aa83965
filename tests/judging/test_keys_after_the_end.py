"""Keys that are pressed while the motor stops do not change the result: live, after a kill, and in a replay."""

import pytest

from daq.core.replay import replay
from daq.core.run import State
from daq.methods.concluding.conclude import conclude
from daq.testing.bench import Bench
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.instrument import RotationalInstrument
from tests.support.runs.examples import driver_for, example, plan_of


def drivers(kind, options, state):
    return driver_for(example("instruments/bench-1.toml"))


class Pressing(Bench):
    """A bench on which somebody presses a key of the instrument when the run comes into the state `key_at`."""

    key_at = None

    def feed(self, event):
        super().feed(event)
        if self.pipeline.state is self.key_at:
            self.key_at = None
            self.simulators["bench-1"].press_key()


@pytest.mark.parametrize("state", [State.MEASURING, State.STOPPING])
def test_a_key_counts_until_the_end_of_the_run_is_decided(state):
    loaded = example("instruments/bench-1.toml")
    plan = plan_of("clear-glaze-qc", loaded, product="clear-glaze")
    simulator = RotationalInstrument(
        geometry=GEOMETRIES[loaded.fitted], fluid=FLUIDS["clear-glaze"], seed=1, temperature=25.0,
        serial=loaded.expect_serial,
    )  # fmt: skip
    bench = Pressing(plan, {loaded.name: driver_for(loaded)}, {loaded.name: simulator})
    bench.key_at = state
    bench.begin()
    bench.run(2400.0)
    assert "keys_used" in bench.notes
    live = conclude(plan, bench.facts)
    assert ("keys_used" in live.faults) == (state is State.MEASURING)
    # A recovery concludes from the facts after the last event of the journal, and so does a replay.
    assert conclude(plan, bench.pipeline.facts()).faults == live.faults
    again = replay(bench.journal(), drivers)
    assert again.same
    assert conclude(plan, again.facts).faults == live.faults

"""Whole runs of a method with treatments through the pipeline, on a simulated sample that settles, dries or thins."""

import pytest

from daq.core.run import State
from daq.methods.concluding.conclude import conclude
from daq.testing.bench import Bench
from simulators.rotational import Fluid, RotationalInstrument
from simulators.rotational.catalogue import GEOMETRIES
from simulators.rotational.laws import Newtonian
from tests.judging.parts import CODES, OWN, method
from tests.support.drift_signs import SIGNS
from tests.support.runs.examples import driver_for, example, plan_of
from tests.support.statements import codes, parameters

PER_S = 0.001
"""Relative change of the viscosity in one second of measuring: 6 % in 60 s."""
SPANS = {"every": "4 s", "span": "3 s"}
LATE = {"every": "25 s", "span": "3 s"}
"""The first value of a stretch is kept late: the drift has gone on for 25 s since the treatment."""


class Sample:
    """A sample whose viscosity changes while it is measured; the treatments in `undone_by` bring it back.

    It takes the place of the fluid's temperature law: `factor` is what the viscosity is multiplied by.
    """

    def __init__(self, direction, undone_by, per_s=PER_S):
        self.direction, self.undone_by, self.change, self.per_s = direction, undone_by, 0.0, per_s

    def factor(self, _celsius):
        return 1.0 + self.change

    def follow(self, bench, dt_s):
        """Let time (s) pass in the step in which a bench's run is."""
        if bench.pipeline.state is not State.MEASURING:
            return
        treatment = bench.plan.steps[bench.pipeline.life.step_number].treatment
        if treatment in self.undone_by:
            self.change = 0.0
        elif not treatment:
            self.change += self.direction * self.per_s * dt_s


class Changing(RotationalInstrument):
    """An instrument with such a sample."""

    bench = None

    def advance(self, dt_s):
        if self.bench is not None:
            self.fluid.temperature.follow(self.bench, dt_s)
        return super().advance(dt_s)


def run(tmp_path, direction, undone_by, treatments, spans=SPANS, per_s=PER_S):
    """Return plan and bench of a whole run, from the first request to the end."""
    loaded = example("instruments/bench-1.toml").with_fitted("coaxial-12")
    plan = plan_of(method(tmp_path, treatments, **spans), loaded, product="casting-slip")
    fluid = Fluid("changing", Newtonian(0.8), Sample(direction, undone_by, per_s))
    simulator = Changing(
        geometry=GEOMETRIES["coaxial-12"], fluid=fluid, seed=3, temperature=25.0, serial=loaded.expect_serial
    )
    bench = Bench(plan, {loaded.name: driver_for(loaded)}, {loaded.name: simulator})
    simulator.bench = bench
    bench.begin()
    bench.run(3600.0)
    return plan, bench


@pytest.mark.parametrize("order", [("preshear", "stir"), ("stir", "preshear")])
@pytest.mark.parametrize("name", SIGNS)
def test_a_whole_run_names_the_cause_of_its_drift(tmp_path, name, order):
    direction, preshear, stir, sign = SIGNS[name]
    undone_by = {t for t, undoes in (("preshear", preshear), ("stir", stir)) if undoes}
    plan, bench = run(tmp_path, direction, undone_by, order)
    found = conclude(plan, bench.facts)
    assert (found.outcome, len(bench.steps), bench.motor) == ("complete", 5, "still")
    assert OWN & set(codes(found.cautions)) == ({CODES[sign]} if sign in CODES else set())
    if sign in CODES:
        kept = [k for k in bench.kept if k.step == 0]
        seconds = (kept[-1].t - kept[0].t) / 1e9
        drift = parameters(found.cautions, CODES[sign])["drift"]
        assert 40.0 < seconds < 60.0
        assert drift == pytest.approx(direction * 100.0 * PER_S * seconds, rel=0.2)


@pytest.mark.parametrize("order", [("preshear", "stir"), ("stir", "preshear")])
@pytest.mark.parametrize("per_s", [0.0008, 0.0015])
@pytest.mark.parametrize("name", [name for name, (direction, *_) in SIGNS.items() if direction])
def test_a_first_value_that_is_kept_late_names_the_same_cause(tmp_path, name, per_s, order):
    direction, preshear, stir, sign = SIGNS[name]
    undone_by = {t for t, undoes in (("preshear", preshear), ("stir", stir)) if undoes}
    plan, bench = run(tmp_path, direction, undone_by, order, LATE, per_s)
    assert min(k.t - bench.steps[0].started for k in bench.kept) > 24e9
    assert OWN & set(codes(conclude(plan, bench.facts).cautions)) == {CODES[sign]}


@pytest.mark.slow
def test_stirring_alone_leaves_the_cause_open(tmp_path):
    plan, bench = run(tmp_path, -1.0, {"stir"}, ("stir",))
    assert OWN & set(codes(conclude(plan, bench.facts).cautions)) == {"drift_not_separated"}

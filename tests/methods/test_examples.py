"""The example files load, go together, and come back from the journal as they were."""

import json
import subprocess
import sys

import pytest

from daq.core.context import Amount
from daq.core.derive import getters
from daq.core.encoding import decode, encode
from daq.core.errors import SettingError
from daq.core.plan import Plan
from daq.core.units import unit
from tests.support.runs.examples import CONFIG, LOADERS, example, load_changed, plan_of, rotational_identity
from tests.support.statements import codes, parameters

PAIRS = [
    ("clear-glaze-qc", "bench-1", "clear-glaze"),
    ("casting-slip-equilibrium", "bench-1", "casting-slip"),
    ("white-glaze-flow-curve", "bench-2", "white-glaze"),
    ("engobe-qc", "bench-2", "engobe"),
    ("slip-setting-time", "bench-1", None),
    ("reference-check", "bench-1", None),
    ("reference-check", "bench-2", None),
    ("find-speed", "bench-1", None),
    ("find-speed", "bench-2", "engobe"),
    ("thermometer-log", "thermo-1", None),
]


@pytest.mark.parametrize("file", sorted(str(p.relative_to(CONFIG)) for p in CONFIG.rglob("*.toml")))
def test_every_example_loads(file):
    loaded = example(file)
    assert loaded.source.endswith(file)
    assert file.partition("/")[0] in LOADERS


@pytest.mark.parametrize(("method", "instrument", "product"), PAIRS)
def test_every_example_method_compiles_without_warning(method, instrument, product):
    thermo = example("instruments/thermo-1.toml")
    others = [(thermo, None)] if instrument == "bench-1" else []
    from tests.support.instruments.described import ThermometerDriver

    plan = plan_of(method, instrument, product=product, companions=[(t, ThermometerDriver({})) for t, _ in others])
    assert plan.context.warnings == ()
    assert decode(Plan, json.loads(json.dumps(encode(plan, exact=True))), exact=True) == plan
    for code in plan.context.units.values():
        unit(code)


def test_a_companion_is_read_under_its_instruments_name(tmp_path):
    from tests.support.instruments.described import ThermometerDriver

    method = load_changed(
        tmp_path, "methods/clear-glaze-qc.toml", ("target = 25.0 ", 'signal = "external.temperature"\ntarget = 25.0 ')
    )
    others = [(example("instruments/thermo-1.toml"), ThermometerDriver({}))]
    plan = plan_of(method, "bench-1", companions=others)
    assert plan.conditioning.signal == "thermo-1.temperature"
    assert [(link.name, link.role) for link in plan.links] == [("bench-1", "lead"), ("thermo-1", "companion")]


def test_a_companion_that_is_not_connected_is_a_warning():
    plan = plan_of("clear-glaze-qc", "bench-1", product="clear-glaze")
    assert codes(plan.context.warnings) == ["companion_not_connected"]
    found = parameters(plan.context.warnings, "companion_not_connected")
    assert found == {"role": "external", "instrument": "thermo-1"}


def test_a_span_under_one_revolution_is_a_warning(tmp_path):
    # 30 s at 1 /min is half a revolution.
    method = load_changed(tmp_path, "methods/engobe-qc.toml", ('speed = "10 rpm"', "speed = 1"), ('"10 rev"]', '"120 s"]'),
                          ('span = "2 rev"', 'span = "30 s"'), ('settle = "1 rev"', "settle = 60"))  # fmt: skip
    warnings = plan_of(method, "bench-2").context.warnings
    assert codes(warnings) == ["span_shorter_than_turn"]
    assert parameters(warnings, "span_shorter_than_turn") == {
        "step": "reading", "span": 30.0, "turns": 0.5, "speed": 1.0, "needed": 60.0,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("stop", "left"),
    [
        ('{ any = ["40 s", "2 min"] }', 37),  # the first to be met ends the step; settle takes 3 s at 20 /min
        ('{ all = ["40 s", "45 s"] }', 42),
        ('{ any = ["25 rev", "2 min"] }', 72),  # 25 revolutions at 20 /min are 75 s
        ('{ signal = "elapsed", above = 30, hold = "10 s" }', 37),
        ('{ signal = "torque", above = 50 }', 177),  # may never be met: `longest` ends the step
    ],
)
def test_a_span_must_fit_into_the_step(tmp_path, stop, left):
    def compiled(span):
        edits = ('stop = "60 s"', f"stop = {stop}"), ('span = "30 s"', f"span = {span}")
        return plan_of(load_changed(tmp_path, "methods/clear-glaze-qc.toml", *edits), "bench-1")

    assert compiled(left).steps[0].keep[0].span.ns == left * 1_000_000_000
    with pytest.raises(SettingError, match=rf"longer than the {left} s that are left of the step after settle \(3 s\)"):
        compiled(left + 1)


@pytest.mark.parametrize(
    ("stop", "least"),
    [
        ('{ all = ["200 s", "5 rev"] }', 200),
        ('{ any = ["200 s", "300 s"] }', 200),
        ('{ signal = "viscosity", steady = { span = "100 s", limit = "1 %", spans = 2 } }', 200),
        ('{ signal = "torque", above = 50, after = "150 s", hold = "50 s" }', 200),
    ],
)
def test_a_step_that_would_always_fail_is_refused(tmp_path, stop, least):
    method = load_changed(tmp_path, "methods/clear-glaze-qc.toml", ('stop = "60 s"', f"stop = {stop}"))
    with pytest.raises(SettingError, match=f"180 s is not longer than the {least} s its stop rule needs at least"):
        plan_of(method, "bench-1")


def values(plan, torque, speed):
    """Derived quantities of one reading of the rotational driver."""
    known = getters(plan.lead.channels, plan.derivations)
    return {name: get([torque, speed, 25.0]) for name, get in known.items()}


def test_coaxial_cylinders_agree_with_iso_3219():
    """Case GEO-CC-02: ISO 3219-2 / DIN 53019-1, checked there by a boundary value problem of the annulus."""
    bench = example("instruments/bench-1.toml").with_fitted("coaxial-15")
    # 100 % of 1000 uN.m = 0.001 N.m
    got = values(plan_of("reference-check", bench, identity=rotational_identity()), 100.0, 100.0)
    assert got["torque_abs"] == pytest.approx(1000.0, rel=1e-12)
    assert got["shear_rate"] == pytest.approx(129.08479704162508, rel=1e-9)
    assert got["stress"] == pytest.approx(13.217721398713945, rel=1e-9)
    assert got["viscosity"] == pytest.approx(102.39564767996434, rel=1e-9)  # mPa.s


def test_a_cylinder_in_an_unbounded_fluid_agrees_with_the_margules_limit(tmp_path):
    """Case GEO-INF-01: torque 4 pi eta L omega R^2 = 0.000153492 N.m for 2 Pa.s at 12 /min, rate 2 omega."""
    bench = load_changed(
        tmp_path, "instruments/bench-2.toml", ("end_factor = 1.05", "end_factor = 1.0"), ("vessel_radius = 42.5", "#")
    )
    got = values(plan_of("reference-check", bench), 15.349208764574166, 12.0)
    assert got["shear_rate"] == pytest.approx(2.5132741228718345, rel=1e-9)
    assert got["viscosity"] == pytest.approx(2000.0, rel=5e-5)


def test_calibrated_constants_give_an_apparent_viscosity_and_no_rate():
    # 27300 mPa.s give full scale at 7 /min, so 30 % at 12 /min are 27300 * 0.30 * 7/12 = 4777.5 mPa.s.
    bench = example("instruments/bench-2.toml").with_fitted("paddle-2")
    plan = plan_of("reference-check", bench)
    assert plan.primary == "apparent_viscosity"
    got = values(plan, 30.0, 12.0)
    assert got["apparent_viscosity"] == pytest.approx(4777.5, rel=1e-12)
    assert "shear_rate" not in got
    assert "stress" not in got


def test_the_unit_is_the_products():
    mpas = values(plan_of("engobe-qc", "bench-2"), 40.0, 12.0)["viscosity"]
    plan = plan_of("engobe-qc", "bench-2", product="engobe")
    assert plan.context.units["viscosity"] == "Pa.s"
    assert values(plan, 40.0, 12.0)["viscosity"] == pytest.approx(mpas / 1000.0, rel=1e-12)


def test_the_full_scale_comes_from_the_instrument_where_the_file_is_silent(tmp_path):
    bench = load_changed(tmp_path, "instruments/bench-2.toml", ('torque_full_scale = "1000 uN.m"\n', ""),
                         ('expect_serial = "R-1043"', 'expect_serial = "R-1042"'))  # fmt: skip
    plan = plan_of("reference-check", bench, identity=rotational_identity(250.0))
    assert plan.context.full_scale_unm == 250.0
    assert values(plan, 10.0, 12.0)["torque_abs"] == pytest.approx(25.0, rel=1e-12)


def test_a_choice_sets_the_speed():
    plan = plan_of("clear-glaze-qc", "bench-1", choices={"speed": "10 rpm"})
    assert plan.steps[0].speed == 10.0
    assert plan.context.choices == {"speed": Amount(10.0, "/min")}
    assert plan.digest == plan_of("clear-glaze-qc", "bench-1").digest


def test_a_thermometer_needs_neither_geometry_nor_motion():
    plan = plan_of("thermometer-log", "thermo-1")
    assert (plan.primary, plan.band, plan.speed_signal, plan.moves, plan.derivations) == (
        "temperature",
        None,
        "",
        False,
        (),
    )


def test_importing_the_methods_loads_no_numpy():
    code = "import sys, daq.methods.files.load, daq.methods.planning.compile, daq.methods.concluding.conclude, daq.methods.messages.result\n"
    code += "print([m for m in ('numpy', 'scipy', 'asyncio') if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=CONFIG.parent)
    assert out.stdout.strip() == "[]"

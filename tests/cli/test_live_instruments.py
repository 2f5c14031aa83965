"""The screen of other instruments: a balance, a pH meter, and an instrument that reports a viscosity itself."""

import argparse
import json
from dataclasses import replace
from unittest.mock import Mock

import pytest

from daq.adapters.paths import examples_dir
from daq.app.cli.measuring import run, run_alone
from daq.app.records import run_rows
from daq.app.records.health_history import figures, line_finding, lines_amiss
from daq.app.records.replaying import maker
from daq.app.run.live_digits import decimals_of_resolution
from daq.app.screens.digits import SIZES
from daq.app.screens.live import RunScreen
from daq.app.screens.result_screen import result_lines
from daq.app.screens.run_parts import SIGNAL_ROWS
from daq.app.screens.run_screen import HOW_TO_STOP, _groups, _spread, live_lines, plain_line
from daq.app.screens.run_view import RunEnd, StepShown, WrittenNote
from daq.app.screens.styled_lines import text_of
from daq.app.screens.text import width
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError
from daq.core.remarks import WrittenRemark
from daq.methods.concluding.judging import reported
from daq.methods.planning.compile import compile_plan
from daq.testing.bench import Bench
from tests.support.instruments.example_pairs import DRIVERS, pair
from tests.support.runs.examples import example
from tests.support.views import MEASURING, changed, result, view_of

WITHOUT = {"band": None, "temperature": None, "motor": "not_moved"}
STEADY = replace(
    MEASURING.rules[0],
    rule="density steady within 0.0005 g/mL over 10 s",
    kind="steady",
    signal="density",
    value=None,
    near=0.0,
)


def weighing(**changes):
    return replace(
        MEASURING,
        **WITHOUT
        | {
            "decimals": {"mass": 3},
            "rules": (STEADY,),
            "method": "slip-density 1",
            "instrument": "balance-1",
            "step": StepShown(number=1, of=1, name="weighing", speed=None),
            "signals": {"mass": 178.4999, "density": 1.78464},
            "units": {"mass": "g", "density": "g/mL", "elapsed": "s", "readings": "1"},
            "value": replace(MEASURING.value, name="mass", value=178.5, unit="g"),
        }
        | changes,
    )


def shown(view, columns=80):
    return "\n".join(text_of(line) for line in live_lines(view, columns))


def judged(columns=80, **changes):
    return "\n".join(text_of(line) for line in result_lines(result(**changes), columns))


def limit(quantity, verdict="not_comparable", reasons=(), **more):
    return {"quantity": quantity, "low": 1.0, "high": 2.0, "unit": "g", "applies_at": {}, "verdict": verdict,
            "reasons": [{"code": "x", "text": text} for text in reasons]} | more  # fmt: skip


def started_run(method, lead, *companions):
    """Start a run of example files in memory, with the simulators of its instruments."""
    pairs = {name: pair(name) for name in (lead, *companions)}
    instrument, driver, _ = pairs[lead]
    others = [(pairs[name][0], pairs[name][1]) for name in companions]
    plan = compile_plan(example(f"methods/{method}.toml"), instrument, driver, companions=others)
    bench = Bench(plan, {n: d for n, (_, d, _) in pairs.items()}, {n: box for n, (_, _, box) in pairs.items()})
    bench.begin()
    return bench


# ---- during the run


def test_every_signal_is_shown_in_the_digits_of_the_instrument():
    text = shown(weighing())
    assert "\nreads now    mass 178.500 g, density 1.785 g/mL\n" in text
    assert "  mass 178.500 g   ✓ Good so far   100 readings" in text
    assert "mass 178.500 g Good" in plain_line(weighing())


def test_a_stop_rule_is_not_cut_if_two_lines_have_room():
    text = shown(weighing())
    assert "density steady within 0.0005 g/mL over 10 s: now not\n                        judged yet\n" in text
    assert "…" not in text


def test_a_ph_is_written_with_its_unit():
    view = weighing(
        signals={"ph": 7.0, "voltage": None},
        decimals={"ph": 2},
        units={"ph": "[pH]", "voltage": "mV"},
        value=replace(MEASURING.value, name="ph", value=7.0, unit="[pH]"),
    )
    text = shown(view)
    assert "  pH 7.00   ✓ Good so far" in text
    assert "reads now    pH 7.00, voltage -\n" in text
    assert judged(quantity="ph", unit="[pH]", value=7.0, reported="7.00").startswith("pH = 7 ± 18 (k = 1.98)  ✓ VALID")


@pytest.mark.parametrize("columns", [60, 80, 200])
def test_more_signals_than_fit_are_counted(columns):
    view = weighing(signals={f"channel_{i:02}": 100.0 + i for i in range(60)}, units={})
    rows = [line for line in shown(view, columns).splitlines() if "channel " in line]
    assert len(rows) == SIGNAL_ROWS
    named = sum(row.count("channel ") for row in rows)
    assert rows[-1].endswith(f", and {60 - named} more")
    assert max(width(row) for row in rows) <= columns


def test_a_low_screen_loses_empty_lines_first_and_never_how_to_stop():
    view = weighing(
        notes=(WrittenNote(0, "x", "a note"),) * 3, advice=(WrittenRemark("x", {}, "do this"),), caution="Wear gloves."
    )
    whole = live_lines(view, 80)
    for rows in range(4, len(whole) + 1):
        lines = [text_of(line) for line in live_lines(view, 80, rows)]
        assert len(lines) <= rows
        assert lines[0].startswith("slip-density 1 on balance-1")
        assert lines[-1].startswith("Ctrl-C stops the run.")
    for height in SIZES:
        full = sum(bool(text_of(line)) for line in _spread(_groups(view, 80, height, HOW_TO_STOP), loose=False))
        lines = [text_of(line) for line in live_lines(view, 80, full)]
        assert "sample: Wear gloves." in lines
        assert any(line.startswith("  mass 178.500 g") for line in lines)


def test_an_instrument_without_a_motor_has_no_text_about_one():
    for state in ("ready", "equilibrating", "soaking", "starting", "measuring", "stopping", "ended"):
        view = weighing(state=state)
        for word in ("motor", "torque", "speed", "viscosity"):
            assert word not in shown(view) + plain_line(view)


def test_a_torque_is_not_called_too_small_before_the_motor_turns():
    view = changed(
        state="equilibrating", motor="not_moved", value=None, rules=(), signals={"torque": -0.04, "speed": 0.0}
    )
    text = shown(view)
    assert "motor still   usable 10..100 %" in text
    assert " 0.0 %  ├●" in text
    assert "BELOW" in shown(replace(view, motor="turning"))


def test_a_fault_names_its_channel():
    view = weighing(faults={"over_range": ("mass",)})
    assert "! mass: the instrument reports that the true value is above its range" in shown(view)
    view = weighing(faults={"silent": ()})
    assert "! the instrument has not answered for too long" in shown(view)


def test_a_run_with_a_companion_shows_its_readings_too():
    bench = started_run("slip-ph", "ph-1", "thermo-2")
    assert decimals_of_resolution(bench.pipeline.plan) == {"ph": 2, "voltage": 1}
    bench.run(15.0)
    text = shown(view_of(bench))
    for expected in ("pH 7.0", "voltage ", " mV", "thermo-2.probe 1 ", "thermo-2.probe 2 ", "temperature   "):
        assert expected in text
    assert len(live_lines(view_of(bench), 80, 23)) <= 23


def test_an_instrument_that_reports_a_viscosity_itself():
    bench = started_run("clear-glaze-qc", "bench-3")
    bench.run(10.0)
    # At rest it reports none, which is not a fault.
    view = view_of(bench)
    assert view.state == "equilibrating"
    assert "own viscosity -" in shown(view)
    assert "!" not in shown(view)
    for fifths in range(50, 250):
        bench.run(fifths / 5)
        view = view_of(bench)
        if view.state == "measuring":
            break
    bench.run(fifths / 5 + 1.0)
    view = view_of(bench)
    assert (view.state, view.value) == ("measuring", None)  # readings of the first revolution are not used
    assert "no value yet" in shown(view)
    assert "Bad" not in shown(view)
    bench.run(50.0)
    view = view_of(bench)
    assert view.state == "measuring"
    own, ours = view.signals["own_viscosity"], view.signals["viscosity"]
    # The simulator uses the constant of the same geometry, so both agree within its 0.1 mPa.s and the geometry's 0.5 %.
    assert own == pytest.approx(ours, rel=0.005)
    assert f"own viscosity {own:.1f} mPa·s" in shown(view, 200)


# ---- the result


def test_limits_of_other_quantities_are_only_named():
    limits = [
        limit("viscosity", reasons=["the limit is for viscosity, the result is density"]),
        limit("density", "within", unit="g/mL"),
        limit("ph", reasons=["the limit is for ph, the result is density"]),
    ]
    text = judged(quantity="density", unit="g/mL", verdict=result()["verdict"] | {"limits": limits})
    assert "WITHIN limits" in text
    assert "limit: density 1 to 2 g/mL: within" in text
    assert "limits for viscosity and pH too; they are for other methods" in text.replace("\n", "")
    assert "comparable" not in text


def test_a_product_without_limits_for_the_quantity_gives_a_remedy():
    verdict = {
        "verdict": "not_comparable",
        "rounding": "unrounded",
        "acceptance": "simple_acceptance",
        "compared": None,
        "limits": [limit("viscosity", reasons=["the limit is for viscosity, the result is mass"])],
        "reasons": [{"code": "x", "text": "the limit is for viscosity, the result is mass"}],
    }
    text = judged(200, quantity="mass", unit="g", verdict=verdict, sample={"id": "S", "product": "clear-glaze"})
    assert "NOT JUDGED: no limits for mass" in text
    assert "clear-glaze has limits for viscosity only, this result is mass" in text
    assert 'write [[limits]] with quantity = "mass" into the file of clear-glaze; if not, leave --product out' in text


def test_a_limit_of_the_same_quantity_keeps_its_own_reasons_only():
    why = "the limit applies at 30 min⁻¹, measured at 12 min⁻¹"
    limits = [limit("viscosity", reasons=[why]), limit("density", reasons=["the limit is for density, ..."])]
    verdict = result()["verdict"] | {
        "verdict": "not_comparable",
        "limits": limits,
        "reasons": [{"code": "x", "text": text} for text in (why, "the limit is for")],
    }
    text = judged(verdict=verdict)
    assert "NOT COMPARABLE with limits" in text
    assert f"  - {why}" in text
    assert "the limit is for" not in text


def test_the_instruments_viscosity_is_shown_beside_the_result():
    conditions = result()["conditions"] | {
        "signals": {"own_viscosity": {"value": 0.8205, "unit": "Pa.s"}, "room.humidity": {"value": 41.25, "unit": "%"}}
    }
    text = judged(conditions=conditions)
    # (820.5 / 812.43 - 1) = 0.99 %
    assert "the instrument itself shows 820 mPa·s, +1.0 % from this value" in text
    assert "also measured: room.humidity 41.250 %" in text
    assert "itself shows" not in judged(conditions=conditions, value=None)


def test_a_measured_temperature_is_not_repeated_as_a_condition():
    assert "\nat " not in judged(quantity="temperature", unit="Cel", conditions={"temperature": 25.0})
    assert "\nat 25.00 °C" in judged(quantity="ph", unit="[pH]", conditions={"temperature": 25.0})


def test_a_run_stopped_by_a_person_is_marked(capsys):
    done = RunEnd(run="3f2a91bc-0", outcome="stopped", reason="the run was stopped by kim", motor="not_moved")
    RunScreen(plain=True).finish(done, result())
    assert "\nthe run was stopped by kim\n" in capsys.readouterr().out


def test_the_digits_of_a_viscosity_are_not_those_of_a_mass():
    glaze = example("products/clear-glaze.toml").planned()  # three digits, limits for the viscosity only
    assert reported(178.4999, glaze, "mass", "g") is None
    assert reported(802.53, glaze, "viscosity", "mPa.s") == "803"
    assert reported(0.80253, glaze, "apparent_viscosity", "Pa.s") == "0.803"
    slip = example("products/thin-slip.toml").planned()
    assert reported(1.78464, slip, "density", "g/mL") == "1.785"


def test_the_list_of_runs_has_the_digits_of_the_results():
    data = {"quantity": "mass", "value": 178.49962, "unit": "g", "uncertainty": {"expanded": 0.0031, "k": 2.0}}
    reader = Mock(
        **{"newest_result.return_value": Mock(data=json.dumps(data), supersedes=None), "query.return_value": []}
    )
    assert run_rows.entry(reader, Mock(began_utc_ns=0, ended_utc_ns=0)).shown == "178.4996"


# ---- the wrong instrument


@pytest.mark.parametrize(
    ("method", "instrument", "expected"),
    [
        ("weighing", "ph-1", "measures mass, which ph-1 does not read; methods for it: ph-end-point, slip-ph, therm"),
        (
            "clear-glaze-qc",
            "balance-1",
            "measures viscosity, which balance-1 does not read; methods for it: print-key-",
        ),
        ("bath-hold", "ph-1", "drives no bath"),
        ("slip-yield-stress", "bench-1", "asks for vane"),
    ],
)
def test_a_method_for_another_instrument_is_refused_in_one_sentence(
    tmp_path, monkeypatch, method, instrument, expected
):
    catalogue = Catalogue.load(examples_dir())

    async def alone(*_):
        catalogue.compile(catalogue.method(method), catalogue.instrument(instrument))

    monkeypatch.setattr(run_alone, "alone", alone)
    parser = argparse.ArgumentParser()
    run.arguments(parser)
    order = [method, "--instrument", instrument, "--sample", "S-1"]
    where = argparse.Namespace(config=str(examples_dir()), state=str(tmp_path))
    with pytest.raises(SettingError, match=expected) as refused:
        run.run(parser.parse_args(order, where))
    assert "\n" not in str(refused.value)


# ---- health


def test_lost_and_damaged_lines_are_reported_for_any_instrument():
    bench = started_run("weighing", "balance-1")
    bench.run(120.0)
    assert bench.facts.outcome == "complete"
    found = figures(bench.journal(), maker(DRIVERS))
    assert (found.zero, found.amiss) == (None, 0)
    assert found.readings > 20
    assert line_finding(found) == ""
    assert line_finding(replace(found, readings=99, amiss=1)) == ""
    assert "2 of 100 lines or answers were lost or damaged" in line_finding(replace(found, readings=98, amiss=2))
    assert line_finding(replace(found, readings=0, amiss=0)) == ""


def test_lines_that_a_printer_sends_between_its_values_are_not_lost_ones():
    """Before, each date and each empty line of a sound printer counted as lost or damaged."""
    driver = DRIVERS.make("printer-port", {})
    reasons = [driver.decode(line).reason for line in (b"", b"Date 30.11.2026", b"?")]
    assert lines_amiss({"readings": 9, "rejected": dict(zip(reasons, (50, 40, 1), strict=True)), "timeouts": 2}) == 3

"""Seeks that make no sense, or do not go with the bench, are refused with key, reason and what to do."""

import pytest

from daq.core.errors import SettingError
from daq.methods.files.load import load_method
from daq.methods.planning.compile import compile_plan
from tests.planning.benches import instrument_for
from tests.support import sentences
from tests.support.instruments.described import RotationalDriver, ThermometerDriver
from tests.support.runs.examples import CONFIG, example

TEXT = (CONFIG / "methods/find-speed.toml").read_text("utf-8")
LOADED = [
    ("low = 40 ", "low = 75 ", "steps[0].seek.low",
     "the target band must be 0 < low and low times 1.2 <= high; here 75 to 80 %"),
    ("low = 40 ", "low = 0 ", "steps[0].seek.low",
     "the target band must be 0 < low and low times 1.2 <= high; here 0 to 80 %"),
    ("slowest = 0.5 ", "slowest = 5\nfastest = 5 ", "steps[0].seek.slowest", "must be below fastest (5 /min)"),
    ('span = "1 rev" ', "span = 0 ", "steps[0].seek.span",
     "must be longer than zero: a torque is the mean over a span of readings"),
    ("tries = 6", "tries = 0", "steps[0].seek.tries", sentences.AT_LEAST_ONE),
    ("tries = 6", "trys = 6", "steps[0].seek.trys", "is not a known key; did you mean 'tries'?"),
    ('settle = "1 rev" ', 'stop = "60 s"\nsettle = "1 rev" ', "steps[0].stop",
     sentences.SEEK_TAKES_NO_SPAN),
    ('settle = "1 rev" ', 'keep = [{ span = "1 s" }]\nsettle = "1 rev" ', "steps[0].keep",
     sentences.SEEK_TAKES_NO_SPAN),
    ('speed = "first"\n', "", "steps[0].speed", "is missing: it is the first speed that is tried; start low"),
    ("[steps.seek]\n", '[[steps]]\nname = "more"\nspeed = 2\nlongest = "9 min"\n[steps.seek]\n', "steps[0].stop",
     sentences.STEP_WITHOUT_STOP),
    ("[[steps]]\n", '[[steps]]\nname = "more"\nspeed = 2\nstop = "9 s"\nlongest = "9 min"\n[[steps]]\n', "steps",
     "must be one only, because it seeks: measure with another method, on a fresh fill"),
    ('claim = "at_time"', 'claim = "peak"', "claim", "a seek ends at a speed and shows no peak; write claim = 'at_time'"),
    ("[[steps]]\n", "[flow_curve]\n[[steps]]\n", "flow_curve",
     "needs steps at speeds that are known beforehand, and not a seek"),
]  # fmt: skip

COMPILED = [
    ("low = 40 ", "low = 5 ", {}, "steps[0].seek.low",
     "5 to 80 % leaves the usable band of the method, 10 to 100 % ([torque])"),
    ("high = 80", "high = 110", {}, "steps[0].seek.high",
     "110 % is not below 110 %, where the motor is stopped; aim lower"),
    ("tries = 6", "tries = 5", {"torque": 70.0}, "steps[0].seek.high",
     "80 % is not below 70 %, where the motor is stopped; aim lower"),
    ("slowest = 0.5 ", "slowest = 0.5\nfastest = 120 ", {}, "steps[0].seek.fastest",
     "120 /min is above the limit of 100 /min set for bench-1 (limits.speed in its file)"),
    ("tries = 6", "tries = 5", {"speed": None}, "steps[0].seek.fastest",
     "is missing, and bench-1 has no limits.speed in its file: give the fastest speed that can be tried"),
    ("slowest = 0.5 ", "slowest = 3 ", {}, "steps[0].speed",
     "the first speed, 2 /min, is not from 3 to 100 /min; start low"),
    ('longest = "30 min" ', 'longest = "50 s" ', {}, "steps[0].longest",
     "50 s is not longer than the 60 s that the first speed alone needs; allow time for 6 tries"),
    ('speed = "first"', "speed = 150", {}, "steps[0].speed",
     "150 /min is above the limit of 100 /min set for bench-1 (limits.speed in its file); choose a lower speed or "
     "another instrument"),
]  # fmt: skip


def written(folder, old: str, new: str):
    assert TEXT.count(old) == 1, old
    path = folder / "find-speed.toml"
    path.write_text(TEXT.replace(old, new), encoding="utf-8")
    return path


@pytest.mark.parametrize(("old", "new", "key", "reason"), LOADED)
def test_a_seek_that_makes_no_sense(tmp_path, old, new, key, reason):
    path = written(tmp_path, old, new)
    with pytest.raises(SettingError) as caught:
        load_method(path)
    assert (caught.value.file, caught.value.key, caught.value.reason) == (str(path), key, reason)


@pytest.mark.parametrize(("old", "new", "limits", "key", "reason"), COMPILED)
def test_a_seek_that_does_not_go_with_the_bench(tmp_path, old, new, limits, key, reason):
    path = written(tmp_path, old, new)
    with pytest.raises(SettingError) as caught:
        compile_plan(load_method(path), instrument_for("coaxial-12", **limits), RotationalDriver({}))
    assert (caught.value.file, caught.value.key, caught.value.reason) == (str(path), key, reason)


def test_an_instrument_without_torque_cannot_seek_one(tmp_path):
    thermometer = example("instruments/thermo-1.toml")
    with pytest.raises(SettingError) as caught:
        compile_plan(example("methods/find-speed.toml"), thermometer, ThermometerDriver({}))
    found = {e.key: e.reason for e in caught.value.errors}
    assert found["steps[0].seek"] == "looks for a torque, and thermo-1 (thermometer) reads none"


def test_left_out_keys_have_sensible_values(tmp_path):
    text = TEXT.partition("[steps.seek]")[0] + "[steps.seek]\n"
    path = tmp_path / "short.toml"
    path.write_text(text.replace('settle = "1 rev" ', ""), encoding="utf-8")
    plan = compile_plan(load_method(path), instrument_for("coaxial-12"), RotationalDriver({}))
    (step,) = plan.steps
    seek = step.seek
    assert (step.speed, step.settle.revolutions, step.keep[0].span.revolutions) == (2.0, 1.0, 1.0)
    assert (seek.low, seek.high, seek.slowest, seek.fastest, seek.most) == (40.0, 80.0, 2.0, 100.0, 6)
    # 1 % of full scale is what the instrument's file states of its torque.
    assert (seek.doubt, seek.flow_behaviour_index) == (1.0, None)

"""``daq plan``: which geometry and speed suit a viscosity, as a table and as JSON."""

import contextlib
import json
import math
import shutil
import sqlite3

import pytest

from daq.adapters.paths import database_path, examples_dir
from tests.support import sentences
from tests.support.runs.virtual_bench import StoredBench


def planned(cli, *args, config=None):
    done = cli("--config", config or examples_dir(), "plan", *args, "--json")
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout)


def at(found, geometry, speed):
    return next(c for c in found["candidates"] if (c["geometry"], c["speed"]) == (geometry, speed))


@pytest.fixture
def config(tmp_path):
    folder = tmp_path / "config"
    shutil.copytree(examples_dir(), folder)
    return folder


def edited(folder, file, old, new):
    path = folder / file
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def test_every_geometry_and_speed_with_its_figures(cli):
    found = planned(cli, "--instrument", "bench-1", "--viscosity", "800 mPa.s")
    assert {c["geometry"] for c in found["candidates"]} == {"coaxial-12", "coaxial-15"}
    # Margules, coaxial-12: (1/0.012^2 - 1/0.015^2)/(4 pi 0.04 1.1) = 4521.45; 0.8 * 3.141593/4521.45 = 5.5586e-4 N.m.
    c = at(found, "coaxial-12", 30.0)
    assert c["torque_percent"] == pytest.approx(55.586, rel=1e-4)
    assert c["first_reading_s"] == 2.0  # one revolution
    # Representative rate of ISO 3219: omega (1.25^2 + 1)/(1.25^2 - 1) = 3.141593 * 4.5556.
    assert c["shear_rate"] == pytest.approx(14.312, rel=1e-4)
    assert c["viscosity_high_Pa_s"] == pytest.approx(0.8 / 0.55586, rel=1e-4)
    assert c["viscosity_low_Pa_s"] == pytest.approx(c["viscosity_high_Pa_s"] / 10)
    # Rectangular limits 1 % of full scale, 0.5 % geometry, 0.1 % speed, resolution 0.005 % of full scale.
    u = math.hypot(1 / 55.586, 0.005, 0.001, 0.00005 / 0.55586) / math.sqrt(3)
    assert c["relative_expanded_uncertainty"] == pytest.approx(1.96 * u, rel=2e-3)
    # GEO-CC-02: coaxial-15 shows full scale at 100 /min for 102.39565 mPa.s.
    assert at(found, "coaxial-15", 100.0)["viscosity_high_Pa_s"] == pytest.approx(0.10239565, rel=1e-6)


def test_best_first(cli):
    found = planned(cli, "--instrument", "bench-1", "--viscosity", "800 mPa.s")["candidates"]
    usable = [c for c in found if c["usable"]]
    assert found[: len(usable)] == usable
    assert all(10 <= c["torque_percent"] <= 100 for c in usable)
    with_headroom = [c["relative_expanded_uncertainty"] for c in usable if c["torque_percent"] <= 85]
    assert with_headroom == sorted(with_headroom)
    assert all(c["torque_percent"] > 85 for c in usable[len(with_headroom) :])


def test_a_table_for_a_person(cli):
    done = cli("--config", examples_dir(), "plan", "--instrument", "bench-1", "--viscosity", "800 cP")
    lines = done.stdout.splitlines()
    assert lines[0] == "bench-1: 800 mPa·s as given; usable torque 10 to 100 %"
    assert lines[1] == "20 of 48 combinations of geometry and speed are suitable, best first:"
    assert lines[3].split() == ["coaxial-15", "10", "78.1", "12.9", "800", "102", "to", "1024", "1.6", "6", "s"]
    assert any("coaxial-12 (fitted)" in line for line in lines)
    everything = cli("--config", examples_dir(), "plan", "--instrument", "bench-1", "--viscosity", "800 cP", "--all")
    assert len(everything.stdout.splitlines()) == 3 + 48


def test_if_no_speed_is_suitable_the_nearest_are_shown(cli):
    done = cli("--config", examples_dir(), "plan", "--instrument", "bench-1", "--viscosity", "1 mPa.s")
    assert done.returncode == 0
    assert "no geometry and speed of this instrument is suitable; nearest first:" in done.stdout
    assert done.stdout.splitlines()[3].split()[:4] == ["coaxial-15", "100", "1.0", "low"]


def test_a_thinning_product_by_its_index(cli):
    args = ("--instrument", "bench-2", "--viscosity", "5 Pa.s", "--flow-behaviour-index", "0.5", "--at-rate", "10")
    found = planned(cli, *args)
    for c in found["candidates"]:
        if c["geometry"] == "paddle-2":
            assert (c["assumed_newtonian"], c["viscosity_Pa_s"]) == (True, 5.0)
        else:
            assert c["viscosity_Pa_s"] == pytest.approx(5 * (c["shear_rate"] / 10) ** -0.5)
    table = cli("--config", examples_dir(), "plan", *args).stdout
    assert "* taken as Newtonian" in table
    by_product = planned(cli, "--instrument", "bench-2", "--viscosity", "5 Pa.s", "--product", "engobe")
    assert by_product["expected"]["flow_behaviour_index"] == 0.55


def test_the_expected_viscosity_of_a_product_is_at_the_speed_of_its_limits(cli):
    found = planned(cli, "--instrument", "bench-1", "--product", "clear-glaze")
    assert found["basis"] == "800 mPa·s, expected_viscosity of product clear-glaze"
    assert found["expected"]["at_speed"] == 20.0
    assert found["expected"]["at_rate"] == pytest.approx(9.5411, rel=1e-4)


def test_without_limits_the_last_valid_results_of_a_product_are_used(cli, config, tmp_path):
    edited(config, "products/clear-glaze.toml", 'expected_viscosity = "800 mPa.s"\n', "")
    bench = StoredBench(tmp_path / "state")
    args = ("--state", tmp_path / "state", "--config", config, "plan", "--instrument", "bench-1")
    done = cli(*args, "--product", "clear-glaze")
    assert done.returncode == 2
    assert (
        f"{config}/products/clear-glaze.toml: expected_viscosity: is missing, and there is no valid result"
        in done.stderr
    )

    bench.measure("G-1", "clear-glaze")
    bench.measure("G-2", "clear-glaze-thick")
    bench.measure("G-3", speed=100)  # at its torque limit: no value
    bench.measure("G-4", "clear-glaze")
    found = json.loads(cli(*args, "--product", "clear-glaze", "--json").stdout)
    assert found["basis"].endswith(
        "median of the last 3 valid results of product clear-glaze with coaxial-12 at 20 min⁻¹"
    )
    assert found["expected"]["viscosity_Pa_s"] == pytest.approx(0.8, rel=0.02)
    assert found["expected"]["at_speed"] == 20.0
    assert found["expected"]["at_rate"] == pytest.approx(9.5411, rel=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("change", [("$.sample.sheared", "true"), ("$.validity", '"doubtful"')])
def test_results_of_a_seek_and_doubtful_ones_are_left_out(cli, config, tmp_path, change):
    edited(config, "products/clear-glaze.toml", 'expected_viscosity = "800 mPa.s"\n', "")
    bench = StoredBench(tmp_path / "state")
    bench.measure("G-1", "clear-glaze")
    bench.measure("G-2", "clear-glaze-thick")
    with contextlib.closing(sqlite3.connect(database_path(tmp_path / "state"))) as db:
        db.execute("DROP TRIGGER results_no_update")
        db.execute(
            "UPDATE results SET data = json_set(data, ?, json(?)) WHERE json_extract(data, '$.sample.id') = 'G-2'",
            change,
        )
        db.commit()
    args = ("--state", tmp_path / "state", "--config", config, "plan", "--instrument", "bench-1")
    found = json.loads(cli(*args, "--product", "clear-glaze", "--json").stdout)
    assert "the last valid result of product clear-glaze with coaxial-12" in found["basis"]
    assert found["expected"]["viscosity_Pa_s"] == pytest.approx(0.8, rel=0.02)


def test_the_torque_at_which_the_motor_is_stopped_ends_the_band(cli, config):
    edited(config, "instruments/bench-1.toml", '# torque = "110 %"', 'torque = "60 %"')
    found = planned(cli, "--instrument", "bench-1", "--viscosity", "800 mPa.s", config=config)
    assert found["usable_torque_percent"] == [10.0, 60.0]
    assert all(c["torque_percent"] <= 60 for c in found["candidates"] if c["usable"])


@pytest.mark.parametrize(
    ("args", "expected"),
    [
        (("--instrument", "bench-1"), "say what to plan for: --viscosity '800 mPa.s', or --product ID"),
        (("--instrument", "bench-9", "--viscosity", "1 Pa.s"), sentences.NO_INSTRUMENT),
        (("--instrument", "bench-1", "--viscosity", "800"), "--viscosity: '800' is no viscosity; write it with its unit"),
        (("--instrument", "bench-1", "--viscosity", "-8 mPa.s"), "--viscosity: '-8 mPa.s' is no viscosity"),
        (("--instrument", "bench-1", "--viscosity", "8 s"), "--viscosity: '8 s' is no viscosity"),
        (("--instrument", "bench-1", "--viscosity", "thick"), "--viscosity: 'thick' is not a number"),
        (("--instrument", "bench-1", "--product", "glaze"), "there is no product 'glaze'"),
        (("--instrument", "bench-1", "--viscosity", "1 Pa.s", "--flow-behaviour-index", "0"), "'0' is not a number greater than 0"),
        (("--instrument", "bench-1", "--viscosity", "1 Pa.s", "--at-rate", "nan"), "'nan' is not a number greater than 0"),
        (("--instrument", "bench-1", "--viscosity", "1 Pa.s", "--fastest", "200"),
         "--fastest: 200 /min is above limits.speed of bench-1, 100 /min"),
        (("--instrument", "bench-1", "--viscosity", "1 Pa.s", "--slowest", "101"),
         "--slowest: must be above 0 and at most 100 /min, is 101"),
        (("--instrument", "thermo-1", "--viscosity", "1 Pa.s"), "thermo-1 (thermometer) reads no torque"),
    ],
)  # fmt: skip
def test_arguments_that_cannot_be_planned_are_refused(cli, args, expected):
    done = cli("--config", examples_dir(), "plan", *args)
    assert done.returncode == 2, done.stdout
    assert expected in done.stderr


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ('torque_full_scale = "1000 uN.m"', "", "specification.torque_full_scale: is needed"),
        ('speed = "100 /min" ', "", "limits.speed: is missing, so the fastest speed to plan is not known"),
    ],
)
def test_a_missing_key_of_a_file_is_named(cli, config, old, new, expected):
    edited(config, "instruments/bench-1.toml", old, new)
    done = cli("--config", config, "plan", "--instrument", "bench-1", "--viscosity", "1 Pa.s")
    assert done.returncode == 2
    assert f"{config}/instruments/bench-1.toml: {expected}" in done.stderr

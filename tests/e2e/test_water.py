"""Water and glycerol-water on a simulated instrument, through a pseudo-terminal, against published viscosities."""

import re

import iapws
import pytest

from tests.support.processes.laboratory import Daemon, Lab, Simulator

pytestmark = pytest.mark.slow

FULL_SCALE = 10.0
"""Full scale in uN.m: a sensor for thin liquids, so that water is in the usable band."""

PACE = 8.0
"""Simulated seconds per real second: slow enough that a busy machine misses no reading."""

METHOD = """
id = "thin"
version = "1"
title = "Thin liquid at 30 per minute, below the onset of Taylor vortices for water at 60 Cel"
claim = "at_time"

[[steps]]
name = "reading"
speed = 30
settle = "2 rev"
stop = "20 s"
longest = "1 min"
keep = [{ at = "end", span = "10 s" }]
"""


@pytest.fixture
def thin_lab(simulators, tmp_path):
    """A bench with a sensitive sensor in place of bench 1."""
    folder = tmp_path / "thin"
    folder.mkdir()
    options = ("--serial", "R-1042", "--fluid", "water", "--geometry", "coaxial-15", "--seed", "5")
    bench = Simulator(folder, "bench-1", "rotational", *options, "--full-scale", str(FULL_SCALE), scale=PACE)
    bench.wait_ready()
    lab = Lab(folder, simulators)
    lab.scale = PACE
    lab.bench = bench
    (lab.config / "methods" / "thin.toml").write_text(METHOD)
    file = lab.config / "instruments" / "bench-1.toml"
    text = re.sub(r"^port = .*$", f'port = "{bench.port}"', file.read_text(), flags=re.MULTILINE)
    file.write_text(text.replace('torque_full_scale = "1000 uN.m"', f'torque_full_scale = "{FULL_SCALE:g} uN.m"'))
    yield lab
    lab.close()
    bench.stop()


def stated_maximum_permissible_error(torque_percent: float) -> float:
    """Return the relative limit by the specification in the instrument's file: 1 % of full scale, 0.5 % geometry, 0.1 % speed, 0.05 K.

    The contribution of the temperature uses at most 2.6 %/K, for water above 15 Cel (derived from IAPWS SR6-08).
    """
    return 1.0 / torque_percent + 0.005 + 0.001 + 0.05 * 0.026 + 0.01 / torque_percent


def measure(daemon: Daemon, sample: str) -> dict:
    call = daemon.run("thin", sample=sample)
    result = call.until("result")
    call.close()
    assert result["outcome"] == "complete", result["reasons"]
    return result


def test_water_has_its_published_viscosity_at_several_temperatures(thin_lab):
    daemon = Daemon(thin_lab)
    daemon.ready()
    for celsius in (15.0, 25.0, 40.0, 60.0):
        thin_lab.bench.tell(f"fluid water {celsius}")
        result = measure(daemon, f"W-{celsius:g}")
        true = thin_lab.bench.state()["temperature_C"]
        # IAPWS R12-08 with IAPWS-95, at 0.1 MPa, by the package iapws.
        published = iapws.IAPWS95(T=true + 273.15, P=0.1).mu * 1e3
        torque = result["conditions"]["torque_percent"]
        assert result["unit"] == "mPa.s"
        assert result["value"] == pytest.approx(published, rel=stated_maximum_permissible_error(torque)), celsius
        assert result["quality"] == "Good", result["reasons"]
        # The published torque, speed and viscosity agree: ISO 3219-2, coaxial cylinders.
        stress, rate = result["conditions"]["stress"], result["conditions"]["shear_rate"]
        assert result["value"] == pytest.approx(stress / rate * 1e3, rel=1e-12)


def test_glycerol_water_is_plausible(thin_lab):
    """85 % by mass at 25 Cel: 80.2 mPa.s by Cheng, Ind. Eng. Chem. Res. 47 (2008) 3285; handbooks spread by 5 %."""
    file = thin_lab.config / "instruments" / "bench-1.toml"
    daemon_bench = Simulator(
        thin_lab.folder, "thick", "rotational", "--serial", "R-1042", "--fluid", "glycerol-85", "--geometry", "coaxial-15",
        "--temperature", "25", "--seed", "6", scale=PACE,
    )  # fmt: skip
    try:
        daemon_bench.wait_ready()
        text = file.read_text().replace(str(thin_lab.bench.port), str(daemon_bench.port))
        file.write_text(text.replace(f'"{FULL_SCALE:g} uN.m"', '"1000 uN.m"'))
        daemon = Daemon(thin_lab)
        daemon.ready()
        result = measure(daemon, "GLY-85")
        assert result["value"] == pytest.approx(cheng(0.85, daemon_bench.state()["temperature_C"]), rel=0.05)
    finally:
        daemon_bench.stop()


def cheng(mass_fraction: float, celsius: float) -> float:
    """Cheng (2008): viscosity of glycerol-water in mPa.s; the published equation, written independently of the program."""
    import math

    t, c = celsius, mass_fraction
    water = 1.790 * math.exp((-1230 - t) * t / (36100 + 360 * t))
    glycerol = 12100 * math.exp((-1233 + t) * t / (9900 + 70 * t))
    a = 0.705 - 0.0017 * t
    b = (4.9 + 0.036 * t) * a**2.5
    alpha = 1 - c + a * b * c * (1 - c) / (a * c + b * (1 - c))
    return water**alpha * glycerol ** (1 - alpha)

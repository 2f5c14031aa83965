"""The distribution that `daq driver new --python` writes: passes the kit, is installed, is found by daq, and reads."""

import importlib.util
import json
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

from daq.app.workshop.driver_template import PROTOCOLS, write_distribution
from daq.core.errors import SettingError
from daq.testing import assert_conforms

pytestmark = pytest.mark.slow

ROOT = Path(__file__).parents[2]


def run(*command, folder=None, codes=(0,)):
    done = subprocess.run([*map(str, command)], cwd=folder, capture_output=True, text=True, timeout=300)
    assert done.returncode in codes, f"{command}\nexit {done.returncode}\n{done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.mark.timeout(300)
def test_it_is_installed_into_a_venv_and_found(tmp_path):
    folder = tmp_path / "wash-meter"
    written = run(sys.executable, "-m", "daq", "driver", "new", "wash-meter", "--python", folder)
    assert written.count("wrote ") == 5
    assert "pip install --no-deps" in written

    # Its own test, the kit, before anything is installed.
    tested = run(sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", "--rootdir", folder, "-c", folder / "pyproject.toml",
                 f"--override-ini=pythonpath={folder}", folder / "tests")  # fmt: skip
    assert "2 passed" in tested

    # A venv that sees this one's packages (daq and its own), and gets the driver by pip.
    place = tmp_path / "venv"
    venv.create(place, with_pip=False, symlinks=True)
    python = place / "bin" / "python"
    site = Path(run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))").strip())
    (site / "parent.pth").write_text(f"{sysconfig.get_path('purelib')}\n{ROOT}\n")
    # The build backend comes from here where it is installed, so that no network is needed.
    isolation = ["--no-build-isolation"] if importlib.util.find_spec("hatchling") else []
    run(sys.executable, "-m", "pip", "--python", python, "install", "-q", "--no-deps", "--disable-pip-version-check",
        *isolation, folder)  # fmt: skip

    listed = json.loads(run(python, "-m", "daq", "driver", "list", "--json", folder=tmp_path))
    (entry,) = [e for e in listed if e["driver"] == "wash-meter"]
    assert entry["channels"] == [{"name": "value", "unit": "1", "low": -9999.999, "high": 9999.999}]
    report = json.loads(
        run(python, "-m", "daq", "driver", "check", "wash-meter", "--capture", folder / "tests/wash-meter.capture", "--json",
            folder=tmp_path)
    )  # fmt: skip
    assert report["passed"]
    assert {c["name"]: c["outcome"] for c in report["checks"]}["values shown"] == "passed"
    # Not here, where it is not installed.
    unknown = subprocess.run(
        [sys.executable, "-m", "daq", "driver", "check", "wash-meter"], capture_output=True, text=True, timeout=60
    )
    assert unknown.returncode == 2
    assert "there is no driver 'wash-meter'" in unknown.stderr


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_each_example_passes_the_kit_and_reads_what_its_display_shows(tmp_path, protocol, monkeypatch):
    """Every check that applies passes, without a note but that of an instrument that cannot be identified."""
    write_distribution("wash-meter", tmp_path, protocol)
    path = tmp_path / "daq_driver_wash_meter/__init__.py"
    spec = importlib.util.spec_from_file_location(f"daq_driver_{protocol}", path)
    module = importlib.util.module_from_spec(spec)
    monkeypatch.setitem(sys.modules, spec.name, module)  # the digest of a driver reads its source
    spec.loader.exec_module(module)
    capture = tmp_path / "tests/wash-meter.capture"
    report = assert_conforms(lambda: module.Driver({}), capture=capture, expected=[(12.5,), (-0.125,)])
    notes = [f.name for f in report.findings if f.outcome == "note"]
    assert notes == (["identity"] if protocol == "stream" else [])
    assert report.finding("values shown").outcome == "passed"
    assert report.finding("imports").outcome == "passed"


@pytest.mark.parametrize("name", ["Wash", "wash meter", "wash_meter", "", "../wash", "1wash", "w" * 60, "wash--meter"])
def test_names_that_are_none_are_refused(tmp_path, name):
    with pytest.raises(SettingError, match="small letters"):
        write_distribution(name, tmp_path / "new")
    assert not list(tmp_path.iterdir())


def test_nothing_is_overwritten(tmp_path):
    (tmp_path / "mine.txt").write_text("mine")
    with pytest.raises(SettingError, match="not empty"):
        write_distribution("wash", tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]


@pytest.mark.parametrize("protocol", PROTOCOLS)
def test_no_name_of_the_template_is_left(tmp_path, protocol):
    for path in write_distribution("wash-meter", tmp_path / "new", protocol):
        text = path.read_text()
        assert "PACKAGE" not in text
        assert "API_VERSION" not in text
        assert "PROTOCOL" not in text
        assert "NAME" not in text.replace("NAME.capture", "")

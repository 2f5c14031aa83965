"""A description with open points is no finished one: the kit, `daq check` and the daemon's catalogue refuse it."""

import re

import pytest

from daq.app.cli import main
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError
from daq.descriptions.guessing.remarks import FILL_IN, open_points
from daq.descriptions.load import load_description

INSTRUMENT = 'name = "weigh-1"\ntitle = "Weighing"\ndriver = "scale.toml"\nport = "./port"\n'


@pytest.fixture
def made(tmp_path, capsys, monkeypatch):
    """Return the folder of a description whose state means a fault that nobody has named."""
    monkeypatch.chdir(tmp_path)
    lines = "".join(f"{i * 0.5:.6f} < {i * 7.31:.2f} g {'OL' if i % 4 == 3 else 'OK'}\\r\\n\n" for i in range(1, 20))
    (tmp_path / "scale.capture").write_text("# daq capture 1\n" + lines)
    assert main(["driver", "new", "scale", "--from", "scale.capture"]) == 0
    capsys.readouterr()
    return tmp_path


def filled_in(folder):
    path = folder / "scale.toml"
    text = path.read_text().replace('"OL" = ""', '"OL" = "over_range"')
    path.write_text(re.sub(rf" *# {FILL_IN}.*", "", text))


def test_the_kit_fails_a_description_until_every_point_is_filled_in(made, capsys):
    """Before, `OL` was read as a state without a fault, and all checks passed."""
    points = list(open_points((made / "scale.toml").read_text()))
    assert len(points) > 1
    assert main(["driver", "check", "scale.toml"]) == 1
    shown = capsys.readouterr().out
    assert "FAILED filled in" in shown
    assert all(f"line {number}: {what}" in shown for number, what in points)
    filled_in(made)
    assert main(["driver", "check", "scale.toml"]) == 0
    assert "filled in" not in capsys.readouterr().out


def test_the_kit_fails_open_points_whatever_the_name_of_the_file_is(made, capsys):
    (made / "scale.toml").rename(made / "scale.txt")
    assert main(["driver", "check", "scale.txt"]) == 1
    shown = capsys.readouterr().out
    assert "FAILED filled in" in shown
    assert "no capture was given" not in shown


def test_a_configuration_refuses_a_description_with_open_points(made, capsys):
    assert main(["init", "lab"]) == 0
    (made / "lab" / "scale.toml").write_bytes((made / "scale.toml").read_bytes())
    (made / "lab" / "instruments" / "weigh-1.toml").write_text(INSTRUMENT)
    number, what = next(open_points((made / "scale.toml").read_text()))
    capsys.readouterr()
    assert main(["check", "lab"]) == 2
    assert f"line {number}: fill in {what}" in "".join(capsys.readouterr())
    catalogue = Catalogue.load(made / "lab")
    with pytest.raises(SettingError, match="fill in"):
        catalogue.make_driver(catalogue.instrument("weigh-1"))
    with pytest.raises(SettingError, match="fill in"):
        load_description(made / "scale.toml")
    filled_in(made)
    (made / "lab" / "scale.toml").write_bytes((made / "scale.toml").read_bytes())
    assert main(["check", "lab"]) == 0
    catalogue = Catalogue.load(made / "lab")
    assert catalogue.make_driver(catalogue.instrument("weigh-1")).channels[0].unit == "g"

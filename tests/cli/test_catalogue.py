"""A configuration folder: its methods, instruments and drivers, and the errors in it."""

import shutil
from importlib.metadata import EntryPoint

import pytest

from daq.adapters.paths import examples_dir
from daq.app.setup.catalogue import Catalogue, version_key
from daq.app.setup.drivers import GROUP, Drivers
from daq.core.driver import API_VERSION
from daq.core.errors import SettingError, SettingErrors


@pytest.fixture
def folder(tmp_path):
    copy = tmp_path / "config"
    shutil.copytree(examples_dir(), copy)
    return copy


def edit(path, old, new):
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))


def errors_of(folder):
    with pytest.raises(SettingErrors) as caught:
        Catalogue.load(folder)
    return caught.value.errors


def test_the_examples_are_complete_and_valid():
    catalogue = Catalogue.load(examples_dir())
    assert {"bench-1", "bench-2", "bench-3", "thermo-1", "balance-1", "ph-1"} <= set(catalogue.instruments)
    assert catalogue.enabled == list(catalogue.instruments)
    assert catalogue.method("clear-glaze-qc").version == "1"
    assert catalogue.product("clear-glaze").unit == "mPa.s"
    assert catalogue.state is None
    plan = catalogue.compile(catalogue.method("clear-glaze-qc"), catalogue.instrument("bench-1"))
    assert [link.name for link in plan.links] == ["bench-1", "thermo-1"]


def test_the_newest_version_of_a_method_is_taken(folder):
    text = (folder / "methods" / "engobe-qc.toml").read_text()
    for version in ("2", "10", "1.9", "1.10"):
        (folder / "methods" / f"engobe-{version}.toml").write_text(
            text.replace('version = "1"', f'version = "{version}"')
        )
    catalogue = Catalogue.load(folder)
    assert list(catalogue.methods["engobe-qc"]) == ["1", "1.9", "1.10", "2", "10"]
    assert catalogue.method("engobe-qc").version == "10"
    assert catalogue.method("engobe-qc", "1.9").version == "1.9"


def test_versions_sort_by_number():
    given = ["10", "2", "1.10", "1.9", "1", "2024-05"]
    assert sorted(given, key=version_key) == ["1", "1.9", "1.10", "2", "10", "2024-05"]


def test_the_same_method_in_two_files_is_one_method(folder):
    text = (folder / "methods" / "engobe-qc.toml").read_text()
    (folder / "methods" / "z.toml").write_text("# a copy\n" + text)
    assert list(Catalogue.load(folder).methods["engobe-qc"]) == ["1"]


def test_the_same_version_with_other_content_is_refused(folder):
    text = (folder / "methods" / "engobe-qc.toml").read_text()
    (folder / "methods" / "z.toml").write_text(text.replace("title = ", 'title = "another " # ', 1))
    (error,) = errors_of(folder)
    assert (error.file, error.key) == (str(folder / "methods" / "z.toml"), "version")
    assert "a method never changes: give this one a new version" in error.reason


def test_all_errors_of_a_folder_are_reported_together(folder):
    edit(folder / "daemon.toml", "# enable = [", 'enable = ["bench-7", ')
    edit(folder / "daemon.toml", 'products = "products"', 'products = "goods"')
    edit(folder / "instruments" / "bench-1.toml", 'external = "thermo-1"', 'external = "thermo-9"')
    edit(folder / "instruments" / "bench-2.toml", 'name = "bench-2"', 'name = "bench-1"')
    edit(folder / "methods" / "engobe-qc.toml", "claim = ", "claims = ")
    (folder / "fluids" / "broken.toml").write_text("id = ")
    found = {(error.file.removeprefix(f"{folder}/"), error.key): error.reason for error in errors_of(folder)}
    assert "did you mean" in found["daemon.toml", "enable[0]"]
    assert "there is no folder" in found["daemon.toml", "folders.products"]
    assert "did you mean 'thermo-" in found["instruments/bench-1.toml", "companions.external"]
    assert "is already used in" in found["instruments/bench-2.toml", "name"]
    assert "claim" in found["methods/engobe-qc.toml", "claims"]
    assert "is not valid TOML" in found["fluids/broken.toml", ""]


@pytest.mark.parametrize(("fluid", "method", "expected"), [
    ("house-oil", "house-control", {}),
    ("house-oi", "house-control", {"control.fluid": "did you mean 'house-oil'?"}),
    ("house-oil", "house-contro", {"control.method": "did you mean 'house-control'?"}),
    ("house-oil", "reference-check", {"control.method": "the method reference-check does not measure a control fluid; write "
     "control = true in its file"}),
])  # fmt: skip
def test_a_required_control_names_a_fluid_and_a_method_that_measures_it(folder, fluid, method, expected):
    asked = f'[control]\nfluid = "{fluid}"\nmethod = "{method}"\n\n[health]'
    edit(folder / "instruments" / "bench-1.toml", "[health]", asked)
    found = {error.key: error.reason for error in errors_of(folder)} if expected else {}
    assert found.keys() == expected.keys()
    assert all(words in found[key] for key, words in expected.items())
    if not expected:
        assert Catalogue.load(folder).instrument("bench-1").control.fluid == fluid


@pytest.mark.parametrize(
    ("what", "expected"),
    [
        (lambda c: c.instrument("bench-9"), "there is no instrument 'bench-9'; did you mean"),
        (lambda c: c.method("glaze"), "there is no method 'glaze'"),
        (lambda c: c.method("engobe-qc", "3"), "there is no version of method engobe-qc: '3'; there are: 1"),
        (lambda c: c.product("slip"), "there is no product 'slip'"),
        (lambda c: c.fluid("oil"), "there is no fluid 'oil'"),
    ],
)
def test_unknown_names_are_refused(what, expected):
    with pytest.raises(SettingError, match=expected.replace("(", r"\(")):
        what(Catalogue.load(examples_dir()))


def test_a_relative_state_directory_is_relative_to_the_file(folder):
    edit(folder / "daemon.toml", "# state = ", 'state = "../here" #')
    assert Catalogue.load(folder).state == f"{folder}/../here"


def test_wrong_options_name_the_instruments_file(folder):
    edit(folder / "instruments" / "bench-1.toml", "interval_ms = 100", "interval_ms = 1")
    catalogue = Catalogue.load(folder)
    with pytest.raises(SettingError) as caught:
        catalogue.make_driver(catalogue.instrument("bench-1"))
    assert caught.value.file == str(folder / "instruments" / "bench-1.toml")
    assert caught.value.key == "options.interval_ms"


# ---- drivers of other packages

MODULE = f"""
from daq.core.driver import Driver, Reject

class Good(Driver):
    kind = "good"
    def decode(self, line, asked=None):
        return Reject("nothing is understood")

class Old(Good):
    api_version = {API_VERSION + 1}

class Falls(Good):
    def __init__(self, options):
        raise RuntimeError("its own fault")

NotADriver = object()
"""


@pytest.fixture
def drivers(tmp_path, monkeypatch):
    (tmp_path / "foreign_drivers.py").write_text(MODULE)
    monkeypatch.syspath_prepend(str(tmp_path))
    entries = [
        EntryPoint(name, value, GROUP)
        for name, value in (
            ("good", "foreign_drivers:Good"),
            ("old", "foreign_drivers:Old"),
            ("falls", "foreign_drivers:Falls"),
            ("no-driver", "foreign_drivers:NotADriver"),
            ("no-class", "foreign_drivers:Missing"),
            ("no-module", "foreign_missing:Driver"),
            ("twice", "foreign_drivers:Good"),
            ("twice", "foreign_drivers:Old"),
        )
    ]
    return Drivers.find(entries)


def test_a_broken_driver_does_not_affect_others(drivers):
    assert drivers.make("good", {}).kind == "good"
    assert sorted(drivers.problems()) == ["no-class", "no-driver", "no-module", "old", "twice"]


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        (
            "old",
            f"was written for version {API_VERSION + 1} of the driver contract, this daq has version {API_VERSION}",
        ),
        ("no-driver", "is neither a subclass of"),
        ("no-class", "cannot be loaded: AttributeError"),
        ("no-module", "cannot be loaded: ModuleNotFoundError"),
        ("twice", "is offered more than once"),
        ("goood", "there is no driver 'goood'; did you mean 'good'?"),
        ("falls", "RuntimeError: its own fault; report it to the driver's author"),
    ],
)
def test_the_reason_why_a_driver_cannot_be_used_is_named(drivers, name, expected):
    with pytest.raises(SettingError) as caught:
        drivers.make(name, {})
    assert expected in str(caught.value)


def test_the_built_in_drivers_are_found_like_any_other():
    assert {"rotational", "thermometer"} <= set(Drivers.find().names)
    assert Drivers.find().problems() == {}

"""The text of every driver is a constant of its instrument: of a description file, and of an installed driver.

An update of the program that changes the text of an installed driver asks a person at the next start, as an edited
description file does, and verifications with the former text do not count.
"""

import hashlib
import importlib
import shutil
import sys
from importlib.metadata import EntryPoint

import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.transactions import BeginRun
from daq.app.laboratory.acts import carry_out
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.constants import DESCRIPTION
from daq.app.setup.drivers import GROUP, Drivers, _text_of
from daq.app.setup.fitted import Fit, conflict, conflicts_at_start, fit_of, fits_by_file
from daq.app.setup.used import Used, begin_configured
from daq.core.errors import SettingError
from daq.laboratory.configuration import Fitted
from tests.support.laboratories import laboratory
from tests.support.runs.stored import record

EXAMPLES = Catalogue.load(examples_dir())


class Updated(Drivers):
    """The drivers after an update that changed the texts of some of them."""

    def __init__(self, *names):
        super().__init__()
        self.names_changed = names

    def text(self, name):
        return super().text(name) + ("changed" if name in self.names_changed else "")


def recorded(catalogue, name):
    """Return the record that the first start of the daemon makes of an instrument."""
    (change,) = fits_by_file(catalogue, [name], {})
    assert (change.after, change.id) == (0, name)
    return Fit(Fitted.model_validate(change.data), 1, "daemon", 0), change.what


@pytest.mark.parametrize("name", sorted(EXAMPLES.instruments))
def test_every_instrument_of_the_examples_has_a_record_and_a_changed_driver_refuses_its_start(name):
    instrument = EXAMPLES.instruments[name]
    fit, what = recorded(EXAMPLES, name)
    assert what == ("fitted_as_the_file_states" if instrument.fitted else "constants_as_the_file_states")
    assert fit.record.around[DESCRIPTION] == hashlib.sha256(EXAMPLES.driver_text(instrument).encode()).hexdigest()
    assert conflict(EXAMPLES, instrument, fit) is None
    assert fits_by_file(EXAMPLES, [name], {name: fit}) == []
    lead = [name, *instrument.companions.values()]
    for changed in {EXAMPLES.instruments[n].driver for n in lead}:
        catalogue = Catalogue.load(examples_dir())
        catalogue.drivers = Updated(changed)
        (refused,) = conflicts_at_start(catalogue, lead, {name: fit})
        command = f"daq fit {name} {instrument.fitted or ''}".rstrip()
        assert (f"{command};" in refused.reason, refused.key) == (True, "driver"), refused
        assert "as after an update" in refused.reason
        owner = next(i for i in map(catalogue.instruments.get, lead) if i.driver == changed)
        assert refused.file == owner.source
        # The file states the same as before, so nothing is recorded without a person.
        assert fits_by_file(catalogue, [name], {name: fit}) == []


def test_an_instrument_without_a_geometry_is_recorded_by_a_person_after_an_edit(tmp_path):
    folder = tmp_path / "config"
    shutil.copytree(examples_dir(), folder)
    own = folder / "drivers" / "own.toml"
    own.parent.mkdir(exist_ok=True)
    with laboratory(tmp_path) as lab:
        text = EXAMPLES.drivers.entries["balance"][0].load()
        shutil.copy(text, own)
        file = folder / "instruments" / "balance-1.toml"
        file.write_text(file.read_text("utf-8").replace('driver = "balance"', 'driver = "drivers/own.toml"'), "utf-8")

        def refusal():
            lab.catalogue = Catalogue.load(folder)
            with lab.reader() as reader:
                return conflict(lab.catalogue, lab.catalogue.instruments["balance-1"], fit_of(reader, "balance-1"))

        assert refusal() is None
        done = carry_out(lab, "fit", {"instrument": "balance-1"})
        assert (done["geometry"], done["constants"], refusal()) == ("", "", None)
        own.write_text(own.read_text("utf-8") + "\n# a remark, which is a part of the text of a file\n", "utf-8")
        found = refusal()
        assert (found.key, found.file) == (DESCRIPTION, str(own))
        assert "its constants are recorded by" in found.reason
        assert "Put the file right, or record the new constants: daq fit balance-1;" in found.reason
        assert "description" in carry_out(lab, "fit", {"instrument": "balance-1"})["constants"]
        assert refusal() is None
        with pytest.raises(SettingError, match="name the geometry that is fitted; bench-1 has"):
            carry_out(lab, "fit", {"instrument": "bench-1"})


def test_a_record_of_an_earlier_version_takes_the_text_of_its_driver_once_and_no_other_change():
    fit, _ = recorded(EXAMPLES, "bench-1")
    (role,) = EXAMPLES.instruments["bench-1"].companions
    texts = {DESCRIPTION, f"companions.{role}.{DESCRIPTION}"}
    assert {key for key in fit.record.around if key.endswith(DESCRIPTION)} == texts
    for lacking in ({DESCRIPTION}, {f"companions.{role}.{DESCRIPTION}"}, texts):
        around = {k: v for k, v in fit.record.around.items() if k not in lacking}
        old = Fit(fit.record.model_copy(update={"around": around}), 1, "daemon", 0)
        assert conflict(EXAMPLES, EXAMPLES.instruments["bench-1"], old) is None
        (noted,) = fits_by_file(EXAMPLES, ["bench-1"], {"bench-1": old})
        assert (noted.what, noted.data["around"]) == ("constants_noted", fit.record.around)
        # A constant of the companion that is new in its file is not recorded with it.
        edited = Catalogue.load(examples_dir())
        name = edited.instruments["bench-1"].companions[role]
        other = edited.instruments[name]
        edited.instruments[name] = other.model_copy(update={"options": {**other.options, "factor": 2}})
        (noted,) = fits_by_file(edited, ["bench-1"], {"bench-1": old})
        after = Fit(Fitted.model_validate(noted.data), 2, "daemon", 0)
        refused = conflict(edited, edited.instruments["bench-1"], after)
        assert refused is not None
        assert f"companions.{role}.options.factor" in refused.reason


def test_a_geometry_that_a_file_comes_to_name_is_recorded_unless_something_else_changed():
    catalogue = Catalogue.load(examples_dir())
    lead = catalogue.instruments["bench-1"]
    catalogue.instruments["bench-1"] = lead.model_copy(update={"fitted": None})
    fit, what = recorded(catalogue, "bench-1")
    assert (what, fit.record.geometry, fit.words) == ("constants_as_the_file_states", "", "")
    catalogue.instruments["bench-1"] = lead
    (change,) = fits_by_file(catalogue, ["bench-1"], {"bench-1": fit})
    assert (change.what, change.data["geometry"], change.after) == ("fitted_as_the_file_states", lead.fitted, 1)
    catalogue.drivers = Updated(lead.driver)
    assert fits_by_file(catalogue, ["bench-1"], {"bench-1": fit}) == []
    refused = conflict(catalogue, lead, fit)
    assert f"daq fit bench-1 {lead.fitted};" in refused.reason


def test_the_text_of_a_driver_in_python_is_that_of_its_package_or_of_its_module_alone(tmp_path, monkeypatch):
    for name in ("beside.py", "alone.py", "package/__init__.py", "package/parts.py"):
        path = tmp_path / name
        path.parent.mkdir(exist_ok=True)
        path.write_text(f"class Own:\n    about = {name!r}\n", "utf-8")
    monkeypatch.syspath_prepend(tmp_path)
    found = {name: _text_of(importlib.import_module(name).Own) for name in ("alone", "package")}
    assert [w for w in ("beside.py", "alone.py", "parts.py") if w in found["alone"]] == ["alone.py"]
    assert [w for w in ("beside.py", "package/__init__.py", "parts.py") if w in found["package"]] == [
        "package/__init__.py",
        "parts.py",
    ]


SOURCE = """
'''Read a level.'''
SCALE = 0.5  # mm


class Own:
    '''A driver.'''

    unit = "mm"

    def decode(self, frame):
        '''Return the value.'''
        if not frame:
            return None
        return SCALE * int(frame) + 0x10


def empty():
    pass
"""
ALIKE = {
    "a comment": ("SCALE = 0.5  # mm", "# half a millimetre\nSCALE = 0.5"),
    "no comment": ("  # mm", ""),
    "another docstring": ("Return the value.", "Return the level in mm."),
    "no docstring": ("        '''Return the value.'''\n", ""),
    "a new docstring": ("def empty():\n", "def empty():\n    '''Do nothing.'''\n"),
    "no docstring of the module": ("'''Read a level.'''\n", ""),
    "empty lines": ("\n\n\n", "\n"),
    "brackets and spaces": ("SCALE * int(frame) + 0x10", "(SCALE*int(frame))  + 0x10"),
    "other quotation marks": ('"mm"', "'mm'"),
    "the form of a number": ("0x10", "16"),
}
OTHER = {
    "a factor": ("0.5", "0.25"),
    "a unit": ('"mm"', '"um"'),
    "a sign": ("+ 0x10", "- 0x10"),
    "brackets": ("SCALE * int(frame) + 0x10", "SCALE * (int(frame) + 0x10)"),
    "a condition": ("if not frame", "if frame"),
    "a condition fewer": ("        if not frame:\n            return None\n", ""),
    "the order of two lines": ("SCALE = 0.5  # mm\n", "SCALE = 1\nSCALE = 0.5\n"),
    "a text that is no docstring": ('unit = "mm"', 'unit = "mm"\n    "rest"'),
    "an indent": ("        return SCALE", "            return SCALE"),
}


@pytest.mark.parametrize("change", [*ALIKE, *OTHER])
def test_a_person_records_a_driver_in_python_again_after_a_change_of_what_it_does_only(tmp_path, monkeypatch, change):
    """A comment, a docstring and the layout do nothing; the exact files are stored with each run all the same."""
    old, new = (ALIKE | OTHER)[change]
    assert old in SOURCE
    texts = {}
    for name, source in (("before", SOURCE), ("after", SOURCE.replace(old, new))):
        (tmp_path / name).mkdir()
        (tmp_path / name / "own_driver.py").write_text(source, "utf-8")
        with monkeypatch.context() as patch:
            patch.syspath_prepend(tmp_path / name)
            patch.delitem(sys.modules, "own_driver", raising=False)
            drivers = Drivers.find([EntryPoint("own", "own_driver:Own", GROUP)])
            texts[name] = drivers.text("own"), drivers.source("own")
            patch.delitem(sys.modules, "own_driver", raising=False)
    assert (texts["before"][0] == texts["after"][0]) == (change in ALIKE)
    assert texts["before"][1] != texts["after"][1]
    assert texts["after"][1] == f"# own_driver.py\n{SOURCE.replace(old, new)}"


def test_a_run_stores_what_a_driver_in_python_does_and_its_exact_files(tmp_path, monkeypatch):
    """A verification is compared by what the driver does: a remark in it asks for no new one."""
    EXAMPLES.read_descriptions()
    catalogue = Catalogue.load(examples_dir())
    used = Used((catalogue.instruments["balance-1"],), catalogue.method("clear-glaze-qc"), None, None)
    for source in ("A = 1  # one\n", "A = 1\n"):
        monkeypatch.setattr(catalogue.drivers, "_texts", {catalogue.instruments["balance-1"].driver: ("A = 1", source)})
        begin = begin_configured(BeginRun(record("r")), catalogue, used, {})
        (described,) = [u for u in begin.configuration.data["used"] if u["what"] == "description"]
        kept = {fixed.change.id: fixed.change.data["text"] for fixed in begin.fixed if fixed.change.kind == "text"}
        assert (kept[described["text"]], kept[described["file_text"]]) == ("A = 1", source)


def test_the_text_of_a_driver_has_its_values_and_no_comment(tmp_path):
    path = EXAMPLES.drivers.entries["rotational"][0].load()
    lines = path.read_text("utf-8")
    same, other = tmp_path / "same.toml", tmp_path / "other.toml"
    same.write_text("# a comment\n" + lines, "utf-8")
    other.write_text("x = 1\n" + lines, "utf-8")
    assert _text_of(same) == _text_of(path) != _text_of(other)
    for name in EXAMPLES.drivers.names:
        assert len(EXAMPLES.drivers.text(name)) > 500
    assert EXAMPLES.drivers.text("no-such-driver") == ""

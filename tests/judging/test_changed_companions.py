"""A changed constant of a companion is refused with the companion's file and key, and recorded only from a valid file."""

import shutil

import pytest

from daq.adapters.paths import examples_dir
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.fitted import Fit, conflict, fits_by_file, fitted_as
from daq.core.errors import SettingError


@pytest.fixture
def folder(tmp_path):
    return shutil.copytree(examples_dir(), tmp_path / "lab")


LEADS = [
    (name, lead) for name, lead in Catalogue.load(examples_dir()).instruments.items() if lead.companions and lead.fitted
]


@pytest.mark.parametrize(("name", "lead"), LEADS, ids=[name for name, _ in LEADS])
def test_the_refusal_names_the_file_and_key_of_the_companion(folder, name, lead):
    before = Catalogue.load(folder)
    record = fitted_as(before, before.instrument(name), lead.fitted)
    for role, other in lead.companions.items():
        path = folder / "instruments" / f"{other}.toml"
        text = path.read_text("utf-8")
        path.write_text(text + '\n[probes.sample]\noffset = "0.2 K"\n', "utf-8")
        after = Catalogue.load(folder)
        error = conflict(after, after.instrument(name), Fit(record, 1, "m.keeper", 0))
        assert error is not None, role
        assert (error.file, error.key) == (str(path), "probes.sample.offset")
        assert f"daq fit {name} {lead.fitted}" in str(error)
        path.write_text(text, "utf-8")


@pytest.mark.parametrize(("name", "lead"), LEADS, ids=[name for name, _ in LEADS])
def test_nothing_is_recorded_while_the_file_of_a_companion_is_wrong(folder, name, lead):
    other = next(iter(lead.companions.values()))
    (folder / "instruments" / f"{other}.toml").write_text("name = 5\n", "utf-8")
    catalogue, _ = Catalogue.read(folder)
    with pytest.raises(SettingError, match=f"instruments/{other}.toml"):
        fitted_as(catalogue, catalogue.instrument(name), lead.fitted)
    assert fits_by_file(catalogue, [name], {}) == []

"""`daq doctor` on persons."""

import pytest

from daq.adapters.paths import database_path
from daq.app.laboratory.acts import carry_out
from daq.app.setup.catalogue import Catalogue
from daq.app.workshop import staffing
from daq.core.errors import SettingError
from tests.laboratory.parts import laboratory, staffed, switch_people
from tests.support.runs.examples import CONFIG


@pytest.fixture
def catalogue():
    found = Catalogue.load(CONFIG)
    switch_people(found, on=True)
    return found


def findings(catalogue, folder):
    return [(f.ok, f.say) for f in staffing.people_findings(catalogue, folder)]


def test_where_people_are_on_one_must_administer(tmp_path, catalogue):
    nobody = [(False, "they are switched on, and no person administers")]
    assert findings(catalogue, tmp_path) == nobody
    with laboratory(tmp_path):
        assert database_path(tmp_path).exists()
        assert findings(catalogue, tmp_path) == nobody
    with staffed(tmp_path) as lab:
        carry_out(lab, "person_add", {"id": "second", "role": "administer", "logins": ["second"]})
    assert findings(catalogue, tmp_path) == [(True, "5 persons, 2 of them administer")]
    switch_people(catalogue, on=False)
    assert findings(catalogue, tmp_path) == []


def test_a_missing_library_is_named(tmp_path, catalogue, monkeypatch):
    def absent(*_):
        raise SettingError("no such library")

    with staffed(tmp_path):
        monkeypatch.setattr(staffing, "need", absent)
        assert findings(catalogue, tmp_path)[0] == (False, "no such library")

"""Descriptions found by entry point or by path, broken ones named and left out, and made again from a journal's header."""

import shutil
from importlib.metadata import EntryPoint

import pytest

from daq.adapters.paths import examples_dir
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.drivers import GROUP, Drivers
from daq.core.driver import Driver, Reject
from daq.core.errors import SettingError
from drivers import balance
from tests.support import sentences

GOOD = balance.DESCRIPTION
TEXT = str(balance.DESCRIPTION)
MISSING = balance.DESCRIPTION.with_name("none.toml")
SEVEN = 7


class NoDecode(Driver):
    kind = "no decode"


class EndsWhenMade(Driver):
    kind = "ends"

    def __init__(self, options):
        raise SystemExit(3)

    def decode(self, line, asked=None):
        return Reject("nothing")


WRONG = balance.DESCRIPTION.with_name("__init__.py")


def drivers(**entries):
    return Drivers.find([EntryPoint(name, f"{__name__}:{value}", GROUP) for name, value in entries.items()])


def test_an_entry_point_may_name_a_description():
    found = drivers(one="GOOD", other="TEXT")
    assert found.problems() == {}
    assert found.make("one", {}).decode(b"mass=12.345 g; steady*6C") == found.make("other", {}).decode(
        b"mass=12.345 g; steady*6C"
    )


def test_a_broken_description_harms_no_other():
    found = drivers(good="GOOD", missing="MISSING", seven="SEVEN", wrong="WRONG")
    problems = found.problems()
    assert set(problems) == {"missing", "seven", "wrong"}
    assert "'missing'" in problems["missing"]
    assert sentences.NO_SUCH_FILE in problems["missing"]
    assert "neither a subclass" in problems["seven"]
    assert "is not valid TOML" in problems["wrong"]
    assert found.make("good", {}).kind == "balance"
    with pytest.raises(SettingError, match="cannot be used"):
        found.make("missing", {})


def test_a_driver_that_ends_the_program_or_cannot_decode_is_named(tmp_path, monkeypatch):
    """`daq driver list` and `daq doctor` go on with the others."""
    (tmp_path / "daq_ends_at_import.py").write_text("raise SystemExit(0)\n")
    monkeypatch.syspath_prepend(tmp_path)
    entries = [EntryPoint("at-import", "daq_ends_at_import:Driver", GROUP)]
    entries += [EntryPoint(name, f"{__name__}:{value}", GROUP) for name, value in
                (("good", "GOOD"), ("abstract", "NoDecode"), ("when-made", "EndsWhenMade"))]  # fmt: skip
    found = Drivers.find(entries)
    problems = found.problems()
    assert set(problems) == {"at-import", "abstract"}
    assert "cannot be loaded: SystemExit: 0" in problems["at-import"]
    assert "has no method decode" in problems["abstract"]
    with pytest.raises(SettingError, match="failed with these options: SystemExit: 3"):
        found.make("when-made", {})


def test_a_journals_header_makes_the_driver_again_without_its_file():
    made = drivers(good="GOOD").make("good", {"mode": "stream"})
    again = drivers().make("whatever it was called", made.options)
    assert again.digest() == made.digest()
    assert again.streams


@pytest.fixture
def folder(tmp_path):
    copy = tmp_path / "config"
    shutil.copytree(examples_dir(), copy)
    shutil.copy(GOOD, copy / "my-balance.toml")
    (copy / "instruments" / "mine.toml").write_text(
        'name = "mine"\ndriver = "my-balance.toml"\nport = "/dev/daq-mine"\n\n[options]\nmode = "stream"\n'
    )
    return copy


def made(folder):
    catalogue = Catalogue.load(folder)
    return catalogue.make_driver(catalogue.instrument("mine"))


def test_an_instruments_file_may_name_a_description_by_path(folder):
    driver = made(folder)
    assert (driver.kind, driver.streams) == ("balance", True)


def test_what_is_wrong_names_the_right_file(folder):
    instrument, description = folder / "instruments" / "mine.toml", folder / "my-balance.toml"
    instrument.write_text(instrument.read_text().replace('mode = "stream"', 'mode = "key"'))
    with pytest.raises(SettingError) as caught:
        made(folder)
    assert (caught.value.file, caught.value.key) == (str(instrument), "options.mode")
    description.write_text(description.read_text().replace('name = "xor"', 'name = "xro"'))
    with pytest.raises(SettingError) as caught:
        made(folder)
    assert (caught.value.file, caught.value.key) == (str(description), "checksum.name")
    description.unlink()
    with pytest.raises(SettingError) as caught:
        made(folder)
    assert (caught.value.file, caught.value.key) == (str(instrument), "driver")

"""Hashes of passwords and badges."""

import argon2
import pytest

from daq.core.errors import SettingError
from daq.process import extras, hashes
from daq.process.hashes import fits, hash_beside, hash_of, owner_of


@pytest.mark.usefixtures("real_hashes")
def test_a_password_is_hashed_with_the_parameters_of_rfc_9106():
    """RFC 9106, section 4, second recommended option: Argon2id, t = 3, 64 MiB, 4 lanes."""
    found = argon2.extract_parameters(hash_of("blue celadon"))
    assert (found.type, found.time_cost, found.memory_cost, found.parallelism) == (argon2.Type.ID, 3, 65536, 4)


def test_only_the_password_fits_and_two_hashes_of_it_differ():
    first, second = hash_of("blue celadon"), hash_of("blue celadon")
    assert first != second
    assert fits("blue celadon", first)
    assert fits("blue celadon", second)
    for wrong in ("", "blue celadon ", "Blue celadon", first):
        assert not fits(wrong, first)
    for damaged in ("", "x", first[:-3], first.replace("argon2id", "argon2i")):
        assert not fits("blue celadon", damaged)


def test_badges_are_found_by_one_hash_for_each_salt(monkeypatch):
    stored = {}
    for n in range(12):
        stored[f"p-{n}"] = hash_beside(f"0049-{n}", stored)
    stored |= {"none": "", "other-salt": hash_of("0050-1")}
    again, counted = hashes._again, []
    monkeypatch.setattr(hashes, "_again", lambda *given: counted.append(given) or again(*given))
    for n in range(12):
        assert owner_of(f"0049-{n}", stored) == f"p-{n}"
    assert owner_of("0050-1", stored) == "other-salt"
    assert owner_of("0049-12", stored) is None
    assert owner_of("", {"none": ""}) is None
    assert len(counted) == 2 * 14


def test_without_the_library_the_extra_is_named(monkeypatch):
    def absent(library):
        raise ImportError(library)

    monkeypatch.undo()
    monkeypatch.setattr(extras.importlib, "import_module", absent)
    with pytest.raises(SettingError, match=r"pip install 'daq-daemon\[people\]'"):
        hash_of("blue celadon")

"""An archive is written to another disk than that of the database, and not only to another file system of it."""

import os
from types import SimpleNamespace

import pytest

from daq.adapters.store.archiving.medium import disks_of
from daq.app.records import archiving
from daq.app.records.archiving import refuse_same_medium
from daq.core.errors import SettingError

#: Name of a device: its minor number, the disk of a partition, the devices that it is made of.
DEVICES = {
    "sda": (0, "", ()),
    "sda1": (1, "sda", ()),
    "sda2": (2, "sda", ()),
    "sdb": (16, "", ()),
    "sdb1": (17, "sdb", ()),
    "sdc": (32, "", ()),
    "dm-0": (100, "", ("sda2",)),
    "md0": (101, "", ("sda1", "sdb1")),
    "dm-1": (102, "", ("md0",)),
}
ON = {"sda1": "a", "sda2": "a", "sdb1": "b", "sdc": "c", "dm-0": "a", "md0": "ab", "dm-1": "ab"}
"""The letters of the disks on which each device is, written by hand."""
MAJOR = 8


@pytest.fixture
def blocks(tmp_path):
    """A folder like that of the kernel, with the devices of the table."""
    devices, links = tmp_path / "devices", tmp_path / "blocks"
    links.mkdir()
    place = {name: devices / disk / name if disk else devices / name for name, (_, disk, _) in DEVICES.items()}
    for name, (minor, disk, parts) in DEVICES.items():
        (place[name] / "slaves").mkdir(parents=True)
        if disk:
            (place[name] / "partition").write_text("1")
        for part in parts:
            (place[name] / "slaves" / part).symlink_to(place[part])
        (links / f"{MAJOR}:{minor}").symlink_to(place[name])
    return links


def number(name):
    return os.makedev(MAJOR, DEVICES[name][0])


def test_a_device_is_on_its_disks(blocks):
    found = {name: disks_of(number(name), blocks) for name in ON}
    assert found == {name: {f"sd{letter}" for letter in letters} for name, letters in ON.items()}
    assert disks_of(os.makedev(0, 99), blocks) == frozenset()
    assert disks_of(number("sda1"), blocks / "missing") == frozenset()


@pytest.mark.parametrize("other", ON)
@pytest.mark.parametrize("own", ON)
def test_an_archive_on_a_disk_of_the_database_is_refused(blocks, monkeypatch, own, other):
    monkeypatch.setattr(archiving, "disks_of", lambda device: disks_of(device, blocks))
    database, folder = (
        SimpleNamespace(is_dir=lambda: True, stat=lambda n=name: SimpleNamespace(st_dev=number(n)))
        for name in (own, other)
    )
    if not {*ON[own]} & {*ON[other]}:
        refuse_same_medium(database, folder)
        return
    with pytest.raises(SettingError, match="a disk that fails would take the journals") as refused:
        refuse_same_medium(database, folder)
    where = "file system" if own == other else f"disk (sd{', sd'.join(sorted({*ON[own]} & {*ON[other]}))})"
    assert f"is on the {where} of the database" in str(refused.value)

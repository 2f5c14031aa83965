"""The udev rule of the examples, by the grammar of udev(7), and by udevadm itself where that can verify files."""

import re
import shutil
import subprocess
from pathlib import Path

from daq.adapters.paths import examples_dir

RULES = examples_dir() / "udev" / "65-daq.rules"
#: udev(7): keys that may only be compared, and keys that may only be assigned, of those the file uses.
COMPARED = {"SUBSYSTEM", "KERNELS", "ATTRS{idVendor}", "ATTRS{idProduct}", "ATTRS{serial}", "ENV{ID_USB_INTERFACE_NUM}"}
ASSIGNED = {"SYMLINK": "+=", "GROUP": "=", "MODE": "=", "ENV{ID_MM_DEVICE_IGNORE}": "="}
PART = re.compile(r'([A-Z]+(?:\{[A-Za-z_]+\})?)(==|!=|\+=|:=|=)"([^"]*)"')


def rules():
    lines = RULES.read_text("utf-8").splitlines()
    return [line for line in lines if line and not line.startswith("#")]


def test_every_rule_is_well_formed():
    assert len(rules()) >= 5
    for line in rules():
        parts = [PART.fullmatch(part) for part in line.split(", ")]
        assert all(parts), line
        found = [part.groups() for part in parts]
        for key, operator, value in found:
            assert (key in COMPARED and operator == "==") or ASSIGNED.get(key) == operator, (line, key)
            assert value, line
        keys = [key for key, _, _ in found]
        assert keys[0] == "SUBSYSTEM"
        assert len(keys) == len(set(keys))
    verify_with_udevadm()


def test_links_are_stable_unique_and_open_to_the_group_only():
    links = {}
    for line in rules():
        keys = {key: value for key, _, value in PART.findall(line)}
        if "SYMLINK" in keys:
            links[keys["SYMLINK"]] = keys
            assert (keys["GROUP"], keys["MODE"]) == ("dialout", "0660")
            assert {"ATTRS{serial}", "KERNELS"} & set(keys), "distinguished by serial number or socket"
    assert {"daq-bench-1", "daq-bench-2", "daq-thermo-1"} <= set(links)
    assert sum("SYMLINK" in line for line in rules()) == len(links)


def test_it_is_read_after_the_rules_that_number_interfaces():
    # 60-serial.rules of systemd sets ID_USB_INTERFACE_NUM; files are read in the order of their names.
    assert RULES.name > "60-serial.rules"
    assert RULES.name in RULES.read_text("utf-8")


def verify_with_udevadm():
    """`udevadm verify`, which systemd has from version 254 on; elsewhere the grammar above must do."""
    udevadm = shutil.which("udevadm") or ""
    version = subprocess.run([udevadm, "--version"], capture_output=True, text=True).stdout.split() if udevadm else []
    if version and version[0].isdecimal() and int(version[0]) >= 254:
        done = subprocess.run([udevadm, "verify", str(Path(RULES).absolute())], capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr

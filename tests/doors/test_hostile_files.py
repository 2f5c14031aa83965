"""Files that no person writes: every reader refuses them, or takes them, in bounded time, and never waits."""

import itertools
import json
import os
import random
import re
import socket
import time
from collections.abc import Callable

import pytest

from daq.adapters.paths import examples_dir
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.driver_choice import chosen_driver, is_capture
from daq.core.errors import SettingError
from daq.descriptions.capture import FIRST_LINE, load_capture
from daq.descriptions.load import load_description
from daq.methods.files.broker import Broker, Secret
from daq.methods.files.collector import Collector
from daq.methods.files.load import (
    load_daemon,
    load_fluid,
    load_instrument,
    load_method,
    load_product,
    parse,
)
from daq.process.brokers import broker_settings, read_secret
from daq.textfiles.toml_file import read_toml
from drivers import balance

CPU_S = 5.0
"""Greatest time on the processor for one file, s, on a slow machine."""


def load_collector(path):
    return parse(Collector, read_toml(path), str(path))


READERS: dict[str, Callable] = {
    "method": load_method,
    "product": load_product,
    "instrument": load_instrument,
    "fluid": load_fluid,
    "daemon": load_daemon,
    "collector": load_collector,
    "description": load_description,
    "capture": load_capture,
    "driver": lambda path: chosen_driver(str(path)),
}
OPENERS = READERS | {
    "first line": lambda path: is_capture(path) or (_ for _ in ()).throw(SettingError("is none")),
    "password": lambda path: read_secret(Secret(file=str(path)), "daemon.toml"),
    "authority": lambda path: broker_settings(Broker(host="x", tls={"ca": str(path)}), "daemon.toml"),
    "folder of methods": lambda path: Catalogue.load(path.parent.parent),
}

EXAMPLES = examples_dir()
seeded = random.Random(11)
KEY_400_KB = "a" + ".a" * 200_000
DESCRIPTION = balance.DESCRIPTION.read_text("utf-8")
METHOD = (EXAMPLES / "methods" / "clear-glaze-qc.toml").read_text("utf-8")


def with_pattern(pattern):
    changed, n = re.subn(
        r"^pattern = .*$", lambda _: f"pattern = {json.dumps(pattern)}", DESCRIPTION, count=1, flags=re.MULTILINE
    )
    assert n == 1
    return changed


HOSTILE: dict[str, str] = {
    "a dotted key of 400 kB": f"{KEY_400_KB} = 1\n",
    "a dotted table of 400 kB": f"[{KEY_400_KB}]\n",
    "dotted keys of 10 kB": "".join(f"{'a' + '.a' * 5_000}{n} = 1\n" for n in range(24)),
    "dotted quoted keys": "".join('"b"' + '."a"' * 1_000 + f".c{n} = 1\n" for n in range(60)),
    "dotted keys with blanks": "".join("b" + " . a" * 1_000 + f".c{n} = 1\n" for n in range(60)),
    "dotted keys in lines": "".join("b" + ".a" * 31 + f".c{n} = 1\n" for n in range(3_500)),
    "dotted keys in one table": "[" + "b" + ".a" * 31 + "]\n" + "".join(f"k{n}.b = 1\n" for n in range(20_000)),
    "a line of 4 MB": f'title = "{"x" * 4_000_000}"\n',
    "a line of 200 kB": f'title = "{"x" * 200_000}"\n',
    "deep brackets": "x = " + "[" * 8_000 + "]" * 8_000 + "\n",
    "deep inline tables": "x = " + "{a = " * 2_500 + "1" + "}" * 2_500 + "\n",
    "a number of 4,000 digits": f"version = {'9' * 4_000}\n",
    "a number of 10,000 digits": f"version = {'9' * 10_000}\n",
    "20,000 unknown keys": "".join(f"key{n} = 1\n" for n in range(20_000)),
    "20,000 tables": "".join(f"[t{n}]\n" for n in range(20_000)),
    "10,000 steps": METHOD + "".join(f'[[steps]]\nname="s{n}"\n' for n in range(10_000)),
    "10,000 whole steps": METHOD + "\n[[steps]]\nspeed=1\nstop=1" * 9_000,
    "10,000 channels": DESCRIPTION + "".join(f'[[channel]]\nname="c{n}"\n' for n in range(10_000)),
    "a text of NULs": "\x00" * 100_000,
    "no UTF-8": "\udcff" * 1_000,
    "200 optional parts": with_pattern("{mass:number}" + "[ g]" * 200),
    "32 optional parts": with_pattern("".join(f"[ x{{:number}}{n}]" for n in range(32)) + "{mass:number}"),
    "30 optional parts that touch": with_pattern("W {state:letters} {mass:number 10} g" + "[ {:whole}]" * 30),
    "200 optional numbers": with_pattern("{mass:number}" + "[,{:number}]" * 200),
    "2,000 brackets": with_pattern("[" * 2_001 + "{mass:number}"),
    "a wide field": with_pattern("{mass:number 99999999}"),
    "999 wide fields": with_pattern("{mass:number 999}" + "{:text 999}" * 150),
    "a pattern of 200 kB": with_pattern("x" * 200_000 + "{mass:number}"),
    "20,000 escapes": FIRST_LINE + "\n" + "0.1 < " + "\\x41" * 2_000_000 + "\n",
    "a capture of one line": FIRST_LINE + "\n" + "0.1 < " + "a" * 4_000_000 + "\n",
    "a capture of blanks": FIRST_LINE + "\n" + (" " * 100_000 + "x\n") * 20,
    "a capture of remarks": FIRST_LINE + "\n" + ("# " + "a " * 50_000 + "\n") * 20,
    "a capture of digits": FIRST_LINE + "\n" + "1" * 4_000_000 + " < x\n",
}
for number, alphabet in enumerate(("a.", '[]="', '{}=,."', "[[a.b]]\n", "\n=a1", '"\\u', "'''\n", "1_e+-.")):
    HOSTILE[f"random text {number}"] = "".join(seeded.choices(alphabet, k=150_000))


@pytest.mark.parametrize(("name", "reader"), [*itertools.product(HOSTILE, READERS)])
def test_a_hostile_file_takes_little_time(tmp_path, name, reader):
    path = tmp_path / "hostile.toml"
    path.write_bytes(HOSTILE[name].encode("utf-8", "surrogateescape"))
    began_s = time.process_time()
    try:
        READERS[reader](path)
    except SettingError as error:
        text = str(error)
        assert text
        assert len(text) < 30_000
        assert text.replace("\n", "").isprintable()
    assert time.process_time() - began_s < CPU_S


def fifo(path):
    os.mkfifo(path)


def device(path):
    path.symlink_to("/dev/zero")


def terminal(path):
    path.symlink_to("/dev/tty")


def unix_socket(path):
    with socket.socket(socket.AF_UNIX) as s:
        s.bind(str(path))


@pytest.mark.timeout(30)
@pytest.mark.parametrize("make", [fifo, device, terminal, unix_socket])
@pytest.mark.parametrize("opener", OPENERS)
def test_only_regular_files_are_opened(tmp_path, make, opener):
    folder = tmp_path / "methods"
    folder.mkdir()
    (tmp_path / "daemon.toml").write_text("")
    path = folder / "m.toml"
    make(path)
    if opener == "password" and make in (fifo, unix_socket):
        path.chmod(0o600)
    with pytest.raises(SettingError):
        OPENERS[opener](path)


def test_a_good_file_is_still_read(tmp_path):
    link = tmp_path / "linked.toml"
    link.symlink_to(EXAMPLES / "methods" / "clear-glaze-qc.toml")
    assert load_method(link).id == "clear-glaze-qc"
    deep = tmp_path / "deep.toml"
    deep.write_text('[a.b.c.d]\n"e.f.g.h.i.j.k.l.m.n.o.p.q.r.s.t.u" = 1\nf = [' + "1.5, " * 2_000 + "]\n")
    assert read_toml(deep)["a"]["b"]["c"]["d"]["f"][0] == 1.5

"""A generated sweep over every key of every kind of file, against the folder read anew.

The configuration that the next run uses is that of the files, or the run is refused with the name of the file.
"""

import json
import shutil
import tomllib
from pathlib import Path

import pytest

import drivers.rotational as rotational_driver
from daq.app.daemon.configured import Configured
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.fitted import Fit, conflict, fitted_as
from daq.app.setup.lines import RealPorts
from daq.app.setup.run_order import RunOrder
from daq.core.errors import SettingError
from daq.methods.files.digest import digest
from tests.support.file_bench import write_configuration

FILES = ("instruments/bench-1", "instruments/bench-2", "methods/short", "products/glaze", "fluids/reference-b")
VERSIONED = ("methods/short", "products/glaze")
SITUATIONS = {"idle": (), "in a run": ("bench-1",), "another bench in a run": ("bench-2",)}
ORDER = RunOrder(method_id="short", instrument="bench-1", sample="S-1", product="glaze", fluid="reference-b")


def leaves(value, path=()):
    """Yield the paths of all values of a TOML file that are no tables."""
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from leaves(inner, (*path, key))
    elif isinstance(value, list) and value and isinstance(value[0], dict):
        for index, inner in enumerate(value):
            yield from leaves(inner, (*path, index))
    else:
        yield path


def others(value):
    """Return values to put in the place of one: of the same type, of another type, and None to leave the key out."""
    if isinstance(value, bool):
        return [not value, "yes", None]
    if isinstance(value, int | float):
        return [value * 1.01 if isinstance(value, float) else value + 1, -value - 1, "many", None]
    if isinstance(value, str):
        number, _, unit = value.partition(" ")
        scaled = [f"{float(number) * 1.01:g} {unit}"] if number.replace(".", "").isdigit() and unit else []
        return [*scaled, value + "x", 7, None]
    if isinstance(value, list):
        return [value[:-1], [*value, "x"], None]
    return ["2030-01-31", None]


def at(data, path):
    for step in path:
        data = data[step]
    return data


def with_value(data, path, value):
    """Return tables with another value at a path; None removes the key."""
    copied = json.loads(json.dumps(data, default=lambda day: day.isoformat()))
    table = at(copied, path[:-1])
    if value is None:
        del table[path[-1]]
    else:
        table[path[-1]] = value
    return copied


def toml(value):
    """Return a value as TOML, tables in one line."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f'"{k}" = {toml(v)}' for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(toml(v) for v in value) + "]"
    return json.dumps(value)


def write(path, data):
    path.write_text("".join(f'"{k}" = {toml(v)}\n' for k, v in data.items()), "utf-8")


class Desk:
    """A folder of files, its configuration in use, and what is recorded as fitted."""

    def __init__(self, folder):
        self.folder = write_configuration(folder)
        self.tables = {name: tomllib.loads(self.path(name).read_text("utf-8")) for name in FILES}
        for name, data in self.tables.items():
            write(self.path(name), with_value(data, next(leaves(data)), at(data, next(leaves(data)))))
        self.configured = Configured(Catalogue.load(self.folder))
        catalogue = self.configured.catalogue
        self.fits = {
            name: Fit(fitted_as(catalogue, i, i.fitted), 1, "daemon", 0) for name, i in catalogue.instruments.items()
        }

    def path(self, name):
        return self.folder / f"{name}.toml"

    def used(self):
        """Return the digests of all models in use, by kind and name."""
        return digests(self.configured.catalogue)

    def refusal(self):
        """Return the error that refuses the order; None if it starts."""
        try:
            self.configured.refuse_changed(ORDER, ["bench-1"])
        except SettingError as error:
            return error
        catalogue = self.configured.catalogue
        return conflict(catalogue, catalogue.instrument("bench-1"), self.fits["bench-1"])


def digests(catalogue):
    out = {("instrument", n): digest(i) for n, i in catalogue.instruments.items()}
    out |= {("method", f"{n} {v}"): digest(m) for n, ms in catalogue.methods.items() for v, m in ms.items()}
    out |= {("product", n): digest(p) for n, p in catalogue.products.items()}
    return out | {("fluid", n): digest(f) for n, f in catalogue.fluids.items()}


def unfitted(desk, bench):
    """Return the digest of an instrument in use without its key `fitted`, which is no configuration."""
    return digest(desk.configured.catalogue.instrument(bench).model_copy(update={"fitted": None}))


def needed(found):
    """Return the digests of the models that the order uses."""
    method = max((k for k in found if k[0] == "method" and k[1].startswith("short ")), default=("method", ""))
    keys = [("instrument", "bench-1"), method, ("product", "glaze"), ("fluid", "reference-b")]
    return [found.get(key) for key in keys]


@pytest.fixture(scope="module")
def desk(tmp_path_factory):
    return Desk(tmp_path_factory.mktemp("desk") / "config")


@pytest.mark.slow
@pytest.mark.parametrize("situation", SITUATIONS)
@pytest.mark.parametrize("name", FILES)
def test_every_key_of_every_file_is_used_as_shown_or_the_run_is_refused_by_name(desk, name, situation):
    busy, data, path = SITUATIONS[situation], desk.tables[name], desk.path(name)
    start, whole = desk.used(), path.read_text("utf-8")
    kept = {bench: unfitted(desk, bench) for bench in busy}
    counted = {"as shown": 0, "refused": 0}
    for leaf in leaves(data):
        for value in others(at(data, leaf)):
            write(path, with_value(data, leaf, value))
            changes = desk.configured.refresh(busy)
            shown, _ = Catalogue.read(desk.folder)
            used, where = desk.used(), (name, leaf, value)
            assert not set(busy) & {*changes.renewed, *changes.removed}, where
            for bench in busy:
                assert unfitted(desk, bench) == kept[bench], where
            texts = [
                {k: v for k, v in found.items() if k[0] != "instrument"} for found in (used, start, digests(shown))
            ]
            assert texts[0] in texts[1:], ("a mixture", where)
            refused = desk.refusal()
            if refused is not None:
                counted["refused"] += 1
                assert str(path) in str(refused) or "there is no" in str(refused), where
            elif name in VERSIONED and leaf not in (("id",), ("version",)):
                assert needed(digests(shown)) == needed(start), ("changed text under one version", where)
            elif "bench-1" not in busy:
                counted["as shown"] += 1
                assert needed(used) == needed(digests(shown)), where
            assert refused is not None or changes.errors == () or name == "instruments/bench-2", where
            path.write_text(whole, "utf-8")
            desk.configured.refresh()
            assert (desk.used(), desk.configured.errors) == (start, ()), where
    if "bench-1" not in busy or name != "instruments/bench-1":
        assert counted["refused"] > 0 or name == "instruments/bench-2"


def test_an_editor_that_writes_the_same_bytes_again_changes_nothing(desk):
    path = desk.path("instruments/bench-1")
    path.write_bytes(path.read_bytes())
    changes = desk.configured.refresh()
    assert (changes.words, changes.errors) == ([], ())


def test_a_file_of_the_same_size_and_time_is_still_seen(desk):
    import os

    path = desk.path("instruments/bench-1")
    whole, before = path.read_bytes(), path.stat()
    path.write_bytes(whole.replace(b"12.0", b"12.1"))
    os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    assert desk.configured.refresh().renewed == ("bench-1",)
    path.write_bytes(whole)
    assert desk.configured.refresh().renewed == ("bench-1",)


def test_an_instrument_in_a_run_changes_when_the_run_has_ended(desk):
    path = desk.path("instruments/bench-1")
    whole = path.read_bytes()
    path.write_bytes(whole.replace(b"12.0", b"12.1"))
    assert desk.configured.refresh(("bench-1",)).waiting == ("bench-1",)
    assert desk.configured.waiting
    assert desk.configured.refresh(("bench-1",)).waiting == ("bench-1",)
    assert desk.configured.refresh().renewed == ("bench-1",)
    path.write_bytes(whole)
    desk.configured.refresh()


def test_added_and_removed_files_take_effect(desk):
    shutil.copy(desk.path("methods/short"), desk.path("methods/other"))
    text = desk.path("methods/other").read_text("utf-8").replace('"short"', '"other"')
    desk.path("methods/other").write_text(text, "utf-8")
    third = desk.path("instruments/bench-2").read_text("utf-8").replace("bench-2", "bench-3")
    desk.path("instruments/bench-3").write_text(third, "utf-8")
    changes = desk.configured.refresh()
    assert (changes.texts, changes.renewed, changes.errors) == (("method other 1",), ("bench-3",), ())
    assert desk.configured.catalogue.method("other").version == "1"
    assert "bench-3" in desk.configured.served
    desk.path("methods/other").unlink()
    desk.path("instruments/bench-3").unlink()
    changes = desk.configured.refresh()
    assert (changes.texts, changes.removed, changes.errors) == (("method other 1",), ("bench-3",), ())
    assert "bench-3" not in desk.configured.served


def test_a_new_version_that_cannot_be_read_is_not_skipped_silently(desk):
    text = desk.path("methods/short").read_text("utf-8")
    desk.path("methods/short-2").write_text(
        text.replace('"version" = "1"', '"version" = "2"') + "colour = 1\n", "utf-8"
    )
    desk.configured.refresh()
    assert "short-2.toml" in str(desk.refusal())
    assert "colour" in str(desk.refusal())
    desk.path("methods/short-2").unlink()
    desk.configured.refresh()
    assert desk.refusal() is None


def test_a_changed_description_renews_the_instruments_that_name_it(tmp_path):
    folder = write_configuration(tmp_path / "config")
    described = (Path(rotational_driver.__file__).parent / "rotational.toml").read_text("utf-8")
    (folder / "own.toml").write_text(described, "utf-8")
    path = folder / "instruments" / "bench-1.toml"
    path.write_text(path.read_text("utf-8").replace('driver = "rotational"', 'driver = "own.toml"'), "utf-8")
    configured = Configured(Catalogue.load(folder))
    assert configured.refresh().words == []
    (folder / "own.toml").write_text(described + "\n# a remark\n", "utf-8")
    assert configured.refresh(("bench-1",)).waiting == ("bench-1",)
    assert configured.refresh().renewed == ("bench-1",)
    (folder / "own.toml").write_text(described + "\n[nonsense]\n", "utf-8")
    assert "own.toml: nonsense" in "".join(str(e) for e in configured.refresh().errors)
    with pytest.raises(SettingError, match=r"own\.toml"):
        configured.refuse_changed(ORDER, ["bench-1"])
    configured.refuse_changed(ORDER, ["bench-2"])


def test_an_instrument_that_takes_the_port_of_another_is_refused_and_two_can_exchange_their_ports(tmp_path):
    folder = write_configuration(tmp_path / "config")
    configured, ports = Configured(Catalogue.load(folder)), RealPorts()
    files = [folder / "instruments" / f"bench-{n}.toml" for n in (1, 2)]
    texts = [path.read_text("utf-8") for path in files]
    for name in ("bench-1", "bench-2"):
        ports(*configured.instrument(name))
    files[0].write_text(texts[0].replace("/dev/daq-bench-1", "/dev/daq-bench-2"), "utf-8")
    changes = configured.refresh()
    assert (changes.renewed, [e.key for e in changes.errors]) == ((), ["port"])
    with pytest.raises(SettingError, match="is also the port of"):
        configured.refuse_changed(ORDER, ["bench-1"])
    files[1].write_text(texts[1].replace("/dev/daq-bench-2", "/dev/daq-bench-1"), "utf-8")
    changes = configured.refresh()
    assert (changes.renewed, changes.errors) == (("bench-1", "bench-2"), ())
    ports.forget(changes.renewed)
    openers = [ports(*configured.instrument(name)) for name in changes.renewed]
    assert ["alone" in opener.__qualname__ for opener in openers] == [True, True]

"""Find drivers, built-in and third-party ones in the same way, by the entry-point group ``daq.drivers``.

An entry point names a subclass of `Driver`, or the path of a description file.
"""

import ast
import difflib
import inspect
import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from daq.core.errors import SettingError, SettingErrors

if TYPE_CHECKING:
    from importlib.metadata import EntryPoint

    from daq.core.driver import Driver
    from daq.descriptions.load import Description

GROUP: Final = "daq.drivers"


@dataclass(slots=True)
class Drivers:
    """The drivers of this installation.  Each is imported at its first use, so a broken one does not affect others."""

    _found: "dict[str, list[EntryPoint]] | None" = None
    _loaded: dict[str, "type[Driver] | Description | str"] = field(default_factory=dict)
    """By name: the class or description, or the reason why it cannot be used."""
    _texts: dict[str, tuple[str, str]] = field(default_factory=dict)

    @classmethod
    def find(cls, entries: "Iterable[EntryPoint] | None" = None) -> "Drivers":
        """Return the drivers of the installed distributions, or of `entries`."""
        return cls(None if entries is None else _by_name(entries))

    @property
    def entries(self) -> "dict[str, list[EntryPoint]]":
        """The entry points by name."""
        # Read at the first use, because it opens the metadata of every installed package.
        if self._found is None:
            from importlib.metadata import entry_points

            self._found = _by_name(entry_points(group=GROUP))
        return self._found

    @property
    def names(self) -> list[str]:
        """Names of all drivers, including broken ones."""
        return sorted(self.entries)

    def problems(self) -> dict[str, str]:
        """Return the reasons why drivers cannot be used, by the names of these drivers."""
        found = {name: self._load(name) for name in self.names}
        return {name: reason for name, reason in found.items() if isinstance(reason, str)}

    def driver_class(self, name: str) -> "type[Driver]":
        """Return the class of a driver; `DescribedDriver` for a description.

        Raises:
            SettingError: there is no driver of that name, or it cannot be used.
        """
        from daq.descriptions.driver import DescribedDriver
        from daq.descriptions.load import Description

        loaded = self._usable(name)
        return DescribedDriver if isinstance(loaded, Description) else loaded

    def text(self, name: str) -> str:
        """Return what an installed driver does, as text; "" where it cannot be read.

        It is the description as JSON, or the syntax tree of the code of its package in Python, so that a comment and
        the layout change nothing.  `source` has the files themselves.
        """
        return self._read(name)[0]

    def source(self, name: str) -> str:
        """Return the files of an installed driver in Python as they are, with comments; "" where it has none."""
        return self._read(name)[1]

    def _read(self, name: str) -> tuple[str, str]:
        if name not in self._texts:
            try:
                (entry,) = self.entries.get(name, [])
                loaded = entry.load()
                self._texts[name] = (_text_of(loaded), _source_of(loaded))
            except (Exception, SystemExit):  # noqa: BLE001 - `problems` names a driver that cannot be used
                self._texts[name] = ("", "")
        return self._texts[name]

    def make(self, kind: str, options: Mapping[str, Any]) -> "Driver":
        """Return a new driver.

        Options that contain a whole description, as in a journal's header, need no `kind`.

        Raises:
            SettingError: there is no driver of that kind, it cannot be used, or it refuses the options.
        """
        # Most commands read the configuration and make no driver, so what makes one is imported here.
        from daq.descriptions.driver import OPTION as DESCRIPTION
        from daq.descriptions.load import Description, describe

        if isinstance(options.get(DESCRIPTION), Mapping):
            own = {k: v for k, v in options.items() if k != DESCRIPTION}
            return _with_probes(lambda given: describe(options[DESCRIPTION], given), own)
        loaded = self._usable(kind)
        if isinstance(loaded, Description):
            return described(loaded, options)
        made = loaded

        def checked(given: Mapping[str, Any]) -> "Driver":
            try:
                return made(given)
            except SettingError:
                raise
            except (Exception, SystemExit) as error:
                raise SettingError(
                    f"the driver {kind!r} failed with these options: {type(error).__name__}: {error}; "
                    "report it to the driver's author",
                    key="options",
                ) from error

        return _with_probes(checked, options)

    def _usable(self, name: str) -> "type[Driver] | Description":
        loaded = self._load(name)
        if isinstance(loaded, str):
            raise SettingError(loaded, key="driver")
        return loaded

    def _load(self, name: str) -> "type[Driver] | Description | str":
        if name not in self._loaded:
            self._loaded[name] = self._try(name)
        return self._loaded[name]

    def _try(self, name: str) -> "type[Driver] | Description | str":
        entries = self.entries.get(name, [])
        if not entries:
            near = difflib.get_close_matches(name, self.names, 1)
            hint = f"did you mean {near[0]!r}?" if near else f"installed: {', '.join(self.names) or 'none'}"
            return f"there is no driver {name!r}; {hint}"
        if len(entries) > 1:
            owners = ", ".join(sorted(_owner(entry) for entry in entries))
            return f"the driver {name!r} is offered more than once, by {owners}; uninstall all but one"
        (entry,) = entries
        try:
            loaded = entry.load()
        except (Exception, SystemExit) as error:  # noqa: BLE001 - a fault in the import of one driver must not affect the others
            return f"the driver {name!r} of {_owner(entry)} cannot be loaded: {type(error).__name__}: {error}"
        if isinstance(loaded, (str, Path)):
            from daq.descriptions.load import load_description

            try:
                return load_description(loaded)
            except SettingError as error:
                return f"the driver {name!r} of {_owner(entry)} has a description that cannot be used: {error}"
        return self._wrong_class(name, entry, loaded) or loaded

    def _wrong_class(self, name: str, entry: "EntryPoint", loaded: Any) -> str:
        """Return the reason why an object of an entry point is no driver; "" for a class of drivers."""
        from daq.core.driver import API_VERSION, Driver

        if not (isinstance(loaded, type) and issubclass(loaded, Driver)):
            return (
                f"the driver {name!r} of {_owner(entry)}: {entry.value} is neither a subclass of "
                "daq.core.driver.Driver nor the path of a description file"
            )
        if inspect.isabstract(loaded):
            missing = ", ".join(sorted(loaded.__abstractmethods__))
            return f"the driver {name!r} of {_owner(entry)}: {entry.value} has no method {missing}"
        if loaded.api_version != API_VERSION:
            return (
                f"the driver {name!r} of {_owner(entry)} was written for version {loaded.api_version} of the driver "
                f"contract, this daq has version {API_VERSION}; install versions that fit together"
            )
        return ""


def _by_name(entries: "Iterable[EntryPoint]") -> "dict[str, list[EntryPoint]]":
    found: dict[str, list[EntryPoint]] = {}
    for entry in entries:
        found.setdefault(entry.name, []).append(entry)
    return found


def _text_of(loaded: Any) -> str:
    """Return what an entry point names as it is executed; errors as reading its files has them."""
    if isinstance(loaded, (str, Path)):
        from daq.textfiles.toml_file import read_toml

        return json.dumps(read_toml(loaded), sort_keys=True, ensure_ascii=False, default=str)
    return "\n".join(f"# {p.name}\n{_executed(p.read_text('utf-8'))}" for p in _files_of(loaded))


def _source_of(loaded: Any) -> str:
    """Return the files of a driver in Python as they are; "" for a description, of which its JSON has all values."""
    if isinstance(loaded, (str, Path)):
        return ""
    return "\n".join(f"# {p.name}\n{p.read_text('utf-8')}" for p in _files_of(loaded))


def _files_of(loaded: Any) -> list[Path]:
    file = Path(inspect.getfile(loaded))
    # A module outside a package shares its folder with modules of others.
    in_package = bool(getattr(inspect.getmodule(loaded), "__package__", ""))
    return sorted(file.parent.glob("*.py")) if in_package else [file]


def _executed(source: str) -> str:
    """Return the syntax tree of a module without comments, layout and docstrings; what is no Python as it is.

    The source that `ast.unparse` makes is not the same under each version of Python, so an update of Python would
    change the text of every driver.
    """
    try:
        tree = ast.parse(source)
    except (SyntaxError, ValueError):  # a file beside the driver that nothing imports
        return source
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef):
            if ast.get_docstring(node, clean=False) is not None:
                del node.body[0]
            if not node.body and not isinstance(node, ast.Module):
                node.body.append(ast.Pass())
    return "\n".join(map(_tree, tree.body))


def _tree(node: Any) -> str:
    """Return a part of a syntax tree as text; empty fields are left out, as newer versions of Python add some."""
    if isinstance(node, list):
        return f"[{', '.join(map(_tree, node))}]"
    if not isinstance(node, ast.AST):
        return repr(node)
    fields = [f"{name}={_tree(value)}" for name, value in ast.iter_fields(node) if value not in (None, [])]
    return f"{type(node).__name__}({', '.join(fields)})"


def described(description: "Description", options: Mapping[str, Any]) -> "Driver":
    """Return a new driver of a description, with probes if the options declare any; errors as in `Drivers.make`."""
    return _with_probes(description.driver, options)


def _with_probes(make: "Callable[[Mapping[str, Any]], Driver]", options: Mapping[str, Any]) -> "Driver":
    """Return a driver made with `options`, wrapped if they declare probes; its errors name the options."""
    from daq.methods.planning.probes import OPTION, ProbedDriver

    try:
        driver = make({k: v for k, v in options.items() if k != OPTION})
    except SettingErrors as error:
        raise SettingErrors([_of_options(e) for e in error.errors]) from error
    except SettingError as error:
        raise _of_options(error) from error
    return ProbedDriver(driver, options[OPTION]) if OPTION in options else driver


def _of_options(error: SettingError) -> SettingError:
    return SettingError(error.reason, file=error.file, key=error.key or "options")


def _owner(entry: "EntryPoint") -> str:
    return f"{entry.dist.name} {entry.dist.version}" if entry.dist is not None else entry.value

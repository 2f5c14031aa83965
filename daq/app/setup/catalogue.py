"""Read and check all files of a configuration folder at once."""

import contextlib
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Self, TypeVar

from daq.adapters.paths import DAEMON_FILE
from daq.app.setup.drivers import Drivers, described
from daq.app.setup.sources import Source
from daq.app.setup.state_folder import state_of
from daq.app.setup.unknown_names import unknown
from daq.core.errors import SettingError, SettingErrors, coded
from daq.methods.files.daemon import Daemon
from daq.methods.files.load import parse
from daq.textfiles.plain_file import read_plain
from daq.textfiles.toml_file import LARGEST_FILE, tables_of

if TYPE_CHECKING:
    from daq.core.driver import Driver, Identity
    from daq.core.plan import Plan
    from daq.descriptions.load import Description
    from daq.methods.files.fields import Model
    from daq.methods.files.fluid import Fluid
    from daq.methods.files.instrument import Instrument
    from daq.methods.files.product import Product
    from daq.methods.files.recipe import Method
    from daq.methods.planning.making import Companion

KINDS: Final = ("instruments", "methods", "products", "fluids")
M = TypeVar("M", bound="Model")
T = TypeVar("T")


@dataclass(slots=True)
class Catalogue:
    """A configuration folder that was read.

    The daemon's file, instruments by name, methods by id and version (oldest first), products and fluids by id.
    """

    folder: Path
    daemon: Daemon
    drivers: Drivers
    instruments: "dict[str, Instrument]" = field(default_factory=dict)
    methods: "dict[str, dict[str, Method]]" = field(default_factory=dict)
    products: "dict[str, Product]" = field(default_factory=dict)
    fluids: "dict[str, Fluid]" = field(default_factory=dict)
    descriptions: "dict[Path, Description]" = field(default_factory=dict)
    """Descriptions that instruments' files name, by path."""
    sources: dict[str, Source] = field(default_factory=dict)
    """Files as they were read, by path.  A file that could not be read is missing."""
    files: int = 1
    """Number of files that were read."""

    @classmethod
    def load(cls, folder: Path, *kinds: str) -> Self:
        """Read a configuration folder.

        Args:
            folder: the folder.
            kinds: folders to read, of those in `KINDS`, for a command that lists; names in the files are then not
                checked against the other folders.  All without one.

        Raises:
            SettingErrors: all errors in the files that are read.
        """
        catalogue, errors = cls.read(folder, kinds=kinds or KINDS)
        if errors:
            raise SettingErrors(errors)
        return catalogue

    @classmethod
    def read(
        cls, folder: Path, *, started_with: Daemon | None = None, kinds: Sequence[str] = KINDS
    ) -> tuple[Self, list[SettingError]]:
        """Return everything that can be read of a configuration folder, and all errors in its files.

        `started_with` is the daemon's file of a daemon that runs: it keeps these settings, and a change of the file is
        only checked.
        """
        errors: list[SettingError] = []
        catalogue = cls(folder, Daemon(), Drivers.find())
        try:
            catalogue.daemon = catalogue._load(Daemon, folder / DAEMON_FILE)
        except SettingError as error:
            errors += parts(error)
        if started_with is not None:
            catalogue.daemon = started_with
        catalogue._fill(kinds, errors)
        return catalogue, errors

    def _load(self, model: type[M], path: Path) -> M:
        """Return the model of a file; the bytes that were parsed are kept in `sources`."""
        return parse(model, self._tables(path), str(path))

    def _tables(self, path: Path) -> dict[str, Any]:
        raw = read_plain(path, LARGEST_FILE)
        self.sources[str(path)] = Source(raw)
        return tables_of(raw, str(path))

    def _fill(self, kinds: Sequence[str], errors: list[SettingError]) -> None:
        fill = {
            "instruments": self._fill_instruments,
            "methods": self._fill_methods,
            "products": self._fill_products,
            "fluids": self._fill_fluids,
        }
        for kind in kinds:
            fill[kind](errors)
        if {*kinds} == {*KINDS}:
            self._check_names(errors)

    # Each imports its model, so that a list of one kind does without the others.

    def _fill_instruments(self, errors: list[SettingError]) -> None:
        from daq.methods.files.instrument import Instrument

        for instrument in self._all("instruments", Instrument, errors):
            _put(self.instruments, instrument.name, instrument, "name", errors)

    def _fill_methods(self, errors: list[SettingError]) -> None:
        from daq.methods.files.recipe import Method

        for method in self._all("methods", Method, errors):
            _put_version(self.methods.setdefault(method.id, {}), method, errors)
        self.methods = {
            key: dict(sorted(versions.items(), key=lambda item: version_key(item[0])))
            for key, versions in self.methods.items()
        }

    def _fill_products(self, errors: list[SettingError]) -> None:
        from daq.methods.files.product import Product

        for product in self._all("products", Product, errors):
            _put(self.products, product.id, product, "id", errors)

    def _fill_fluids(self, errors: list[SettingError]) -> None:
        from daq.methods.files.fluid import Fluid

        for fluid in self._all("fluids", Fluid, errors):
            _put(self.fluids, fluid.id, fluid, "id", errors)

    def folder_of(self, kind: str) -> Path:
        """Return the folder of the files of a kind, such as ``methods``."""
        return self.folder / str(getattr(self.daemon.folders, kind))

    def _all(self, kind: str, model: type[M], errors: list[SettingError]) -> Iterator[M]:
        folder = self.folder_of(kind)
        if not folder.is_dir():
            if kind in self.daemon.folders.model_fields_set:
                reason = f"there is no folder {folder}; make it or name another one"
                errors.append(SettingError(reason, file=self.daemon.source, key=f"folders.{kind}"))
            return
        for path in sorted(folder.glob("*.toml")):
            self.files += 1
            try:
                yield self._load(model, path)
            except SettingError as error:
                errors += parts(error)

    def _check_names(self, errors: list[SettingError]) -> None:
        from daq.app.setup.product_checks import product_errors

        for i, name in enumerate(self.daemon.enable or ()):
            if name not in self.instruments:
                reason = unknown("instrument", name, self.instruments)
                errors.append(SettingError(reason, file=self.daemon.source, key=f"enable[{i}]"))
        for instrument in self.instruments.values():
            for role, other in instrument.companions.items():
                if other not in self.instruments:
                    reason = unknown("instrument", other, self.instruments)
                    errors.append(SettingError(reason, file=instrument.source, key=f"companions.{role}"))
            errors += self._control_errors(instrument)
        for product in self.products.values():
            errors += product_errors(product, self.methods, self.instruments)

    def _control_errors(self, instrument: "Instrument") -> Iterator[SettingError]:
        """Yield the errors of a required control: a fluid or a method that is not known, or that is no control."""
        asked = instrument.control
        if asked is None:
            return
        if asked.fluid not in self.fluids:
            yield SettingError(unknown("fluid", asked.fluid, self.fluids), file=instrument.source, key="control.fluid")
        versions = self.methods.get(asked.method)
        if versions is None:
            yield SettingError(
                unknown("method", asked.method, self.methods), file=instrument.source, key="control.method"
            )
        elif not list(versions.values())[-1].control:
            reason = f"the method {asked.method} does not measure a control fluid; write control = true in its file"
            yield SettingError(reason, file=instrument.source, key="control.method")

    @property
    def state(self) -> str | None:
        """The state directory that the daemon's file names, or None."""
        return state_of(self.daemon)

    @property
    def enabled(self) -> list[str]:
        """Names of the instruments that the daemon serves: those its file enables, or all."""
        return list(self.instruments if self.daemon.enable is None else self.daemon.enable)

    def instrument(self, name: str) -> "Instrument":
        """Return an instrument by its name; `SettingError` if there is none."""
        return _found("instrument", name, self.instruments)

    def method(self, method_id: str, version: str = "") -> "Method":
        """Return a method in the given version, or the newest; `SettingError` if there is none."""
        versions = _found("method", method_id, self.methods)
        if not version:
            return list(versions.values())[-1]
        if version not in versions:
            error = SettingError(unknown(f"version of method {method_id}:", version, versions))
            raise coded(error, "unknown_version", method=method_id, version=version)
        return versions[version]

    def product(self, product_id: str) -> "Product":
        """Return a product by its id; `SettingError` if there is none."""
        return _found("product", product_id, self.products)

    def fluid(self, fluid_id: str) -> "Fluid":
        """Return a reference fluid by its id; `SettingError` if there is none."""
        return _found("fluid", fluid_id, self.fluids)

    def make_driver(self, instrument: "Instrument") -> "Driver":
        """Return a new driver for an instrument.

        A kind that ends in ``.toml`` is the path of a description file, relative to the configuration folder.

        Raises:
            SettingError: kind or options are wrong; the error names the instrument's file.
        """
        if instrument.driver.endswith(".toml"):
            description = self._described(instrument)
            return _named(lambda: described(description, instrument.driver_options), instrument)
        return _named(lambda: self.drivers.make(instrument.driver, instrument.driver_options), instrument)

    def _described(self, instrument: "Instrument") -> "Description":
        """Return the description that an instrument's file names, read once; its errors name the description's file."""
        path = self.description_path(instrument)
        if path not in self.descriptions:
            # Most commands read the files and make no driver.
            from daq.descriptions.load import check_description, refuse_open_points

            if not path.is_file():
                reason = f"there is no file {path}; paths are relative to the folder of {DAEMON_FILE}"
                raise SettingError(reason, file=instrument.source, key="driver")
            description = check_description(self._tables(path), str(path))
            refuse_open_points(self.sources[str(path)].raw, str(path))
            self.descriptions[path] = description
        return self.descriptions[path]

    def driver_text(self, instrument: "Instrument") -> str:
        """Return the text of an instrument's driver: of its description file, or of the installed driver.

        "" where it cannot be read.
        """
        if not instrument.driver.endswith(".toml"):
            return self.drivers.text(instrument.driver)
        path = str(self.description_path(instrument))
        if path not in self.sources:
            self.read_descriptions()
        source = self.sources.get(path)
        return "" if source is None else source.text

    def read_descriptions(self) -> None:
        """Read the descriptions that the instruments' files name; `make_driver` reports one that is wrong."""
        for instrument in self.instruments.values():
            if instrument.driver.endswith(".toml"):
                with contextlib.suppress(SettingError):
                    self._described(instrument)

    def description_path(self, instrument: "Instrument") -> Path:
        """Return the path of the description file that an instrument's file names."""
        return self.folder / Path(instrument.driver).expanduser()

    def companions(
        self, instrument: "Instrument", identities: "Mapping[str, Identity] | None" = None
    ) -> "list[Companion]":
        """Return the companions of an instrument with new drivers; errors as in `make_driver` and `instrument`."""
        from daq.methods.planning.making import Companion

        others = (self.instrument(name) for name in dict.fromkeys(instrument.companions.values()))
        return [Companion(other, self.make_driver(other), (identities or {}).get(other.name)) for other in others]

    def compile(
        self,
        method: "Method",
        instrument: "Instrument",
        *,
        product: "Product | None" = None,
        fluid: "Fluid | None" = None,
        choices: Mapping[str, Any] | None = None,
    ) -> "Plan":
        """Return the plan of a method on an instrument that is not identified yet; errors as in `compile_plan`."""
        from daq.methods.planning.compile import compile_plan

        return compile_plan(
            method,
            instrument,
            self.make_driver(instrument),
            product=product,
            fluid=fluid,
            companions=self.companions(instrument),
            choices=choices,
        )


def _named(make: "Callable[[], Driver]", instrument: "Instrument") -> "Driver":
    """Return the driver that `make` makes; its errors name the instrument's file."""
    try:
        return make()
    except SettingErrors as error:
        raise SettingErrors(
            [SettingError(e.reason, file=instrument.source, key=e.key) for e in error.errors]
        ) from error
    except SettingError as error:
        raise SettingError(error.reason, file=instrument.source, key=error.key) from error


def parts(error: SettingError) -> list[SettingError]:
    """Return the single errors of an error that can hold several."""
    return error.errors if isinstance(error, SettingErrors) else [error]


def version_key(version: str) -> list[tuple[int, int, str]]:
    """Return the sort key of a version by its numbers: 2 before 10, 1.9 before 1.10, 2-draft after 2."""
    found = re.findall(r"\d+|[^\d.]+", version)
    return [(1, int(part), "") if part.isdecimal() else (0, 0, part) for part in found]


def _put(known: dict[str, M], name: str, model: M, key: str, errors: list[SettingError]) -> None:
    if name in known:
        reason = f"{name!r} is already used in {known[name].source}; give it another {key}, or remove one of the files"
        errors.append(SettingError(reason, file=model.source, key=key))
        return
    known[name] = model


def _put_version(versions: "dict[str, Method]", method: "Method", errors: list[SettingError]) -> None:
    from daq.methods.files.digest import digest

    before = versions.setdefault(method.version, method)
    if before is not method and digest(before) != digest(method):
        reason = (
            f"method {method.id} version {method.version} has other content in {before.source}; "
            "a method never changes: give this one a new version"
        )
        errors.append(SettingError(reason, file=method.source, key="version"))


def _found(what: str, name: str, known: Mapping[str, T]) -> T:
    if name not in known:
        raise coded(SettingError(unknown(what, name, known)), "unknown_name", what=what, name=name)
    return known[name]

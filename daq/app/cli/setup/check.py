"""``daq check``: find what is wrong with configuration and methods before a sample is measured."""

import argparse
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from daq.adapters.paths import DAEMON_FILE, config_dir, database_path, state_dir
from daq.adapters.store.reading import Reader
from daq.app.cli.common import print_json, wanted_path
from daq.app.cli.printing import say
from daq.app.laboratory.reporting.works_head import FILE as WORKS_FILE
from daq.app.laboratory.reporting.works_head import FOLDER as WORKS_FOLDER
from daq.app.laboratory.reporting.works_head import works_of
from daq.app.screens.text import plain, sentence
from daq.app.setup.catalogue import Catalogue, parts
from daq.app.setup.fitted import conflicts, fits_of, with_fits
from daq.app.setup.lines import sharing_errors
from daq.core.encoding import encode
from daq.core.errors import SettingError, StoreError
from daq.core.plan import Plan
from daq.descriptions.load import load_description
from daq.methods.files.instrument import Instrument
from daq.methods.files.load import (
    load_daemon,
    load_fluid,
    load_instrument,
    load_method,
    load_product,
    load_works,
)
from daq.methods.files.recipe import Method
from daq.textfiles.toml_file import read_toml


def arguments(parser: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    parser.add_argument(
        "paths", metavar="PATH", nargs="*", type=wanted_path, help="files or configuration folders (otherwise --config)"
    )
    parser.add_argument("--all", action="store_true", help="every reason why a method does not fit an instrument")
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")


def run(args: argparse.Namespace) -> int:
    """Print every finding; 0 where nothing is wrong, otherwise 2."""
    findings = Findings()
    for path in args.paths or [config_dir(args.config)]:
        if path.is_dir():
            # The records belong to the configuration in use; another folder has them only where they are named.
            findings.folder(path, args.state, recorded=bool(args.state) or not args.paths)
        else:
            findings.file(path)
    if args.json:
        print_json(findings.as_json())
    else:
        findings.show(every_reason=args.all)
    return 2 if findings.errors else 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A method on an instrument: it fits with a geometry, or the reasons why it does not."""

    method_id: str
    method_version: str
    instrument: str
    geometry: str | None
    fitted: bool
    """True where `geometry` is the one fitted now."""
    fits: bool
    lacks: str | None
    """The method's quantity, where the instrument does not read it at all."""
    why_not: tuple[str, ...]
    warnings: tuple[str, ...]


class Findings:
    """Errors, warnings, and which method fits which instrument."""

    def __init__(self) -> None:
        self.errors: list[SettingError] = []
        self.warnings: list[SettingError] = []
        self.benches: list[Bench] = []
        self.files = 0

    def folder(self, folder: Path, state: str | None = None, *, recorded: bool = False) -> None:
        """Check a configuration folder, and compile each method for each instrument it fits.

        With `recorded`, the fitted geometries are those that the state directory (`state`, or the configured one) has.
        """
        if not (folder / DAEMON_FILE).is_file():
            files = sorted(folder.glob("*.toml"))
            if not files:
                reason = f"holds neither {DAEMON_FILE} nor any .toml file; `daq init {folder}` copies the examples"
                self.errors.append(SettingError(reason, file=str(folder)))
            for path in files:
                self.file(path)
            return
        catalogue, errors = Catalogue.read(folder)
        self.errors += errors
        if recorded:
            catalogue = self._with_recorded_fits(catalogue, state)
        self.warnings += [
            SettingError(text, file=catalogue.daemon.source, key=key)
            for key, text in catalogue.daemon.open_passwords.items()
        ]
        self.files += catalogue.files
        works = folder / WORKS_FOLDER / WORKS_FILE
        if works.is_file():
            self.file(works)
        usable = [i for i in catalogue.instruments.values() if self._has_driver(catalogue, i)]
        served = {i.name: (i, catalogue.make_driver(i)) for i in usable if i.name in catalogue.enabled}
        self.errors += sharing_errors(served)
        for versions in catalogue.methods.values():
            for method in versions.values():
                self._compile(catalogue, method, usable)

    def _with_recorded_fits(self, catalogue: Catalogue, state: str | None) -> Catalogue:
        """Return the configuration with the geometries that are recorded as fitted; unchanged without a database."""
        try:
            database = database_path(state_dir(state, catalogue.state, create=False))
            if not database.exists():
                return catalogue
            with Reader(database) as reader:
                fits = fits_of(reader, catalogue.instruments)
        except (PermissionError, SettingError, StoreError) as error:
            say = f"the recorded measuring geometries cannot be read, and those of the files are taken: {error}"
            self.warnings.append(SettingError(say))
            return catalogue
        self.errors += conflicts(catalogue, fits)
        return with_fits(catalogue, fits)

    def file(self, path: Path) -> None:
        """Check a single file, by what it holds."""
        self.files += 1
        try:
            kind_of(path)(path)
            if path.name == WORKS_FILE:
                works_of(path.absolute().parent.parent)
        except SettingError as error:
            self.errors += parts(error)

    def _has_driver(self, catalogue: Catalogue, instrument: Instrument) -> bool:
        try:
            catalogue.make_driver(instrument)
        except SettingError as error:
            self.errors += parts(error)
            return False
        return all(name in catalogue.instruments for name in instrument.companions.values())

    def _compile(self, catalogue: Catalogue, method: Method, instruments: list[Instrument]) -> None:
        refusals: list[SettingError] = []
        plans: list[Plan] = []
        able = 0
        for instrument in instruments:
            errors, plan = _attempt(catalogue, method, instrument)
            lacks = any(e.key == "result" and e.file == method.source for e in errors)
            able += not lacks
            geometry = None if plan is None else plan.context.geometry_name
            self.benches.append(
                Bench(
                    method_id=method.id,
                    method_version=method.version,
                    instrument=instrument.name,
                    geometry=geometry,
                    fitted=geometry == instrument.fitted,
                    fits=plan is not None,
                    lacks=method.result if lacks else None,
                    why_not=tuple(str(e) for e in errors),
                    warnings=() if plan is None else tuple(w.text for w in plan.context.warnings),
                )
            )
            refusals += [] if lacks else errors
            if plan is not None:
                plans.append(plan)
        if instruments and not plans:
            # An error in the method's own file that every instrument gives is an error of the method.
            times = Counter(str(e) for e in refusals)
            own = {str(e): e for e in refusals if e.file == method.source}
            self.errors += [e for text, e in own.items() if times[text] == able]
            if not able:
                known = ", ".join(i.name for i in instruments)
                reason = f"no instrument has a signal {method.result!r}; checked: {known}"
                self.errors.append(SettingError(reason, file=method.source, key="result"))

    def show(self, *, every_reason: bool) -> None:
        """Print for a person."""
        lacking: dict[str, tuple[dict[str, None], dict[str, None]]] = {}
        for bench in self.benches:
            if bench.lacks is not None and not every_reason:
                instruments, methods = lacking.setdefault(bench.lacks, ({}, {}))
                instruments[bench.instrument] = methods[f"{bench.method_id} {bench.method_version}"] = None
                continue
            name = f"{bench.method_id} {bench.method_version} on {bench.instrument}"
            if not bench.fits:
                say(plain(name), "does not  ")
                for reason in bench.why_not if every_reason else bench.why_not[:1]:
                    say(plain(reason), " " * 10)
                continue
            if bench.geometry is not None:
                name += f" with {bench.geometry}" + ("" if bench.fitted else " (not fitted now)")
            say(plain(name), "fits      ")
            for warning in bench.warnings:
                say(sentence(warning), " " * 10 + "note: ")
        for signal, (instruments, methods) in lacking.items():
            say(plain(", ".join(instruments)), f"no {plain(signal)} on ")
            say(plain(", ".join(methods)), " " * 10 + "so not for ")
        for found in self.warnings:
            say(plain(found), "warning   ")
        for error in self.errors:
            say(plain(error), "wrong     ")
        say(f"{self.files} files checked, {len(self.errors) or 'nothing'} wrong")

    def as_json(self) -> dict[str, Any]:
        """Return errors, warnings and benches as JSON values."""
        return {
            "files": self.files,
            "errors": [{"file": e.file, "key": e.key, "reason": e.reason} for e in self.errors],
            "warnings": [{"file": w.file, "key": w.key, "reason": w.reason} for w in self.warnings],
            "benches": [encode(b) for b in self.benches],
        }


def _attempt(catalogue: Catalogue, method: Method, instrument: Instrument) -> tuple[list[SettingError], Plan | None]:
    """Return the plan of a method on an instrument, or the errors where there is none.

    The fitted geometry is tried first, then the other ones of the instrument.
    """
    fitted: list[Instrument] = [instrument]
    fitted += [instrument.with_fitted(name) for name in instrument.geometries if name != instrument.fitted]
    first: list[SettingError] = []
    for candidate in fitted:
        try:
            return [], catalogue.compile(method, candidate)
        except SettingError as error:
            first = first or parts(error)
    return first, None


def kind_of(path: Path) -> Callable[[Path], object]:
    """Return the loader for a file, by its keys, or by its folder where its keys are not enough.

    Raises:
        SettingError: the file cannot be read.
    """
    keys = set(_keys(path))
    if path.name == DAEMON_FILE:
        return load_daemon
    if path.name == WORKS_FILE:
        return load_works
    for needed, load in (
        ({"channel"}, load_description),
        ({"line"}, load_description),
        ({"framing"}, load_description),
        ({"steps"}, load_method),
        ({"claim"}, load_method),
        ({"driver"}, load_instrument),
        ({"port"}, load_instrument),
        ({"certificate"}, load_fluid),
        ({"limits", "id"}, load_product),
    ):
        if needed <= keys:
            return load
    by_folder: dict[str, Callable[[Path], object]] = {
        "instruments": load_instrument,
        "methods": load_method,
        "products": load_product,
        "fluids": load_fluid,
    }
    return by_folder.get(path.absolute().parent.name, load_method)


def _keys(path: Path) -> Iterator[str]:
    try:
        yield from read_toml(path)
    except SettingError:
        return  # the loader names the line

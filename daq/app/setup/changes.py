"""Compare the configuration in use with the files as they are now.  Pure: nothing is read here.

An instrument changes by itself; methods, products and fluids change together or not at all.  What cannot be taken up
keeps its old state, and each run that would use it is refused.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from daq.adapters.paths import DAEMON_FILE
from daq.app.setup.catalogue import Catalogue, parts
from daq.app.setup.lines import sharing_errors
from daq.app.setup.sources import Source
from daq.core.errors import SettingError
from daq.methods.files.digest import digest
from daq.methods.files.fields import Model
from daq.methods.files.instrument import Instrument
from daq.methods.files.product import Product
from daq.methods.files.recipe import Method

TEXTS: Final = ("methods", "products", "fluids")
"""Folders whose files change together."""

#: Digests of an instrument and of the description that its file names.
Digests = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Changes:
    """The outcome of a comparison.

    Attributes:
        catalogue: the configuration to use from now on.
        renewed: instruments that need a new session, because their files are new or have changed.
        removed: instruments without a file.
        waiting: instruments whose change waits for the end of a run.
        texts: names of methods, products and fluids that were changed, added or removed.
        errors: reasons why changed files have no effect.
        made_from: digests of the files from which the session of each instrument is made (`session_digest`).
    """

    catalogue: Catalogue
    made_from: Mapping[str, Digests]
    renewed: tuple[str, ...] = ()
    removed: tuple[str, ...] = ()
    waiting: tuple[str, ...] = ()
    texts: tuple[str, ...] = ()
    errors: tuple[SettingError, ...] = ()

    @property
    def words(self) -> list[str]:
        """One line for each change that has taken effect or waits."""
        lines = [f"instrument {name}: changed, in effect" for name in self.renewed]
        lines += [f"instrument {name}: removed" for name in self.removed]
        lines += [f"instrument {name}: changes when its run has ended" for name in self.waiting]
        return lines + [f"{name}: in effect" for name in self.texts]


def compare(
    used: Catalogue,
    made_from: Mapping[str, Digests],
    found: Catalogue,
    errors: Iterable[SettingError],
    busy: Collection[str] = (),
) -> Changes:
    """Return the changes from the configuration in use to the files as they were found.

    Args:
        used: the configuration in use.
        made_from: digests of the files from which the sessions of its instruments are made.
        found: everything that could be read of the files, descriptions included.
        errors: errors in the files.
        busy: names of instruments that are in a run; they keep what they have.
    """
    given = list(errors)
    instruments = _Instruments(used, made_from, found, given, busy)
    instruments.compare()
    texts, refused = _texts(used, found, given)
    source = used if refused else found
    catalogue = replace(
        used,
        instruments=instruments.now,
        descriptions=instruments.descriptions,
        methods=source.methods,
        products=source.products,
        fluids=source.fluids,
        sources=_of_daemon(used) | instruments.sources() | _of_texts(source),
        files=found.files,
    )
    return Changes(
        catalogue,
        instruments.made_from,
        renewed=tuple(instruments.renewed),
        removed=tuple(instruments.removed),
        waiting=tuple(instruments.waiting),
        texts=() if refused else texts,
        errors=tuple(_once([*given, *refused, *instruments.errors, *_restart(used, found)])),
    )


def _once(errors: Iterable[SettingError]) -> list[SettingError]:
    return list({str(e): e for e in errors}.values())


def _restart(used: Catalogue, found: Catalogue) -> Iterator[SettingError]:
    """Yield an error where the daemon's file has changed."""
    for path, source in _of_daemon(found).items():
        if path in used.sources and used.sources[path].digest != source.digest:
            yield SettingError("has changed, which has no effect before the next start of the daemon", file=path)


class _Instruments:
    """The comparison of all instruments."""

    def __init__(
        self,
        used: Catalogue,
        made_from: Mapping[str, Digests],
        found: Catalogue,
        errors: Iterable[SettingError],
        busy: Collection[str],
    ) -> None:
        self.used, self.found, self.busy, self.made_before = used, found, busy, made_from
        self.wrong = {e.file for e in errors if e.file}
        self.now: dict[str, Instrument] = {}
        self.made_from = dict(made_from)
        self.descriptions = dict(used.descriptions)
        self.renewed: list[str] = []
        self.removed: list[str] = []
        self.waiting: list[str] = []
        self.errors: list[SettingError] = []
        self._taken: set[str] = set()

    def compare(self) -> None:
        """Decide for each instrument whether it keeps what it has, changes, waits, or goes."""
        for name in dict.fromkeys((*self.used.instruments, *self.found.instruments)):
            before, after = self.used.instruments.get(name), self.found.instruments.get(name)
            if after is None and before is not None and before.source in self.wrong:
                self._keep(name)
            elif after is None:
                self._without_file(name)
            elif {after.source, "" if before is None else before.source} & self.wrong:
                self._keep(name)
            else:
                self._with_file(name, after)
        self._refuse_shared()

    def sources(self) -> dict[str, Source]:
        """Return the files of all instruments as they are used now, by path."""
        out: dict[str, Source] = {}
        for name, instrument in self.now.items():
            origin = self.found if name in self._taken else self.used
            paths = [instrument.source]
            if instrument.driver.endswith(".toml"):
                paths.append(str(origin.description_path(instrument)))
            out |= {path: origin.sources[path] for path in paths if path in origin.sources}
        return out

    def _keep(self, name: str) -> None:
        """Leave an instrument, and the digests that its session is made from, as they are used now."""
        self._taken.discard(name)
        if name in self.made_before:
            self.made_from[name] = self.made_before[name]
        else:
            self.made_from.pop(name, None)
            self.now.pop(name, None)
        if name in self.used.instruments:
            self.now[name] = self.used.instruments[name]

    def _without_file(self, name: str) -> None:
        if name in self.busy:
            self._keep(name)
            self.waiting.append(name)
        else:
            self.removed.append(name)
            self.made_from.pop(name, None)

    def _with_file(self, name: str, after: Instrument) -> None:
        try:
            self.found.make_driver(after)
        except SettingError as error:
            self.errors += parts(error)
            self._keep(name)
            return
        same = self.made_from.get(name) == session_digests(self.found, after)
        if not same and name in self.busy:
            self._keep(name)
            self.waiting.append(name)
            return
        self.now[name] = after
        self._taken.add(name)
        if after.driver.endswith(".toml"):
            path = self.found.description_path(after)
            self.descriptions[path] = self.found.descriptions[path]
        if not same:
            self.renewed.append(name)
            self.made_from[name] = session_digests(self.found, after)

    def _refuse_shared(self) -> None:
        """Keep the old state of changed instruments that would use a port which they cannot share."""
        drivers = replace(self.found, descriptions=self.descriptions)
        made = {name: (i, drivers.make_driver(i)) for name, i in self.now.items() if self._can_be_made(drivers, i)}
        for error in sharing_errors(made):
            port = next(i.port for i, _ in made.values() if i.source == error.file)
            for name in [n for n in self.renewed if made[n][0].port == port]:
                self.errors.append(error)
                self.renewed.remove(name)
                self._keep(name)

    @staticmethod
    def _can_be_made(drivers: Catalogue, instrument: Instrument) -> bool:
        try:
            drivers.make_driver(instrument)
        except SettingError:
            return False  # reported with the error of its file
        return True


def session_digests(catalogue: Catalogue, instrument: Instrument) -> Digests:
    """Return the digests of an instrument and of the description that its file names ("": none).

    The key `fitted` is left out: the fitted geometry is a recorded fact (`daq.app.setup.fitted`).
    """
    path = catalogue.description_path(instrument)
    source = catalogue.sources.get(str(path)) if instrument.driver.endswith(".toml") else None
    return digest(instrument.model_copy(update={"fitted": None})), "" if source is None else source.digest


def _of_daemon(catalogue: Catalogue) -> dict[str, Source]:
    return {path: s for path, s in catalogue.sources.items() if path == str(catalogue.folder / DAEMON_FILE)}


def _of_texts(catalogue: Catalogue) -> dict[str, Source]:
    folders = {str(catalogue.folder_of(kind)) for kind in TEXTS}
    return {path: s for path, s in catalogue.sources.items() if str(Path(path).parent) in folders}


def _texts(
    used: Catalogue, found: Catalogue, errors: Iterable[SettingError]
) -> tuple[tuple[str, ...], list[SettingError]]:
    """Return the names of changed methods, products and fluids, and the errors that keep all of them as they are."""
    folders = {str(found.folder_of(kind)) for kind in TEXTS}
    refused = [e for e in errors if str(Path(e.file).parent) in folders]
    before, after = _all_texts(used), _all_texts(found)
    changed = [key for key in dict.fromkeys((*before, *after)) if _digest(before.get(key)) != _digest(after.get(key))]
    for key in changed:
        old, new = before.get(key), after.get(key)
        if isinstance(old, Method | Product) and isinstance(new, Method | Product) and old.version == new.version:
            refused.append(
                SettingError(
                    f"the content of {' '.join(key).strip()} has changed under version {new.version}: give the changed "
                    "one a new version, or put the old content back",
                    file=new.source,
                    key="version",
                )
            )
    return tuple(" ".join(key).strip() for key in changed), refused


def _all_texts(catalogue: Catalogue) -> dict[tuple[str, str, str], Model]:
    """Return all methods, products and fluids by kind, id and version of a method."""
    out: dict[tuple[str, str, str], Model] = {
        ("method", ident, version): method
        for ident, versions in catalogue.methods.items()
        for version, method in versions.items()
    }
    out |= {("product", ident, ""): product for ident, product in catalogue.products.items()}
    return out | {("fluid", ident, ""): fluid for ident, fluid in catalogue.fluids.items()}


def _digest(model: Model | None) -> str:
    return "" if model is None else digest(model)


def changed_files(used: Catalogue, found: Catalogue) -> frozenset[str]:
    """Return the paths of all files that are not as they are used: changed, new, or gone."""
    paths = {*used.sources, *found.sources}
    return frozenset(p for p in paths if _digest_of(used, p) != _digest_of(found, p))


def _digest_of(catalogue: Catalogue, path: str) -> str:
    source = catalogue.sources.get(path)
    return "" if source is None else source.digest

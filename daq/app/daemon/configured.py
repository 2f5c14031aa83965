"""The configuration of the daemon, compared with its files before every run, and the instruments that are served.

All parts of the daemon read the catalogue from here, so that it has one owner.  A catalogue is never changed: a change
of the files makes a new one, and who began with the old one keeps it.
"""

from collections.abc import Collection, Iterable
from pathlib import Path
from typing import Final

from daq.adapters.paths import DAEMON_FILE
from daq.app.records.replaying import maker as driver_maker
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.changes import Changes, changed_files, compare, session_digests
from daq.app.setup.run_order import RunOrder
from daq.app.setup.sources import digests_now
from daq.core.driver import Driver
from daq.core.errors import SettingError, SettingErrors
from daq.core.replay import MakeDriver
from daq.methods.files.fields import Model
from daq.methods.files.instrument import Instrument

FOLDERS: Final = ("instruments", "methods", "products", "fluids")


class Configured:
    """Owns the configuration of a running daemon.

    Attributes:
        catalogue: the configuration in use.
        errors: reasons why changed files have no effect.
    """

    def __init__(self, catalogue: Catalogue, only: tuple[str, ...] = ()) -> None:
        """Take a configuration; `only` names the instruments to serve, empty: all that are enabled."""
        catalogue.read_descriptions()
        self.catalogue = catalogue
        self.errors: tuple[SettingError, ...] = ()
        self._only = only
        self._made_from = {name: session_digests(catalogue, i) for name, i in catalogue.instruments.items()}
        # Everything of the files as it was read last, with the errors in them.
        self._found: tuple[Catalogue, list[SettingError]] = (catalogue, [])
        self._files = self._files_of(catalogue)
        self._waiting = False

    @property
    def served(self) -> tuple[str, ...]:
        """Names of the instruments to serve."""
        return self._only or tuple(n for n in self.catalogue.enabled if n in self.catalogue.instruments)

    @property
    def waiting(self) -> bool:
        """True if the change of an instrument waits for the end of a run."""
        return self._waiting

    # ---- changes of the files

    def refresh(self, busy: Collection[str] = ()) -> Changes:
        """Compare the files with the configuration in use, take up the changes, and return them.

        It waits for the disk, so the daemon calls it in a thread, one call at a time.

        Args:
            busy: names of instruments that are in a run; they keep what they have.
        """
        changed = self._files_now() != self._files
        if changed:
            found, errors = Catalogue.read(self.catalogue.folder, started_with=self.catalogue.daemon)
            found.read_descriptions()
            self._found, self._files = (found, errors), self._files_of(found)
        elif not self._waiting:
            return Changes(self.catalogue, self._made_from, errors=self.errors)
        changes = compare(self.catalogue, self._made_from, *self._found, busy)
        self.catalogue, self._made_from, self.errors = changes.catalogue, dict(changes.made_from), changes.errors
        self._waiting = bool(changes.waiting)
        return changes

    def _files_now(self) -> dict[str, str]:
        catalogue = self._found[0]
        described = [i for i in catalogue.instruments.values() if i.driver.endswith(".toml")]
        files = [catalogue.folder / DAEMON_FILE, *(catalogue.description_path(i) for i in described)]
        return digests_now(files, [catalogue.folder_of(kind) for kind in FOLDERS])

    @staticmethod
    def _files_of(catalogue: Catalogue) -> dict[str, str]:
        return {path: source.digest for path, source in catalogue.sources.items()}

    def refuse_changed(self, order: RunOrder, names: Iterable[str]) -> None:
        """Refuse an order whose files are not as they are used, because a change of them has no effect.

        Args:
            order: the order.
            names: names of all instruments of the run.

        Raises:
            SettingErrors: the files that keep their old state, each with the reason.
            SettingError: a name of the order is not known.
        """
        changed = changed_files(self.catalogue, self._found[0])
        try:
            files = self._files_for(order, names)
        except SettingError as error:
            # The name may be in a file that has an error.
            raise SettingErrors([error, *self.errors]) from error
        kept = [file for file in files if file in changed]
        if not order.method_version:
            kept += self._newer_method(order.method_id, changed)
        if kept:
            raise SettingErrors(self._reasons(kept))

    def _files_for(self, order: RunOrder, names: Iterable[str]) -> list[str]:
        """Return the paths of all files that an order uses; `SettingError` where a name of it is not known."""
        catalogue = self.catalogue
        instruments = [catalogue.instrument(name) for name in names]
        models: list[Model] = [*instruments, catalogue.method(order.method_id, order.method_version)]
        models += [catalogue.product(order.product)] if order.product else []
        models += [catalogue.fluid(order.fluid)] if order.fluid else []
        described = [i for i in instruments if i.driver.endswith(".toml")]
        return [*(m.source for m in models), *(str(catalogue.description_path(i)) for i in described)]

    def _newer_method(self, method_id: str, changed: Collection[str]) -> list[str]:
        """Return files that have no effect and may hold a newer version of a method."""
        folder = self.catalogue.folder_of("methods")
        found = self._found[0].sources
        return [
            path for path in changed if Path(path).parent == folder and path in found and method_id in found[path].text
        ]

    def _reasons(self, kept: Collection[str]) -> list[SettingError]:
        """Return why files keep their old state: their own errors, otherwise those of the files they change with."""
        own = [e for e in self.errors if e.file in kept]
        if own:
            return own
        waits = SettingError("has changed, and the change has no effect yet", file=next(iter(kept)))
        return [waits, *self.errors]

    # ---- parts of the configuration

    def instrument(self, name: str) -> tuple[Instrument, Driver]:
        """Return an instrument and a new driver for it.

        Raises:
            SettingError: there is no such instrument, or its driver or options are wrong.
        """
        instrument = self.catalogue.instrument(name)
        return instrument, self.catalogue.make_driver(instrument)

    @property
    def replay_driver(self) -> MakeDriver:
        """Function that makes the drivers of a recorded run."""
        return driver_maker(self.catalogue.drivers)

    def caution(self, product_id: str) -> str:
        """Return the safety text of a product; "" where there is no such product."""
        product = self.catalogue.products.get(product_id)
        return product.safety if product is not None else ""

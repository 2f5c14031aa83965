"""A laboratory with a real store and the example configuration."""

import contextlib

from daq.adapters.paths import examples_dir
from daq.adapters.store.store import Store
from daq.app.laboratory.laboratory import Laboratory
from daq.app.setup.catalogue import Catalogue
from tests.support.runs.stored import T0


class FixedClock:
    """A clock whose time only a test changes."""

    def __init__(self, utc_ns=T0):
        self.now = utc_ns

    def utc_ns(self):
        return self.now

    def mono_ns(self):
        return self.now


@contextlib.contextmanager
def laboratory(folder, login="m.keeper", *, clock=None):
    """Open a laboratory in a folder."""
    with Store(folder / "daq.db") as store:
        yield Laboratory(store, any_ids(Catalogue.load(examples_dir())), clock or FixedClock(), login)


def any_ids(catalogue):
    """Let the products of a catalogue have samples with any id, and return it."""
    for name, product in catalogue.products.items():
        catalogue.products[name] = product.model_copy(update={"sample_ids": ()})
    return catalogue

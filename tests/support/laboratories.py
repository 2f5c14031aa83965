"""A laboratory with a real store and the example configuration."""

import contextlib
from dataclasses import replace

import argon2

from daq.adapters.paths import examples_dir
from daq.adapters.store.store import Store
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import Laboratory
from daq.app.setup.catalogue import Catalogue
from daq.laboratory.people import ROLES
from daq.methods.files.daemon import People
from daq.methods.files.retention import Retention
from daq.process import hashes
from daq.process.logins import own_login
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
def laboratory(folder, login="m.keeper", *, clock=None, people=False):
    """Open a laboratory in a folder; `people` switches people on."""
    catalogue = Catalogue.load(examples_dir())
    switch_people(catalogue, on=people)
    catalogue.daemon = catalogue.daemon.model_copy(update={"retention": Retention(journals="1 day")})
    with Store(folder / "daq.db") as store:
        yield Laboratory(store, any_ids(catalogue), clock or FixedClock(), login)


def any_ids(catalogue):
    """Let the products of a catalogue have samples with any id, and return it."""
    for name, product in catalogue.products.items():
        catalogue.products[name] = product.model_copy(update={"sample_ids": ()})
    return catalogue


def switch_people(catalogue, *, on):
    catalogue.daemon = catalogue.daemon.model_copy(update={"people": People(required=on)})


@contextlib.contextmanager
def staffed(folder, **more):
    """Open a laboratory with people switched on and a person of each role.

    Their ids are the roles, their logins begin with ``at-``.
    """
    with laboratory(folder, own_login(), people=True, **more) as lab:
        carry_out(lab, "person_add", {"id": "administer", "role": "administer", "logins": ["at-administer"]})
        for role in ROLES[:-1]:
            carry_out(at(lab, "at-administer"), "person_add", {"id": role, "role": role, "logins": [f"at-{role}"]})
        yield at(lab, "at-administer")


def at(lab, login):
    """Return the same laboratory at another login."""
    return replace(lab, login=login)


def audited(lab):
    """Return all audit entries."""
    with lab.reader() as reader:
        return reader.audit()


def cheap_hashes(patch):
    """Let passwords have cheap hashes."""
    made = argon2.PasswordHasher.from_parameters(argon2.profiles.CHEAPEST)
    patch.setattr(hashes, "_hasher", lambda: made)

"""Findings about persons: where they are switched on, one of them must administer, and passwords need a library."""

import os
from collections.abc import Iterator
from pathlib import Path

from daq.adapters.paths import database_path
from daq.adapters.store.checks import Finding
from daq.adapters.store.reading import Reader
from daq.app.laboratory.identity import administrators
from daq.app.laboratory.people import persons
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError, StoreError
from daq.process.extras import need


def people_findings(catalogue: Catalogue, folder: Path) -> Iterator[Finding]:
    """Yield the findings about persons; none where people are switched off.

    Args:
        catalogue: the configuration.
        folder: the state directory; its database is read where this login may read it.
    """
    if not catalogue.daemon.people.required:
        return
    try:
        need("argon2", "a password or a badge")
    except SettingError as error:
        yield Finding(False, "people", str(error), "install it; until then only logins identify persons")
    database = database_path(folder)
    if not os.access(folder, os.X_OK) or (database.exists() and not os.access(database, os.R_OK)):
        return  # of another login; its owner checks it
    count, able = 0, 0
    if database.exists():
        try:
            with Reader(database) as reader:
                count, able = len(persons(reader)), len(administrators(reader))
        except StoreError:
            return  # the checks of the database give the reason
    if not able:
        do = "add one who does: daq person add ID --role administer --login LOGIN"
        yield Finding(False, "people", "they are switched on, and no person administers", do)
    else:
        yield Finding(True, "people", f"{count} persons, {able} of them administer")

"""A query: a name, a model of its parameters with bounds, the role that it needs, and a function.

A query changes nothing, and returns JSON values.
"""

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Generic, TypeVar

from daq.adapters.store.reading import Reader
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingError
from daq.laboratory.people import Role
from daq.methods.files.fields import Model

M = TypeVar("M", bound=Model)


@dataclass(frozen=True, slots=True)
class Sources:
    """The sources of an answer: the database, the present time (UTC, ns), and the configuration folder or None."""

    reader: Reader
    utc_ns: int
    folder: Path | None

    def catalogue(self) -> Catalogue:
        """Return the configuration as its files are now, without the files that have errors.

        Raises:
            SettingError: no folder is known.
        """
        if self.folder is None:
            raise SettingError("the configuration folder is not known")
        return Catalogue.read(self.folder)[0]


@dataclass(frozen=True, slots=True)
class Query(Generic[M]):
    """A query.

    Attributes:
        name: ``runs``.
        asked: model of its parameters.
        role: least role of the person who asks.
        answer: returns JSON values from the sources and the parameters.
    """

    name: str
    asked: type[M]
    role: Role
    answer: Callable[[Sources, M], dict[str, Any]]

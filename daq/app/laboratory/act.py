"""An act: one thing that a person does to the records, as a function with a checked order."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final, Generic, Literal, TypeVar

from daq.app.laboratory.laboratory import Laboratory
from daq.methods.files.fields import Model

M = TypeVar("M", bound=Model)

Role = Literal["look", "measure", "review", "administer"]
ROLES: Final[tuple[Role, ...]] = ("look", "measure", "review", "administer")
"""Roles of persons; each later one may do what the ones before it may."""


@dataclass(frozen=True, slots=True)
class Act(Generic[M]):
    """An act, as command line and socket name it.

    Attributes:
        name: ``sample_add``.
        order: model that checks what the person gives.
        role: least role of the person.
        do: carries the act out as one transaction of the store, and returns JSON values for the person.  It waits for
            the disk, so the daemon calls it in a thread.
    """

    name: str
    order: type[M]
    role: Role
    do: Callable[[Laboratory, M], dict[str, Any]]

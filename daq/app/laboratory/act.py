"""An act: one thing that a person does to the records, as a function with a checked order."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from daq.app.laboratory.laboratory import Laboratory
from daq.laboratory.people import Role
from daq.methods.files.fields import Model

M = TypeVar("M", bound=Model)


@dataclass(frozen=True, slots=True)
class Act(Generic[M]):
    """An act, as command line and socket name it.

    Attributes:
        name: ``sample_add``.
        order: model that checks what the person gives.
        role: least role of the person.
        do: carries the act out as one transaction of the store, and returns JSON values for the person.  It waits for
            the disk, so the daemon calls it in a thread.
        always: the role is needed also where people are switched off.
        clients: a program may do it too, by its token.  All other acts are those of a person.
    """

    name: str
    order: type[M]
    role: Role
    do: Callable[[Laboratory, M], dict[str, Any]]
    always: bool = False
    clients: bool = False

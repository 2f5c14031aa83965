"""Collect all reasons against a run, so that a person gets all of them at once."""

from dataclasses import dataclass, field

from daq.core.errors import SettingError, SettingErrors
from daq.core.remarks import Parameter
from daq.methods.files.fields import Model
from daq.methods.parts.statement import Statement, state


@dataclass(slots=True)
class Refusals:
    """Errors that make a run impossible, and warnings."""

    errors: list[SettingError] = field(default_factory=list)
    warnings: list[Statement] = field(default_factory=list)

    def add(self, where: Model | str, key: str, reason: str) -> None:
        """Add an error that makes the run impossible: its file, its key, and the reason with what to do."""
        file = where if isinstance(where, str) else file_of(where)
        self.errors.append(SettingError(reason, file=file, key=key))

    def warn(self, code: str, **parameters: Parameter) -> None:
        """Add a warning by its code and parameters; the run stays possible."""
        self.warnings.append(state(code, **parameters))

    def settle(self) -> None:
        """Raise `SettingErrors` if anything was refused."""
        if self.errors:
            raise SettingErrors(self.errors)


def file_of(model: Model) -> str:
    """Return the file from which a model was read, or its type and name."""
    own = getattr(model, "id", None) or getattr(model, "name", "")
    return model.source or f"{type(model).__name__.lower()} {own}"

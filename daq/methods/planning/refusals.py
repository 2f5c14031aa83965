"""Collects everything that speaks against a run, so that a person sees all of it at once."""

from dataclasses import dataclass, field

from daq.core.errors import SettingError, SettingErrors
from daq.core.remarks import Parameter
from daq.methods.files.fields import Model
from daq.methods.parts.statement import Statement, state


@dataclass(slots=True)
class Refusals:
    """What is wrong, and what is only worth a warning."""

    errors: list[SettingError] = field(default_factory=list)
    warnings: list[Statement] = field(default_factory=list)

    def add(self, where: Model | str, key: str, reason: str) -> None:
        """Something that makes the run impossible: in which file, at which key, why and what to do."""
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
    """The file a model came from, or what it calls itself."""
    own = getattr(model, "id", None) or getattr(model, "name", "")
    return model.source or f"{type(model).__name__.lower()} {own}"

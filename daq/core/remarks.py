"""Remarks for a person as code and parameters, from which `daq.methods.sentences` makes the sentence."""

from dataclasses import dataclass, field

Parameter = str | int | float | tuple[str, ...] | tuple[float, ...] | None


@dataclass(frozen=True, slots=True)
class Remark:
    """A code and the data of its sentence: numbers in the unit the code defines, names, and lists of them."""

    code: str
    parameters: dict[str, Parameter] = field(default_factory=dict)

    def __str__(self) -> str:
        """Return code and parameters, for a log."""
        shown = ", ".join(f"{name}={value}" for name, value in self.parameters.items() if value is not None)
        return f"{self.code}: {shown}" if shown else self.code


def remark(code: str, **parameters: Parameter) -> Remark:
    """Return a remark with these parameters."""
    return Remark(code, parameters)


@dataclass(frozen=True, slots=True)
class WrittenRemark:
    """A remark with its English sentence."""

    code: str
    parameters: dict[str, Parameter]
    text: str

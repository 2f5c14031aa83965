"""The file of the works: name, address and logo for the top of reports."""

from typing import Annotated, Final, Self

from pydantic import Field, model_validator

from daq.methods.files.fields import KeyedError, Label, Listed, Model, NeededLabel

LOGO_KINDS: Final = (".svg", ".png")
MOST_LINES: Final = 6


class Works(Model):
    """Name, address and logo of the works, for the top of reports."""

    name: NeededLabel
    """Name of the laboratory or works; a certificate needs it (ISO/IEC 17025, 7.8.2.1 b)."""
    address: Annotated[tuple[NeededLabel, ...], Listed, Field(max_length=MOST_LINES)] = ()
    """Lines of the address, where the measurements are made."""
    contact: Label = ""
    logo: NeededLabel | None = None
    """Name of a file beside this one, SVG or PNG, at most 200 kB."""

    @model_validator(mode="after")
    def _logo_is_beside(self) -> Self:
        if self.logo is not None and not self.logo.endswith(LOGO_KINDS):
            raise KeyedError("logo", "must be an SVG or PNG file, such as 'logo.svg'")
        if self.logo is not None and ("/" in self.logo or "\\" in self.logo):
            raise KeyedError("logo", "is the name of a file in the same folder, without a path")
        return self

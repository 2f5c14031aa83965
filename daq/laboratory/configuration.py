"""Records of the configuration: the fitted measuring geometry, and the texts and digests that each run used."""

from typing import ClassVar, Literal

from pydantic import Field

from daq.laboratory.record import Record
from daq.methods.files.fields import Label, Model


class Fitted(Record):
    """The measuring geometry that is fitted to an instrument, and its constants; the id is the instrument's name.

    Time and person are in the revision's audit entry.

    Attributes:
        geometry: name of the geometry in the instrument's file; "" for an instrument without one, such as a balance.
        serial: its serial number; "" where neither the file nor the person states one.
        in_file: the key `fitted` of the instrument's file at that time; "" where it had none.
        constants: the constants of instrument and geometry with which it was fitted, by key
            (`daq.app.setup.constants`); empty in a record of an earlier version of the program.
        around: the constants of its companions, and the digests of the descriptions of the drivers, in the same way;
            None in a record of an earlier version.
    """

    kind: ClassVar[str] = "fitted"
    geometry: Label = ""
    serial: Label = ""
    in_file: Label = ""
    constants: dict[str, str] = Field(default_factory=dict)
    around: dict[str, str] | None = None


class UsedFile(Model):
    """One model of the configuration that a run used.

    Attributes:
        what, id: the model, for example the instrument bench-1; a description has its path as its id, that of an
            installed driver the driver's name.
        version: version of a method or product; "" for others.
        file, file_text: path, and id of the `text` record with the file as it was read; "" where there is none.
        text: id of the `text` record with the model as JSON, exactly as the run used it; of an installed driver, its
            description as JSON or the syntax tree of its code.
    """

    what: Literal["instrument", "description", "method", "product", "fluid"]
    id: str
    version: str = ""
    file: str = ""
    file_text: str = ""
    text: str = ""


class RunConfiguration(Record):
    """The configuration that a run used; the id is that of the run.

    Attributes:
        used: the models.
        fitted: revision of the record `fitted` by name of the instrument.
    """

    kind: ClassVar[str] = "run_configuration"
    used: tuple[UsedFile, ...]
    fitted: dict[str, int]


class KeptText(Record):
    """A text of the configuration; its id is its SHA-256 (hex), so each text is kept once."""

    kind: ClassVar[str] = "text"
    text: str


class ProductText(Record):
    """The text that was used under a version of a product; the id is ``PRODUCT VERSION``.

    Attributes:
        digest: SHA-256 (hex) of the product as JSON, which is the id of its `text` record.
    """

    kind: ClassVar[str] = "product_text"
    digest: str
    approved_by: str = ""
    valid_from: str = ""

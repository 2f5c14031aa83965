"""Refuse to measure on a fill that a seek has sheared, as if it were fresh."""

from daq.adapters.store.reading import Reader
from daq.core.errors import SettingError, coded
from daq.methods.files.recipe import Method
from daq.quality.digits import SHOWN_ID


def check_fill(reader: Reader, fill: str, method: Method) -> None:
    """Refuse a fill that was sheared by a seek, unless the method brings it to a defined state, or is a seek itself.

    Raises:
        SettingError: the fill needs a pre-shear and a rest that the method does not declare.
    """
    if not fill or any(step.seek is not None for step in method.steps):
        return
    sheared_by = reader.sheared_by(fill)
    if sheared_by is None or (method.conditioning.preshear is not None and method.conditioning.rest > 0):
        return
    error = SettingError(
        f"fill {fill!r} was sheared by the seek of run {sheared_by[:SHOWN_ID]}, and method {method.id} declares no "
        "pre-shear with a rest after it; take a fresh fill (and another name for it), or a method with "
        "[conditioning.preshear] and conditioning.rest",
        key="fill",
    )
    raise coded(error, "fill_sheared", fill=fill, run=sheared_by[:SHOWN_ID], method=method.id)

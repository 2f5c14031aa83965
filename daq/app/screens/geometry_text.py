"""The measuring geometry of a result in words, with the units of its dimensions.  Pure."""

from collections.abc import Mapping
from typing import Any

from daq.app.screens.text import plain, spaced
from daq.core.units import symbol
from daq.methods.parts.dimension_units import DIMENSION_UNITS


def geometry_lines(geometry: Mapping[str, Any] | None) -> list[str]:
    """Return a measuring geometry (`GeometryUsed` as a dict) in one or two lines; none where there is no geometry."""
    if not geometry:
        return []
    sizes = ", ".join(_size(name, value) for name, value in geometry["dimensions"].items() if value is not None)
    out = [f"geometry: {plain(geometry['name'])}, {spaced(geometry['kind'])}" + (f" ({sizes})" if sizes else "")]
    labels = (("vessel", "vessel", ""), ("fill volume", "fill_volume_mL", " mL"), ("immersion:", "immersion", ""))
    rest = [f"{label} {_shown(geometry[key])}{unit}" for label, key, unit in labels if geometry.get(key)]
    rest += ["with a stirrup around the rotor"] if geometry["stirrup"] else []
    return [*out, ", ".join(rest)] if rest else out


def _size(name: str, value: Any) -> str:
    """Return a dimension with its unit; one with a unit of its own is an object."""
    if isinstance(value, dict):
        return f"{spaced(name)} {_shown(value['value'])} {symbol(value['unit'])}"
    unit = symbol(DIMENSION_UNITS.get(name, "mm")) if isinstance(value, float) else ""
    return f"{spaced(name)} {_shown(value)} {unit}".rstrip()


def _shown(value: Any) -> str:
    return f"{value:g}" if isinstance(value, float) else spaced(value)

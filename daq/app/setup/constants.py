"""The constants of an instrument and its fitted geometry that enter a value.  They are part of what was verified."""

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping
from functools import lru_cache
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from daq.app.setup.catalogue import Catalogue
    from daq.methods.files.instrument import Instrument

DESCRIBING: Final = {"title", "serial", "fill_volume", "immersion"}
"""Keys of a geometry that describe it or its filling, and enter no value."""
TIMING: Final = "_ms"
"""End of the names of a driver's options that say when it asks, and not how its answer is read."""
OF_INSTRUMENT: Final = {"driver", "options", "probes", "density_vessel"}
NOT_STATED: Final = "not stated"
DESCRIPTION: Final = "description"
"""Key of the digest of a driver's description, and end of that of a companion's."""
RECENT: Final = 64
"""Number of texts of instruments that are kept as they were read."""
SHOWN_DIGEST: Final = 12
"""Number of characters of a digest that a message shows."""


def constants_of(instrument: "Instrument") -> dict[str, str]:
    """Return the constants as JSON texts, by their keys in the instrument's file; a default is left out."""
    given = instrument.model_dump(mode="json", include=OF_INSTRUMENT, exclude_defaults=True)
    found = {key: value for key, value in _leaves(given) if not (key.startswith("options.") and key.endswith(TIMING))}
    if instrument.specification is not None and instrument.specification.torque_full_scale is not None:
        stated = instrument.specification.model_dump(mode="json", include={"torque_full_scale"})
        found |= dict(_leaves({"specification": stated}))
    if instrument.geometry is not None and instrument.fitted is not None:
        own = instrument.geometry.model_dump(mode="json", exclude=DESCRIBING, exclude_defaults=True)
        found |= dict(_leaves({"geometries": {instrument.fitted: own}}))
    return found


def renamed(constants: Mapping[str, str], geometry: str, name: str) -> dict[str, str]:
    """Return constants with those of a geometry under another name of it: a label, and no constant itself."""
    old, new = f"geometries.{geometry}.", f"geometries.{name}."
    return {new + key.removeprefix(old) if key.startswith(old) else key: value for key, value in constants.items()}


def constants_around(
    instrument: "Instrument", others: Mapping[str, "Instrument"], text_of: Callable[["Instrument"], str]
) -> dict[str, str]:
    """Return the constants of an instrument's companions by their roles, and the digests of their descriptions.

    Args:
        instrument: the instrument.
        others: its companions by name.
        text_of: returns the digest of the description of an instrument's driver; "" where it is not known.
    """
    found = {DESCRIPTION: text_of(instrument)}
    for role, name in instrument.companions.items():
        if name not in others:
            continue
        other, above = others[name], f"companions.{role}"
        found |= {f"{above}.{key}": value for key, value in constants_of(other).items()}
        found[f"{above}.{DESCRIPTION}"] = text_of(other)
    return found


def around_now(catalogue: "Catalogue", instrument: "Instrument") -> dict[str, str]:
    """Return the constants around an instrument as the present files have them, as `constants_around`."""
    known = catalogue.instruments
    others = {name: as_stored(known[name]) for name in instrument.companions.values() if name in known}

    def text_of(described: "Instrument") -> str:
        text = catalogue.driver_text(described)
        return hashlib.sha256(text.encode()).hexdigest() if text else ""

    return constants_around(instrument, others, text_of)


def as_stored(instrument: "Instrument") -> "Instrument":
    """Return an instrument as a stored text gives it, so that both sides of a comparison are alike."""
    from daq.methods.files.digest import canonical

    return restored_instrument(canonical(instrument))


@lru_cache(RECENT)
def restored_instrument(text: str) -> "Instrument":
    """Return the instrument of a stored text; `StoreError` where another version of the program wrote it."""
    from daq.methods.files.digest import restored
    from daq.methods.files.instrument import Instrument  # lists of runs compare none

    return restored(Instrument, text)


def differing_around(before: Mapping[str, str], now: Mapping[str, str]) -> list[tuple[str, str, str]]:
    """Return what differs around an instrument, as `differing`; a digest that is not known on one side is left out.

    An earlier version of the program kept no digest of installed drivers.  Another driver differs in its name.
    """
    unknown = {key for key, digest in (*before.items(), *now.items()) if digest == ""}
    unknown |= {key for key in before.keys() ^ now.keys() if key.endswith(DESCRIPTION)}
    return [each for each in differing(before, now) if each[0] not in unknown]


def are_all_known(around: Mapping[str, str] | None, now: Mapping[str, str]) -> bool:
    """Return whether constants around an instrument have each digest that is known now."""
    return around is not None and all(around.get(k) for k, v in now.items() if v and k.endswith(DESCRIPTION))


def differing(before: Mapping[str, str], now: Mapping[str, str]) -> list[tuple[str, str, str]]:
    """Return key, earlier and present value of each constant that differs, in the order of the keys."""
    keys = sorted({*before, *now})
    return [(k, before.get(k, NOT_STATED), now.get(k, NOT_STATED)) for k in keys if before.get(k) != now.get(k)]


def differing_words(found: list[tuple[str, str, str]]) -> str:
    """Return differing constants in words, each with its key: "outer_radius 15.0 -> 13.0"."""
    short = [(k, *(v[:SHOWN_DIGEST] if k.endswith(DESCRIPTION) else v for v in values)) for k, *values in found]
    return ", ".join(f"{key} {before} -> {now}" for key, before, now in short)


def _leaves(given: Mapping[str, Any], above: str = "") -> Iterator[tuple[str, str]]:
    for key, value in given.items():
        name = f"{above}{key}"
        if isinstance(value, Mapping) and value:
            yield from _leaves(value, f"{name}.")
        else:
            yield name, json.dumps(value, ensure_ascii=False, sort_keys=True)

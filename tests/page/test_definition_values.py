"""The values of products, methods and fluids on the screen of a definition: times have their unit."""

import re
from typing import Any

import pytest

from daq.adapters.paths import examples_dir
from daq.app.daemon.queries.flat_files import flat
from daq.app.setup.catalogue import Catalogue
from daq.methods.files.fields import duration, span

CATALOGUE, _ = Catalogue.read(examples_dir())
MODELS = [m for versions in CATALOGUE.methods.values() for m in versions.values()]
MODELS += [*CATALOGUE.products.values(), *CATALOGUE.fluids.values()]


@pytest.mark.parametrize("model", MODELS, ids=lambda m: f"{m.id} {getattr(m, 'version', '')}")
def test_a_time_is_shown_in_seconds_and_every_other_value_as_it_is(model):
    data = model.model_dump(mode="json", exclude_defaults=True)
    raw, shown = dict(flat(data, Any)), dict(flat(data, type(model)))
    for key, text in shown.items():
        if raw.get(key) == text:
            assert not re.fullmatch(r"\d{7,}", text), key
        elif key in raw:
            assert str(duration(text)) == raw[key], key
        else:  # a length, whose only part is below it in the data
            (part,) = [name for name in raw if name.startswith(f"{key}.")]
            found = span(text)
            assert raw[part] in (str(found.ns), str(found.revolutions), str(found.readings)), key
    assert {key for key in raw if key not in shown} == {
        f"{key}.{part}"
        for key in shown.keys() - raw.keys()
        for part in ("ns", "revolutions", "readings")
        if f"{key}.{part}" in raw
    }

"""A stored canonical text gives the same model again: every instrument of the examples with every geometry, and every product."""

import pytest

from daq.adapters.paths import examples_dir
from daq.app.setup.catalogue import Catalogue
from daq.methods.files.digest import canonical, restored

CATALOGUE = Catalogue.load(examples_dir())
MODELS = {
    **{
        f"{name} {geometry}": instrument.with_fitted(geometry) if geometry else instrument
        for name, instrument in CATALOGUE.instruments.items()
        for geometry in (instrument.geometries or {"": None})
    },
    **{f"product {name}": product for name, product in CATALOGUE.products.items()},
}


@pytest.mark.parametrize("name", MODELS)
def test_the_text_of_a_model_gives_the_same_text_and_the_same_kinds_again(name):
    model = MODELS[name]
    again = restored(type(model), canonical(model))
    assert canonical(again) == canonical(model)
    for key, geometry in getattr(model, "geometries", {}).items():
        assert type(again.geometries[key]) is type(geometry)

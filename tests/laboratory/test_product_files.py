"""The tests of a product's file are checked against methods, versions, choices and instruments."""

import shutil

import pytest

from daq.adapters.paths import examples_dir
from daq.app.setup.catalogue import Catalogue
from daq.core.errors import SettingErrors
from tests.support import sentences

TEST = '[[tests]]\nmethod = "clear-glaze-qc 1"\n'


def errors(tmp_path, old, new):
    folder = tmp_path / "config"
    shutil.copytree(examples_dir(), folder)
    path = folder / "products" / "clear-glaze.toml"
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(SettingErrors) as caught:
        Catalogue.load(folder)
    assert {e.file for e in caught.value.errors} == {str(path)}
    return [(e.key, e.reason) for e in caught.value.errors]


@pytest.mark.parametrize(
    ("new", "key", "expected"),
    [
        ('[[tests]]\nmethod = "clear-glaze-qd 1"\n', "tests[0].method", "did you mean 'clear-glaze-qc'"),
        ('[[tests]]\nmethod = "clear-glaze-qc 2"\n', "tests[0].method", "there is no version of method clear-glaze-qc: '2'"),
        ('[[tests]]\nmethod = "clear-glaze-qc"\n', "tests[0].method", "one space and its version"),
        (TEST + "choices = { speed = 21 }\n", "tests[0].choices.speed", "is not allowed by method clear-glaze-qc"),
        (TEST + "choices = { spead = 20 }\n", "tests[0].choices.spead", "no such choice"),
        (TEST + "\n" + TEST, "tests[1].method", "is there twice"),
        (TEST + "replicates = { count = 2 }\n", "tests[0].replicates.repeatability_limit", "is missing"),
        (TEST + "colour = 1\n", "tests[0].colour", sentences.UNKNOWN_KEY),
    ],
)  # fmt: skip
def test_a_wrong_test_is_named_by_its_key(tmp_path, new, key, expected):
    (found,) = errors(tmp_path, TEST, new)
    assert found[0] == key
    assert expected in found[1]


def test_an_empty_pattern_is_refused(tmp_path):
    assert errors(tmp_path, 'sample_ids = ["G-####"]', 'sample_ids = [""]') == [("sample_ids[0]", "must not be empty")]


def test_an_instrument_that_there_is_not_is_named(tmp_path):
    (found,) = errors(tmp_path, '"bench-3"]', '"bench-9"]')
    assert found[0] == "tests[0].instruments[1]"
    assert sentences.NO_INSTRUMENT in found[1]
    assert "did you mean" in found[1]


def test_the_examples_have_no_errors_and_each_product_has_a_test():
    catalogue = Catalogue.load(examples_dir())
    assert all(p.tests for p in catalogue.products.values())
    for product in catalogue.products.values():
        limited = {m for limit in product.limits for m in limit.methods}
        assert limited == {t.method for t in product.tests}

"""The state of a laboratory with which lists and searches are measured is judged as a real one is."""

import collections

from daq.adapters.paths import database_path
from daq.adapters.store.reading import Reader
from daq.app.records.judged.judging import judged_sample
from tests.bench.laboratory_state import Size, make, sample_id


def test_its_samples_have_results_by_the_stored_versions_of_their_products(tmp_path):
    size = Size(150, 300)
    with Reader(database_path(make(tmp_path / "state", size))) as reader:
        found = [judged_sample(reader, sample_id(number)) for number in range(0, 50, 5)]
    codes = collections.Counter(r.how.code for r in found)
    assert "product_version_unknown" not in codes
    assert codes["first_valid_result"] > len(found) / 2

"""The state of a laboratory with which lists and searches are measured is judged as a real one is."""

import collections

from daq.adapters.store.reading import Reader
from daq.app.records.judged.judging import judged_sample
from tests.bench.laboratory_state import Size, make, sample_id


def test_its_samples_have_results_by_the_stored_versions_of_their_products(tmp_path):
    size = Size(120, 1200)
    with Reader(make(tmp_path / "state", size)) as reader:
        found = [judged_sample(reader, sample_id(number)) for number in range(0, 20, 2)]
    codes = collections.Counter(r.how.code for r in found)
    assert "product_version_unknown" not in codes
    assert sum(r.value is not None for r in found) > len(found) / 2, codes

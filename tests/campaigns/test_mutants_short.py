"""Mutants of built-in descriptions are killed or have a reason: a small part of `python -m tests.campaigns.mutants`."""

import pytest

from tests.campaigns.mutants.__main__ import DESCRIBED, judged
from tests.campaigns.mutants.changes import mutants, reason
from tests.support.instruments.built_in import BUILT_IN


@pytest.mark.parametrize("name", sorted(DESCRIBED))
def test_every_number_has_mutants_of_scale_and_sign(name):
    keys = [key for key, *_ in mutants(dict(BUILT_IN[name].raw))]
    assert any(key.endswith(".scale") for key in keys)
    values = [key for key in keys if key.startswith("line.") and ".identity." not in key]
    assert not any(reason(key) for key in values if key.endswith((".scale", ".offset", ".unit")))


@pytest.mark.slow
@pytest.mark.parametrize("name", ["balance", "thermometer"])
def test_survivors_have_a_reason(name):
    killed, survivors = judged(name, every=9)
    assert killed > len(survivors)
    assert [(key, what) for key, what in survivors if not reason(key)] == []

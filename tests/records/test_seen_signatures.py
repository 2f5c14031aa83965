"""A signature that a list reads without its model is one by its model, too, with the same values."""

import random

import pytest
from pydantic import ValidationError

from daq.app.records.seen_signatures import SeenSignature, seen
from daq.laboratory.signing import MEANINGS, Signature, SignedPart

WRONG = (None, "", 0, -1, 1.0, 1.5, True, "x" * 201, "x" * 402, "a\tb", "a\u202eb", "É", [], {}, "released", "1", (1,))
"""Values that are put in the place of any other."""


def signature(meaning, state):
    return Signature(
        id="s-1", of="run", subject="r-1", number=2, digest="d" * 64, meaning=meaning, by="b.lind", state=state,
        parts=(SignedPart(kind="result", id="q", digest="e" * 64),), name="Bo Lind", signed_at="2026-01-05T11:00:00Z",
    ).model_dump(mode="json")  # fmt: skip


def by_model(data):
    try:
        model = Signature.model_validate(data, strict=False)
    except ValidationError:
        return None
    return SeenSignature(model.number, model.meaning, model.state, model.digest, model.by)


@pytest.mark.parametrize("state", ["in_force", "withdrawn"])
@pytest.mark.parametrize("meaning", MEANINGS)
def test_a_stored_signature_needs_no_model(meaning, state):
    data = signature(meaning, state)
    assert seen(data) == by_model(data) is not None


def test_changed_signatures_are_seen_only_as_their_model_reads_them():
    rng = random.Random(12)
    without_model = 0
    for _ in range(4000):
        data = signature(rng.choice(MEANINGS), "in_force")
        for _ in range(rng.randrange(1, 3)):
            place = rng.choice(
                [data, data["parts"][0]] if isinstance(data.get("parts"), list) and data["parts"] else [data]
            )
            if not isinstance(place, dict) or not place:
                continue
            key = rng.choice([*place, "more"])
            if rng.random() < 0.3:
                place.pop(key, None)
            else:
                place[key] = rng.choice(WRONG)
        found = seen(data)
        without_model += found is not None
        assert found is None or found == by_model(data), data
    assert without_model > 200

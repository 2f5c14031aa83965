"""Notes of a run: remarks about what happened in it, which are no reason for its end.

A note about a fault has the code and the sentence of the fault (`fault_sentences`).
"""

from typing import Final

from daq.methods.sentences.kinds import DETAIL, NAME, SECONDS, SPEED, Sentence, sentence

SENTENCES: Final[dict[str, Sentence]] = {
    "no_identity": sentence(
        "{instrument} does not answer with its serial number[: {detail}]", instrument=NAME, detail=DETAIL
    ),
    "sheared": sentence("pre-sheared for {seconds} at {speed}", seconds=SECONDS, speed=SPEED),
    "refused": sentence("{instrument} refused '{action}'[: {detail}]", instrument=NAME, action=NAME, detail=DETAIL),
    "store_fault": sentence("the readings cannot be stored[: {detail}]", detail=DETAIL),
    "not_concluded": sentence(
        "the result could not be computed; it is computed again after the run[: {detail}]", detail=DETAIL
    ),
}  # fmt: skip

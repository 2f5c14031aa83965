"""Corrections and annulments of a run: what was changed, by whom and why, and how the value was computed again."""

from typing import Final

from daq.methods.sentences.kinds import DETAIL, NAME, TERM, Sentence, sentence

SENTENCES: Final[dict[str, Sentence]] = {
    "declared_otherwise": sentence(
        "corrected: {name}[ from {before}][ to {after}]", name=TERM, before=DETAIL, after=DETAIL
    ),
    "corrected_by": sentence(
        "corrected by {who}, because: {because} (declaration {declaration})",
        who=NAME, because=DETAIL, declaration=NAME,
    ),
    "computed_in_recorded_spans": sentence(
        "computed again from the recorded readings, over the spans of the run; the rules that ended its steps were "
        "not applied again"
    ),
}  # fmt: skip

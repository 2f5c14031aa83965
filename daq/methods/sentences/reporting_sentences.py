"""The reportable result of a sample: how it was made, and why a run does not count."""

from typing import Final

from daq.methods.sentences.kinds import COUNT, NAME, TERM, UNIT, Kind, Sentence, measured, number, sentence

_RANGE: Final[dict[str, Kind]] = {
    "results": COUNT,
    "spread": measured(".4g"),
    "limit": measured(".4g"),
    "unit": UNIT,
}
_OUTLIER: Final[dict[str, Kind]] = {
    "value": measured(".4g"),
    "unit": UNIT,
    "statistic": number(".3f"),
    "critical": number(".3f"),
}
_EDGES: Final[dict[str, Kind]] = {"quantity": TERM, "low": measured(), "high": measured(), "unit": UNIT}
_LIMITS: Final = "{quantity}[ at least {low}][ at most {high}]"

SENTENCES: Final[dict[str, Sentence]] = {
    "mean_of_results": sentence("mean of {results}: their range {spread} is within {limit}", **_RANGE),
    "median_of_results": sentence(
        "median of {results}: their range {spread} is beyond {limit} and no more are allowed; look for the reason",
        **_RANGE,
    ),
    "one_more_result": sentence(
        "not decided: the range {spread} of {results} is beyond {limit}; measure one more, on a fresh fill", **_RANGE
    ),
    "first_valid_result": sentence("the first valid result; the product asks for no replicates"),
    "more_results_needed": sentence("not decided: {more} more valid, each on a fresh fill", more=COUNT),
    "without_result": sentence("it has no result"),
    "is_verification": sentence("it is a verification"),
    "fill_was_sheared": sentence("its fill was sheared while a speed was sought"),
    "of_other_method": sentence("another method: {method}", method=NAME),
    "without_valid_result": sentence("its result is {validity}", validity=TERM),
    "fill_repeated": sentence("a repeat on the fill of run {run} is no replicate", run=NAME),
    "sample_decided": sentence("the sample was decided before"),
    "differs_from_first": sentence("another {aspect} than the first that counts", aspect=TERM),
    "limit_judged": sentence(_LIMITS + ": {verdict}[, compared as {compared}]", verdict=TERM, compared=NAME, **_EDGES),
    "median_without_interval": sentence(
        "the results do not agree, so that their scatter is not that of the product: a median of them has no interval"
    ),
    "run_without_interval": sentence("run {run} has no interval", run=NAME),
    "scatter_of_fills_unknown": sentence(
        "scatter between fills: one fill does not show it, and the product states no repeatability limit"
    ),
    "limit_not_comparable": sentence(_LIMITS + ": not comparable", **_EDGES),
    "grubbs_outlier": sentence(
        "Grubbs: {value} is an outlier, G = {statistic} above {critical}; it counts all the same", **_OUTLIER
    ),
    "dixon_outlier": sentence(
        "Dixon: {value} is an outlier, Q = {statistic} above {critical}; it counts all the same", **_OUTLIER
    ),
}

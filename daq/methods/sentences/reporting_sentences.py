"""The reportable result of a sample: how it was made, and why a run does not count."""

from typing import Final

from daq.methods.sentences.kinds import COUNT, NAME, TERM, UNIT, Kind, Sentence, measured, number, quantity, sentence

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
_LIMITS: Final = "{quantity}[ from {low}][ up to {high}]"

_GAPS: Final[dict[str, Kind]] = {
    "narrow": NAME,
    "wide": NAME,
    "stress": quantity("Pa", ".3g"),
    "difference": quantity("%", "+.1f"),
    "uncertainty": quantity("%", ".2g"),
}

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
    "operator_not_authorised": sentence(
        "{operator} had no authorisation for the method {method} on the day of the run", operator=NAME, method=NAME
    ),
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
    "wall_slip": sentence(
        "a sign of wall slip: at {stress} the apparent viscosity on {narrow} differs from that on {wide}, which has "
        "the wider gap, by {difference} (± {uncertainty}); as slip that is {slip_speed} at the wall: repeat with "
        "roughened walls or a vane",
        slip_speed=quantity("mm/s", ".2g"),
        **_GAPS,
    ),
    "gaps_disagree": sentence(
        "at {stress} the apparent viscosity on {narrow} differs from that on {wide}, which has the wider gap, by "
        "{difference} (± {uncertainty}); slip makes it lower, not higher: check gap, immersion and filling",
        **_GAPS,
    ),
    "no_common_stress": sentence(
        "{narrow} and {wide} were measured at stresses that do not overlap, so that wall slip cannot be judged: choose "
        "speeds with equal torques per area",
        narrow=NAME,
        wide=NAME,
    ),
    "grubbs_outlier": sentence(
        "Grubbs: {value} is an outlier, G = {statistic} above {critical}; it counts all the same", **_OUTLIER
    ),
    "dixon_outlier": sentence(
        "Dixon: {value} is an outlier, Q = {statistic} above {critical}; it counts all the same", **_OUTLIER
    ),
}

"""Control charts: signals, the origin of limits, points that are left out, and capability."""

from typing import Final

from daq.methods.sentences.kinds import COUNT, NAME, NAMES, TERM, UNIT, Kind, Sentence, measured, sentence

PATTERNS: Final[dict[str, str]] = {
    "one_beyond_3s_high": "above the upper limit (3 sigma)",
    "one_beyond_3s_low": "below the lower limit (3 sigma)",
    "nine_one_side_high": "nine or more in a row above the centre line",
    "nine_one_side_low": "nine or more in a row below the centre line",
    "six_trend_high": "six or more in a row, each above the one before",
    "six_trend_low": "six or more in a row, each below the one before",
    "two_of_three_2s_high": "two of three in a row more than 2 sigma above the centre line",
    "two_of_three_2s_low": "two of three in a row more than 2 sigma below the centre line",
    "four_of_five_1s_high": "four of five in a row more than 1 sigma above the centre line",
    "four_of_five_1s_low": "four of five in a row more than 1 sigma below the centre line",
    "moving_range": "the step from one point to the next is above the limit of the moving range",
    "ewma_high": "the moving average (EWMA) is above its upper limit",
    "ewma_low": "the moving average (EWMA) is below its lower limit",
}
"""Words of each signal, by rule and side."""
SIGNAL: Final = "chart_"
"""Beginning of the code of each signal."""
_NUMBERS: Final[dict[str, Kind]] = {"count": COUNT, "least": COUNT}

SENTENCES: Final[dict[str, Sentence]] = {
    SIGNAL + code: sentence(f"{words}: {{points}}", points=NAMES) for code, words in PATTERNS.items()
} | {
    "chart_limits_fixed": sentence(
        "limits fixed by {who} on {day} from {count} points, {first} to {last}[, because {because}]",
        who=NAME,
        day=NAME,
        count=COUNT,
        first=NAME,
        last=NAME,
        because=NAME,
    ),
    "chart_fixed_beyond": sentence(
        "the fixed limits may be too wide: these points are outside of the limits that were computed from them: "
        "{points}",
        points=NAMES,
    ),
    "chart_fixed_not_passed": sentence(
        "the fixed limits may be too wide: they were computed also from controls that did not pass: {points}",
        points=NAMES,
    ),
    "chart_fixed_gone": sentence(
        "the fixed limits were computed also from points that were corrected since, or are doubtful or rejected now: "
        "{points}; fix them again",
        points=NAMES,
    ),
    "chart_limits_trial": sentence(
        "trial limits, computed from the {count} points shown; none are fixed for this chart", count=COUNT
    ),
    "chart_limits_other": sentence("the fixed limits are not used, because their {aspects} differ", aspects=NAMES),
    "chart_few_points": sentence("no limits: {count} points; trial limits need at least {least}", **_NUMBERS),
    "chart_no_scatter": sentence("no limits: all points are equal, so that the moving range is zero"),
    "chart_simulated": sentence("simulated: no real sample was measured"),
    "chart_left_simulated": sentence("it is simulated, and others of this chart are not"),
    "chart_differs_from_newest": sentence("another {aspect} than the newest point", aspect=TERM),
    "chart_data_changed": sentence("stored data do not agree with the audit trail; `daq verify` lists all"),
    "chart_corrected_away": sentence("a correction has given it to another sample or product"),
    "chart_no_deviation": sentence("its deviation was not computed"),
    "chart_annulled": sentence("its newest result is no verification with this fluid any more"),
    "chart_end_of_reading": sentence("older points may be missing: the newest {count} samples were read", count=COUNT),
    "capability_few": sentence("no capability: {count} points; it needs at least {least}", **_NUMBERS),
    "capability_no_limits": sentence("no capability: no limit of the product applied to the newest point"),
    "capability_no_scatter": sentence("no capability: all points are equal"),
    "capability_changed_limits": sentence(
        "no capability: the limits of the product differ from point to point, the newest from {low} to {high}",
        low=measured(),
        high=measured(),
        unit=UNIT,
    ),
    "capability_stable": sentence("no signal on the chart: the indices are those of capability (Cp, Cpk)"),
    "capability_not_stable": sentence(
        "the chart has signals or no limits: the indices describe the past only (Pp, Ppk), not what is to come"
    ),
    "capability_normal": sentence("the intervals hold for independent values with a normal distribution"),
}

"""What a run came to, as data."""

from dataclasses import dataclass, field
from typing import Any

from daq.core.faults import Quality


@dataclass(frozen=True, slots=True)
class Drift:
    """How the value changed inside its span."""

    percent_per_min: float | None
    """In % of its mean; None where that means nothing, as of a temperature in Cel."""
    bound_percent_per_min: float | None
    """Upper bound (95 %) of its magnitude; None where the readings cannot carry one."""
    certain: bool
    """Whether zero lies outside the 95 % interval of the slope."""
    per_min: float
    """In the unit of the value."""
    bound_per_min: float | None


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """What is known of the value's uncertainty, in its unit."""

    expanded: float
    """U = k u_c by JCGM 100."""
    k: float
    coverage: float
    low: float
    """Coverage interval: value +- U, or where limits prevail in the budget the one of the propagated distributions."""
    high: float
    method: str
    """How the interval was found."""
    trials: int | None
    """Of the propagation of distributions (JCGM 101), with its seed; None without."""
    seed: int | None
    nu_eff: float | None
    """Effective degrees of freedom; None where unlimited."""
    components: tuple[dict[str, Any], ...]
    left_out: tuple[str, ...]
    """What the budget does not contain, and why."""


@dataclass(frozen=True, slots=True)
class Level:
    """One step of a verification: what was measured, and what the certificate says at its temperature."""

    step: str
    speed: float | None
    torque_percent: float | None
    temperature: float | None
    measured: float | None
    certified: float | None
    low: float | None
    """Ends of the acceptance band, both included; all values in the result's unit."""
    high: float | None
    deviation_percent: float | None
    deviation_uncertainty_percent: float | None
    """Expanded uncertainty (95 %) of the deviation, the certified fluid's own included, in % of the certified value."""
    normalised_error: float | None
    """E_n of ISO 13528: within -1..1 the two agree within their uncertainties.  It does not decide."""
    accepted: bool | None
    """None where the level cannot be judged."""
    reason: str = ""
    """Why not."""


@dataclass(frozen=True, slots=True)
class Verification:
    """What a verification with a certified fluid came to."""

    order: str
    """``as found`` or ``as left``."""
    fluid: str
    lot: str
    certificate: str
    expires: str
    passed: bool | None
    """None where it was not decided: too few levels could be judged, and none of them was outside."""
    levels: tuple[Level, ...]
    reasons: tuple[str, ...]
    results_since_pass: tuple[str, ...] = ()
    """Where it failed: ids of the instrument's results since the last pass, which are in doubt now."""


@dataclass(frozen=True, slots=True)
class LimitUsed:
    """One limit of the product, and what came of it."""

    quantity: str
    low: float | None
    high: float | None
    unit: str
    binds_to: dict[str, Any]
    verdict: str
    reasons: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Judgement:
    """Is the number inside the product's limits: within, outside, not_comparable, or none where it has none."""

    verdict: str
    decision_rule: str | None
    compared: str | None
    """The number as compared."""
    limits: tuple[LimitUsed, ...]
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Advice:
    """What to change, computed; `comparable` says whether the result would still be comparable."""

    code: str
    text: str
    step: str
    speed: float | None = None
    geometry: str | None = None
    comparable: bool = True
    is_bound: bool = False
    torque_percent: float | None = None
    """The torque to be expected (at least, where `is_bound`)."""
    value_at_least: float | None = None
    """From a saturated reading: the value is at least this, in the result's unit."""


@dataclass(frozen=True, slots=True)
class Row:
    """One kept value with everything measured in its span (means)."""

    step: int
    name: str
    at: str
    statistic: str
    seconds: float | None
    """Time since the step began."""
    run_seconds: float
    """Time since the run began."""
    set_speed: float | None
    speed: float | None
    torque_percent: float | None
    torque: float | None
    shear_rate: float | None
    stress: float | None
    temperature: float | None
    value: float | None
    n: int
    span_s: float
    coverage: float
    faults: tuple[str, ...]
    quality: Quality


@dataclass(frozen=True, slots=True)
class Correction:
    """The value as it would be at the product's reference temperature, in its unit; always beside the one measured."""

    value: float | None
    reference_celsius: float
    measured_celsius: float | None
    factor: float | None
    """Corrected over measured."""
    expanded: float | None
    """Expanded uncertainty (95 %) of the corrected value."""
    k: float | None
    left_out: tuple[str, ...] = ()
    reason: str = ""
    """Why there is no corrected value."""


@dataclass(frozen=True, slots=True)
class Conclusion:
    """Value, uncertainty, validity, verdict and advice of one run (so far)."""

    quantity: str
    unit: str
    value: float | None
    reported: str | None
    """The value as the product reports it."""
    quality: Quality
    faults: tuple[str, ...]
    validity: str
    """valid, doubtful or not valid"""
    reasons: tuple[str, ...]
    claim: str
    outcome: str
    stop_reason: str
    statistic: str | None
    row: Row | None
    """The kept value the result comes from."""
    steady: bool | None
    """For the claim equilibrium: whether steadiness was shown; otherwise None."""
    drift: Drift | None
    uncertainty: Uncertainty | None
    judgement: Judgement
    advice: tuple[Advice, ...]
    rows: tuple[Row, ...]
    torque_at_rest_percent: float | None = None
    """Torque shown with the motor still before its first turning, % of full scale."""
    verification: Verification | None = None
    """Where the run is a verification: what it came to."""
    sheared: bool = False
    """Whether the run sought a speed, and so sheared its fill in a way no method declares."""
    corrected: Correction | None = None
    """Where the product has a temperature curve."""
    cautions: tuple[str, ...] = ()
    """What a reader of the value must know: limits of use, drift, what selected it."""
    temperatures: dict[str, float] = field(default_factory=dict)
    """Mean of every temperature signal in the span, Cel."""
    signals: dict[str, tuple[float, str]] = field(default_factory=dict)
    """Mean and UCUM unit of what else was measured in the span, companions included."""

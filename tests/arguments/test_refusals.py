"""Every public function answers a bad argument with an `ArgumentError` that names it, or with a finite answer."""

import dataclasses
import inspect
import itertools
import math
import zlib
from collections.abc import Mapping, Sequence
from decimal import Decimal

import numpy as np
import pytest

from daq.core.errors import ArgumentError
from tests.arguments.bad_arguments import in_place_of
from tests.arguments.good_arguments import BEYOND_THE_RULE, GOOD, OWNERS
from tests.arguments.listed import listed, properties

RANDOM = 25
"""Number of random values of each of two kinds in the place of one argument."""
SLOW = {"daq.rheology.temperature.fit_vft": 5}
"""Functions that take long; only every fifth bad value is tried."""
NO_ROW = {
    "daq.rheology.flowcurves.flowmodels.FlowModel": "a row of the package's own table of models",
    "daq.rheology.flowcurves.flowcurve.known_model": "it looks into this table",
    "daq.rheology.flowcurves.curvefit.Chosen": "the answer of `choose`",
    "daq.rheology.flowcurves.yieldspread.Rival": "a part of the answer of `yield_spread`",
}

MAY_BE_INFINITE = {
    "outer_radius_m", "radius_ratio",  # an unbounded fluid
    "dof", "nu_eff",  # an uncertainty that is exactly known
    "lower", "upper",  # a parameter without a bound
}  # fmt: skip
"""Arguments whose documentation gives +inf a meaning."""
NO_BOUND = {("daq.rheology.leastsquares.fit_curve", bound) for bound in ("lower", "upper")}
"""Bounds, of which an infinite one is none."""
ANSWERS_NAN = {
    ("daq.rheology.torque.classify_torque", "percent"): "invalid",
    ("daq.quality.limits.judge", "value"): "none",
    # Numbers on a screen: one that does not exist is shown as such, and an unknown uncertainty rounds nothing.
    ("daq.quality.digits.number", "value"): "-",
    ("daq.quality.digits.significant", "value"): "-",
    ("daq.quality.digits.to_place", "value"): "-",
    ("daq.quality.digits.is_interval", "expanded"): "False",
    ("daq.quality.digits.uncertain", "expanded"): "-",
    ("daq.quality.digits.within", "value"): "-",
    ("daq.quality.digits.within", "expanded"): "806.5",
    ("daq.quality.digits.interval_text", "value"): "- mPa.s ± 17 mPa.s",
    ("daq.quality.digits.interval_text", "expanded"): "806.5 mPa.s",
    ("daq.quality.digits.supported", "value"): "4",
    ("daq.quality.digits.supported", "expanded"): "4",
    ("daq.quality.digits.not_finer", "value"): "-",
    ("daq.quality.digits.not_finer", "expanded"): "806.5",
}
"""Functions whose answer to a number that is not finite is part of their documentation."""
ANSWERS_OF = {"daq.rheology.uncertainty.welch_satterthwaite": "nu_eff"}
"""Functions whose answer is such a field."""
RISING = {
    ("daq.core.steady.drift_bound", "seconds"),
    ("daq.core.statistics.longest_interval", "times"),
    ("daq.quality.health.once_per_revolution", "revolutions"),
    ("daq.rheology.flowcurves.gapflow.omegas_of_wall_rates", "rates"),
}
"""Series that must not decrease."""
PARTS_OF = {"daq.rheology.viscosity_budget.viscosity_components": ("sd", "n", "lag1")}
"""Names of the parts of an argument, `scatter`."""
INFINITE_ANSWERS = {"dof", "nu_eff", "f", "radius_ratio", "step"}
"""Fields of results that are infinite where nothing limits them."""

FUNCTIONS = {name: (thing, GOOD.get(name)) for name, thing in listed().items() if name not in NO_ROW} | BEYOND_THE_RULE


def bound(name):
    """Return the callable and its parameters; a method is bound to its object of `OWNERS`."""
    thing, row = FUNCTIONS[name]
    owner = OWNERS.get(name.rpartition(".")[0])
    if owner is not None:
        thing = getattr(owner, name.rpartition(".")[2])
    return thing, inspect.signature(thing).parameters, row


def is_finite(x, field=""):
    if isinstance(x, bool) or x is None or isinstance(x, (str, bytes)) or callable(x):
        return True
    if isinstance(x, (int, float, Decimal)):
        return (not isinstance(x, int) or abs(x) < 2**70) and (
            math.isfinite(x) or (field in INFINITE_ANSWERS and x == math.inf)
        )
    if isinstance(x, np.ndarray):
        return bool(np.all(np.isfinite(x)))
    if dataclasses.is_dataclass(x):
        parts = {f.name: getattr(x, f.name) for f in dataclasses.fields(x)}
        return all(is_finite(v, k) for k, v in parts.items())
    if isinstance(x, Mapping):
        return all(is_finite(v, k) for k, v in x.items())
    if isinstance(x, (Sequence, set, frozenset)):
        return all(is_finite(v, field) for v in x)
    return True


def outcome(function, arguments):
    """Return the answer with its properties, or the `ArgumentError`."""
    try:
        answer = function(**arguments)
        return (answer, properties(answer)) if dataclasses.is_dataclass(answer) else (answer, {})
    except ArgumentError as error:
        return error


def test_every_public_function_has_a_row_with_all_its_arguments():
    assert [name for name, (_, row) in FUNCTIONS.items() if row is None] == []
    assert sorted(set(GOOD) - set(FUNCTIONS)) == [], "a row without a function"
    for name in FUNCTIONS:
        _, parameters, row = bound(name)
        assert list(row()) == list(parameters), name


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_the_good_arguments_give_a_finite_answer(name):
    function, _, row = bound(name)
    found = outcome(function, row())
    assert not isinstance(found, ArgumentError), found
    assert is_finite(found)


@pytest.mark.parametrize("name", sorted(FUNCTIONS))
def test_a_bad_argument_is_refused_by_its_name_or_answered_with_finite_numbers(name):
    function, parameters, row = bound(name)
    if row is None:
        pytest.fail("no row of good arguments")
    things = [v for v in (*row().values(), OWNERS.get(name.rpartition(".")[0])) if dataclasses.is_dataclass(v)]
    names = {*parameters, *PARTS_OF.get(name, ())} | {f.name for v in things for f in dataclasses.fields(v)}
    wrong = []
    for argument in parameters:
        good = row()[argument]
        make = in_place_of(good)
        if make is None:
            continue
        for bad in make(zlib.crc32(f"{name}.{argument}".encode()), good, RANDOM)[:: SLOW.get(name, 1)]:
            arguments = row() | {argument: bad}
            try:
                found = outcome(function, arguments)
            except Exception as error:  # noqa: BLE001 - every other exception is a fault
                wrong.append(f"{argument} = {shown(bad)}: {type(error).__name__}: {error}")
                continue
            if isinstance(found, ArgumentError):
                key = found.key.rpartition(".")[2].partition("[")[0]
                named = key in names or (not found.key and repr(bad) in str(found))
                if not named or not found.reason:
                    wrong.append(f"{argument} = {shown(bad)}: the error names {found.key!r}: {found}")
            elif not is_finite(found[0], ANSWERS_OF.get(name, "")) or not is_finite(found[1]):
                wrong.append(f"{argument} = {shown(bad)}: {shown(found)}")
            elif must_be_refused(name, argument, bad, good, found[0]):
                wrong.append(f"{argument} = {shown(bad)}: not refused, {shown(found)}")
    assert not wrong, "\n".join([f"{len(wrong)} of {name}", *wrong[:25]])


def must_be_refused(name, argument, bad, good, answer):
    """Return True for an answer to a value that can never be right: no number, not finite, millimetres for metres."""
    if (name, argument) in ANSWERS_NAN and not_finite(bad):
        return str(answer) != ANSWERS_NAN[name, argument]
    if isinstance(bad, float) and bad == math.inf and argument in MAY_BE_INFINITE:
        return False
    if (name, argument) in NO_BOUND:
        return any(isinstance(v, float) and math.isnan(v) for v in np.ravel(np.asarray(bad, dtype=object)))
    if argument.endswith("_m") and isinstance(bad, float) and bad == good * 1e3:
        return True
    if isinstance(good, float) and isinstance(bad, float | int):
        return not_finite(bad)
    if (name, argument) in RISING and isinstance(bad, (list, np.ndarray)) and len(bad) == len(good):
        return any(b < a for a, b in itertools.pairwise(bad))
    if argument in MAY_BE_INFINITE and isinstance(bad, list):
        return any(isinstance(v, float) and math.isnan(v) for v in bad)
    if isinstance(bad, (list, np.ndarray)) and not (isinstance(bad, np.ndarray) and isinstance(good, float)):
        flat = [v for row in bad for v in (row if isinstance(row, (list, tuple, np.ndarray)) else [row])]
        return any(not_finite(v) for v in flat)
    return False


def not_finite(x):
    return isinstance(x, float) and not math.isfinite(x)


def shown(x):
    text = repr(x)
    return text if len(text) < 160 else text[:160] + "..."

"""Strategies that draw any value of a dataclass, for tests of its encoding."""

import functools
import typing
from collections.abc import Mapping

from hypothesis import strategies as st

from daq.core.encoding import fields, options
from daq.core.plan import Rule

JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(max_size=3),
    lambda inner: st.lists(inner, max_size=2) | st.dictionaries(st.text(max_size=3), inner, max_size=2),
    max_leaves=4,
)
LEAVES = {
    str: st.text(max_size=5),
    int: st.integers(-(1 << 70), 1 << 70),
    bool: st.booleans(),
    float: st.floats(allow_nan=False),
    type(None): st.none(),
    typing.Any: JSON,
}


@functools.cache
def any_of(kind):
    """Return a strategy for any value of a type, from the type hints of its fields."""
    if len(options(kind)) > 1:
        return st.one_of([any_of(k) for k in options(kind)])
    if kind in LEAVES:
        return LEAVES[kind]
    origin, inner = typing.get_origin(kind), typing.get_args(kind)
    if origin is list:
        return st.lists(any_of(inner[0]), max_size=2)
    if origin is tuple and inner[-1] is not Ellipsis:
        return st.tuples(*map(any_of, inner))
    if origin is tuple:
        # A rule can hold rules; at most one inner rule keeps the recursion finite.
        return st.lists(any_of(inner[0]), max_size=1 if inner[0] is Rule else 2).map(tuple)
    if origin in (dict, Mapping):
        return st.dictionaries(st.text(max_size=3), any_of(inner[1]), max_size=2)
    if origin is typing.Literal:
        return st.sampled_from(inner)
    return st.deferred(lambda: st.builds(kind, **{name: any_of(hint) for name, hint, _ in fields(kind)}))

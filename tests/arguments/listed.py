"""The public functions, classes and methods of the pure packages, found by introspection."""

import dataclasses
import functools
import importlib
import inspect
import pkgutil
import re

import daq.core
import daq.methods
import daq.quality
import daq.rheology

CHECKS = {"daq.core.arguments", "daq.rheology.fitarguments"}
"""Modules that are the checks themselves; `test_checks` has their tests."""
NUMERIC = re.compile(r"\b(float|int|Number|T)\b")
PLAIN = re.compile(r"(?:(?:\w+\.)*Sequence\[(?:float|int)\]|~?Number|~?T|float|int|bool|str|Language)( \| None)?")


def modules(package):
    for found in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
        if found.name not in CHECKS:
            yield importlib.import_module(found.name)


def own(module):
    """Return the public names that a module defines itself, without the checks."""
    return {
        name: thing
        for name, thing in vars(module).items()
        if not name.startswith(("_", "require_", "refuse_")) and getattr(thing, "__module__", None) == module.__name__
    }


def plainly_numeric(function):
    """Return True for a function of numbers only, with at least one of them."""
    hints = [_text(p.annotation) for p in inspect.signature(function).parameters.values()]
    return all(PLAIN.fullmatch(h) for h in hints) and any(NUMERIC.search(h) for h in hints)


@functools.cache
def listed():
    """Return all public functions, classes and methods that need a row of good arguments, by their full names."""
    out, classes = {}, {}
    for where, thing in _public(daq.rheology, daq.quality):
        if inspect.isfunction(thing) or hasattr(thing, "__wrapped__"):
            out[where] = thing
        elif inspect.isclass(thing) and dataclasses.is_dataclass(thing):
            classes[where] = thing
            out |= {f"{where}.{method}": function for method, function in methods(thing)}
    given = " ".join(_parameters(f) for f in out.values())
    parts = " ".join(_text(f.type) for kind in classes.values() for f in dataclasses.fields(kind))
    returned = parts + " ".join(_text(inspect.signature(f).return_annotation) for f in out.values())
    for where, kind in classes.items():
        word = re.compile(rf"\b{kind.__name__}\b")
        # A class that functions return, or that is a part of one, and none takes: the package alone makes it.
        if word.search(given) or not word.search(returned):
            out[where] = kind
    for where, thing in _public(daq.core, daq.methods):
        if inspect.isfunction(thing) and plainly_numeric(thing):
            out[where] = thing
    return out


def _public(*packages):
    for package in packages:
        for module in modules(package):
            yield from ((f"{module.__name__}.{name}", thing) for name, thing in own(module).items())


def methods(kind):
    """Return the public methods of a class that take an argument."""
    for name, thing in vars(kind).items():
        function = thing.__func__ if isinstance(thing, classmethod) else thing
        if (
            not name.startswith("_")
            and inspect.isfunction(function)
            and len(inspect.signature(function).parameters) > 1
        ):
            yield name, function


def properties(thing):
    """Return the values of all properties of an object."""
    return {n: getattr(thing, n) for n, p in vars(type(thing)).items() if isinstance(p, property)}


def _parameters(function):
    return " ".join(_text(p.annotation) for p in inspect.signature(function).parameters.values())


def _text(annotation):
    if isinstance(annotation, str):
        return annotation
    if isinstance(annotation, type) and not hasattr(annotation, "__args__"):
        return annotation.__name__
    return str(annotation)

"""Statements of results: their codes, the parameters of one statement, and all statements in JSON data."""


def codes(found):
    return [_of(s, "code") for s in found]


def parameters(found, code):
    """Return the parameters of the only statement with this code, without null ones."""
    (one,) = [s for s in found if _of(s, "code") == code]
    return {name: value for name, value in _of(one, "parameters").items() if value is not None}


def _of(statement, name):
    return statement[name] if isinstance(statement, dict) else getattr(statement, name)


def statements_in(data):
    """Yield every statement in JSON data, at any depth."""
    if isinstance(data, dict):
        if {"code", "parameters", "text"} <= data.keys():
            yield data
        for value in data.values():
            yield from statements_in(value)
    elif isinstance(data, list):
        for value in data:
            yield from statements_in(value)

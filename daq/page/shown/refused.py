"""Refusals of the daemon, and its messages at a bench, in the language of the page: codes with values."""

import json
from collections.abc import Callable, Mapping
from types import MappingProxyType
from typing import Any, Final

from daq.laboratory.bench.bench_events import REFUSAL
from daq.page.shown.benches import without_commands
from daq.page.shown.equipment import out_words
from daq.page.texts.texts import Texts, placeholders


def _reasons(t: Texts, value: str) -> str:
    """Return the sentences of a list of statements, given as JSON."""
    return " ".join(t.sentence(statement) for statement in json.loads(value))


def _each(t: Texts, value: str) -> str:
    """Return the sentences of several refusals, given as JSON, each in a line."""
    return "\n".join(refusal_words(t, each["code"], each["values"], each["text"]) for each in json.loads(value))


def _field(t: Texts, value: str) -> str:
    """Return the name of a field of a form; one of several values keeps its place, at which the form shows it."""
    return value if "[" in value else t.code("refusal.field", value)


TERMS: Final[Mapping[str, Callable[[Texts, str], str]]] = MappingProxyType(
    {
        "state": lambda t, value: t.code("desk.sample_state", value),
        "link": lambda t, value: t.code("bench.link", value),
        "what": lambda t, value: t.code("refusal.what", value),
        "need": lambda t, value: t.code("work.role", value),
        "role": lambda t, value: t.code("work.role", value),
        "out": out_words,
        "reasons": _reasons,
        "errors": _each,
        "meaning": lambda t, value: t.code("release", value),
        "field": _field,
    }
)
"""Words of a value by its name; the others are shown as they are: names, times and numbers."""


def refusal_words(t: Texts, code: str, values: Mapping[str, str], text: str) -> str:
    """Return the sentence of a refusal; `text`, its English one, where the page has none for its code and values.

    The values `line` and `field` are the place of what is wrong in a file or a form; the sentence begins with it.
    """
    key = f"refusal.daemon.{code}"
    if not t.has(key) or not placeholders(t.template(key)) <= values.keys():
        return text
    try:
        words = {name: TERMS[name](t, value) if name in TERMS else value for name, value in values.items()}
    except (ValueError, KeyError, TypeError):  # statements of a newer daemon
        return text
    at = [t("refusal.at.line", line=words["line"])] if values.get("line") else []
    at += [words["field"]] if values.get("field") else []
    return ": ".join([", ".join(at), t(key, **words)] if at else [t(key, **words)])


def message_words(t: Texts, view: Mapping[str, Any]) -> str:
    """Return the newest message of a bench; a code of a newer daemon is shown as it is."""
    key, values = f"bench.message.{view['message']}", dict(view["values"])
    if values.get(REFUSAL):
        values["reason"] = refusal_words(t, values[REFUSAL], values, values.get("reason", ""))
    elif view["message"] == "out_of_service" and "reason" in values:
        values["reason"] = out_words(t, values["reason"])
    given = {name: without_commands(t, value) for name, value in values.items()}
    if not t.has(key) or not placeholders(t.template(key)) <= given.keys():
        return (
            t.code("bench.message", view["message"])
            if not t.has(key)
            else f"{view['message']}: {', '.join(given.values())}"
        )
    return t(key, **given)

"""Prometheus' text exposition format, version 0.0.4: measured families to text."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"


@dataclass(slots=True)
class Family:
    """One metric with all its samples.

    Attributes:
        name: with the unit as its end (``_seconds``, ``_bytes``), a counter's with ``_total``.
        kind: what a reader may do with it.
        help: one sentence.
        samples: labels and value of each.
    """

    name: str
    kind: Literal["counter", "gauge"]
    help: str
    samples: list[tuple[Mapping[str, str], float]] = field(default_factory=list)

    def add(self, value: float, **labels: str) -> "Family":
        """One more sample; returns the family itself."""
        self.samples.append((labels, float(value)))
        return self


def render(families: Iterable[Family]) -> bytes:
    """The text of all families that have samples, UTF-8."""
    lines: list[str] = []
    for family in families:
        if not family.samples:
            continue
        lines.append(f"# HELP {family.name} {_escaped(family.help)}")
        lines.append(f"# TYPE {family.name} {family.kind}")
        lines += [f"{family.name}{_labels(labels)} {_number(value)}" for labels, value in family.samples]
    return "".join(f"{line}\n" for line in lines).encode()


def _labels(labels: Mapping[str, str]) -> str:
    if not labels:
        return ""
    return "{" + ",".join(f'{name}="{_quoted(text)}"' for name, text in labels.items()) + "}"


def _escaped(text: str) -> str:
    return text.replace("\\", "\\\\").replace("\n", "\\n")


def _quoted(text: str) -> str:
    return _escaped(text).replace('"', '\\"')


def _number(value: float) -> str:
    return str(int(value)) if value.is_integer() and abs(value) < 1 << 53 else repr(value)

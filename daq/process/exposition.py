"""Write metrics in the Prometheus text exposition format, version 0.0.4."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

CONTENT_TYPE: Final = "text/plain; version=0.0.4; charset=utf-8"


@dataclass(slots=True)
class Family:
    """One metric with all its samples.

    Attributes:
        name: name that ends with the unit (``_seconds``, ``_bytes``); the name of a counter ends with ``_total``.
        kind: ``counter`` for a number that only grows, ``gauge`` for one that may also fall.
        help: one sentence that describes the metric.
        samples: labels and value of each sample.
    """

    name: str
    kind: Literal["counter", "gauge"]
    help: str
    samples: list[tuple[Mapping[str, str], float]] = field(default_factory=list)

    def add(self, value: float, **labels: str) -> "Family":
        """Add a sample, and return the family itself."""
        self.samples.append((labels, float(value)))
        return self


def render(families: Iterable[Family]) -> bytes:
    """Return the text (UTF-8) of all families that have samples."""
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

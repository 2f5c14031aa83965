"""The words of the trade are used everywhere; replaced words do not occur.

Each row names a word, the word to use, and the uses that are allowed (another meaning, or an outside text).
"""

import re
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SUFFIXES = {".py", ".toml", ".md", ".json", ".txt", ".service", ".rules", ".acl", ".conf"}
ROOMS = ("daq", "drivers", "simulators", "config", "tests")
OURS = (*(p for room in ROOMS for p in sorted((ROOT / room).rglob("*"))), *sorted(ROOT.glob("*.md")))
SKIPPED = re.compile(r"tests/docs/test_words\.py|tests/core/data/|__pycache__|CHANGELOG\.md|tests/.*\.capture")
FILES = {
    name: p.read_text("utf-8")
    for p in OURS
    if p.is_file() and p.suffix in SUFFIXES and not SKIPPED.search(name := str(p.relative_to(ROOT)))
}


@dataclass(frozen=True)
class Word:
    """A replaced word, the word to use instead, and the places where the old word is allowed."""

    old: str
    new: str
    lines: str = r"\b\B"
    """Lines that match this are allowed: the word has another meaning there."""
    files: str = r"\b\B"


WORDS = (
    Word(r"(?i)temper(ing|ed)\b", "equilibrating"),
    Word(r"(?i)decision_rule", "rounding"),
    Word(
        r"(?i)\brepeatability\b",
        "scatter of readings (Type A), repeatability_limit",
        r"(?i)repeatability[ _](limit|conditions|standard|and reproducibility|factor)|ISO 5725",
    ),
    Word(r"(?i)(?<!in)accuracy", "maximum permissible error"),
    Word(r"(?i)large.vessel", "single cylinder in a large vessel", r"(?i)single.cylinder.in.(a.)?large.vessel"),
    Word(r"(?i)(?<!behaviour)[_ ]\bflow.index|\bflow_index", "flow behaviour index"),
    Word(r"(?i)\bmounted\b", "fitted"),
    Word(
        r"(?i)\bbod(y|ies)\b",
        "measuring geometry, rotor",
        r"(?i)\bbody: bytes|payload|http|request|response|bytes|data|line\b|\b(node|tree)\.body\b",
        # The body of a frame or of a message, without its checksum, that of an HTTP request, and that of a function.
        r"^((daq|tests)/page|drivers/modbus|daq/descriptions|tests/(drivers|descriptions))/|template/driver\.py\.txt|app/run/results\.py",
    ),
    Word(
        r"(?i)\bguard",
        "stirrup",
        r"(?i)guard[ _-]?band|guard banded|guarded|guard_(factor|without)|safety|guard is in place|replaces a guard|guards and|in place",
    ),
    Word(
        # Only gaps in readings: walls, frames, sequence numbers and Dixon's test have gaps too.
        r"(?i)gaps? in (the |its )?readings|readings.{0,20}\bgaps?\b|longest_gap|\bgap_ns\b|no silence and no gap|there is no gap",
        "readings missing, silence",
    ),
    Word(r"(?i)carried by|(cannot|not|can) carry", "supported by the data"),
    Word(r"(?i)\bbegun\b", "started"),
    Word(r"(?i)\bbinds? to\b", "applies at"),
    Word(r"middle of the last|lets us in|things looked at", "median, accepts the connection, checks"),
    Word(r"Pa\.s\^n", "null, with the exponent named"),
    Word(r"(?<![\w+\"])\+-(?=\d|\s)", "±", r'b"\+-|lstrip|"\+-1"|--\+-'),
    Word(r"\b(nudge|Herald|Afterwards|Suspicion|Known|said|dice)\b|order\.order", "a name of the field"),
    Word(
        r"(?i)\bso many\b|\bcomes? to (a|what|nothing)\b|\btold\b|\bwhoever\b|\bstands\b(?! for| still)",
        "plain English",
    ),
    Word(r'^\s*("""|#|\.\.\.)?\s*(What|Whether|Whoever|Whatever)\b(?!.*\?)', "a sentence with a subject"),
)


@pytest.mark.parametrize("word", WORDS, ids=lambda w: w.new)
def test_a_replaced_word_does_not_come_back(word):
    old = re.compile(word.old, re.MULTILINE)
    found = [
        f"{name}:{number}: {line.strip()[:100]}"
        for name, text in FILES.items()
        if not re.search(word.files, name) and old.search(text)
        for number, line in enumerate(text.splitlines(), 1)
        if old.search(line) and not re.search(word.lines, line)
    ]
    assert found == [], f"{len(found)} lines; use: {word.new}"

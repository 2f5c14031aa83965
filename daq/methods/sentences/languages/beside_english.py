"""The languages beside English: one TOML file of templates and words for each."""

import tomllib
from importlib.resources import files
from typing import Final

from daq.methods.sentences.rendering import Language

APART: Final = ("lists", "words")
"""Tables of a file that hold no templates."""


def _language(name: str) -> Language:
    """Return the language of a file of this folder."""
    found = tomllib.loads(files("daq.methods.sentences.languages").joinpath(f"{name}.toml").read_text("utf-8"))
    templates = {code: text for group, texts in found.items() if group not in APART for code, text in texts.items()}
    return Language(templates, found["words"], comma=found["lists"]["comma"], either=found["lists"]["either"])


KOREAN: Final = _language("korean")

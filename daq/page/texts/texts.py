"""The catalogue of texts: one table a language, from the TOML files of its folder, with dates and times of a locale."""

import functools
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, tzinfo
from importlib.resources import files
from typing import Any, Final

from daq.core.errors import SettingError
from daq.methods.sentences.languages.beside_english import KOREAN
from daq.methods.sentences.rendering import ENGLISH, Language, UnknownSentenceError, render

LANGUAGES: Final[Mapping[str, str]] = {"en": "English", "ko": "한국어"}
"""Languages of the page: code (BCP 47) and name in the language itself.  The first one is the default."""
SENTENCES: Final[Mapping[str, Language]] = {"en": ENGLISH, "ko": KOREAN}
"""Templates of the sentences of results by language."""
PLACE: Final = re.compile(r"\{(\w+)\}")


def placeholders(text: str) -> set[str]:
    """Return the names that a text leaves open."""
    return set(PLACE.findall(text))


@functools.cache
def table(language: str) -> dict[str, str]:
    """Return all texts of a language by key: file, table and name, such as ``bench.stage.choosing``.

    Raises:
        SettingError: the language is not one of `LANGUAGES`.
    """
    if language not in LANGUAGES:
        raise SettingError(f"there are no texts in the language {language!r}", key="language")
    out: dict[str, str] = {}
    for path in sorted(files("daq.page.texts").joinpath(language).iterdir(), key=lambda p: p.name):
        for group, texts in tomllib.loads(path.read_text("utf-8")).items():
            name = path.name.removesuffix(".toml")
            prefix = group if name == "common" else f"{name}.{group}"
            out |= {f"{prefix}.{key}": text for key, text in texts.items()}
    return out


@dataclass(frozen=True, slots=True)
class Texts:
    """The texts of one language; `zone` is the time zone in which moments are shown (None: that of this machine)."""

    language: str = "en"
    zone: tzinfo | None = None

    def __call__(self, key: str, /, **values: object) -> str:
        """Return a text with its placeholders filled.

        Raises:
            KeyError: the catalogue has no such key, or a placeholder is not given.
        """
        return PLACE.sub(lambda found: str(values[found[1]]), table(self.language)[key])

    def template(self, key: str) -> str:
        """Return a text with its placeholders, for a script that fills them; `KeyError` where there is none."""
        return table(self.language)[key]

    def has(self, key: str) -> bool:
        """Return whether the catalogue has a key."""
        return key in table(self.language)

    def code(self, group: str, code: str) -> str:
        """Return the text of a code of the data, such as a stage; an unknown code is shown as it is."""
        return self(f"{group}.{code}") if self.has(f"{group}.{code}") else code.replace("_", " ")

    def term(self, word: str) -> str:
        """Return the word for a term of the data, such as the name of a quantity."""
        return "pH" if word == "ph" else SENTENCES[self.language].word(word)

    def sentence(self, statement: Mapping[str, Any] | str) -> str:
        """Return the sentence of a reason, caution or advice, given as JSON with code, parameters and English text.

        A code that is not in the catalogue, as of a newer version, is shown in English.
        """
        if isinstance(statement, str):
            return statement
        try:
            given = dict(statement.get("parameters") or {})
            if statement["code"].startswith("rule_") and given.get("signal"):
                given["signal"] = self.term(given["signal"])  # a name in the catalogue, a term of the project here
            found = render(statement["code"], given, SENTENCES[self.language])
        except (UnknownSentenceError, KeyError):
            return str(statement.get("text", ""))
        return found or str(statement.get("text", ""))

    def moment(self, at: datetime | str | int | None, form: str = "moment") -> str:
        """Return a moment in this language, to the minute.

        Args:
            at: the moment: aware, ISO 8601 with its offset, or UTC in ns; None gives a dash, and a text that is no
                moment is shown as it is.
            form: ``moment``, ``date`` or ``clock``.
        """
        if at is None or at == "":
            return "-"
        try:
            found = datetime.fromtimestamp(at // 10**9, UTC) if isinstance(at, int) else _parsed(at)
        except ValueError:
            return str(at)
        local = found.astimezone(self.zone)
        return self(
            f"format.{form}",
            year=local.year,
            month=self("format.months").split()[local.month - 1],
            day=local.day,
            hour=f"{local.hour:02d}",
            minute=f"{local.minute:02d}",
        )

    def day(self, text: str | None) -> str:
        """Return a calendar day (ISO 8601) in this language; it is in no time zone.  Another text is shown as it is."""
        try:
            found = date.fromisoformat(text or "")
        except ValueError:
            return text or ""
        month = self("format.months").split()[found.month - 1]
        return self("format.date", year=found.year, month=month, day=found.day)

    def span(self, seconds: float) -> str:
        """Return a length of time: ``8.5 s``, ``45 s``, ``2 min 05 s``, ``1 h 03 min``."""
        if seconds < 10 and seconds != int(seconds):
            return self("format.seconds", s=f"{seconds:.1f}")
        whole = round(seconds)
        if whole < 60:
            return self("format.seconds", s=whole)
        if whole < 3600:
            return self("format.minutes", min=whole // 60, s=f"{whole % 60:02d}")
        return self("format.hours", h=whole // 3600, min=f"{whole % 3600 // 60:02d}")

    def range(self, low: str | None, high: str | None) -> str:
        """Return two limits, of which one may be missing, as words."""
        if low is None or high is None:
            return self("format.from", low=low) if low is not None else self("format.up_to", high=high)
        return self("format.from_to", low=low, high=high)


def _parsed(at: datetime | str) -> datetime:
    return datetime.fromisoformat(at) if isinstance(at, str) else at


def languages_accepted(header: str) -> str:
    """Return the first language of an ``Accept-Language`` header (RFC 9110, 12.5.4) that the page has."""
    wanted: list[tuple[float, int, str]] = []
    for place, part in enumerate(header.split(",")[:20]):
        name, _, weight = part.strip().partition(";q=")
        try:
            wanted.append((-float(weight or 1.0), place, name.strip().lower().partition("-")[0]))
        except ValueError:
            continue
    return next((name for q, _, name in sorted(wanted) if name in LANGUAGES and q < 0), next(iter(LANGUAGES)))

"""The words inside the drawings of charts and flow curves, in each language.  Units and symbols are no words."""

import functools
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Protocol

from daq.app.screens.text import called, plain
from daq.methods.sentences.rendering import ENGLISH as ENGLISH_SENTENCES
from daq.methods.sentences.rendering import Language

ENGLISH: Final[Mapping[str, str]] = {
    "title": "control chart of {subject}, {geometry}: {quantity}{unit}",
    "product": "product {name}",
    "fluid": "fluid {name} on {instrument}",
    "no_geometry": "no geometry",
    "method": "method: {method}",
    "points": "{count} points, {first} to {last}",
    "limits": "centre {centre} {unit}, limits {low} to {high} {unit}, sigma {sigma} {unit}, "
    "limit of the moving range {range} {unit}",
    "legend": "legend: {marks}",
    "marks": "circle: point; square: point of a signal; hollow: simulated",
    "marks_of_lines": "thin line: moving average (EWMA); dashed: limits; dotted: limits of the moving average",
    "signal": "SIGNAL {text}",
    "no_signal": "no signal",
    "left_out": "left out: {name}: {why}",
    "simulated": "simulated",
    "moving_range": "moving range",
    "capability": "under the limits of the product, {edges}: {indices}",
    "from": "from {value}",
    "up_to": "up to {value}",
    "index": "{name} = {value} (95 %: {low} to {high})",
    "outside": "expected outside of the limits: {chance}",
    "below": "below {value}",
    "above": "above {value}",
    "good": "Good",
    "uncertain": "Uncertain",
    "bad": "Bad",
    "mark_up": "full triangle: speed rising",
    "mark_down": "hollow triangle: speed falling",
    "mark_both": "diamond: both",
    "mark_unused": "cross: not fitted",
    "line_and_band": "line: the model; band: its confidence band ({percent} %)",
    "no_model": "no model fits these points",
    "power_law": "power law",
    "other_models": "by other models {low} to {high} Pa",
    "rate_axis": "shear rate at the wall, {unit}",
    "stress_axis": "shear stress, Pa",
    "no_real_sample": "SIMULATED: no real sample was measured",
    "sample": "sample {id}",
    "lot": "lot {id}",
    "sampled": "sampled {at}",
    "geometry": "geometry: {name}",
}
KOREAN: Final[Mapping[str, str]] = {
    "title": "관리도: {subject}, {geometry}: {quantity}{unit}",
    "product": "제품 {name}",
    "fluid": "기준 유체 {name}, 계측기 {instrument}",
    "no_geometry": "측정 형상 없음",
    "method": "방법: {method}",
    "points": "점 {count}개, {first} ~ {last}",
    "limits": "중심 {centre} {unit}, 한계 {low} ~ {high} {unit}, "
    "표준편차 {sigma} {unit}, 이동 범위의 한계 {range} {unit}",
    "legend": "범례: {marks}",
    "marks": "원: 점, 사각형: 신호의 점, 속이 빈 것: 시뮬레이션",
    "marks_of_lines": "가는 선: 이동 평균(EWMA), 파선: 한계, 점선: 이동 평균의 한계",
    "signal": "신호: {text}",
    "no_signal": "신호 없음",
    "left_out": "제외: {name}: {why}",
    "simulated": "시뮬레이션",
    "moving_range": "이동 범위",
    "capability": "제품의 한계 {edges}: {indices}",
    "from": "{value} 이상",
    "up_to": "{value} 이하",
    "index": "{name} = {value} (95 %: {low} ~ {high})",
    "outside": "한계 밖으로 예상되는 비율: {chance}",
    "below": "{value} 미만",
    "above": "{value} 초과",
    "good": "양호",
    "uncertain": "불확실",
    "bad": "불량",
    "mark_up": "채운 삼각형: 속도 상승",
    "mark_down": "빈 삼각형: 속도 하강",
    "mark_both": "마름모: 둘 다",
    "mark_unused": "가위표: 맞춤에서 제외",
    "line_and_band": "선: 모델, 띠: 모델의 신뢰 대역({percent} %)",
    "no_model": "이 점들에 맞는 모델이 없음",
    "power_law": "멱법칙",
    "other_models": "다른 모델로는 {low} ~ {high} Pa",
    "rate_axis": "벽면 전단 속도, {unit}",
    "stress_axis": "전단 응력, Pa",
    "no_real_sample": "시뮬레이션: 실제 시료를 측정하지 않음",
    "sample": "시료 {id}",
    "lot": "로트 {id}",
    "sampled": "채취 {at}",
    "geometry": "측정 형상: {name}",
}
LANGUAGES: Final[Mapping[str, Mapping[str, str]]] = {"en": ENGLISH, "ko": KOREAN}


class Rendered(Protocol):
    """A statement that has its sentence in each language."""

    def rendered(self, language: Language = ...) -> str:
        """Return the sentence in a language."""
        ...


@dataclass(frozen=True, slots=True)
class DrawingWords:
    """The words of one language: `templates` by key, and the `sentences` of statements."""

    templates: Mapping[str, str]
    sentences: Language

    def __call__(self, key: str, /, **values: object) -> str:
        """Return a text with its places filled; `KeyError` where the catalogue has no such key."""
        return self.templates[key].format(**values)

    @property
    def is_english(self) -> bool:
        """True for the language of the command line and of reports."""
        return self.templates is ENGLISH

    def sentence(self, of: Rendered | Sequence[Rendered]) -> str:
        """Return the sentence of a statement, or of several, joined by semicolons."""
        if isinstance(of, Sequence):
            return "; ".join(self.sentence(one) for one in of)
        return plain(of.rendered(self.sentences))

    def term(self, word: str) -> str:
        """Return the word for a quantity."""
        return called(word) if self.is_english or word == "ph" else self.sentences.word(word)

    def quality(self, code: str) -> str:
        """Return the word for a quality: in English with its detail, elsewhere the word alone."""
        word, _, detail = code.partition("_")
        if word.lower() not in self.templates:
            return plain(code)
        return self(word.lower()) + (f"_{plain(detail)}" if detail and self.is_english else "")


ENGLISH_WORDS: Final = DrawingWords(ENGLISH, ENGLISH_SENTENCES)


@functools.cache
def words_of(language: str) -> DrawingWords:
    """Return the words of a language, ``en`` or ``ko``."""
    if language == "en":
        return ENGLISH_WORDS
    # Its file is read only where a drawing has this language.
    from daq.methods.sentences.languages.beside_english import KOREAN as SENTENCES

    return DrawingWords(LANGUAGES[language], SENTENCES)

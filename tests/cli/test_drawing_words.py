"""The words inside drawings: complete in each language, none of another one, and units as they are."""

import dataclasses
import re
import string

import pytest

from daq.adapters.paths import examples_dir
from daq.adapters.store.reading import Reader
from daq.app.laboratory.lists.charting import product_charts
from daq.app.screens.drawings import chart_svg
from daq.app.screens.drawings.drawing_words import ENGLISH, ENGLISH_WORDS, KOREAN, LANGUAGES, words_of
from daq.app.setup.catalogue import Catalogue
from tests.support.drawn_words import english_in, english_words, words_in
from tests.support.runs.charted import Measured, limited, make_charted


def places(template):
    return sorted(name for _, name, _, _ in string.Formatter().parse(template) if name)


@pytest.fixture(scope="module")
def charts(tmp_path_factory):
    """Charts with and without limits, signals, capability, samples left out and simulated points."""
    folder = tmp_path_factory.mktemp("charts")
    product = Catalogue.load(examples_dir()).product("clear-glaze")
    found = []
    for number, (count, shift) in enumerate(((30, 0), (30, 60), (2, 0), (0, 0))):
        values = [800.0 + 7 * ((i * 7) % 5 - 2) + (shift if i > 20 else 0) for i in range(count)]
        runs = [Measured(f"G-{i}", value, changes=limited(700, 900)) for i, value in enumerate(values)]
        with Reader(make_charted(folder / f"daq-{number}.db", runs)) as reader:
            found += product_charts(reader, product, last=30)
    return found


def test_each_text_is_there_in_each_language_with_the_same_places():
    assert KOREAN.keys() == ENGLISH.keys()
    for key, template in ENGLISH.items():
        assert places(KOREAN[key]) == places(template), key
        assert re.search("[가-힣]", KOREAN[key]) or key == "index", key
        assert not words_in(KOREAN[key]) & english_words(), key


def test_units_are_never_translated():
    for key, template in ENGLISH.items():
        for unit in ("Pa", "%", "EWMA"):
            assert (unit in template) == (unit in KOREAN[key]), (key, unit)


@pytest.mark.slow
def test_a_korean_chart_has_no_english_word(charts):
    words = words_of("ko")
    shown = [chart_svg.chart_svg(chart, words) for chart in charts]
    for drawing in shown:
        assert english_in(drawing) == set()
        assert re.search("[가-힣]", drawing)
    # Each part was drawn: limits, a signal, a capability, a chart without limits.
    for key in ("신호:", "이동 범위의 한계", "제품의 한계", "신호 없음", "시뮬레이션"):
        assert any(key in drawing for drawing in shown), key
    assert all("mPa·s" in drawing for drawing in shown[:2])
    assert len(english_in(chart_svg.chart_svg(charts[0]))) > 20


@pytest.mark.slow
@pytest.mark.parametrize("simulated", [True, False])
@pytest.mark.parametrize("quality", ["Good", "Uncertain_SubNormal", "Bad_NotSpecified"])
def test_a_korean_point_has_no_english_word(charts, quality, simulated):
    points = tuple(dataclasses.replace(p, quality=quality, simulated=simulated) for p in charts[0].points)
    drawing = chart_svg.chart_svg(dataclasses.replace(charts[0], points=points), words_of("ko"))
    assert english_in(drawing) == set()
    assert quality in chart_svg.chart_svg(dataclasses.replace(charts[0], points=points))


def test_english_is_the_language_without_a_wish():
    assert words_of("en") is ENGLISH_WORDS
    assert set(LANGUAGES) == {"en", "ko"}

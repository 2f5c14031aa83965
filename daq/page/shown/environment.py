"""The environment of the templates: autoescape, the texts of each language, and the functions that templates call."""

import functools
from typing import Any, Final

import jinja2

from daq.laboratory.bench.bath import minutes_in_bath
from daq.page.shown import benches, calibrations, equipment, figures, file_errors, modules, refused, results, work
from daq.page.texts.texts import LANGUAGES, Texts

FUNCTIONS: Final[dict[str, Any]] = {
    function.__name__: function
    for function in (
        benches.bath_rows, benches.bench_kind, benches.choices, benches.clock, benches.command_words,
        benches.fault_words, benches.foreign_run,
        benches.in_doubt, benches.live_words, benches.reading_amount, benches.rule_words,
        benches.run_words, benches.stage_template, benches.stage_words, benches.stop_words, benches.fitted_words,
        benches.is_item_unknown, benches.item_age, benches.longest_age, benches.needs_key, benches.read_item,
        benches.temperature_signal,
        calibrations.calibration_lines, calibrations.without_lines, equipment.due_words, equipment.out_words,
        file_errors.file_words, figures.amount, figures.entry_value,
        figures.half_text, figures.is_long, figures.limit_range, figures.percent, figures.risk, figures.short,
        minutes_in_bath, modules.modules_of, refused.message_words,
        figures.unit_symbol, figures.value_text, results.applies_at, results.components, results.conditions,
        results.curve_drawing, results.kept_rows, results.shown_state, results.verdict_kind, results.why,
        work.compared_groups, work.drawing, work.due_first, work.filled, work.may, work.pairs,
        work.run_values, work.sample_values,
    )
}  # fmt: skip
"""Functions of the templates by name."""


@functools.cache
def environment() -> jinja2.Environment:
    """Return the environment of the page's templates."""
    made = jinja2.Environment(
        loader=jinja2.PackageLoader("daq.page", "templates"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.globals.update(FUNCTIONS, languages=LANGUAGES)
    made.filters["combine"] = work.combine
    return made


def render(template: str, lang: str, values: dict[str, Any]) -> str:
    """Return a page in a language.

    Args:
        template: name of the template.
        lang: code of the language.
        values: the values of the template, without `t` and `lang`.
    """
    return environment().get_template(template).render(values | {"t": Texts(lang), "lang": lang})

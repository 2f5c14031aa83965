"""Queries about control charts, equipment with its due days, and the health of instruments."""

from typing import Any, Final

from daq.app.daemon.queries.desk_asked import ChartsAsked, HealthAsked, Nothing, PieceAsked
from daq.app.daemon.queries.query import Query, Sources
from daq.app.laboratory.equipment.inventory import history_of, inventory
from daq.app.laboratory.lists.charting import product_charts, verification_charts
from daq.app.records.checks.audited_checks import entries
from daq.app.records.health_history import health
from daq.app.records.pieces import all_pieces
from daq.app.records.replaying import maker
from daq.app.screens.drawings.chart_svg import chart_svg
from daq.app.screens.drawings.chart_text import title
from daq.app.screens.drawings.drawing_words import DrawingWords, words_of
from daq.app.screens.text import utc_iso
from daq.core.encoding import encode
from daq.core.errors import SettingError, coded
from daq.laboratory.controlchart import Chart, as_json

MOST_CHARTS: Final = 8
"""Greatest number of charts of one screen."""
MOST_HISTORY: Final = 50
"""Greatest number of changes of a piece, or verifications of an instrument, that are listed, the newest ones."""


def _choices(sources: Sources, _asked: Nothing) -> dict[str, Any]:
    catalogue = sources.catalogue()
    return {
        "products": sorted(catalogue.products),
        "fluids": sorted(catalogue.fluids),
        "instruments": sorted(catalogue.instruments),
    }


def _charts(sources: Sources, asked: ChartsAsked) -> dict[str, Any]:
    """Return charts with their drawings, the one with the newest point first."""
    if bool(asked.product) == bool(asked.fluid) or bool(asked.fluid) != bool(asked.instrument):
        raise coded(SettingError("choose a product, or a fluid with an instrument", key="product"), "chart_not_named")
    if asked.product:
        product = sources.catalogue().product(asked.product)
        found = product_charts(
            sources.reader, product, last=asked.last, geometry=asked.geometry, quantity=asked.quantity
        )
    else:
        found = verification_charts(
            sources.reader, asked.fluid, asked.instrument, last=asked.last, geometry=asked.geometry
        )
        found = [c for c in found if asked.quantity in ("", c.name.quantity)]
    words = words_of(asked.language)
    return {"charts": [_chart(c, words) for c in found[:MOST_CHARTS]], "more": max(0, len(found) - MOST_CHARTS)}


def _chart(chart: Chart, words: DrawingWords) -> dict[str, Any]:
    return as_json(chart) | {"title": title(chart, words), "svg": chart_svg(chart, words)}


def _equipment(sources: Sources, asked: PieceAsked) -> dict[str, Any]:
    """Return all pieces of equipment; of one piece also its history, constants and verifications."""
    reader, catalogue = sources.reader, sources.catalogue()
    lines = [line.as_json() for line in inventory(catalogue, reader, sources.utc_ns)]
    history: list[dict[str, Any]] = []
    verifications: list[dict[str, Any]] = []
    constants: list[dict[str, str]] = []
    if asked.piece:
        piece = next((p for p in all_pieces(catalogue, reader) if p.name == asked.piece), None)
        if piece is not None:
            constants = [{"name": name, "unit": amount.unit or "1"} for name, amount in (piece.constants or {}).items()]
        history = [] if piece is None else [e.as_json() for e in history_of(reader, piece)][-MOST_HISTORY:]
        verifications = [
            encode(e.detail) | {"at": utc_iso(e.utc_ns), "who": e.who, "passed": e.passed}
            for e in entries(reader, asked.piece)[-MOST_HISTORY:]
        ]
    return {
        "pieces": lines,
        "history": history[::-1],
        "verifications": verifications[::-1],
        "constants": constants,
    }


def _health(sources: Sources, asked: HealthAsked) -> dict[str, Any]:
    """Return the health figures of an instrument by run, newest first, their trends and findings."""
    catalogue = sources.catalogue()
    instrument = catalogue.instrument(asked.instrument)
    found = health(sources.reader, instrument.name, instrument.health, maker(catalogue.drivers), count=asked.runs)
    return {
        "runs": [
            {"run": record.id, "sample": record.sample, "began": utc_iso(record.began_utc_ns), **encode(figures)}
            for record, figures in reversed(found.runs)
        ],
        "trends": {
            name: {"n": t.n, "latest": t.latest, "change": t.change, "beyond": t.beyond}
            for name, t in found.trends.items()
        },
        "findings": list(found.findings),
    }


QUERIES: Final[tuple[Query[Any], ...]] = (
    Query("choices", Nothing, "look", _choices),
    Query("charts", ChartsAsked, "look", _charts),
    Query("equipment", PieceAsked, "look", _equipment),
    Query("instrument_health", HealthAsked, "look", _health),
)

"""Set up structured logs."""

import logging
import sys
from typing import Literal

import structlog


def set_up_logs(level: str, form: Literal["auto", "json", "console"]) -> None:
    """Set up structured logs on stderr: with `form` "auto" lines for a person on a terminal, JSON otherwise."""
    as_json = form == "json" or (form == "auto" and not sys.stderr.isatty())
    renderer: structlog.typing.Processor = (
        structlog.processors.JSONRenderer() if as_json else structlog.dev.ConsoleRenderer(colors=sys.stderr.isatty())
    )
    structlog.configure(
        processors=[
            structlog.contextvars.merge_contextvars,
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.format_exc_info,
            renderer,
        ],
        wrapper_class=structlog.make_filtering_bound_logger(getattr(logging, level.upper())),
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=False,
    )

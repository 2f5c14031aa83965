"""JSON for a terminal."""

import json

from daq.app.screens.text import is_invisible


def harmless_json(text: str) -> str:
    """Return JSON in which every character that a terminal could act on is written as an escape.

    `json` escapes the control characters below U+0020 only.
    """
    if text.isascii() and "\x7f" not in text:
        return text
    return "".join(_json_escape(c) if is_invisible(c) else c for c in text)


def _json_escape(character: str) -> str:
    return json.dumps(character)[1:-1] if character > "\x7f" else f"\\u{ord(character):04x}"

"""The files of the page: style sheets, scripts and drawings of the package, and uPlot from its wheel.

They are read once.  A request names one of them; nothing of it becomes a path.
"""

import hashlib
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from importlib.resources import files
from importlib.resources.abc import Traversable
from typing import Final

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

TYPES: Final[Mapping[str, str]] = {
    "css": "text/css; charset=utf-8",
    "js": "text/javascript; charset=utf-8",
    "svg": "image/svg+xml",
    "png": "image/png",
    "woff2": "font/woff2",
    "webmanifest": "application/manifest+json",
    "ico": "image/x-icon",
}
UPLOT: Final = ("uplot.iife.min.js", "uplot.min.css")
"""Files of uPlot (MIT licence) in its wheel."""


@dataclass(frozen=True, slots=True)
class StaticFile:
    """A file with its type and the beginning of its SHA-256."""

    content: bytes
    type: str
    digest: str


class StaticFiles:
    """The files by name below ``/static/``."""

    def __init__(self) -> None:
        """Read all files."""
        found = dict(_below(files("daq.page").joinpath("static"), ""))
        found |= {name: files("youplot").joinpath("vendor", name).read_bytes() for name in UPLOT}
        self.files: dict[str, StaticFile] = {}
        for name, content in found.items():
            kind = TYPES.get(name.rpartition(".")[2])
            if kind is not None:
                self.files[name] = StaticFile(content, kind, hashlib.sha256(content).hexdigest()[:16])

    async def serve(self, request: Request) -> Response:
        """Answer a request for a file."""
        found = self.files.get(request.path_params["name"])
        if found is None:
            return PlainTextResponse("there is no such file\n", 404)
        etag = f'"{found.digest}"'
        # A browser asks each time, and gets 304: after an update no old script meets a new page.
        headers = {"ETag": etag, "Cache-Control": "no-cache"}
        if request.headers.get("if-none-match") == etag:
            return Response(status_code=304, headers=headers)
        return Response(found.content, media_type=found.type, headers=headers)


def _below(folder: Traversable, prefix: str) -> Iterator[tuple[str, bytes]]:
    """Yield name and content of all files of a folder; none where there is no folder."""
    if not folder.is_dir():
        return
    for each in folder.iterdir():
        if each.is_dir():
            yield from _below(each, f"{prefix}{each.name}/")
        else:
            yield prefix + each.name, each.read_bytes()

"""The parts of the developers' pages that are drawn from code: ``python -m tests.docs.drawn`` writes them.

The map comes from the layers that import-linter checks, the diagrams from the tables of states.
"""

import ast
import tomllib
from collections.abc import Iterator
from pathlib import Path

from daq.core.faults import FAULTS
from daq.core.linkstates import link_diagram
from daq.core.run import diagram
from daq.core.units import UNITS
from daq.descriptions.entries import INSTRUMENT_FAULTS
from daq.descriptions.types import TYPES
from daq.descriptions.unitwords import SPELLED
from daq.page.routetable import table

ROOT = Path(__file__).parents[2]
TOP = "Layers: the page over the app, app over collect, both over adapters and methods, all over the core"


def layers() -> dict[str, list[list[str]]]:
    """Return packages from the highest layer to the lowest, by the package that holds them ("" for the top)."""
    contracts = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["tool"]["importlinter"]["contracts"]
    found = {}
    for contract in contracts:
        if contract["type"] == "layers":
            (container,) = contract.get("containers", [""])
            prefix = f"{container}." if container else ""
            found[container] = [[prefix + name.strip() for name in row.split("|")] for row in contract["layers"]]
    return found


def sentence(package: str) -> str:
    """Return the first sentence of a package's or module's docstring."""
    path = ROOT / package.replace(".", "/")
    file = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
    text = ast.get_docstring(ast.parse(file.read_text("utf-8"))) or ""
    return text.partition("\n\n")[0].replace("\n", " ").partition("  ")[0].rstrip(".")


def map_rows() -> Iterator[str]:
    """Yield the rows of the map: a folder, its content, and the folders that it may import."""
    yield "| folder | holds | may import |"
    yield "|---|---|---|"
    known = layers()
    rows = known[""]
    for i, row in enumerate(rows):
        below = ", ".join(name.removeprefix("daq.") for lower in rows[i + 1 :] for name in lower)
        for package in row:
            path = package.replace(".", "/")
            yield f"| `{path}{'/' if (ROOT / path).is_dir() else '.py'}` | {sentence(package)} | {below or 'nothing of ours'} |"
            inner = known.get(package, [])
            for j, rooms in enumerate(inner):
                lower = ", ".join(name.rsplit(".", 1)[1] for r in inner[j + 1 :] for name in r)
                for room in rooms:
                    name = room.rsplit(".", 1)[1]
                    yield f"| &nbsp;&nbsp;`{name}` | {sentence(room)} | {lower or 'below its package'} |"
    yield f"| `drivers/<name>/` | {sentence('drivers')} | core |"
    yield f"| `simulators/<name>/` | {sentence('simulators')} | nothing of ours |"


def description_tables() -> Iterator[str]:
    """Yield the tables of the driver guide: types of fields in lines of text, faults, and units with their spellings."""
    yield "| type | reads |"
    yield "|---|---|"
    yield from (f"| `{name}` | {kind.about} |" for name, kind in TYPES.items())
    yield "\n| fault | meaning | the value |"
    yield "|---|---|---|"
    for name in INSTRUMENT_FAULTS:
        kept = "is kept" if FAULTS[name].keeps_value else "is missing"
        yield f"| `{name}` | {FAULTS[name].sentence} | {kept} |"
    yield "\n| quantity | units (UCUM) | also read from a line as |"
    yield "|---|---|---|"
    for dimension in dict.fromkeys(unit.dimension for unit in UNITS.values()):
        codes = [code for code, unit in UNITS.items() if unit.dimension == dimension]
        spelled = [word for word, code in SPELLED.items() if code in codes]
        yield f"| {dimension} | {_words(codes)} | {_words(spelled)} |"


def _words(words: list[str]) -> str:
    return ", ".join(f"`{word}`" for word in words)


#: Function that draws each part, by file and name of the part.
DRAWN = {
    ("DEVELOPERS.md", "map"): lambda: "\n".join(map_rows()),
    ("daq/descriptions/README.md", "descriptions"): lambda: "\n".join(description_tables()),
    ("daq/page/README.md", "routes"): table,
    ("daq/core/README.md", "run"): lambda: f"```mermaid\n{diagram()}\n```",
    ("daq/core/README.md", "link"): lambda: f"```mermaid\n{link_diagram()}\n```",
}


def marks(name: str) -> tuple[str, str]:
    """Return the comments before and after a drawn part."""
    return f"<!-- {name}: begin -->", f"<!-- {name}: end -->"


def drawn_in(file: str, name: str) -> str:
    """Return the part as it is in the file."""
    begin, end = marks(name)
    return (ROOT / file).read_text("utf-8").partition(begin)[2].partition(end)[0].strip()


def main() -> None:
    for (file, name), draw in DRAWN.items():
        begin, end = marks(name)
        text = (ROOT / file).read_text("utf-8")
        before, _, rest = text.partition(begin)
        _, _, after = rest.partition(end)
        (ROOT / file).write_text(f"{before}{begin}\n{draw()}\n{end}{after}", "utf-8")


if __name__ == "__main__":
    main()

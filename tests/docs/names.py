"""The list of a result's short names, as it is in daq/methods/README.md: ``python -m tests.docs.names``."""

from pathlib import Path

from daq.methods.messages.named import RESULT_NAMES, In

PAGE = Path(__file__).parents[2] / "daq/methods/README.md"
BEGIN, END = "<!-- names: begin -->", "<!-- names: end -->"


def listed() -> str:
    """Return one row per name: path, unit, places where it is used."""
    rows = ["| name | path in `data` | unit | column | metric |", "|---|---|---|---|---|"]
    for named in RESULT_NAMES:
        leaf = named.leaf
        unit = f"`{leaf.unit}`" if leaf.unit else f"in `{leaf.unit_at}`" if leaf.unit_at else ""
        marks = ("x" if flag in named.used else "" for flag in (In.COLLECTOR, In.SPARKPLUG))
        rows.append(f"| `{named.name}` | `{leaf.dotted}` | {unit} | {' | '.join(marks)} |")
    return "\n".join(rows)


def main() -> None:
    path = PAGE
    before, _, rest = path.read_text("utf-8").partition(BEGIN)
    _, _, after = rest.partition(END)
    path.write_text(f"{before}{BEGIN}\n{listed()}\n{END}{after}", "utf-8")


if __name__ == "__main__":
    main()

"""The list of public measurement functions, as it stands in DEVELOPERS.md: ``python -m tests.docs.functions``."""

import ast
import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
BEGIN, END = "<!-- functions: begin -->", "<!-- functions: end -->"


def listed() -> str:
    """Module by module: signature and first sentence, from the source."""
    lines: list[str] = []
    for package in ("rheology", "quality"):
        for path in sorted((ROOT / "daq" / package).glob("*.py")):
            entries = [entry for node in ast.parse(path.read_text("utf-8")).body for entry in _entries(node)]
            if entries and path.stem != "__init__":
                lines += [f"`daq.{package}.{path.stem}`", "", *entries, ""]
    return "\n".join(lines).rstrip()


def _entries(node: ast.stmt) -> list[str]:
    name = getattr(node, "name", "_")
    if name.startswith("_") or not isinstance(node, (ast.FunctionDef, ast.ClassDef)):
        return []
    said = _sentence(ast.get_docstring(node) or "")
    if isinstance(node, ast.ClassDef):
        fields = [
            n.target.id for n in node.body
            if isinstance(n, ast.AnnAssign) and isinstance(n.target, ast.Name) and not n.target.id.startswith("_")
        ]  # fmt: skip
        return [f"* `{name}({', '.join(fields)})`: {said}"]
    returns = f" -> {ast.unparse(node.returns)}" if node.returns is not None else ""
    return [f"* `{name}({_arguments(node.args)}){returns}`: {said}"]


def _arguments(args: ast.arguments) -> str:
    """Names and defaults; types are left out, units stand in the sentence or the docstring."""
    plain = [*args.posonlyargs, *args.args]
    defaults = [None] * (len(plain) - len(args.defaults)) + list(args.defaults)
    parts = [_with_default(a.arg, d) for a, d in zip(plain, defaults, strict=True)]
    if args.vararg:
        parts.append(f"*{args.vararg.arg}")
    elif args.kwonlyargs:
        parts.append("*")
    parts += [_with_default(a.arg, d) for a, d in zip(args.kwonlyargs, args.kw_defaults, strict=True)]
    return ", ".join(parts)


def _with_default(name: str, default: ast.expr | None) -> str:
    return name if default is None else f"{name}={ast.unparse(default)}"


def _sentence(docstring: str) -> str:
    """The first paragraph, on one line."""
    return re.sub(r"\s+", " ", docstring.partition("\n\n")[0]).strip()


def main() -> None:
    path = ROOT / "DEVELOPERS.md"
    text = path.read_text("utf-8")
    before, _, rest = text.partition(BEGIN)
    _, _, after = rest.partition(END)
    path.write_text(f"{before}{BEGIN}\n{listed()}\n{END}{after}", "utf-8")


if __name__ == "__main__":
    main()

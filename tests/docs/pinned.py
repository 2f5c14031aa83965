"""The constraints file for pip, made from uv.lock: ``python -m tests.docs.pinned`` writes it.

pip cannot read uv.lock.  With ``-c .ci/constraints.txt`` it installs the same versions.
"""

import tomllib
from pathlib import Path

ROOT = Path(__file__).parents[2]
FILE = ROOT / ".ci/constraints.txt"
HEAD = "# The versions of uv.lock for pip: pip install -c .ci/constraints.txt ...\n# Made by: python -m tests.docs.pinned\n"


def text() -> str:
    """Return the text of the constraints file."""
    with (ROOT / "uv.lock").open("rb") as file:
        packages = tomllib.load(file)["package"]
    lines = []
    for package in packages:
        if "registry" not in package["source"]:
            continue  # this project itself
        # A package in several versions has a marker for each.
        marker = " or ".join(f"({m})" for m in package.get("resolution-markers", []))
        lines.append(f"{package['name']}=={package['version']}" + (f" ; {marker}" if marker else "") + "\n")
    return HEAD + "".join(sorted(lines))


if __name__ == "__main__":
    FILE.write_text(text(), "utf-8")

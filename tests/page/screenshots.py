"""Make a screenshot of every screen: three sizes, two themes, two languages.

python -m tests.page.screenshots DIR [--state STATE] [--only NAME ...] [--sizes 800x480 ...] [--lang en] [--theme light]

Without `--state` the results are those of a small database.  `daq demo --shift --keep DIR` makes a larger one.
"""

import argparse
import tempfile
from collections.abc import Sequence
from pathlib import Path

from playwright.sync_api import Browser

from daq.adapters.paths import database_path
from tests.page.browsing import SIZES, chromium
from tests.page.example_pages import every_page
from tests.page.example_server import ExampleServer, serving
from tests.support.runs.full_database import make_full_database


def take(
    browser: Browser,
    server: ExampleServer,
    folder: Path,
    names: Sequence[str],
    sizes: Sequence[str],
    langs: Sequence[str],
    themes: Sequence[str],
) -> int:
    """Write the screenshots, and return their number."""
    count = 0
    for size in sizes:
        width, height = SIZES[size]
        context = browser.new_context(viewport={"width": width, "height": height}, reduced_motion="reduce")
        tab = context.new_page()
        for lang in langs:
            for theme in themes:
                for name in names:
                    page = server.by_name[name]
                    tab.goto(server.url(page, lang, theme))
                    tab.wait_for_timeout(500 if "running" in name or name == "desk" else 60)
                    path = folder / size / f"{name}.{lang}.{theme}.png"
                    path.parent.mkdir(parents=True, exist_ok=True)
                    tab.screenshot(path=path, full_page=page.template not in ("bench.html", "desk.html"))
                    count += 1
        context.close()
    return count


def main() -> None:
    """Make the screenshots."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--state", type=Path)
    parser.add_argument("--only", nargs="*", default=[])
    parser.add_argument("--sizes", nargs="*", choices=list(SIZES), default=list(SIZES))
    parser.add_argument("--lang", nargs="*", choices=["en", "ko"], default=["en", "ko"])
    parser.add_argument("--theme", nargs="*", choices=["light", "dark"], default=["light", "dark"])
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        database = database_path(args.state) if args.state else make_full_database(Path(made))
        pages = every_page(database)
        with serving(pages) as server, chromium() as browser:
            names = [
                name for name in server.by_name if not args.only or any(name.startswith(only) for only in args.only)
            ]
            count = take(browser, server, args.folder, names, args.sizes, args.lang, args.theme)
    print(f"{count} screenshots in {args.folder}")


if __name__ == "__main__":
    main()

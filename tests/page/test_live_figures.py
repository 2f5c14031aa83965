"""The digits of live values in the browser are those of the daemon: a half of the decimal number, and each size."""

import math
import random

import pytest

from daq.quality.digits import number, to_place
from tests.page.browsing import chromium
from tests.page.example_server import serving

pytestmark = [pytest.mark.slow, pytest.mark.timeout(120)]


def cases():
    """Return numbers with places and digits: halves at each place, next to halves, and of each size."""
    drawn = random.Random(20)
    out = [(0.0, 0, 4), (-0.0, 2, 3), (-0.04, 1, 2), (812.5, 0, 3), (813.5, 0, 3), (1.015, 2, 3), (99.996, 2, 4), (0.5, 0, 1), (5e8, -9, 1)]  # fmt: skip
    for places in range(-3, 7):
        for _ in range(60):
            half = (2 * drawn.randrange(10 ** drawn.randrange(1, 6)) + 1) * 5 / 10 ** (places + 1)
            half *= drawn.choice((-1, 1))
            out += [(one, places, drawn.randrange(1, 8)) for one in (half, math.nextafter(half, 0.0))]
    for _ in range(1500):
        value = drawn.choice((-1, 1)) * 10 ** drawn.uniform(-14, 14)
        # Beyond 15 digits with an exponent the daemon writes the binary number.
        places = min(drawn.randrange(-4, 9), 14 - math.floor(math.log10(abs(value))))
        out.append((float(f"{value:.{drawn.randrange(1, 17)}g}"), places, drawn.randrange(1, 10)))
    return out


def test_the_browser_rounds_a_live_value_as_the_daemon_rounds_the_result():
    given = cases()
    with serving([]) as server, chromium() as browser:
        tab = browser.new_page()
        tab.route(
            "**/own", lambda route: route.fulfill(body="<!doctype html><title>x</title>", content_type="text/html")
        )
        tab.goto(f"{server.address}/own")
        tab.evaluate("import('/static/figures.js').then((made) => { window.figures = made; })")
        found = tab.evaluate(
            "(given) => given.map(([value, places, digits]) => [figures.atPlace(value, places), figures.significant(value, digits)])",
            given,
        )
    expected = [[to_place(value, places), number(value, digits)] for value, places, digits in given]
    wrong = [(one, got, due) for one, got, due in zip(given, found, expected, strict=True) if got != due]
    assert wrong == []
    assert len(given) > 2500

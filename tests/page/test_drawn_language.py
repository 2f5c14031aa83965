"""The drawings of the page have the words of its language."""

import pytest

from tests.page.visiting import Page
from tests.support.laboratories import laboratory


@pytest.mark.slow
@pytest.mark.asyncio
async def test_a_chart_is_drawn_and_named_in_the_language_of_the_page(tmp_path):
    with laboratory(tmp_path) as lab:
        async with Page(lab, people=False) as page:
            browser = await page.browser()
            for language, words, others in (
                ("en", "control chart of", "관리도:"),
                ("ko", "관리도:", "control chart of"),
            ):
                browser.cookies.set(page.parts.cookies.name("look"), f"{language}.dark", "127.0.0.1", "/")
                shown = (await browser.get("/charts?product=clear-glaze")).text
                assert words in shown
                assert others not in shown

"""Each form of the desk with bad values in each of its fields: the refusal has a code with a sentence in every language."""

import re

import pytest

from daq.app.daemon.protocol import failure
from daq.app.laboratory.acts import carry_out
from daq.core.errors import DaqError
from daq.page.shown.refused import refusal_words
from daq.page.texts.texts import LANGUAGES, Texts
from daq.page.work.formtable import FORMS
from tests.page.desk_fields import WHOLE
from tests.support.laboratories import laboratory

CONTROL, LONG = "a\x1bb", "x" * 201
BAD = (
    "",
    " ",
    CONTROL,
    LONG,
    "nothing",
    "-1",
    "10",
    "2026-02-30",
    "1e999",
    "2 furlong",
    "0,5 uN.m",
    "\ud800",
    "\u202eid",
)
"""Values that no field takes, or few of them."""
SHOWN = re.compile(r"[A-Za-z]{2,} [A-Za-z]{2,} [A-Za-z]{2,}")
"""Three words in a row are a sentence of a language with Latin letters."""


def words(lab, act, order):
    """Return the sentences of the refusal of an act by language; empty where it is done."""
    try:
        carry_out(lab, act, order)
    except DaqError as error:
        sent = failure(error)
        assert sent.code, f"{act} {order}: {sent.error}"
        return {name: refusal_words(Texts(name), sent.code, sent.values, "ENGLISH") for name in LANGUAGES}
    return {}


def spoilt(fields):
    """Yield the fields of a form, each with each bad value in turn, and without it."""
    for name in fields:
        yield {other: value for other, value in fields.items() if other != name}
        for bad in BAD:
            yield fields | {name: bad}


def shown_in_korean(text, fields):
    """Assert that a Korean sentence has no English one, but for what a person typed."""
    assert "ENGLISH" not in text, fields
    assert re.search("[가-힣]", text), (text, fields)
    for value in fields.values():
        text = text.replace(value, "") if value.strip() else text
    assert not SHOWN.search(text), (text, fields)
    assert "{" not in text, (text, fields)


@pytest.mark.parametrize("name", sorted(FORMS))
def test_a_form_with_a_bad_value_in_any_field_is_refused_in_the_language_of_the_screen(tmp_path, name):
    form, refused = FORMS[name], 0
    with laboratory(tmp_path) as lab:
        for fields in spoilt(WHOLE[name]):
            try:
                order = form.order(fields)
            except DaqError as error:
                sent = failure(error)
                assert sent.code, (fields, sent.error)
                found = {n: refusal_words(Texts(n), sent.code, sent.values, "ENGLISH") for n in LANGUAGES}
            else:
                found = words(lab, form.act, order)
            if not found:
                continue
            refused += 1
            assert "ENGLISH" not in found["en"], fields
            shown_in_korean(found["ko"], fields)
    assert refused >= len(WHOLE[name])


HEAD = "id,product,lot,sampled_at,due,priority,bench,retain,discard_on,rework_of,added,state"
LINE = "G-1,clear-glaze,7,2026-01-07T10:00,2026-01-08T10:00,5,bench-1,shelf,2027-03-31,,,open"


def files():
    """Yield the texts of files of samples, each with something wrong, and one with every kind of error."""
    cells = LINE.split(",")
    lines = []
    for place in range(len(cells)):
        for bad in ("", CONTROL.replace("\x1b", "\x07"), LONG, "nothing", "-1", "2026-02-30"):
            line = ",".join([*cells[:place], bad, *cells[place + 1 :]])
            lines.append(line)
            yield f"{HEAD}\n{line}\n"
    yield "\n".join((HEAD, *lines))
    yield from (
        "",
        HEAD,
        "lot\n7",
        f"{HEAD},id\n{LINE},G-2",
        "id,colour\nG-1,red",
        "id,lot\nG-1",
        'id\n"G-1',
        "id\nG-1\nG-1",
    )
    yield "id\n" + "\n".join(f"G-{n}" for n in range(1001))


def test_a_file_of_samples_with_bad_lines_is_refused_in_the_language_of_the_screen(tmp_path):
    refused = 0
    with laboratory(tmp_path) as lab:
        for text in files():
            found = words(lab, "sample_import", {"file": "samples.csv", "text": text, "preview": True})
            refused += bool(found)
            for line in found.get("ko", "").splitlines():
                shown_in_korean(line, {str(n): cell for n, cell in enumerate(re.split("[,\n]", text))})
            assert "ENGLISH" not in found.get("en", "")
    assert refused > 40

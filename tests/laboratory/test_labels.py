"""Labels: an independent decoder (zxing-cpp) reads from the drawing the id that was put into it (segno)."""

import re
import sys
import xml.etree.ElementTree as ET

import numpy as np
import pytest
import zxingcpp

from daq.app.laboratory.lists.labels import label_of
from daq.app.screens.drawings.label_svg import CODE, HEIGHT, QUIET, WIDTH
from daq.core.errors import SettingError
from daq.laboratory.samples import Retained, Rework, Sample

SVG = "{http://www.w3.org/2000/svg}"
PIXELS = 8


def drawn(text):
    """Return the code of a label as grey pixels, drawn from the path in the file: 0 is dark."""
    root = ET.fromstring(text)  # noqa: S314 - our own drawing
    group = root.find(f"{SVG}g")
    scale = float(re.search(r"scale\(([\d.e-]+)\)", group.get("transform"))[1])
    side = round(CODE / scale)
    image = np.full((side * PIXELS, side * PIXELS), 255, np.uint8)
    for found in re.findall(r"M(\d+) (\d+)h(\d+)v1h-(\d+)z", group.find(f"{SVG}path").get("d")):
        x, y, w, back = map(int, found)
        assert w == back
        image[y * PIXELS : (y + 1) * PIXELS, x * PIXELS : (x + w) * PIXELS] = 0
    quiet = QUIET * PIXELS
    assert (image[:quiet] == 255).all()
    assert (image[:, -quiet:] == 255).all()
    return image


IDS = ["G-1042", "7", "a" * 200, "Glasur Ä 17/3", "釉薬-7", "<&\"'>", "https://example.org/?a=1", " 12 ", "G-1042\\n"]


@pytest.mark.parametrize("ident", IDS)
def test_a_decoder_reads_the_id_from_the_label(ident):
    found = zxingcpp.read_barcodes(drawn(label_of(Sample(id=ident))))
    assert [(f.format, f.text) for f in found] == [(zxingcpp.BarcodeFormat.QRCode, ident)]


def test_a_label_is_read_through_a_stain():
    image = drawn(label_of(Sample(id="G-1042")))
    side = image.shape[0]
    image[side // 2 : side // 2 + 2 * PIXELS, side // 2 : side // 2 + 3 * PIXELS] = 0
    assert [f.text for f in zxingcpp.read_barcodes(image)] == ["G-1042"]


def test_the_text_of_a_label_stays_on_it_and_is_no_markup():
    sample = Sample(
        id="<b>" * 30,
        product="clear-glaze",
        lot="&" * 100,
        sampled_at="2026-11-26T14:20+01:00",
        retained=Retained(place="shelf 3", discard_on="2027-03-31"),
        rework=Rework(of="G-1041", added="water"),
    )
    root = ET.fromstring(label_of(sample))  # noqa: S314 - our own drawing
    texts = [t.text for t in root.iter(f"{SVG}text")]
    assert texts[1] == "clear-glaze"
    assert texts[3:] == ["at 2026-11-26 14:20", "shelf 3", "discard 2027-03-31", "rework of G-1041"]
    assert all(len(t) <= 19 for t in texts)
    assert all(float(t.get("y")) < HEIGHT - 1 and float(t.get("x")) < WIDTH for t in root.iter(f"{SVG}text"))


def test_without_its_library_a_label_names_the_extra(monkeypatch):
    monkeypatch.setitem(sys.modules, "segno", None)
    with pytest.raises(SettingError, match=r"pip install 'daq-daemon\[labels\]'"):
        label_of(Sample(id="G-1"))

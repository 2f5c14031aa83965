"""A laboratory with measured runs, and readers of PDF files that are not the program's own."""

import base64
import contextlib
import io
import json
import re
import shutil
from dataclasses import dataclass, replace

import pypdf
import pypdfium2
import zxingcpp

from daq.adapters.paths import database_path
from daq.adapters.store.store import Store
from daq.app.laboratory.acts import carry_out
from daq.app.laboratory.laboratory import Laboratory


@dataclass
class Lab:
    lab: Laboratory
    runs: list

    def do(self, act, **order):
        return carry_out(self.lab, act, order)

    def pdf(self, act, **order):
        """Return the answer of an act that makes a report, and the bytes of the file."""
        done = self.do(act, **order)
        return done, base64.b64decode(done["pdf"])

    def certificate(self, of, **more):
        return self.pdf("certificate_release", of=of, **more)

    def newest(self, run):
        with self.lab.reader() as reader:
            return json.loads(reader.newest_result(run).data)

    def correct(self, run, **facts):
        """Correct a run as the command line does: as a reviewer where value or verdict change."""
        order = {"because": "mistyped"} | facts | {"run": run}
        done = self.do("run_correct", **order)
        return self.do("run_correct_reviewed", **order) if "needs_review" in done else done


@contextlib.contextmanager
def opened(measured, folder, login="m.keeper"):
    bench, runs = measured
    state = folder / "state"
    shutil.copytree(bench.state, state)
    with Store(database_path(state)) as store:
        yield Lab(Laboratory(store, bench.catalogue, bench.clock, login), runs)


def configured(lab, folder):
    """Return the laboratory with a configuration folder of its own, whose files a test changes."""
    shutil.copytree(lab.lab.catalogue.folder, folder)
    return Lab(replace(lab.lab, catalogue=replace(lab.lab.catalogue, folder=folder)), lab.runs)


def reader_of(pdf):
    return pypdf.PdfReader(io.BytesIO(pdf))


def text_of(pdf):
    """Return the text of all pages as another library finds it."""
    document = pypdfium2.PdfDocument(pdf)
    return "\n".join(page.get_textpage().get_text_bounded() for page in document)


def codes_of(pdf):
    """Return the texts of the QR codes on the rendered pages."""
    document = pypdfium2.PdfDocument(pdf)
    images = [page.render(scale=3, grayscale=True).to_numpy() for page in document]
    return [found.text for image in images for found in zxingcpp.read_barcodes(image)]


def about(pdf):
    """Return the metadata of a file as text (XMP)."""
    return reader_of(pdf).trailer["/Root"]["/Metadata"].get_data().decode()


def pdfa_of(pdf):
    """Return part and level of PDF/A that a file claims (ISO 19005-2 and -3, 6.6.4)."""
    found = about(pdf)
    return tuple(re.search(rf"<pdfaid:{key}>(\w+)</pdfaid:{key}>", found)[1] for key in ("part", "conformance"))


def fonts_of(pdf):
    """Return name and embedded file of every font of a file (ISO 19005-2, 6.2.11.4.1: all are embedded)."""
    out = {}
    for page in reader_of(pdf).pages:
        for font in page["/Resources"]["/Font"].values():
            for inner in font.get_object().get("/DescendantFonts", [font]):
                descriptor = inner.get_object()["/FontDescriptor"]
                files = [k for k in ("/FontFile", "/FontFile2", "/FontFile3") if k in descriptor]
                out[font.get_object()["/BaseFont"]] = files
    return out

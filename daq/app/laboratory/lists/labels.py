"""The label of a sample, with its id as a QR code."""

from daq.app.screens.drawings.label_svg import label_svg
from daq.app.screens.text import plain
from daq.laboratory.samples import Sample
from daq.process.extras import need


def label_of(sample: Sample) -> str:
    """Return the label of a sample as the text of an SVG file.

    Raises:
        SettingError: the library of the extra `labels` is not installed.
    """
    need("segno", "a label with a QR code")
    import segno

    # Level M restores about 15 % of the code (ISO/IEC 18004), enough for a stained label.
    code = segno.make_qr(sample.id, error="m", boost_error=False)
    return label_svg([[int(bool(m)) for m in row] for row in code.matrix], plain(sample.id), _lines(sample))


def _lines(sample: Sample) -> list[str]:
    """Return the lines below the id."""
    lines = [sample.product, f"lot {sample.lot}" if sample.lot else ""]
    lines.append(f"at {sample.sampled_at[:16].replace('T', ' ')}" if sample.sampled_at else "")
    if sample.retained is not None:
        lines.append(sample.retained.place)
        lines.append(f"discard {sample.retained.discard_on}" if sample.retained.discard_on else "")
    if sample.rework is not None:
        lines.append(f"rework of {sample.rework.of}")
    return [plain(line) for line in lines if line]

"""Sentences on the framing of an instrument, for a person."""

from daq.descriptions.capture import escaped
from daq.descriptions.guessing.finding.blocks import Block
from daq.descriptions.guessing.finding.checksum import FoundChecksum, Tail
from daq.descriptions.guessing.finding.transcript import Lines


def framing_findings(lines: Lines, checksum: FoundChecksum | None, tail: Tail | None, block: Block | None) -> list[str]:
    """Return the findings on ends, checksum and blocks of the lines, one sentence each."""
    out: list[str] = []
    if lines.begin:
        out.append("lines are between STX and ETX, with a checksum after ETX, and end with \\r\\n")
    elif lines.ends:
        out.append("lines end with " + " or ".join(escaped(e) for e in lines.ends))
    elif lines.length:
        out.append(f"every line has {lines.length} bytes")
    else:
        between = "lines are between STX and ETX, with a checksum after ETX; " if lines.enveloped else ""
        out.append(f"{between}only a pause marks the end of a line")
    if checksum is not None:
        out.append(f"every line has a checksum: {checksum}{_proof(checksum)}")
    elif tail is not None:
        out.append("every line ends like a checksum, but it is none of the known ones")
    else:
        out.append("no checksum was found: a damaged line may be taken for a value")
    if block is not None:
        out.append(f"a reading is a block of {block.lines} lines that begins with '{escaped(block.begin)}'")
        if block.left_out:
            out.append(
                f"{len(block.left_out)} groups of lines beside {block.blocks} whole blocks are left out, for example "
                f"'{escaped(block.left_out[0])}'"
            )
    return [*out, "readings come unasked" if lines.streams else "readings are polled"]


def _proof(found: FoundChecksum) -> str:
    """Return the number of different lines that prove a checksum, as the end of a sentence."""
    if found.rivals:
        return ", and others fit as well"
    if found.sure:
        return f", proved by {found.lines} different lines"
    return f", in {found.lines} different lines; {found.needed} prove it"

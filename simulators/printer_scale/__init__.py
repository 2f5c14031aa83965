"""A scale with a printer port: it prints a line when its key is pressed, and changes its unit."""

from simulators.printer_scale.scale import PrinterScale

__all__ = ["PrinterScale"]

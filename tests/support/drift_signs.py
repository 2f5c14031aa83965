"""Courses of a drift over treatments of a sample, and the sign that each of them is."""

from daq.rheology.restirring import DriftSign

SIGNS = {
    # Direction of the drift in a stretch; a pre-shear and stirring undo it or not.
    "steady": (0.0, True, True, DriftSign.NO_DRIFT),
    "structure builds up": (+1.0, True, True, DriftSign.THIXOTROPY),
    "structure breaks down": (-1.0, True, True, DriftSign.THIXOTROPY),
    "particles settle": (-1.0, False, True, DriftSign.SETTLING),
    "a skin dries": (+1.0, False, True, DriftSign.DRYING),
    "water is lost": (+1.0, False, False, DriftSign.IRREVERSIBLE),
    "it warms up": (-1.0, False, False, DriftSign.IRREVERSIBLE),
}

"""Line-protocol data acquisition for rotational viscosity measurement."""

__version__ = "0.1.0"

"""Codecs of described instruments, used by the reader, the writer, the simulation and the kit alike."""

"""A logger of two temperatures that streams plain columns."""

from simulators.column_logger.logger import ColumnLogger

__all__ = ["ColumnLogger"]

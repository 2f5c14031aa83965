"""A level sensor on a slip tank."""

from simulators.level.level import LevelSensor

__all__ = ["LevelSensor"]

"""What follows the end of a run: ``python -m tests.bench.run_end [--hours 24] [--keep DIR]``.

Printed, for a run of 1 min, a flow curve with nine points and a run of `--hours`, all polled at 10 Hz: the time of each
task that follows the end, and the longest delay of a loop that wants to wake up every millisecond meanwhile, as that
of the process which reads the serial lines does.  Each task is carried out in a thread of the process of that loop,
and then in the process for computations.  ``--hours 0`` leaves out the long run, which takes minutes to be made.
"""

import argparse
import asyncio
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from daq.adapters.clock import SystemClock
from daq.adapters.mqtt.topics import Topics
from daq.adapters.paths import database_path, examples_dir
from daq.adapters.store.store import Store
from daq.app.daemon.process import SWITCH_S
from daq.app.daemon.supervisor import Supervisor
from daq.app.records.history import raw_journal
from daq.app.setup.catalogue import Catalogue
from daq.app.setup.run_order import RunOrder
from daq.app.workshop.shift.fast_time import FastClock, FastLoop
from daq.app.workshop.shift.memory_ports import SimulatedPort
from daq.core.journal import read_records
from daq.core.pipeline import Pipeline
from daq.core.replay import pipeline_of
from daq.methods.concluding.conclude import conclude
from daq.methods.files.daemon import Daemon
from daq.methods.files.load import load_method
from simulators.rotational.catalogue import FLUIDS, GEOMETRIES
from simulators.rotational.instrument import RotationalInstrument
from tests.bench.long_run import BEGAN, METHOD

BENCH: Final = "bench-2"
GEOMETRY: Final = "cylinder-9"
TURN_S: Final = 0.001
TOPICS: Final = Topics(enterprise="glaze-works", site="kiln-street", area="quality")

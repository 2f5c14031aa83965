import json, shutil
from tests.support.runs.virtual_bench import StoredBench
from tests.support.runs.full_database import TOPICS
def test_x(tmp_path):
    b = StoredBench(tmp_path/"s", topics=TOPICS)
    r = b.measure("G-1", simulated=False)
    from daq.adapters.paths import database_path
    from daq.adapters.store.reading import Reader
    with Reader(database_path(b.state)) as reader:
        d = json.loads(reader.newest_result(r).data)
        print(d["simulated"], d["validity"], d["quality"], d["verdict"]["verdict"], d["origin"]["attribution"])
    assert 0

"""`python -m tests.journals`: write the stored journal of the present format again."""

from tests.journals import write

for path in write():
    print(f"{path.name}: {path.stat().st_size} bytes")

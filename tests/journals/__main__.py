"""`python -m tests.journals`: write the journal of the present format anew."""

from tests.journals import write

for path in write():
    print(f"{path.name}: {path.stat().st_size} bytes")

"""The whole campaign: `python -m tests.campaign KIND [COUNT [FIRST]]`; prints how files ended.

File number n of a kind is always the same one, so that a fault can be looked at again:
`python -m tests.campaign KIND 1 n`.
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path
from random import Random

from tests.campaign.judge import Verdict, verdict_of
from tests.campaign.kinds import files_of

MEMORY = 8 << 30  # bytes; a claimed size beyond it must not be asked for


def judged(kind: str, numbers: range, folder: Path) -> dict[int, Verdict]:
    """How each file of these numbers ended."""
    found = {}
    files = files_of(kind, folder)
    for number in numbers:
        path = files.write(Random(f"{kind} {number}"))
        far = number % files.share == 0
        found[number] = verdict_of(lambda path=path, far=far: files.door(path, far))
    return found


def main(kind: str, count: int = 20_000, first: int = 0) -> int:
    """Judge files and print the counts; 1 where any is a fault."""
    resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
    start = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        found = judged(kind, range(first, first + count), Path(folder))
    faults = {n: v for n, v in found.items() if v.fault}
    for (what, place), times in Counter((v.kind, v.place) for v in found.values()).most_common():
        which = next(n for n, v in found.items() if (v.kind, v.place) == (what, place))
        print(f"{times:6d}  {what} {place} (first: {which})")
    print(f"{kind}: {count} files, {len(faults)} faults, {time.monotonic() - start:.0f} s")
    return int(bool(faults))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1], *map(int, sys.argv[2:])))

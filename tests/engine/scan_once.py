"""A scan in a process of its own, to be killed, interrupted or run beside another."""

from __future__ import annotations

import json
import re
import sys
from pathlib import Path

import psutil

from auditor.engine import Progress, ScanError, ScanOptions, scan
from auditor.store import Store, StoreError

sys.path.insert(0, str(Path(__file__).parent))


READERS = {"cv2", "pyexiv2", "rawpy", "PIL", "auditor.measure"}
"""What reads pictures and tags, and may crash: loaded in decoder processes and nowhere else."""


def show(event: Progress) -> None:
    print(event.done, flush=True)


def weigh(event: Progress) -> None:
    """Also how many megabytes this process holds."""
    print(event.done, psutil.Process().memory_info().rss / 1e6, flush=True)


def main() -> None:
    root, out, wanted = sys.argv[1:4]
    try:
        summary = scan(
            [root],
            Store(out),
            workers=2,
            options=ScanOptions(**json.loads(wanted)),
            progress=weigh if "rss" in sys.argv else show,
        )
    except (ScanError, StoreError) as error:
        print(error)
        sys.exit(1)
    finally:
        if loaded := READERS & set(sys.modules):
            print("loaded in the parent of decoders:", loaded)
    if "rss" in sys.argv:
        # Of this program alone: the peak that `getrusage` tells begins with that of whoever started it.
        highest = re.search(r"VmHWM:\s*(\d+) kB", Path("/proc/self/status").read_text("ascii"))
        print("peak", int(highest[1]) * 1024 / 1e6 if highest else 0)
    print(f"found {summary.found} measured {summary.measured} set aside {summary.set_aside}")


if __name__ == "__main__":
    main()

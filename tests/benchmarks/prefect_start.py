"""What Prefect costs a night: seconds and processor seconds of a night of one small file, without and with it.

    python tests/benchmarks/prefect_start.py

The first night through Prefect also makes its database.
"""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

LOG = "time,machine,field,crop,speed_m_s\n2026-07-20T08:00:00Z,Combine A,Mill Field,wheat,1.5\n"


def night(folder: Path, *more: str) -> tuple[float, float]:
    """Seconds by the clock and of the processor, of the night and what it started."""
    lake = tempfile.mkdtemp(dir=folder)
    call = [sys.executable, "-m", "chaffinch.pipelines.command_line", "nightly", str(folder / "inbox"), *more]
    environment = {name: value for name, value in os.environ.items() if name != "CHAFFINCH_PLAIN"}
    before, began = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    subprocess.run(
        [*call, "--lake", lake + "/lake", "--site", lake + "/site"],
        env=environment | {"PREFECT_HOME": str(folder / "prefect")},
        capture_output=True,
        check=False,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return time.monotonic() - began, cpu


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "inbox").mkdir()
        (folder / "inbox" / "a.csv").write_text(LOG)
        night(folder, "--plain")  # warms the disk
        for what, more in (
            ("plain", ["--plain"]),
            ("through Prefect, first", []),
            ("through Prefect, again", []),
        ):
            seconds, cpu = night(folder, *more)
            print(f"{what}: {seconds:.1f} s, {cpu:.1f} s of processor")


if __name__ == "__main__":
    main()

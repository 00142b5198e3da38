"""The command line. ``main`` is the entry point; the commands call the stages and print the result."""

from __future__ import annotations


def main() -> None:
    """Run the command in ``sys.argv`` and exit with its code: 0 done, 1 something failed, 2 wrong call."""
    import os
    import sys

    # Work is spread over files and field jobs; more threads for linear algebra would only wait for each other.
    # The libraries read this when they are imported, which is later.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")

    from chaffinch.pipelines.command_line.program import STOPPED, run

    code = run(sys.argv[1:])
    if code == STOPPED:
        # Threads that are still at work would hold the process for minutes; what they do does not count any more.
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)
    sys.exit(code)

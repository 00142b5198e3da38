"""The command line. ``main`` is the entry point; the commands call the stages and print what came of them."""

from __future__ import annotations


def main() -> None:
    """Run the command in ``sys.argv`` and exit with its code: 0 done, 1 something failed, 2 wrong call."""
    import sys

    from chaffinch.pipelines.command_line.program import run

    sys.exit(run(sys.argv[1:]))

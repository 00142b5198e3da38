"""Prove: test the estimator, and what people do instead, on simulated seasons with known truth.

``run_proof`` simulates, estimates, scores and reports. Every season has a fresh seed unless one is given, and
the seeds are part of the result, so that anything seen can be seen again.
"""

from __future__ import annotations

from chaffinch.pipelines.prove.proof import DEFAULT_OUTCOMES, JUDGED_OUTCOMES, PEERS, run_proof

__all__ = ["DEFAULT_OUTCOMES", "JUDGED_OUTCOMES", "PEERS", "run_proof"]

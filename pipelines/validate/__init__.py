"""Rows that fail a rule are set aside with the reason; deliveries are judged by batch expectations.

``apply_rules`` works row by row on one file, ``judge`` on the measures of many files at once.
"""

from __future__ import annotations

from chaffinch.pipelines.validate.judgement import Judgement, judge
from chaffinch.pipelines.validate.row_rules import apply_rules

__all__ = ["Judgement", "apply_rules", "judge"]

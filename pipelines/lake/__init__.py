"""The lake: Delta tables, one folder a table, and the ledger of deliveries that says what counts.

``Lake`` reads and writes it, ``ReadableLake`` is what its readers need, ``delta`` knows single tables, ``Delivery``
is one file as it goes in, ``exclusive`` keeps two runs apart, ``checks`` verifies that everything is there,
``export`` hands a table to other programs.
"""

from __future__ import annotations

from chaffinch.pipelines.lake.delivery import Delivery
from chaffinch.pipelines.lake.readable import ReadableLake
from chaffinch.pipelines.lake.store import Lake

__all__ = ["Delivery", "Lake", "ReadableLake"]

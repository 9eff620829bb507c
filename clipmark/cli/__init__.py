"""The command line: one module per verb, thin.

Every verb has ``--json`` (one JSON object on stdout, everything else on stderr) and exits with
0 done, 2 refused (bad input, with a sentence), 1 a defect of clipmark itself.
"""

from __future__ import annotations

from clipmark.cli.app import main

__all__ = ["main"]

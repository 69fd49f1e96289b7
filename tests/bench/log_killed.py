"""Sixty times ``kill -9`` while a log is kept: ``python -m tests.bench.log_killed [rounds]``."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.test_journal_killed import killed_rounds

if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as folder:
        rounds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
        print(killed_rounds(Path(folder) / "a.store", rounds))

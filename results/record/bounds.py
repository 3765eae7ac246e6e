"""How large a file of evidence may be: generous for real runs, and a clear error before memory runs out.

A run of 100,000 trials, the most that a plan may ask for, has a run.json of 40 MB and a journal of 100 MB.
"""

from __future__ import annotations

RECORD_BYTES = 200_000_000
"""run.json."""

JOURNAL_BYTES = 500_000_000
"""journal.jsonl."""

CHECK_BYTES = 10_000_000
"""One check of a bench."""

MANIFEST_BYTES = 1_000_000
"""manifest.sha256."""

SAMPLES_A_TRACE = 10_000_000
"""Ten times what the log of a plan may hold; a procedure of one's own may bring more home than one log."""

SAMPLES_A_RUN = 500_000_000
"""All samples of a run, which are analysed in memory: 8 GB with two columns. 100,000 trials of 5,000 samples."""

MISSING_SAMPLES = 20_000_000
"""Samples of a journal that the file of samples may lack and that are read as overload: more is not its journal."""

FILE_BYTES = 20_000_000_000
"""Any file that a manifest lists: a sparse file takes no room, and days to be read."""

TRACE_CSV_BYTES = 64_000_000
"""One trace that another instrument saved: some two million samples."""

TRIALS_CSV_BYTES = 16_000_000
"""trials.csv of a folder of traces: some 200,000 rows."""

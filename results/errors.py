"""What can be wrong with what came out, split by who is at fault.

ResultsError              anything below; carries a message of one line
├── QuantityError         a quantity as written is not one: "8.2 kOm"
├── RecordError           a file of a run folder is not what it says
│   └── StorageError      it could not be brought to the disk: full, read-only, gone
├── ForeignTraceError     a trace that another instrument saved cannot be read as one
└── ReportError           the report could not be typeset
"""

from __future__ import annotations


class ResultsError(Exception):
    """Something about the results is wrong; the message is one line that names where, rule, value and unit."""


class QuantityError(ResultsError, ValueError):
    """A quantity as written cannot be read, or has the wrong unit."""


class RecordError(ResultsError):
    """A file of a run folder is missing, damaged, or not what it says it is."""


class StorageError(RecordError):
    """A file could not be brought to the disk: the disk is full or read-only, the folder or the drive is gone."""


class ForeignTraceError(ResultsError):
    """A trace saved by another instrument cannot be read as a trace."""


class ReportError(ResultsError):
    """The report could not be typeset."""

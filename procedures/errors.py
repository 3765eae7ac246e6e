"""What a procedure can find wrong between the bench and the board.

ProcedureError          anything below; carries a message of one line
└── NotReachedError     the node never came near the level it was pressed to
"""

from __future__ import annotations


class ProcedureError(Exception):
    """The trial could not be made as the procedure demands; it counts as failed, and the run goes on."""


class NotReachedError(ProcedureError):
    """The node never came near the press level: a short, an output that fights the press, or a broken press path."""


class TooLateError(ProcedureError):
    """The release came so late that the log ended before the node could be watched for the time asked.

    The computer was busy, or the person was slow. Such a log says nothing, but another try may.
    """

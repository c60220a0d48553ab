"""Errors of procedures, limits and calculations.

TwohandsError
└── FlowError
    ├── ProcedureError     a procedure that is not safe or cannot be walked
    └── CalculationError   a calculation asked for what it cannot give
"""

from __future__ import annotations

from grammar.errors import TwohandsError


class FlowError(TwohandsError):
    """Something in a procedure, a limit or a calculation cannot stand."""


class ProcedureError(FlowError):
    """A procedure that is unsafe, unreachable or endless somewhere."""


class CalculationError(FlowError):
    """A calculation that lacks a reading or was given one it cannot use."""
